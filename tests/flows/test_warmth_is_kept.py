"""Warmth counted live is the warmth counted again from the journal, to the last whole number."""

import pytest

from config.recipes import recipe_for
from controller.gather import review_batch
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from simulator.faults import make_fault

SECOND_BAY = """
[benches.north.bays.right]
probes = [{ link = "board", channel = "base3", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 120, area_m2 = 1.2 }
heat = { target_c = 18, good_low_c = 16, good_high_c = 20 }
"""


def both(play, number):
    """(live, recomputed) warmth of a batch."""
    play.saved()
    live = play.controller.warmths.warmth(number)
    with open_reader(play.journal_path) as reader:
        batch = next(b for b in reader.batches() if b.number == number)
        summary = review_batch(reader, play.site, batch, play.utc_s)
    return live, summary.warmth


def restart(play, away_s=0.0):
    """An orderly stop, and another start later."""
    play.stop()
    play.clock.advance(away_s)
    play._begin_s += away_s
    play.start()


def test_live_warmth_equals_the_journal_through_gaps_restarts_and_lost_probes(played):
    play = played(
        start="2026-03-02T08:00",
        weather="spring_mixed",
        faults=(make_fault("power_cut", 4 * 3600.0, hours=0.75),),
    )
    play.step()
    number = play.stick()
    play.play(6.0)
    live, again = both(play, number)
    assert live == again
    assert live.sum2_mk_s > 0
    # The hour without power is known to be unknown.
    assert live.span_s - live.covered_s == pytest.approx(2700, abs=180)

    # Within one minute, which both runs then have a share of.
    restart(play, away_s=5.0)
    play.play(1.0)
    assert both(play, number)[0] == both(play, number)[1]
    play.strike(
        make_fault("probe_silent", 0.0, target="north.left.base1"),
        make_fault("probe_silent", 0.0, target="north.left.base2"),
    )
    play.play(0.5)
    play.strike(make_fault("probe_silent", 0.0, target="north.left.base2"))
    play.play(0.5)
    live, again = both(play, number)
    assert live == again
    assert live.covered_s < live.span_s - 2700 - 1500


@pytest.mark.parametrize("second", [0.0, 0.4, 30.0, 59.7])
def test_warmth_follows_a_batch_to_another_bay_from_the_very_minute(played, bench_text, second):
    play = played(bench_text(more=SECOND_BAY), start="2026-03-02T08:00", weather="spring_mixed")
    play.play(1.0)
    play.clock.advance(second)
    play._begin_s += second
    number = play.stick()
    play.play(2.0)
    with Journal.open(play.journal_path, site=play.site, durable=False) as journal:
        book = BatchBook(journal, play.site, lambda: play.utc_s)
        book.move(number, "north", "right", play.utc_s, "Aoife")
    play.play(2.0)
    live, again = both(play, number)
    assert live == again
    assert live.covered_s == pytest.approx(4 * 3600, abs=120)
    assert play.rig.base_c("north", "left") - play.rig.base_c("north", "right") > 1.0


def test_backdated_batch_gets_the_warmth_it_has_had(played):
    play = played(start="2026-03-02T08:00", weather="spring_mixed")
    play.play(3.0)
    recipe = recipe_for("softwood", None)
    with Journal.open(play.journal_path, site=play.site, durable=False) as journal:
        book = BatchBook(journal, play.site, lambda: play.utc_s)
        at_s = play.utc_s - 2 * 3600
        number = book.stick("Fuchsia", "softwood", "north", "left", 20, at_s, recipe=recipe).number
    play.play(1.0)
    live, again = both(play, number)
    assert live == again
    assert live.covered_s == pytest.approx(3 * 3600, abs=120)


def test_wall_clock_set_back_and_warmth_ends_equal_all_the_same(played):
    play = played(start="2026-03-02T08:00", weather="spring_mixed")
    play.play(1.0)
    number = play.stick()
    play.play(1.0)
    play.clock.step_utc(-600.0)
    play.play(1.0)
    live, again = both(play, number)
    assert live == again
    play.clock.step_utc(1800.0)
    play.play(0.5)
    assert both(play, number)[0] == both(play, number)[1]
