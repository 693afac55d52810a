"""A batch taken a step on and a step back: mist, drying and base of the running bench follow."""

from controller.batch_acts import BatchActs
from controller.decide.aims import BayAims, MistAims
from controller.records import ActKind


def aims(play) -> tuple[BayAims, MistAims]:
    held = play.controller.aims
    return held.bays["north", "left"], held.mist["north"]


def acts(play) -> BatchActs:
    return BatchActs(
        play.journal_path, play.site, "Aoife", clock=lambda: play.utc_s, durable=False
    )  # fmt: skip


def test_dose_drying_and_base_follow_each_step_and_go_back_with_it(played) -> None:
    play = played(weather="winter_dull")
    number = play.stick()  # softwood
    play.play(0.5)
    bay, new = aims(play)
    assert (bay.target_c, new.must_dry, new.night_mist, new.unrooted) == (22.0, False, True, True)
    acts(play).test(number, 10, 0, 7)
    acts(play).wean(number, "callus")
    play.play(0.5)
    _, callus = aims(play)
    assert callus.dose_kpa_min > 2 * new.dose_kpa_min
    assert (callus.must_dry, callus.night_mist, callus.unrooted) == (True, False, True)
    for phase in ("root", "wean"):
        acts(play).wean(number, phase)
        play.play(0.5)
    bay, wean = aims(play)
    assert wean.dose_kpa_min > 5 * callus.dose_kpa_min
    assert (bay.target_c, wean.unrooted) == (19.0, False)
    # Leaves flag at midday: a step back gives the mist and the warmth of before.
    acts(play).look(number, wilted=True)
    acts(play).wean(number, "root")
    play.play(0.5)
    bay, back = aims(play)
    assert back.dose_kpa_min < wean.dose_kpa_min / 2
    assert (bay.target_c, back.must_dry) == (21.0, True)
    assert bay.why == f"batch {number} Lavandula angustifolia"


def test_a_wilt_test_holds_the_mist_and_gives_it_back_by_itself(played) -> None:
    play = played(start="2026-03-02T11:00")
    play.stick()
    play.play(1.0)
    play.ask(ActKind.HOLD_MIST, "north", span_s=3600.0)
    before = len(play.orders)
    play.play(0.9)
    assert all(float(fields["mist"]) == 0.0 for _, fields in play.orders[before:])
    play.play(1.0)
    assert any(float(fields["mist"]) > 0.0 for _, fields in play.orders[before:])


def test_a_correction_of_a_step_is_followed_too(played) -> None:
    play = played()
    number = play.stick()
    play.play(0.5)
    fresh = aims(play)[1].dose_kpa_min
    entry = acts(play).wean(number, "wean")
    play.play(0.5)
    assert aims(play)[1].dose_kpa_min > 5 * fresh
    acts(play).correct(number, entry.number, {}, note="wrong batch")
    play.play(0.5)
    assert aims(play)[1].dose_kpa_min < 2 * fresh
