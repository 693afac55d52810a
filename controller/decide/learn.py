"""What a bay teaches about itself: how fast it answers, and what it takes to hold it."""

from math import inf, isnan
from typing import Any, Final

from controller.decide.aims import BayAims
from controller.decide.drift import Plant, plant_of
from controller.decide.state import BayState
from controller.decide.tuning import DELAY_HIGH_S, DELAY_LOW_S, Gains, bench_gains, bounded

LOW_K: Final = 0.4
MID_K: Final = 1.0
HIGH_K: Final = 1.6
LAST_K: Final = 2.4
"""Steps of rise that are timed in a heat-up at full duty."""
FULL_DUTY: Final = 0.98
RATE_SPREAD: Final = 3.0
"""A learned rate lies within this factor of the expected one, whatever was seen."""
COLD_OFF_S: Final = 3600.0
"""A heat-up is timed only after the mat has been off this long, so that no heat is on its way."""
STILL_K_S: Final = 0.1 / 3600
"""... and only from a base that is not rising by itself."""
WARMER_AIR_K: Final = 1.0
"""... nor is warmed by air that is so much warmer, ahead of a late mat."""
LOST_MOST: Final = 0.5
"""Of a rise no more than this is put down to losses."""
TOP_SHARE: Final = 0.75
"""Lift over the top as a share of the lift over an unheated base: the top is warmed too (this
program's own estimate)."""
LIFT_SPREAD: Final = 1.7
HOLD_TAU_S: Final = 6 * 3600.0
HOLD_LOW_PER_K: Final = 0.002
HOLD_HIGH_PER_K: Final = 0.5

Changes = dict[str, Any]


def gains(aims: BayAims, state: BayState) -> Gains:
    """PID settings in force: the bench file's, else from what was learned, else as expected."""
    if aims.tuned or isnan(state.rate_k_s):
        return Gains(aims.gain_duty_per_k, aims.integral_s, aims.derivative_s)
    return bench_gains(state.rate_k_s, state.delay_s, aims.window_s)


def rate_k_s(aims: BayAims, state: BayState) -> float:
    """Rise of the base at full duty before losses, K/s."""
    return aims.rate_k_s if isnan(state.rate_k_s) else state.rate_k_s


def delay_s(aims: BayAims, state: BayState) -> float:
    """Until heat shows in the base, s: learned, or as expected."""
    return aims.delay_s if isnan(state.delay_s) else state.delay_s


def duty_per_k(aims: BayAims, state: BayState) -> float:
    """Duty that holds one kelvin of base-minus-top: learned, or as expected."""
    if isnan(state.holding_duty_per_k):
        return expected_duty_per_k(aims)
    return state.holding_duty_per_k


def expected_duty_per_k(aims: BayAims) -> float:
    return 1.0 / (TOP_SHARE * aims.lift_k)


def plant(aims: BayAims, state: BayState) -> Plant:
    """The store of heat that the bay is taken for, learned where it can be."""
    lift_k = bounded(
        1.0 / (TOP_SHARE * duty_per_k(aims, state)),
        aims.lift_k / LIFT_SPREAD,
        aims.lift_k * LIFT_SPREAD,
    )
    return plant_of(rate_k_s(aims, state), lift_k, delay_s(aims, state))


def timed_rise(
    aims: BayAims, state: BayState, mean_c: float, lift_k: float, mono_s: float
) -> Changes:
    """Time a heat-up from cold at full duty: two-point rate and delay of the straight-line rise.

    Slope between two crossings, delay where that line meets the lowest base seen; the later pair
    (LAST_K) corrects the earlier one, because a thick tray takes longer to reach its full slope.
    lift_k: base minus top, NaN when the top is not known.
    """
    since_s = state.rise_since_s
    if since_s == inf:
        return {}
    if state.duty < FULL_DUTY or lift_k < -WARMER_AIR_K:
        return {"rise_since_s": inf, **_CLEARED}
    if not state.on:
        return {"rise_since_s": mono_s, "rise_from_c": mean_c}
    if mean_c < state.rise_from_c:
        return {"rise_from_c": mean_c, **_CLEARED}
    return _crossings(aims, state, mean_c - state.rise_from_c, mono_s - since_s, lift_k)


def rise_begins(
    state: BayState, duty: float, mean_c: float, slope_k_s: float, lift_k: float, mono_s: float
) -> Changes:
    """Begin to time a heat-up, if `duty` is full and the mat has been off for long enough.

    lift_k: base minus top, NaN when the top is not known.
    """
    rested = not state.on and mono_s - state.since_s >= COLD_OFF_S
    rested = rested and slope_k_s <= STILL_K_S and not lift_k < -WARMER_AIR_K
    if duty >= FULL_DUTY and rested and state.rise_since_s == inf:
        return {"rise_since_s": mono_s, "rise_from_c": mean_c, **_CLEARED}
    return {}


_CLEARED: Final[Changes] = {"rise_low_s": float("nan"), "rise_mid_s": float("nan"),
                            "rise_high_s": float("nan")}  # fmt: skip


def _crossings(
    aims: BayAims, state: BayState, rise_k: float, took_s: float, lift_k: float
) -> Changes:
    """Note a step of rise passed; with the third and with the last, learn from them."""
    changes: Changes = {}
    low_s, mid_s, high_s = state.rise_low_s, state.rise_mid_s, state.rise_high_s
    if isnan(low_s):
        return {"rise_low_s": took_s} if rise_k >= LOW_K else {}
    if isnan(mid_s):
        return {"rise_mid_s": took_s} if rise_k >= MID_K else {}

    def learned(span_k: float, span_s: float, crossed_s: float, crossed_k: float) -> Changes:
        slope = span_k / max(60.0, span_s)
        lost = _lost_share(aims, state, lift_k - span_k / 2.0)
        return {
            "rate_k_s": _near_expected(aims, slope / (1.0 - lost)),
            "delay_s": bounded(crossed_s - crossed_k / slope, DELAY_LOW_S, DELAY_HIGH_S),
        }

    if isnan(high_s):
        if rise_k < HIGH_K:
            return {}
        changes = learned(HIGH_K - LOW_K, took_s - low_s, low_s, LOW_K)
        changes["rise_high_s"] = took_s
    elif rise_k >= LAST_K:
        changes = learned(LAST_K - MID_K, took_s - mid_s, mid_s, MID_K)
        changes["delay_s"] = max(changes["delay_s"], state.delay_s)
        changes["rate_k_s"] = max(changes["rate_k_s"], state.rate_k_s)
        changes |= {"rise_since_s": inf, **_CLEARED}
    return changes


def _lost_share(aims: BayAims, state: BayState, lift_k: float) -> float:
    """Share of full heat that a base so far over its top loses; 0 when the top is not known."""
    return bounded(duty_per_k(aims, state) * lift_k, 0.0, LOST_MOST)


def _near_expected(aims: BayAims, rate_k_s: float) -> float:
    return bounded(rate_k_s, aims.rate_k_s / RATE_SPREAD, aims.rate_k_s * RATE_SPREAD)


def holding(state: BayState, error_k: float, lift_k: float, dt_s: float) -> Changes:
    """Learn the duty that holds one kelvin of base-minus-top, while near target and in range.

    error_k: target minus base.  lift_k: base minus top, NaN when the top is not known.
    """
    if not (abs(error_k) < 0.5 and lift_k > 2.0 and 0.02 < state.integral < 0.98):
        return {}
    seen = bounded(state.integral / lift_k, HOLD_LOW_PER_K, HOLD_HIGH_PER_K)
    old = state.holding_duty_per_k
    return {"holding_duty_per_k": seen if isnan(old) else old + dt_s / HOLD_TAU_S * (seen - old)}


def first_integral(aims: BayAims, state: BayState, slope_k_s: float, lift_k: float) -> float:
    """Where the integral starts as the base first comes near its target.

    From the learned holding duty; else from how much of the full rate the losses have already
    eaten, taken low, because too little is made up by the loop and too much overshoots.
    """
    if not isnan(state.holding_duty_per_k) and lift_k == lift_k:
        return bounded(0.8 * state.holding_duty_per_k * lift_k, 0.0, 0.9)
    return 0.45 * bounded(1.0 - slope_k_s / rate_k_s(aims, state), 0.0, 0.9)
