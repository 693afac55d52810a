"""A dry afternoon is misted; mist that does not come is noticed before the leaves are lost."""

from math import isfinite

import pytest

from controller.journal.reader import open_reader
from simulator.faults import make_fault

BLOCKED = make_fault("mister_blocked", 0.0, target="north.mister", size=0.0)


def bright_day(played, **more):
    play = played(start="2026-05-11T08:00", weather="spring_bright", **more)
    play.play(1.0)
    play.stick(kind="softwood")
    return play


def test_dry_afternoon_is_misted_and_the_leaves_live(played):
    play = bright_day(played)
    play.play(8.0)
    truth = play.rig.benches["north"].truth
    assert truth.bursts >= 10
    assert play.alarm_rows("mist_no_answer") == [], "a nozzle that works is not called blocked"
    assert play.alarm_rows("air_dry") == play.alarm_rows("air_very_dry") == []
    ordered_s = [float(fields["mist"]) for _, fields in play.orders if float(fields["mist"]) > 0]
    assert max(ordered_s) <= 60.0
    assert truth.mist_l > 0.3


def test_blocked_nozzle_is_reported_at_the_third_burst_and_clears_at_the_first_that_answers(played):
    play = bright_day(played)
    play.play(2.0)
    assert play.alarm("mist_no_answer", "north") == "NORM"
    bursts_before = play.rig.benches["north"].truth.bursts
    play.strike(BLOCKED)
    play.play_until(lambda: play.alarm("mist_no_answer", "north") == "UNACK", 2.0)
    # A burst that began before the blockage may have answered while it began.
    assert 3 <= play.rig.benches["north"].truth.bursts - bursts_before <= 5
    assert play.controller.state.alarms["mist_no_answer", "north"].priority == 1
    states = {play.alarm("air_dry", "north"), play.alarm("air_very_dry", "north")}
    for _ in range(360):
        play.step()
        states |= {play.alarm("air_dry", "north"), play.alarm("air_very_dry", "north")}
    assert "UNACK" in states

    play.strike()
    mended = play.rig.benches["north"].truth.bursts
    play.play_until(lambda: play.alarm("mist_no_answer", "north") == "RTNUN", 1.0)
    assert play.rig.benches["north"].truth.bursts - mended <= 2


@pytest.mark.parametrize("blocked", [False, True])
def test_a_meter_in_the_pipe_hears_each_burst_and_nothing_between(played, bench_text, blocked):
    house = '{ link = "board", channel = "house"'
    meter = '{ link = "board", channel = "flow", kind = "water_meter", every_s = 10 },\n    '
    text = bench_text()
    assert house in text
    play = bright_day(played, text=text.replace(house, meter + house))
    if blocked:
        play.strike(BLOCKED)
    before_l = play.rig.benches["north"].truth.mist_l
    bursts = play.rig.benches["north"].truth.bursts
    flows = []
    for _ in range(720):
        play.step()
        flows.append(play.controller.snapshot.benches["north"].flow_ml_s)
    assert all(isfinite(flow) for flow in flows)
    assert play.rig.benches["north"].truth.bursts > bursts
    run_l = play.rig.benches["north"].truth.mist_l - before_l
    assert sum(flows) * 10.0 / 1000.0 == pytest.approx(run_l, abs=0.07)
    assert (max(flows) > 1.0) is not blocked
    assert play.alarm_rows("water_runs") == []
    assert bool(play.alarm_rows("mist_no_answer")) is blocked
    assert sorted(flows)[len(flows) // 2] == 0.0
    play.saved()
    with open_reader(play.journal_path) as reader:
        rows = reader.minutes(["north.flow"], play.utc_s - 7200.0, play.utc_s)["north.flow"]
    recorded_l = rows.mean_milli.sum() / 1000.0 * 60.0 / 1000.0
    assert recorded_l == pytest.approx(run_l, abs=0.07)
