"""After a jump in time nothing is summed over it, and what must last has lasted."""

from itertools import pairwise

import pytest

from controller.journal.reader import open_reader
from controller.records import ActKind
from simulator.faults import make_fault


def sums(play):
    """Mat seconds, starts and sample counts in the journal, by minute."""
    play.saved()
    with open_reader(play.journal_path) as reader:
        relays = reader.relays(["north.left.mat"], 0, 4e9)["north.left.mat"]
        bases = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    return relays, bases


def jump(play, away_s):
    """The whole machine sleeps, as a suspended computer does; board and bench go on."""
    play.clock.advance(away_s)
    play._begin_s += away_s
    done_s = 0.0
    while done_s < away_s:
        play.rig.advance(10.0, play.utc_s - away_s + done_s)
        done_s += 10.0


@pytest.mark.parametrize("away_s", [90.0, 2 * 3600.0, 86400.0])
def test_nothing_is_summed_over_a_suspend(played, away_s):
    play = played(start="2026-02-10T08:00", weather="frost")
    number = play.stick()
    play.play(2.0)
    before = play.controller.warmths.warmth(number)
    used_s = play.controller.state.mist["north"].dryness_kpa_min
    slept_from_s = play.utc_s
    assert play.rig.boards["board"].relay_on("mat1")
    jump(play, away_s)
    assert not play.rig.boards["board"].relay_on("mat1")
    woke_s = play.utc_s
    play.play(0.25)
    after = play.controller.warmths.warmth(number)
    counted_s = 900 + (away_s if away_s < 600 else 0) + 120
    assert after.covered_s - before.covered_s <= counted_s
    relays, bases = sums(play)
    inside = (relays.t_s > slept_from_s) & (relays.t_s < woke_s - 60)
    assert relays.on_ms[inside].sum() == 0
    assert relays.on_ms.max() <= 60_000
    assert bases.n.max() <= 6
    # Two minutes' worth is the most that one look may add, whatever lies before it.
    assert play.controller.state.mist["north"].dryness_kpa_min - used_s < 17 * 1.5
    with open_reader(play.journal_path) as reader:
        gaps = [e.text for e in reader.events() if e.kind == "gap"]
    assert gaps == [
        f"no control for {away_s + 10:.0f} s; boards drop their relays when leases run out"
    ]


def test_power_cut_keeps_holds_and_what_was_learned_and_brings_no_burst_of_relays(
    played, bench_text
):
    cut = make_fault("power_cut", 12 * 3600.0, hours=1.0)
    play = played(
        bench_text(mat=""), start="2026-03-11T00:00", weather="spring_mixed", faults=(cut,)
    )
    play.stick()
    play.play(11.5)
    play.ask(ActKind.HOLD_MIST, "north", span_s=4 * 3600.0, value="off")
    play.ask(
        ActKind.SHELVE, "north.left", alarm="cutout_missing", span_s=6 * 3600.0, note="ordered"
    )
    assert play.alarm("cutout_missing", "north.left") == "SHLVD"
    before_cut = play.controller
    while play.controller is not None:
        before_cut = play.controller
        play.step()
    learned = before_cut.state.bays["north", "left"].integral
    assert 0.0 < learned < 1.0
    sent = len(play.orders)
    play.play_until(lambda: play.controller is not None, 1.1)
    assert len(play.orders) == sent + 2, "all off at the start, then the first tick"
    assert set(play.orders[sent][1].values()) == {"0"}
    play.play(0.5)
    state = play.controller.state
    assert state.mist["north"].hold == "off"
    assert state.bays["north", "left"].integral == pytest.approx(learned, abs=0.2)
    assert play.alarm("cutout_missing", "north.left") == "SHLVD"
    assert play.alarm("controller_away", "site") in ("UNACK", "RTNUN")
    relays = [fields for _, fields in play.orders[sent:]]
    assert all(fields["mist"] == "0" for fields in relays)
    starts = sum(float(a["mat1"]) == 0 < float(b["mat1"]) for a, b in pairwise(relays))
    assert starts <= 2


def test_trip_outlasts_a_power_cut_and_only_a_person_ends_it(played):
    play = played(start="2026-02-10T08:00", weather="spring_mixed")
    play.play(1.0)
    hot = make_fault("probe_offset", 0.0, target="north.left.base1", size=25.0)
    hot2 = make_fault("probe_offset", 0.0, target="north.left.base2", size=25.0)
    play.strike(hot, hot2)
    play.play_until(lambda: play.alarm("base_overheat", "north.left") == "UNACK", 0.5)
    play.strike()
    play.play(0.1)
    play.saved()
    play._lose_power()
    play.rig.power(False)
    play.play(0.5)
    play.rig.power(True)
    play._come_back()
    before = len(play.orders)
    play.play(1.0)
    assert all(fields["mat1"] == "0" for _, fields in play.orders[before:])
    assert play.controller.decision.bays[0].reason.code in ("tripped", "base_overheat")
    play.ask(ActKind.RESET, "north.left", alarm="base_overheat")
    play.play(0.5)
    assert any(float(fields["mat1"]) > 0 for _, fields in play.orders[before:])


def test_trip_of_a_journal_that_opens_only_after_the_start_is_in_force_from_then_on(
    played, tmp_path, eventually
):
    play = played(start="2026-02-10T08:00", weather="spring_mixed", threaded=True)
    play.play(1.0)
    hot = make_fault("probe_offset", 0.0, target="north.left.base1", size=25.0)
    hot2 = make_fault("probe_offset", 0.0, target="north.left.base2", size=25.0)
    play.strike(hot, hot2)
    play.play_until(lambda: play.alarm("base_overheat", "north.left") == "UNACK", 0.5)
    play.strike()
    play.ask(ActKind.HOLD_MIST, "north", span_s=4 * 3600.0, value="off")
    play.play(0.1)
    play.stop()
    # As a disk that is mounted late: a folder stands where the journal is to be.
    path = tmp_path / "flow0.db"
    kept = path.rename(tmp_path / "kept.db")
    path.mkdir()
    play.start()
    play.play(0.1)
    assert play.alarm("base_overheat", "north.left") == "NORM", "nothing is known yet"
    path.rmdir()
    kept.rename(path)

    def known():
        play.step()
        return play.controller.decision.bays[0].reason.code == "tripped"

    eventually(known, 10.0)
    before = len(play.orders)
    play.play(0.5)
    assert all(fields["mat1"] == "0" for _, fields in play.orders[before:])
    assert play.controller.state.mist["north"].hold == "off"
    assert play.alarm("base_overheat", "north.left") in ("UNACK", "LATCH_UNACK")
    play.ask(ActKind.RESET, "north.left", alarm="base_overheat")
    play.play(0.5)
    assert any(float(fields["mat1"]) > 0 for _, fields in play.orders[before:])
    play.stop()
    with open_reader(path) as reader:
        assert "state_recalled" in {event.kind for event in reader.events()}
