"""One step of the whole site: acts, heat, mist, guards, orders, alarms. Pure.

A fault in one bay or bench switches that one off and leaves the others alone; a fault in the alarms
leaves heat and mist alone. What did not change since the last tick is handed on as it is.
"""

from collections.abc import Mapping
from math import inf, isfinite, nan
from types import MappingProxyType
from typing import Any, Final, TypeVar

from controller.decide import acts as hand
from controller.decide import guards, heat, mist_meter
from controller.decide import mist_answers as answers
from controller.decide.aims import Aims, BayPlan, BenchPlan
from controller.decide.alarms import alarms
from controller.decide.belief import believed
from controller.decide.changing import changed
from controller.decide.gaps import after_gap
from controller.decide.learn import FULL_DUTY
from controller.decide.leases import lease_s
from controller.decide.mist import is_waiting, mist
from controller.decide.pulses import pulse
from controller.decide.reasons import GUARD_CODES
from controller.decide.schedule import Sky, sky_at
from controller.decide.state import BayState, MistState, State, Sums, Trail
from controller.decide.supply import share_supply
from controller.decide.watch_slow import usual_duty_per_k
from controller.records import (
    Act,
    ActDone,
    AlarmChanged,
    BayDecision,
    Decision,
    MistDecision,
    Reason,
    RelayOrder,
)
from sensors.clock import Now
from sensors.readings import BenchView, Snapshot

GAP_S: Final = 60.0
"""A longer time between steps is a gap: leases have run out, nothing is summed over it."""
AT_REST_S: Final = 30.0
"""Alarms at rest are looked at again after so long, even if nothing was heard."""
_NOTHING: Final[Mapping[str, float]] = MappingProxyType({})
_NO_BAY: Final = BayState()
_NO_MIST: Final = MistState()
_NO_SUMS: Final = Sums()
_HOLD_ON: Final = Reason("hold_on")
_new: Final = tuple.__new__

Key = tuple[str, str]
T = TypeVar("T")


def initial_state() -> State:
    """A controller that remembers nothing: all off, nothing learned."""
    return State()


def step(
    aims: Aims,
    state: State,
    snapshot: Snapshot,
    now: Now,
    acts: tuple[Act, ...] = (),
    service: Mapping[str, float] = _NOTHING,
) -> tuple[State, Decision]:
    """The state after this instant and everything decided in it.

    Orders hold one absolute order for every relay of the site. `service` is handed to the alarms
    (see there). Nothing given is changed. Raises only what the sun's position raises; faults in a
    bay or a bench are caught and shown as that place's reason, those in the alarms as a fault of
    the decision.
    """
    mono_s = now.mono_s
    dt_s = mono_s - state.last_s
    if not 0.0 <= dt_s <= GAP_S:
        dt_s = 0.0
        state = after_gap(state, mono_s)
    sky, minute = _sky(aims, state, now)
    before = state
    if state.alarms and state.mist:
        state = _locked(state)
    done: tuple[ActDone, ...] = ()
    for_alarms: tuple[Act, ...] = ()
    if acts:
        state, done, for_alarms = hand.apply(aims, state, snapshot, acts, now)
    orders: list[RelayOrder] = []
    bays, sums, bays_said = _bays(aims, state, snapshot, now, dt_s, orders)
    mists, trails, mists_said = _mists(aims, state, snapshot, sky, now, dt_s, orders)
    started_s = state.started_s if isfinite(state.started_s) else mono_s
    bay_decisions, mist_decisions = tuple(bays_said.values()), tuple(mists_said.values())
    changes: tuple[AlarmChanged, ...] = ()
    told: tuple[ActDone, ...] = ()
    faults: tuple[str, ...] = ()
    if (
        snapshot.benches is before.weighed
        and mono_s - before.weighed_s < AT_REST_S
        and minute == before.sky_minute
        and bays is before.bays
        and mists is before.mist
        and aims.bays is before.weighed_for
        and not acts
    ):
        # Nothing was heard or decided since the alarms were at rest, so they are so still.
        after = State(
            started_s, mono_s, bays, mists, state.alarms, state.watch, sums, sky, minute, trails,
            bays_said, mists_said, before.weighed, before.weighed_s, before.weighed_for,
        )  # fmt: skip
        return after, Decision(tuple(orders), bay_decisions, mist_decisions, (), (), ())
    after = State(
        started_s, mono_s, bays, mists, state.alarms, state.watch, sums, sky, minute, trails,
        bays_said, mists_said, None, mono_s, aims.bays,
    )  # fmt: skip
    try:
        held, watch, changes, told = alarms(
            aims, before, after, snapshot, bay_decisions, mist_decisions, for_alarms, now, dt_s,
            service,
        )  # fmt: skip
        still = held is after.alarms and all(alarm.pending_s == inf for alarm in held.values())
        resting = snapshot.benches if still else None
        if resting is not None or held is not after.alarms or watch is not after.watch:
            after = changed(after, {"alarms": held, "watch": watch, "weighed": resting})
    except Exception as error:
        faults = (f"alarms: {_named(error)}",)
        told = tuple(ActDone(act, False, _NOT_DONE) for act in for_alarms)
    acts_done = (*done, *told) if acts else ()
    return after, Decision(tuple(orders), bay_decisions, mist_decisions, changes, acts_done, faults)


_NOT_DONE: Final = "not done: a fault in the alarms; heat and mist go on"


def _sky(aims: Aims, state: State, now: Now) -> tuple[Sky, int]:
    """Sun and local clock, worked out afresh when the minute or the trust in the clock changes."""
    minute = int(now.utc_s // 60.0)
    if not now.trusted:
        minute = -1 - abs(minute)
    if state.sky is not None and minute == state.sky_minute:
        return state.sky, minute
    return sky_at(aims.site.site, now.utc_s, now.trusted), minute


def _locked(state: State) -> State:
    """Misters whose alarm says that they are stuck are locked off until a reset."""
    for place, held in state.mist.items():
        alarm = state.alarms.get(("mister_stuck", place))
        if alarm is not None and guards.stands(alarm) and not held.stuck:
            locked = {**state.mist, place: changed(held, {"stuck": True})}
            state = changed(state, {"mist": locked})
    return state


def _named(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:120]


# -- heat -------------------------------------------------------------------------------------


def _bays(
    aims: Aims,
    state: State,
    snapshot: Snapshot,
    now: Now,
    dt_s: float,
    orders: list[RelayOrder],
) -> tuple[dict[Key, BayState], dict[Key, Sums], dict[Key, BayDecision]]:
    """Heat of every bay; its orders are added to `orders`."""
    held_bays, held_sums = state.bays, state.sums
    plans = aims.bay_plans
    sums: dict[Key, Sums] = {}
    bays: dict[Key, BayState] = {}
    lefts_s: dict[Key, float] = {}
    unchanged = len(plans) == len(held_bays) == len(state.bays_said)
    for plan in plans:
        key = plan.key
        before = held_bays.get(key, _NO_BAY)
        try:
            held, sums[key], left_s = _bay(
                plan, before, held_sums.get(key, _NO_SUMS), snapshot.benches[key[0]],
                state, now, dt_s,
            )  # fmt: skip
        except Exception as error:
            held = _faulty(before, Reason("fault", (_named(error),)), now.mono_s)
            sums[key], left_s = _NO_SUMS, 0.0
        bays[key], lefts_s[key] = held, left_s
        if held is not before:
            unchanged = False
    if aims.shares_supply and share_supply(aims, held_bays, bays, lefts_s, now.mono_s):
        unchanged = False
    for plan in plans:
        orders.append(_order(plan, lefts_s[plan.key]) if bays[plan.key].on else plan.off)
    if unchanged:
        return held_bays, sums, state.bays_said
    return bays, sums, {key: _bay_decision(key, held) for key, held in bays.items()}


def _order(plan: BayPlan, left_s: float) -> RelayOrder:
    """To be on, for as long as the pulse may go on without another word."""
    running = plan.running
    if left_s >= running.lease_s:
        return running
    return RelayOrder(running.relay, lease_s(left_s, running.lease_s))


def _bay_decision(key: Key, held: BayState) -> BayDecision:
    return BayDecision(*key, held.target_c, held.duty, held.on, held.reason, held.mode)


def _bay(
    plan: BayPlan,
    held: BayState,
    sums: Sums,
    bench: BenchView,
    state: State,
    now: Now,
    dt_s: float,
) -> tuple[BayState, Sums, float]:
    """(state, running minute, seconds left of the pulse) of one bay."""
    mono_s = now.mono_s
    view = bench.bays[plan.key[1]]
    if state.alarms:
        view = believed(view, state.alarms)
    base_c = view.base_c
    since_s, total, n, on_s = sums
    if held.on:
        on_s += dt_s
    if isfinite(base_c):
        total += base_c
        n += 1
    sums = _new(Sums, (since_s, total, n, on_s))
    barrier = None
    by_hand = False
    if not _is_calm(plan, held, view.hottest_c, state, mono_s):
        held, barrier = guards.over_bay(plan.aims, held, view, bench.top_c, state.alarms, mono_s)
        by_hand = held.hold == "on"
    freed = barrier is None and not by_hand and held.reason.code in GUARD_CODES
    if freed or heat.due(sums, held, base_c, mono_s):
        barred = barrier is not None or by_hand
        usual = usual_duty_per_k(state.watch, plan.slow_key)
        held = heat.think(plan.aims, held, sums, view, bench.top_c, now, barred, usual)
        sums = Sums(mono_s)
    if barrier is not None:
        held = _forced(held, 0.0, barrier)
        return _switched(held, False, mono_s), sums, 0.0
    if by_hand:
        held = _forced(held, 1.0, _HOLD_ON)
    if (
        not held.on
        and (held.pulsed or held.duty == 0.0)
        and 0.0 <= mono_s - held.window_start_s < plan.aims.window_s
    ):
        return held, sums, 0.0  # the window's pulse is over, or there is to be none
    on, start_s, left_s, pulsed = pulse(plan.aims, held, mono_s)
    if on is not held.on or start_s != held.window_start_s:
        changes: dict[str, Any] = {"on": on, "pulsed": pulsed, "window_start_s": start_s}
        if on is not held.on:
            changes["since_s"] = mono_s
        held = changed(held, changes)
    return held, sums, left_s


def _is_calm(plan: BayPlan, held: BayState, hottest_c: float, state: State, mono_s: float) -> bool:
    """True when no guard has anything to time, to bar or to end; see `guards.over_bay`."""
    if state.alarms:
        for key in plan.barring:
            if key in state.alarms:
                return False
    return not (
        hottest_c >= plan.stop_c
        or held.duty >= FULL_DUTY
        or held.hold
        or held.tripped
        or held.sunned
        or held.trip_since_s != inf
        or held.full_since_s != inf
        or mono_s < held.rest_until_s
    )


def _forced(held: BayState, duty: float, reason: Reason) -> BayState:
    if held.duty == duty and held.reason == reason:
        return held
    return changed(held, {"duty": duty, "reason": reason})


def _switched(held: BayState, on: bool, mono_s: float) -> BayState:
    return held if held.on is on else changed(held, {"on": on, "since_s": mono_s})


def _faulty(held: BayState, reason: Reason, mono_s: float) -> BayState:
    """Off, with the latch kept; learned numbers and sums are left as they were."""
    since_s = mono_s if held.on else held.since_s
    off = {"on": False, "since_s": since_s, "duty": 0.0, "reason": reason, "mode": "fault"}
    return changed(held, off)


# -- mist -------------------------------------------------------------------------------------


def _mists(
    aims: Aims,
    state: State,
    snapshot: Snapshot,
    sky: Sky,
    now: Now,
    dt_s: float,
    orders: list[RelayOrder],
) -> tuple[dict[str, MistState], dict[str, Trail], dict[str, MistDecision]]:
    """Mist of every bench; its orders are added to `orders`."""
    plans = aims.bench_plans
    mists, said, trails = state.mist, state.mists_said, state.trails
    if not len(mists) == len(said) == len(plans):
        mists, said = _kept(mists, plans), _kept(said, plans)
    mono_s = now.mono_s
    for plan in plans:
        name = plan.name
        held = mists.get(name, _NO_MIST)
        last = said.get(name)
        try:
            if last is not None and is_waiting(plan.aims, held, last, mono_s):
                after, decision = held, last
            else:
                after, decision = _mist(plan, held, snapshot.benches[name], aims, sky, now, dt_s)
            trail = trails.get(name)
            bench = snapshot.benches[name]
            if plan.meter_late_s == plan.meter_late_s:
                after = mist_meter.followed(after, plan, bench, decision.burst_s, mono_s)
            if trail is not None or bench.vpd_kpa > answers.FOLLOWED_KPA:
                trail, after = _answered(trail, after, decision, bench, mono_s)
        except Exception as error:
            after, decision = _mist_fault(name, held, error, mono_s)
            trail = None
        # The dicts of the state before are never written to.
        if after is not mists.get(name):
            mists = {**mists, name: after}
        if decision is not last:
            said = {**said, name: decision}
        if trail is not trails.get(name):
            trails = _with(trails, name, trail)
        if plan.off is not None:
            if decision.on:
                left_s = round(max(0.0, after.on_until_s - mono_s), 3)
                orders.append(RelayOrder(plan.off[0], left_s))
            else:
                orders.append(plan.off)
    return mists, trails, said


def _kept(records: dict[str, T], plans: tuple[BenchPlan, ...]) -> dict[str, T]:
    """Without the benches that there no longer are."""
    return {plan.name: records[plan.name] for plan in plans if plan.name in records}


def _mist(
    plan: BenchPlan,
    held: MistState,
    bench: BenchView,
    aims: Aims,
    sky: Sky,
    now: Now,
    dt_s: float,
) -> tuple[MistState, MistDecision]:
    after, decision = mist(plan.aims, held, bench, sky, now, dt_s, plan.schedule, aims.site.site)
    if decision.on:
        return guards.over_mist(after, held, decision, now.mono_s)
    return after, decision


def _answered(
    trail: Trail | None, held: MistState, decision: MistDecision, bench: BenchView, mono_s: float
) -> tuple[Trail | None, MistState]:
    """Follow the air, and judge a burst whose minute is over."""
    if trail is not None and answers.is_over(trail, mono_s):
        held = answers.judged(held, trail)
        trail = None
    trail = answers.follow(trail, bench.vpd_kpa, bench.top_c, mono_s)
    if decision.burst_s > 0.0 and trail is not None:
        trail = answers.begun(trail, decision.burst_s, mono_s)
    return trail, held


def _with(trails: dict[str, Trail], name: str, trail: Trail | None) -> dict[str, Trail]:
    others = {other: kept for other, kept in trails.items() if other != name}
    return others if trail is None else {**others, name: trail}


def _mist_fault(
    bench: str, held: MistState, error: Exception, mono_s: float
) -> tuple[MistState, MistDecision]:
    reason = Reason("mist_fault", (_named(error),))
    off = {"on_until_s": min(held.on_until_s, mono_s), "reason": reason, "mode": "fault"}
    decision = MistDecision(bench, False, 0.0, held.dryness_kpa_min, nan, reason, "fault")
    return changed(held, off), decision
