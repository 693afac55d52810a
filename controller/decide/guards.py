"""The last word over heat and mist. Nothing here can switch anything on.

Software is no safety device: these guards save cuttings and energy, an independent thermal cut-out
and a normally closed valve save the house.
"""

from collections.abc import Sequence
from math import inf, isfinite, isnan
from typing import Final, NamedTuple

from config.bounds import (
    BASE_CEILING_C,
    BASE_TRIP_C,
    BURST_LONGEST_S,
    HOLD_LONGEST_S,
    MIST_HOUR_SHARE,
)
from controller.decide.aims import BARS_HEAT, BayAims
from controller.decide.changing import changed
from controller.decide.learn import FULL_DUTY, delay_s
from controller.decide.state import AlarmState, BayState, MistState
from controller.records import AlarmStateName, MistDecision, Reason
from sensors.readings import BayView

TRIP_AFTER_S: Final = 60.0
RESET_BELOW_TRIP_K: Final = 2.0
SUN_OFF_S: Final = 2 * 3600.0
"""A mat off for so long and its delay besides has no part in a base that reaches its trip ..."""
SUN_TOP_K: Final = 1.0
"""... if the top is as warm too: a mat heats the base above the top. Both this program's own
estimate."""
RISE_DUE_S: Final = 6 * 3600.0
RISE_DUE_K: Final = 1.0
REST_S: Final = 3600.0
LIFT_PROVES_K: Final = 3.0
"""A base this far above the air is warmed by the mat, even where it rises no further in frost."""
HOUR_S: Final = 3600.0
_STANDING: Final = frozenset(
    (
        AlarmStateName.UNACK,
        AlarmStateName.ACKED,
        AlarmStateName.LATCH_UNACK,
        AlarmStateName.LATCH_ACK,
    )
)


class Verdict(NamedTuple):
    """state: trip, hold and long-heating watch at this instant.  reason: None when heat may be."""

    state: BayState
    reason: Reason | None


def over_bay(
    aims: BayAims,
    state: BayState,
    view: BayView,
    top_c: float,
    alarms: dict[tuple[str, str], AlarmState],
    mono_s: float,
) -> Verdict:
    """Whether the bay's mat is barred from heating at this instant, and why."""
    hottest_c = view.hottest_c
    trip_c = min(aims.trip_c, BASE_TRIP_C)
    if hottest_c >= trip_c or state.trip_since_s != inf or state.sunned:
        sun = _by_sun(aims, state, hottest_c - top_c, alarms, mono_s)
        state = _timed_trip(state, hottest_c, trip_c, sun, mono_s)
    if state.hold and not 0.0 <= state.hold_until_s - mono_s <= HOLD_LONGEST_S:
        state = changed(state, {"hold": "", "hold_until_s": -inf})
    if state.tripped:
        return Verdict(state, Reason("tripped", (round(trip_c, 1),)))
    if state.sunned:
        return Verdict(state, Reason("sunned", (round(trip_c, 1),)))
    if hottest_c >= min(aims.ceiling_c, BASE_CEILING_C):
        return Verdict(state, Reason("ceiling", (round(hottest_c, 1), round(aims.ceiling_c, 1))))
    if alarms:
        for name in BARS_HEAT:
            alarm = alarms.get((name, aims.place))
            if alarm is not None and stands(alarm):
                return Verdict(state, Reason(name))
    if mono_s < state.rest_until_s <= mono_s + REST_S:
        return Verdict(state, Reason("no_rise", (round(RISE_DUE_S / 3600.0),)))
    if state.hold == "off":
        return Verdict(state, Reason("hold_off"))
    if state.hold == "on" and isnan(view.base_c):
        return Verdict(state, Reason("lost"))
    if state.duty >= FULL_DUTY or state.full_since_s != inf:
        return _long_heating(state, view.base_c, top_c, mono_s)
    return Verdict(state, None)


def stands(alarm: AlarmState) -> bool:
    """Standing or latched, even where it is shelved or hidden."""
    return alarm.under in _STANDING or alarm.state in _STANDING


def _by_sun(
    aims: BayAims,
    state: BayState,
    lift_k: float,
    alarms: dict[tuple[str, str], AlarmState],
    mono_s: float,
) -> bool:
    """Whether heat from above, and not the mat, has the base this hot. In doubt it was the mat."""
    off_s = 0.0 if state.on else mono_s - state.since_s
    stuck = alarms.get(("mat_stuck_on", aims.place))
    return (
        isfinite(off_s)
        and off_s >= SUN_OFF_S + delay_s(aims, state)
        and lift_k <= SUN_TOP_K
        and (stuck is None or not stands(stuck))
    )


def _timed_trip(
    state: BayState, hottest_c: float, trip_c: float, sun: bool, mono_s: float
) -> BayState:
    """Latch after TRIP_AFTER_S above the trip. An unknown base neither adds nor takes away.

    sun: the mat has no part in it. Then heat only stays off until the base is well below the trip
    again, whatever the evening brings: a latch would leave the next night without heat.
    """
    if isnan(hottest_c):
        return state
    if hottest_c < trip_c:
        cool = hottest_c <= trip_c - RESET_BELOW_TRIP_K
        return changed(state, {"trip_since_s": inf, "sunned": state.sunned and not cool})
    if state.trip_since_s == inf or state.trip_since_s > mono_s:
        return changed(state, {"trip_since_s": mono_s})
    if mono_s - state.trip_since_s < TRIP_AFTER_S or state.tripped or state.sunned:
        return state
    caught = "sunned" if sun else "tripped"
    return changed(state, {caught: True, "hold": "", "hold_until_s": -inf})


def _long_heating(state: BayState, base_c: float, top_c: float, mono_s: float) -> Verdict:
    """A mat that does not heat what is measured may heat what is not: a probe pulled out."""
    if not state.on or state.duty < FULL_DUTY:
        if state.full_since_s != inf:
            state = changed(state, {"full_since_s": inf})
        return Verdict(state, None)
    proved = base_c >= state.full_base_c + RISE_DUE_K or base_c - top_c >= LIFT_PROVES_K
    if state.full_since_s == inf or proved:
        return Verdict(changed(state, {"full_since_s": mono_s, "full_base_c": base_c}), None)
    if base_c < state.full_base_c:  # it may first go on falling while the heat is on its way
        return Verdict(changed(state, {"full_base_c": base_c}), None)
    if mono_s - state.full_since_s < RISE_DUE_S:
        return Verdict(state, None)
    state = changed(state, {"full_since_s": inf, "rest_until_s": mono_s + REST_S})
    return Verdict(state, Reason("no_rise", (round(RISE_DUE_S / 3600.0),)))


def may_reset(aims: BayAims, view: BayView) -> bool:
    """A trip may be reset once the hottest believed probe is well below it."""
    return view.hottest_c <= min(aims.trip_c, BASE_TRIP_C) - RESET_BELOW_TRIP_K


class Claim(NamedTuple):
    """A bay that wants its mat on. share: of the window it asks for; on_s: on for so long now."""

    power_w: float
    share: float
    on: bool
    since_s: float
    window_s: float


def within_supply(claims: Sequence[Claim], supply_w: float, mono_s: float) -> tuple[bool, ...]:
    """Which of the claims may be on together without drawing more than `supply_w`.

    A mat that is on keeps its turn until it has had its fair part of a window; then those that have
    waited longest come first. Order of the answer is that of the claims.
    """
    wanted_w = sum(claim.power_w * claim.share for claim in claims)
    fair = min(1.0, supply_w / wanted_w) if wanted_w > 0.0 else 1.0

    def turn(index: int) -> tuple[bool, float]:
        claim = claims[index]
        keeps = claim.on and mono_s - claim.since_s < fair * claim.share * claim.window_s
        return (not keeps, claim.since_s if not claim.on else inf)

    allowed = [False] * len(claims)
    left_w = supply_w
    for index in sorted(range(len(claims)), key=turn):
        if claims[index].power_w <= left_w:
            allowed[index] = True
            left_w -= claims[index].power_w
    return tuple(allowed)


def over_mist(
    state: MistState, before: MistState, decision: MistDecision, mono_s: float
) -> tuple[MistState, MistDecision]:
    """The mister's last check: no burst over the bound, no more than the hard share of an hour.

    before: the state ahead of the decision.  Returns what may really happen.
    """
    if not decision.on:
        return state, decision
    left_s = state.on_until_s - mono_s
    begun = decision.burst_s > 0.0
    bursts = before.bursts_s
    if not begun and bursts:  # the running burst is the last of them
        bursts = bursts[:-1]
    used_s = sum(length for start, length in bursts if mono_s - start < HOUR_S)
    most_s = min(BURST_LONGEST_S, MIST_HOUR_SHARE * HOUR_S - used_s)
    if isfinite(left_s) and 0.0 < left_s <= BURST_LONGEST_S:
        length_s = decision.burst_s if begun else state.last_burst_len_s
        if isfinite(length_s) and length_s <= most_s + 1e-6:
            return state, decision
    state = changed(state, {"on_until_s": mono_s, "reason": Reason("mist_barred")})
    return state, decision._replace(on=False, burst_s=0.0, reason=state.reason)
