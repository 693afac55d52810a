"""One step of the whole site: acts, heat, mist, guards, orders, alarms. Pure.

A fault in one bay or bench switches that one off and leaves the others alone.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import inf, isfinite, nan
from types import MappingProxyType
from typing import Any, Final

from config.bounds import LEASE_LONGEST_S
from controller.decide import acts as hand
from controller.decide import guards, heat
from controller.decide.aims import Aims, BayAims, MistAims
from controller.decide.alarms import alarms
from controller.decide.mist import mist
from controller.decide.pulses import lease_s, pulse
from controller.decide.reasons import GUARD_CODES
from controller.decide.schedule import Sky, sky_at
from controller.decide.state import BayState, MistState, State, Sums
from controller.records import (
    Act,
    ActDone,
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
_NOTHING: Final[Mapping[str, float]] = MappingProxyType({})
_NO_BAY: Final = BayState()
_NO_MIST: Final = MistState()
_NO_SUMS: Final = Sums()

Key = tuple[str, str]


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
    (see there). Nothing given is changed. Raises only what the alarms or the sun's position raise;
    faults in a bay or a bench are caught and shown as that place's reason.
    """
    mono_s = now.mono_s
    dt_s = mono_s - state.last_s
    gap = not 0.0 <= dt_s <= GAP_S
    if gap:
        dt_s = 0.0
        state = _after_gap(state, mono_s)
    sky, minute = _sky(aims, state, now)
    before = state
    if state.mist:
        state = _locked(state)
    done: tuple[ActDone, ...] = ()
    for_alarms: tuple[Act, ...] = ()
    if acts:
        state, done, for_alarms = hand.apply(aims, state, snapshot, acts, now)
    bays, sums, bay_decisions, orders = _bays(aims, state, snapshot, sky, now, dt_s)
    mists, mist_decisions = _mists(aims, state, snapshot, sky, now, dt_s, orders)
    started_s = state.started_s if isfinite(state.started_s) else mono_s
    after = State(started_s, mono_s, bays, mists, state.alarms, state.watch, sums, sky, minute)
    held, watch, changes, told = alarms(
        aims, before, after, snapshot, bay_decisions, mist_decisions, for_alarms, now, dt_s, service
    )
    if held is not after.alarms or watch is not after.watch:
        after = State(started_s, mono_s, bays, mists, held, watch, sums, sky, minute)
    return after, Decision(tuple(orders), bay_decisions, mist_decisions, changes, (*done, *told))


def _after_gap(state: State, mono_s: float) -> State:
    """Relays have dropped by themselves; what was being timed begins anew."""
    bays = {}
    for key, bay in state.bays.items():
        since_s = _lapsed_s(state.last_s, mono_s) if bay.on else min(bay.since_s, mono_s)
        bays[key] = replace(
            bay, on=False, since_s=since_s, derivative=0.0, mean_c=nan, mean_before_c=nan,
            full_since_s=inf, trip_since_s=inf, rise_since_s=inf, window_start_s=-inf,
            pulsed=False,
        )  # fmt: skip
    return replace(state, bays=bays, sums={})


def _lapsed_s(last_s: float, mono_s: float) -> float:
    """When the lease of a relay that was on ran out, at the latest; now, when that is not known."""
    return min(mono_s, last_s + LEASE_LONGEST_S) if last_s <= mono_s else mono_s


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
    for (name, place), alarm in state.alarms.items():
        if name == "mister_stuck" and guards.stands(alarm):
            held = state.mist.get(place)
            if held is not None and not held.stuck:
                locked = {**state.mist, place: replace(held, stuck=True)}
                state = replace(state, mist=locked)
    return state


# -- heat -------------------------------------------------------------------------------------


def _bays(
    aims: Aims, state: State, snapshot: Snapshot, sky: Sky, now: Now, dt_s: float
) -> tuple[dict[Key, BayState], dict[Key, Sums], tuple[BayDecision, ...], list[RelayOrder]]:
    bays: dict[Key, BayState] = {}
    sums: dict[Key, Sums] = {}
    lefts_s: dict[Key, float] = {}
    for key, bay_aims in aims.bays.items():
        held = state.bays.get(key, _NO_BAY)
        try:
            bench = snapshot.benches[key[0]]
            bays[key], sums[key], lefts_s[key] = _bay(
                bay_aims, held, state.sums.get(key, _NO_SUMS), bench, key[1],
                state, sky, now, dt_s,
            )  # fmt: skip
        except Exception as error:
            bays[key] = _faulty(held, Reason("fault", (_named(error),)), now.mono_s)
            sums[key], lefts_s[key] = _NO_SUMS, 0.0
    if len(bays) > 1:
        for name, plan in aims.site.benches.items():
            if plan.supply_w is not None:
                _share_supply(aims, state, bays, lefts_s, name, plan.supply_w, now.mono_s)
    tick_s = aims.site.site.tick_s
    unchanged = len(bays) == len(state.bays)
    decisions = []
    orders = []
    for key, held in bays.items():
        if unchanged and held is not state.bays.get(key):
            unchanged = False
        decisions.append(
            BayDecision(key[0], key[1], held.target_c, held.duty, held.on, held.reason, held.mode)
        )
        lease = lease_s(lefts_s[key], tick_s) if held.on else 0.0
        orders.append(RelayOrder(aims.bays[key].relay, lease))
    return (state.bays if unchanged else bays), sums, tuple(decisions), orders


def _bay(
    aims: BayAims,
    held: BayState,
    sums: Sums,
    bench: BenchView,
    name: str,
    state: State,
    sky: Sky,
    now: Now,
    dt_s: float,
) -> tuple[BayState, Sums, float]:
    """(state, running minute, seconds left of the pulse) of one bay."""
    mono_s = now.mono_s
    view = bench.bays[name]
    since_s, total, n, on_s = sums
    if held.on:
        on_s += dt_s
    base_c = view.base_c
    if isfinite(base_c):
        total += base_c
        n += 1
    sums = Sums(since_s, total, n, on_s)
    held, barrier = guards.over_bay(aims, held, view, bench.top_c, state.alarms, mono_s)
    by_hand = held.hold == "on"
    freed = barrier is None and not by_hand and held.reason.code in GUARD_CODES
    if freed or heat.due(sums, held, base_c, mono_s):
        barred = barrier is not None or by_hand
        held = heat.think(aims, held, sums, view, bench.top_c, sky, now, barred)
        sums = Sums(mono_s)
    if barrier is not None:
        held = _forced(held, 0.0, barrier)
        return _switched(held, False, mono_s), sums, 0.0
    if by_hand:
        held = _forced(held, 1.0, Reason("hold_on"))
    wanted = pulse(aims, held, mono_s)
    if wanted.on is not held.on or wanted.start_s != held.window_start_s:
        changes: dict[str, Any] = {"on": wanted.on, "pulsed": wanted.pulsed}
        changes["window_start_s"] = wanted.start_s
        if wanted.on is not held.on:
            changes["since_s"] = mono_s
        held = replace(held, **changes)
    return held, sums, wanted.left_s


def _forced(held: BayState, duty: float, reason: Reason) -> BayState:
    if held.duty == duty and held.reason == reason:
        return held
    return replace(held, duty=duty, reason=reason)


def _switched(held: BayState, on: bool, mono_s: float) -> BayState:
    return held if held.on is on else replace(held, on=on, since_s=mono_s)


def _faulty(held: BayState, reason: Reason, mono_s: float) -> BayState:
    """Off, with the latch kept; learned numbers and sums are left as they were."""
    on_since_s = mono_s if held.on else held.since_s
    return replace(held, on=False, since_s=on_since_s, duty=0.0, reason=reason, mode="fault")


def _named(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:120]


def _share_supply(
    aims: Aims,
    state: State,
    bays: dict[Key, BayState],
    lefts_s: dict[Key, float],
    bench: str,
    supply_w: float,
    mono_s: float,
) -> None:
    """Turn off, in the dicts given, what the bench's supply cannot carry at this instant."""
    keys = [key for key in bays if key[0] == bench and bays[key].on]
    if sum(aims.bays[key].power_w for key in keys) <= supply_w:
        return
    claims = []
    for key in keys:
        held = state.bays.get(key, _NO_BAY)
        claims.append(
            guards.Claim(
                aims.bays[key].power_w, bays[key].duty, held.on, held.since_s,
                aims.bays[key].window_s,
            )
        )  # fmt: skip
    for key, allowed in zip(keys, guards.within_supply(claims, supply_w, mono_s), strict=True):
        if not allowed:
            held = state.bays.get(key, _NO_BAY)
            since_s = mono_s if held.on else held.since_s
            reason = Reason("supply", (round(supply_w),))
            bays[key] = replace(bays[key], on=False, since_s=since_s, reason=reason)
            lefts_s[key] = 0.0


# -- mist -------------------------------------------------------------------------------------


def _mists(
    aims: Aims,
    state: State,
    snapshot: Snapshot,
    sky: Sky,
    now: Now,
    dt_s: float,
    orders: list[RelayOrder],
) -> tuple[dict[str, MistState], tuple[MistDecision, ...]]:
    """Mist of every bench; its orders are added to `orders`."""
    mists: dict[str, MistState] = {}
    decisions = []
    unchanged = len(aims.mist) == len(state.mist)
    for name, mist_aims in aims.mist.items():
        held = state.mist.get(name, _NO_MIST)
        try:
            after, decision = _mist(aims, mist_aims, held, snapshot, sky, now, dt_s)
        except Exception as error:
            after, decision = _mist_fault(name, held, error, now.mono_s)
        mists[name] = after
        unchanged = unchanged and after is state.mist.get(name)
        decisions.append(decision)
        if mist_aims.relay:
            left_s = after.on_until_s - now.mono_s if decision.on else 0.0
            orders.append(RelayOrder(mist_aims.relay, round(max(0.0, left_s), 3)))
    return (state.mist if unchanged else mists), tuple(decisions)


def _mist(
    aims: Aims,
    mist_aims: MistAims,
    held: MistState,
    snapshot: Snapshot,
    sky: Sky,
    now: Now,
    dt_s: float,
) -> tuple[MistState, MistDecision]:
    name = mist_aims.bench
    plan = aims.site.benches[name].mist
    after, decision = mist(
        mist_aims, held, snapshot.benches[name], sky, now, dt_s, plan.schedule, aims.site.site
    )
    if decision.on:
        return guards.over_mist(after, held, decision, now.mono_s)
    return after, decision


def _mist_fault(
    bench: str, held: MistState, error: Exception, mono_s: float
) -> tuple[MistState, MistDecision]:
    reason = Reason("mist_fault", (_named(error),))
    after = replace(held, on_until_s=min(held.on_until_s, mono_s), reason=reason, mode="fault")
    return after, MistDecision(bench, False, 0.0, held.dryness_kpa_min, nan, reason, "fault")
