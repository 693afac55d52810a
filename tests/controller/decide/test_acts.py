"""What persons may ask, and how far it goes."""

import pytest

from controller.records import Act, ActKind


def act(kind, place="north.left", **more):
    return (Act(kind, place, "Ann", **more),)


def test_held_off_heat_stays_off_until_the_end(rig):
    decision = rig.tick(12.0, acts=act(ActKind.HOLD_HEAT, span_s=1800.0, value="off"))
    assert decision.acts[0].done
    assert "30 min" in decision.acts[0].text
    assert decision.orders[0].lease_s == 0.0
    rig.hold(1700, 12.0)
    assert rig.decision.bays[0].reason.code == "hold_off"
    rig.hold(200, 12.0)
    assert rig.decision.orders[0].lease_s > 0
    assert rig.bay.hold == ""


def test_held_on_heat_heats_above_target(rig):
    rig.tick(21.0, acts=act(ActKind.HOLD_HEAT, span_s=600.0, value="on"))
    rig.hold(120, 21.0)
    assert rig.decision.orders[0].lease_s > 0
    rig.hold(600, 21.0)
    assert rig.decision.orders[0].lease_s == 0.0


def test_release_ends_a_hold_without_a_bump(rig):
    rig.hold(3600, 19.8)
    integral = rig.bay.integral
    rig.tick(19.8, acts=act(ActKind.HOLD_HEAT, span_s=7200.0, value="off"))
    rig.hold(3600, 19.8)
    decision = rig.tick(19.8, acts=act(ActKind.RELEASE))
    assert decision.acts[0].done
    assert rig.bay.integral == pytest.approx(integral, abs=0.02)
    assert rig.bay.duty > 0
    assert not rig.tick(19.8, acts=act(ActKind.RELEASE)).acts[0].done


def test_hold_is_cut_to_twelve_hours_and_says_so(rig):
    decision = rig.tick(acts=act(ActKind.HOLD_HEAT, span_s=1e6, value="off"))
    assert "12 h" in decision.acts[0].text
    assert rig.bay.hold_until_s - rig.mono_s <= 12 * 3600


@pytest.mark.parametrize("span_s", [0.0, -5.0, float("nan"), float("inf")])
def test_hold_without_an_end_is_refused(rig, span_s):
    decision = rig.tick(acts=act(ActKind.HOLD_HEAT, span_s=span_s, value="on"))
    assert not decision.acts[0].done
    assert rig.bay.hold == ""


def test_hold_is_off_or_on(rig):
    decision = rig.tick(acts=act(ActKind.HOLD_HEAT, span_s=600.0, value="maybe"))
    assert not decision.acts[0].done
    assert "maybe" in decision.acts[0].text


def test_unknown_place_is_answered_with_the_known_ones(rig):
    decision = rig.tick(acts=act(ActKind.HOLD_HEAT, "north.lfet", span_s=600.0))
    assert not decision.acts[0].done
    assert "north.left" in decision.acts[0].text


def test_tripped_heat_cannot_be_held_on(rig):
    rig.hold(120, 30.5)
    decision = rig.tick(20.0, acts=act(ActKind.HOLD_HEAT, span_s=600.0, value="on"))
    assert not decision.acts[0].done
    assert decision.orders[0].lease_s == 0.0


def test_burst_by_hand_begins_at_once(make_rig):
    rig = make_rig(mister=True, recipe="softwood")
    rig.hold(900)
    decision = rig.tick(acts=act(ActKind.BURST, "north", span_s=4.0))
    assert decision.acts[0].done
    leases = {order.relay: order.lease_s for order in decision.orders}
    assert leases["north.mister"] == pytest.approx(4.0)


def test_burst_is_cut_to_the_bound(make_rig):
    rig = make_rig(mister=True, recipe="softwood")
    rig.hold(900)
    decision = rig.tick(acts=act(ActKind.BURST, "north", span_s=500.0))
    assert "60 s" in decision.acts[0].text
    assert all(order.lease_s <= 60.0 for order in decision.orders)


def test_bursts_by_hand_stop_at_a_quarter_of_the_hour(make_rig):
    rig = make_rig(mister=True, recipe="softwood")
    on_s = 0.0
    refused = 0
    for _ in range(360):
        decision = rig.tick(acts=act(ActKind.BURST, "north", span_s=60.0))
        refused += not decision.acts[0].done
        on_s += min(10.0, decision.orders[-1].lease_s)
    assert on_s <= 900.0 + 1.0
    assert refused > 0


def test_bench_without_mister_refuses_a_burst(rig):
    decision = rig.tick(acts=act(ActKind.BURST, "north", span_s=5.0))
    assert not decision.acts[0].done


def test_mist_held_off_gives_no_burst(make_rig):
    rig = make_rig(mister=True, recipe="softwood")
    rig.tick(acts=act(ActKind.HOLD_MIST, "north", span_s=7200.0, value="off"))
    decision = rig.tick(acts=act(ActKind.BURST, "north", span_s=5.0))
    assert not decision.acts[0].done
    for _ in range(300):
        assert rig.tick().orders[-1].lease_s == 0.0


def test_every_act_is_answered_once(make_rig):
    rig = make_rig(mister=True)
    acts = tuple(Act(kind, "north.left", "Ann", alarm="base_cold") for kind in ActKind)
    decision = rig.tick(acts=acts)
    assert sorted(done.act.kind for done in decision.acts) == sorted(kind for kind in ActKind)
    assert all(done.text for done in decision.acts)


def test_latched_alarm_and_trip_go_with_one_reset(rig):
    rig.hold(300, 30.5)
    assert any(key[0] == "base_overheat" for key in rig.state.alarms)
    rig.hold(1200, 25.0)
    reset = act(ActKind.RESET, alarm="base_overheat")
    decision = rig.tick(25.0, acts=reset)
    assert [done.done for done in decision.acts] == [True]
    assert not rig.bay.tripped
    rig.hold(60, 15.0)
    assert rig.decision.orders[0].lease_s > 0
