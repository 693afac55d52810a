"""One step: an order for every relay, nothing given is changed, one fault stays one fault."""

import copy
import importlib
import re
from math import inf, isfinite, nan
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.decide import initial_state
from controller.decide.alarms import alarms as real_alarms
from controller.decide.reasons import HEAT_REASONS, REASONS, words
from controller.decide.state import AlarmState
from controller.records import Act, ActKind, Reason

stepping = importlib.import_module("controller.decide.step")

temperatures = st.one_of(
    st.floats(-40.0, 80.0), st.sampled_from([nan, inf, -inf, 0.0, 85.0, -127.0, 31.99, 32.0, 1e308])
)
moments = st.lists(
    st.tuples(
        temperatures,
        temperatures,
        st.sampled_from([0.0, 1.0, 10.0, 10.0, 30.0, 61.0, 4000.0]),
        st.sampled_from([0.0, 0.0, -7200.0, 3600.0]),
        st.booleans(),
        st.sampled_from([None, None, None, *ActKind]),
        st.sampled_from([nan, inf, -1.0, 60.0, 3600.0, 1e9]),
    ),
    min_size=1,
    max_size=40,
)


@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(moments)
def test_whatever_comes_orders_stay_within_bounds(make_rig, course):
    rig = make_rig(mister=True, recipe="softwood", bays={"left": {}, "right": {}})
    places = ("north.left", "north", "nowhere")
    for base_c, top_c, dt_s, clock_step_s, trusted, kind, span_s in course:
        rig.dt_s, rig.trusted = dt_s, trusted
        rig.shift_s += clock_step_s
        acts = (
            ()
            if kind is None
            else tuple(Act(kind, place, "Ann", span_s=span_s, value="on") for place in places)
        )
        decision = rig.tick({"left": base_c, "right": 15.0}, top_c, acts)
        assert [order.relay for order in decision.orders] == [
            "north.left.mat", "north.right.mat", "north.mister",
        ]  # fmt: skip
        for order in decision.orders:
            assert isfinite(order.lease_s)
            assert 0.0 <= order.lease_s <= 60.0
        for bay in decision.bays:
            assert isfinite(bay.duty)
            assert 0.0 <= bay.duty <= 1.0
            assert bay.reason.code != "fault", bay.reason
            assert words(bay.reason)
        assert all(found.reason.code != "mist_fault" for found in decision.mist)
        if base_c >= 32.0:
            assert decision.orders[0].lease_s == 0.0
        for held in rig.state.bays.values():
            assert isfinite(held.duty)
            assert not held.integral < 0.0
            assert not held.integral > 1.0


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(moments)
def test_step_changes_nothing_it_is_given(make_rig, course):
    rig = make_rig(mister=True, recipe="softwood")
    for base_c, top_c, dt_s, _, _, _, _ in course:
        rig.dt_s = dt_s
        rig.tick(base_c, top_c)
    state, snapshot, aims = rig.state, rig.snapshot(19.0), rig.aims
    kept = copy.deepcopy((state, snapshot, aims.bays, aims.mist))
    acts = (Act(ActKind.HOLD_HEAT, "north.left", "Ann", span_s=600.0),)
    stepping.step(aims, state, snapshot, rig.now, acts)
    assert repr((state, snapshot, aims.bays, aims.mist)) == repr(kept)


def test_same_input_gives_the_same_answer(make_rig):
    rig = make_rig(mister=True, recipe="softwood")
    rig.hold(900, 19.0)
    snapshot = rig.snapshot(18.7)
    first = stepping.step(rig.aims, rig.state, snapshot, rig.now)
    assert repr(stepping.step(rig.aims, rig.state, snapshot, rig.now)) == repr(first)


def test_fault_in_one_bay_leaves_the_other_heating(make_rig, monkeypatch):
    rig = make_rig(bays={"left": {}, "right": {}})
    rig.hold(60, 12.0)
    think = stepping.heat.think

    def broken(aims, *rest):
        if aims.bay == "left":
            raise ZeroDivisionError("a bug")
        return think(aims, *rest)

    monkeypatch.setattr(stepping.heat, "think", broken)
    decision = rig.hold(120, 12.0)
    left, right = decision.bays
    assert (left.heat_on, left.duty, left.reason.code) == (False, 0.0, "fault")
    assert "ZeroDivisionError" in words(left.reason)
    assert right.heat_on
    assert [order.lease_s > 0 for order in decision.orders] == [False, True]
    monkeypatch.undo()
    assert rig.hold(600, 12.0).bays[0].heat_on  # and it comes back by itself


def test_fault_of_the_mister_leaves_the_mat_alone(make_rig, monkeypatch):
    rig = make_rig(mister=True, recipe="softwood")

    def broken(*_):
        raise KeyError("a bug")

    monkeypatch.setattr(stepping, "mist", broken)
    decision = rig.hold(60, 12.0)
    assert decision.mist[0].reason.code == "mist_fault"
    assert decision.orders[0].lease_s > 0
    assert decision.orders[1].lease_s == 0.0


def test_fault_in_the_alarms_stops_neither_heat_nor_mist(make_rig, monkeypatch):
    rig = make_rig(mister=True, recipe="softwood", mat={"cutout": "none"})
    rig.hold(600, 12.0)
    kept, watch = rig.state.alarms, rig.state.watch
    assert kept

    def broken(*_):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(stepping, "alarms", broken)
    acts = (
        Act(ActKind.ACKNOWLEDGE, "north.left", "Ann", alarm="cutout_missing"),
        Act(ActKind.BURST, "north", "Ann", span_s=5.0),
    )
    decision = rig.tick(12.0, acts=acts)
    assert decision.faults == ("alarms: ZeroDivisionError: a bug",)
    assert decision.orders[0].lease_s > 0
    assert decision.mist[0].burst_s == 5.0
    assert rig.state.alarms is kept
    assert rig.state.watch is watch
    done = {answer.act.kind: answer for answer in decision.acts}
    assert done[ActKind.BURST].done
    assert not done[ActKind.ACKNOWLEDGE].done
    assert "not done" in done[ActKind.ACKNOWLEDGE].text
    for _ in range(50):
        assert rig.tick(12.0).orders[0].lease_s > 0
    monkeypatch.undo()
    decision = rig.tick(12.0)
    assert decision.faults == ()
    assert rig.state.alarms.keys() == kept.keys()


def test_stuck_mister_is_locked_until_reset(make_rig, monkeypatch):
    rig = make_rig(mister=True, recipe="softwood")
    rig.hold(60)
    standing = {("mister_stuck", "north"): AlarmState(state="LATCH_UNACK", under="LATCH_UNACK")}
    monkeypatch.setattr(stepping, "alarms", lambda *_: (standing, {}, (), ()))
    rig.tick()
    for _ in range(400):
        assert rig.tick().orders[-1].lease_s == 0.0
    assert rig.state.mist["north"].stuck
    monkeypatch.setattr(stepping, "alarms", real_alarms)
    reset = (Act(ActKind.RESET, "north", "Ann", alarm="mister_stuck"),)
    rig.tick(acts=reset)
    rig.tick()
    assert not rig.state.mist["north"].stuck


def test_alarms_see_the_new_state_and_hear_their_acts(make_rig, monkeypatch):
    rig = make_rig()
    seen = {}

    def spy(aims, before, after, snapshot, bays, mist, acts, now, dt_s, service):
        seen.update(before=before, after=after, acts=acts, service=service, dt_s=dt_s)
        return real_alarms(aims, before, after, snapshot, bays, mist, acts, now, dt_s, service)

    monkeypatch.setattr(stepping, "alarms", spy)
    rig.tick(12.0)
    rig.tick(12.0, acts=(Act(ActKind.ACKNOWLEDGE, "north.left", "Ann", alarm="base_cold"),))
    assert seen["after"].bays["north", "left"].on
    assert [act.kind for act in seen["acts"]] == ["acknowledge"]
    assert seen["dt_s"] == 10.0


def test_lease_outlives_late_ticks_but_not_the_pulse(make_rig):
    for tick_s, least_s in ((2.0, 20.0), (10.0, 30.0), (30.0, 60.0)):
        rig = make_rig(tick_s=tick_s)
        assert rig.tick(12.0).orders[0].lease_s == least_s
    rig = make_rig()
    rig.hold(3600, 19.9)
    while not rig.bay.on:
        rig.tick(19.9)
    leases = []
    while rig.bay.on:
        leases.append(rig.tick(19.9).orders[0].lease_s)
    assert max(leases) <= 30.0
    assert leases[-1] == 0.0
    assert leases[-2] <= 10.0  # the last order ends with the pulse, not a tick later


def test_quiet_tick_shares_what_did_not_change(make_rig):
    rig = make_rig()
    rig.hold(600, 19.5)
    bays = rig.state.bays
    for _ in range(3):
        rig.tick(19.5)
    shared = rig.state.bays is bays
    rig.hold(120, 19.5)
    assert shared or rig.state.bays is not bays


def test_first_state_remembers_nothing():
    state = initial_state()
    assert (state.bays, state.mist, state.alarms) == ({}, {}, {})


@pytest.mark.parametrize("code", sorted(REASONS))
def test_every_reason_has_words_for_its_values(code):
    text = words(Reason(code, (1.0, 2.0, 3, 4)))
    assert "{" not in text
    assert len(text) > 10


def test_every_reason_used_is_in_the_table():
    used = set()
    for path in Path(stepping.__file__).parent.glob("*.py"):
        used |= set(re.findall(r'Reason\(\s*"(\w+)"', path.read_text()))
    assert len(used) > 20
    assert used <= set(REASONS)
    assert {"coasting", "storing"} <= set(HEAT_REASONS)


def test_unknown_code_is_shown_as_it_is():
    assert words(Reason("strange", (1, "x"))) == "strange 1 x"
