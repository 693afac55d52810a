"""Guards: the last word, whatever heat and mist want."""

from dataclasses import replace
from math import inf, nan

import pytest

from controller.decide import guards
from controller.decide.state import AlarmState, BayState, MistState
from controller.records import Act, ActKind, MistDecision, Reason


def hold_on(span_s=3600.0):
    return (Act(ActKind.HOLD_HEAT, "north.left", "Ann", span_s=span_s, value="on"),)


def test_no_heat_at_the_ceiling_at_once(make_rig):
    rig = make_rig(heat={"target_c": 28.0})
    rig.tick(20.0, acts=hold_on())
    rig.hold(300, 20.0)
    assert rig.bay.on
    decision = rig.tick(32.0)
    assert decision.orders[0].lease_s == 0.0
    assert decision.bays[0].reason.code in ("ceiling", "tripped")


def test_ceiling_is_lower_without_a_cutout(make_rig):
    rig = make_rig(mat={"cutout": "none"})
    rig.tick(20.0, acts=hold_on())
    assert rig.tick(27.9).orders[0].lease_s > 0 or rig.bay.reason.code == "hold_on"
    assert rig.tick(28.0).orders[0].lease_s == 0.0
    assert rig.aims.bays["north", "left"].ceiling_c == 28.0


def test_one_hot_probe_is_enough(make_rig):
    rig = make_rig(probes=2)
    rig.hold(120, 15.0, fitted=2)
    snapshot = rig.snapshot(15.0, fitted=2)
    bay = snapshot.benches["north"].bays["left"]._replace(hottest_c=32.5)
    verdict = guards.over_bay(
        rig.aims.bays["north", "left"], rig.bay, bay, 15.0, {}, rig.now.mono_s
    )
    assert verdict.reason.code == "ceiling"


def test_trip_latches_after_a_minute_and_waits_for_a_person(rig):
    rig.hold(40, 30.5)
    assert not rig.bay.tripped
    rig.hold(60, 30.5)
    assert rig.bay.tripped
    decision = rig.hold(6 * 3600, 12.0)
    assert decision.orders[0].lease_s == 0.0
    assert decision.bays[0].reason.code == "tripped"


def test_short_peak_does_not_trip(rig):
    rig.hold(40, 30.5)
    rig.hold(20, 29.5)
    rig.hold(40, 30.5)
    assert not rig.bay.tripped


def shown(rig, alarm):
    held = rig.state.alarms.get((alarm, "north.left"))
    return "NORM" if held is None else held.state


def sunny_noon(rig, top_c, off_h=4.0):
    """Heated, then off for hours, then over the trip."""
    rig.hold(600, 15.0, 10.0)
    assert rig.bay.on
    rig.hold(off_h * 3600, 24.0, top_c)
    assert not rig.bay.on
    rig.hold(120, 30.5, top_c)


def test_sun_that_lifts_the_base_over_the_trip_leaves_no_latch(make_rig):
    rig = make_rig(tick_s=30.0)
    sunny_noon(rig, 33.0)
    assert not rig.bay.tripped
    assert shown(rig, "base_sun_hot") == "UNACK"
    assert shown(rig, "base_overheat") == "NORM"
    decision = rig.hold(1800, 30.5, 22.0)  # the top cools first
    assert decision.bays[0].reason.code == "sunned"
    held = rig.tick(30.0, 22.0, acts=hold_on(600.0))
    assert held.orders[0].lease_s == 0.0
    rig.hold(600, 29.0, 20.0)
    rig.hold(600, 30.5, 20.0)  # once more, before it was well below
    assert not rig.bay.tripped
    rig.hold(3600, 27.0, 15.0)
    assert shown(rig, "base_sun_hot") == "RTNUN"
    rig.hold(4 * 3600, 16.0, 10.0)
    assert rig.bay.on


@pytest.mark.parametrize(
    ("top_c", "off_h"),
    [(27.0, 4.0), (nan, 4.0), (33.0, 1.0)],
    ids=["base warmer than the top", "top not known", "mat just off"],
)
def test_a_base_over_the_trip_latches_if_the_mat_may_have_done_it(make_rig, top_c, off_h):
    rig = make_rig(tick_s=30.0)
    sunny_noon(rig, top_c, off_h)
    assert rig.bay.tripped
    assert not rig.bay.sunned


@pytest.mark.parametrize("stuck", [True, False])
def test_a_mat_said_to_be_stuck_on_is_not_taken_for_sun(rig, stuck):
    alarm = AlarmState(state="UNACK", under="UNACK")
    alarms = {("mat_stuck_on", "north.left"): alarm} if stuck else {}
    bay = BayState(since_s=0.0, trip_since_s=86400.0)
    view = rig.snapshot(30.5).benches["north"].bays["left"]
    found = guards.over_bay(
        rig.aims.bays["north", "left"], bay, view, 33.0, alarms, 86400.0 + 120.0
    ).state
    assert (found.tripped, found.sunned) == (stuck, not stuck)


def test_unknown_base_does_not_reset_the_trip_clock(rig):
    rig.hold(40, 30.5)
    rig.hold(20, nan)
    rig.tick(30.5)
    rig.tick(30.5)
    assert rig.bay.tripped


def test_trip_resets_only_when_cool(rig):
    rig.hold(120, 30.5)
    reset = (Act(ActKind.RESET, "north.left", "Ann"),)
    decision = rig.tick(29.0, acts=reset)
    assert not decision.acts[0].done
    assert "28.0" in decision.acts[0].text
    assert rig.bay.tripped
    rig.tick(nan, acts=reset)
    assert rig.bay.tripped
    decision = rig.tick(27.9, acts=reset)
    assert decision.acts[0].done
    assert not rig.bay.tripped


@pytest.mark.parametrize("state", ["UNACK", "ACKED", "LATCH_UNACK", "LATCH_ACK"])
def test_standing_overheat_blocks_heat(rig, state):
    alarms = {("base_overheat", "north.left"): AlarmState(state=state, under=state)}
    bay = rig.snapshot(15.0).benches["north"].bays["left"]
    verdict = guards.over_bay(rig.aims.bays["north", "left"], BayState(), bay, 10.0, alarms, 0.0)
    assert verdict.reason.code == "base_overheat"


def test_a_mat_suspected_of_heating_by_itself_does_not_block_heat(rig):
    alarms = {("mat_stuck_on", "north.left"): AlarmState(state="UNACK", under="UNACK")}
    bay = rig.snapshot(15.0).benches["north"].bays["left"]
    verdict = guards.over_bay(rig.aims.bays["north", "left"], BayState(), bay, 10.0, alarms, 0.0)
    assert verdict.reason is None


def test_shelved_alarm_blocks_heat_all_the_same(rig):
    alarms = {("base_overheat", "north.left"): AlarmState(state="SHLVD", under="LATCH_ACK")}
    bay = rig.snapshot(15.0).benches["north"].bays["left"]
    verdict = guards.over_bay(rig.aims.bays["north", "left"], BayState(), bay, 10.0, alarms, 0.0)
    assert verdict.reason is not None


def test_alarm_of_another_bay_does_not_block(rig):
    alarms = {("base_overheat", "north.right"): AlarmState(state="UNACK", under="UNACK")}
    bay = rig.snapshot(15.0).benches["north"].bays["left"]
    assert guards.over_bay(
        rig.aims.bays["north", "left"], BayState(), bay, 10.0, alarms, 0.0
    ).reason is None  # fmt: skip


def test_full_heat_without_a_rise_rests(make_rig):
    rig = make_rig(tick_s=30.0)
    rig.hold(5.9 * 3600, 12.0, 12.0)
    assert rig.bay.on
    decision = rig.hold(900, 12.0, 12.0)
    assert decision.bays[0].reason.code == "no_rise"
    assert decision.orders[0].lease_s == 0.0
    rig.hold(3600, 12.0, 12.0)
    assert rig.bay.on  # and tries again after the rest


def test_mat_at_its_limit_in_frost_is_not_rested(make_rig):
    rig = make_rig(tick_s=30.0)
    rig.hold(12 * 3600, 15.0, 6.0)
    assert rig.bay.on


def test_slow_rise_counts_from_the_lowest_base(make_rig):
    rig = make_rig(tick_s=30.0)
    for hour, base_c in enumerate((12.0, 11.6, 11.4, 11.6, 12.0, 12.5, 12.9, 13.3)):
        decision = rig.hold(3600, base_c, base_c - 1.0)
        assert decision.bays[0].reason.code == "full", hour


def test_supply_is_never_exceeded_and_shared_in_turn(make_rig):
    rig = make_rig(bays={"left": {}, "mid": {}, "right": {}}, supply_w=200.0, tick_s=20.0)
    shares = dict.fromkeys(("left", "mid", "right"), 0)
    for _ in range(4 * 180):
        decision = rig.tick(12.0, 8.0)
        on = [order.relay for order in decision.orders if order.lease_s > 0]
        assert 100.0 * len(on) <= 200.0
        for relay in on:
            shares[relay.split(".")[1]] += 1
    assert min(shares.values()) > 0.6 * max(shares.values())
    assert sum(shares.values()) > 0.85 * 2 * 4 * 180


def test_bays_do_not_start_together(make_rig):
    rig = make_rig(bays={"left": {}, "right": {}})
    rig.hold(1200, 19.9)
    begun = {}
    for _ in range(300):
        decision = rig.tick(19.9)
        for order in decision.orders:
            if order.lease_s > 0 and order.relay not in begun:
                begun[order.relay] = rig.mono_s
    assert len(begun) == 2
    assert abs(begun["north.left.mat"] - begun["north.right.mat"]) > 300


def mist_decision(burst_s):
    return MistDecision("north", True, burst_s, 0.0, 5.0, Reason("mist_dryness"))


def test_burst_over_the_bound_is_stopped():
    state = MistState(on_until_s=1090.0, last_burst_len_s=90.0, bursts_s=((1000.0, 90.0),))
    after, decision = guards.over_mist(state, MistState(), mist_decision(90.0), 1000.0)
    assert not decision.on
    assert after.on_until_s <= 1000.0


def test_mist_stays_within_a_quarter_of_any_hour():
    spent = tuple((float(start), 50.0) for start in range(0, 3400, 190))[:17]  # 850 s
    before = MistState(bursts_s=spent)
    state = replace(before, on_until_s=3520.0, last_burst_len_s=60.0)
    _, decision = guards.over_mist(state, before, mist_decision(60.0), 3460.0)
    assert not decision.on
    _, decision = guards.over_mist(
        replace(state, on_until_s=3500.0), before, mist_decision(40.0), 3460.0
    )
    assert decision.on


def test_running_burst_goes_on_to_its_end():
    state = MistState(on_until_s=1010.0, last_burst_len_s=10.0, bursts_s=((1000.0, 10.0),))
    quiet = MistDecision("north", True, 0.0, 0.0, 5.0, Reason("mist_dryness"))
    assert guards.over_mist(state, state, quiet, 1005.0)[1].on


@pytest.mark.parametrize("bad", [nan, inf, 1e9])
def test_mist_without_an_honest_end_is_stopped(bad):
    state = MistState(on_until_s=bad, last_burst_len_s=5.0)
    assert not guards.over_mist(state, state, mist_decision(5.0), 1000.0)[1].on


def test_hold_never_outlives_its_bound(rig):
    rig.state = replace(rig.state, bays={("north", "left"): BayState(hold="on", hold_until_s=inf)})
    rig.tick(25.0)
    assert rig.bay.hold == ""
