"""Heat of one bay: from the base to a duty, once a minute.

The PID works on the mean of the minute and looks ahead: its input is where the base will be after
the look-ahead time at its present slope (the series form, with the derivative on measurement and
filtered). Every number it needs lives in BayState; the PID itself is made anew each time.
"""

from math import inf, isfinite, isnan, nan
from typing import Any, Final

from simple_pid import PID

from controller.decide import learn
from controller.decide.ahead import EVERY_S, HOLD, NOT_LOOKED, SLOTS, looked
from controller.decide.aims import BayAims
from controller.decide.balance import carried_duty
from controller.decide.changing import changed
from controller.decide.drift import coming, noted
from controller.decide.state import BayState, Sums
from controller.decide.target import band, may_lift, wanted
from controller.decide.thrift import thrifty
from controller.decide.tuning import Gains, bounded
from controller.records import Reason
from sensors.clock import Now
from sensors.readings import BayView

MINUTE_S: Final = 60.0
LONGEST_DT_S: Final = 300.0
"""Most time that one evaluation integrates over."""
SLOPE_TAU_S: Final = 600.0
"""Filter of the slope."""
BAND_K: Final = 1.0
"""No integration with the base further than this from its target."""
DAY_S: Final = 86400.0
FREE_K: Final = 0.5
"""So far above its target and not falling, the base needs no heat, whatever the loop says."""
CARRIED_SHARE: Final = 0.7
CARRIED_LONGEST_S: Final = 6 * 3600.0
"""D2 with a declared cut-out: this share of the last day's mean duty, for so long at most."""
BY_AIR_MOST: Final = 0.9
BY_AIR_LONGEST_S: Final = 48 * 3600.0
"""... or, where the air and the bay's holding duty are known, what holds the base low in its band:
nights are bridged by it until somebody comes, and the cut-out bounds what it may do wrong."""
TOP_TAU_S: Final = 1800.0
"""Filter of the top's slope."""
TOP_SLOPE_K_S: Final = 3.0 / 3600
"""A top that moves faster has had its lid lifted, and the compost takes little notice."""
TOP_SHARE: Final = 0.6
HABIT_SHARE: Final = 0.3
"""How much of a coming change in the holding duty is met before it is felt: by what the top's slope
says, and by what the last days say (figures found by trial; no published source)."""
COLD_START_DUTY: Final = 0.3
"""Stands in for the integral until the base has first come near its target."""


def due(sums: Sums, state: BayState, base_c: float, mono_s: float) -> bool:
    """Whether the bay is to be thought about now: once a minute, and at once on losing the base."""
    if not 0.0 <= mono_s - sums.since_s < MINUTE_S:
        return True
    return isnan(base_c) is not (state.lost_since_s != inf)


def think(
    aims: BayAims,
    state: BayState,
    sums: Sums,
    view: BayView,
    top_c: float,
    now: Now,
    barred: bool,
    usual_per_k: float = nan,
) -> BayState:
    """The bay's state with a new duty and reason.

    sums: of the minute now over.  top_c: NaN when not known.  barred: a guard or a hand keeps the
    mat off or on, so nothing may be learned or integrated.  usual_per_k: duty that usually holds a
    kelvin of base over top, NaN until known.
    """
    mono_s = now.mono_s
    dt_s = mono_s - sums.since_s
    fresh = not 0.0 < dt_s <= LONGEST_DT_S
    dt_s = MINUTE_S if fresh else dt_s
    changes = {} if fresh else _day_mean(state, sums, dt_s)
    mean_c = sums.total / sums.n if sums.n and not fresh else view.base_c
    if isnan(view.base_c) or not isfinite(mean_c):
        changes |= _lost(aims, state, top_c, usual_per_k, mono_s)
        return changed(state, changes)
    changes["lost_since_s"] = inf
    changes.update(_slope(state, mean_c, view.usable, dt_s, fresh))
    changes["mode"] = _mode(view, now)
    if aims.resting:
        changes |= {"duty": 0.0, "integral": nan, "target_c": nan, "rise_since_s": inf}
        changes["reason"] = Reason("rest", (aims.why,))
        return changed(state, changes)
    slope_k_s = changes.get("derivative", state.derivative)
    foreseen = {**_top_slope(state, top_c, dt_s), **_ahead(aims, state, sums, mean_c, dt_s, now)}
    changes |= foreseen
    state = changed(state, foreseen)
    changes.update(_closed_loop(aims, state, view, mean_c, slope_k_s, top_c, now, dt_s, barred))
    return changed(state, changes)


def _day_mean(state: BayState, sums: Sums, dt_s: float) -> dict[str, Any]:
    kept = 1.0 - dt_s / DAY_S
    on_s = state.on_24h_s * kept + min(sums.on_s, dt_s)
    seen_s = state.seen_24h_s * kept + dt_s
    return {"on_24h_s": on_s, "seen_24h_s": seen_s, "duty_day": on_s / seen_s}


def _slope(state: BayState, mean_c: float, usable: int, dt_s: float, fresh: bool) -> dict[str, Any]:
    """Filtered slope; a probe lost or won moves the mean without the base having moved."""
    changes = {"mean_c": mean_c, "mean_before_c": state.mean_c, "usable": usable}
    if fresh:
        changes["derivative"] = 0.0
    elif usable == state.usable and not isnan(state.mean_c):
        share = dt_s / (SLOPE_TAU_S + dt_s)
        seen = (mean_c - state.mean_c) / dt_s
        changes["derivative"] = state.derivative + share * (seen - state.derivative)
    return changes


def _top_slope(state: BayState, top_c: float, dt_s: float) -> dict[str, Any]:
    """The top, filtered, and its slope; a top just lost or found has none."""
    if isnan(top_c) or isnan(state.top_mean_c):
        return {"top_mean_c": top_c, "top_slope_k_s": 0.0}
    moved_k = (top_c - state.top_mean_c) * dt_s / (TOP_TAU_S + dt_s)
    return {"top_mean_c": state.top_mean_c + moved_k, "top_slope_k_s": moved_k / dt_s}


def _ahead(
    aims: BayAims, state: BayState, sums: Sums, base_c: float, dt_s: float, now: Now
) -> dict[str, Any]:
    """Note the minute, and weigh the plan anew when it is time. Nothing on an unsure clock."""
    if not now.trusted:
        return {"ahead": NOT_LOOKED} if state.ahead.plan != HOLD else {}
    plant = learn.plant(aims, state)
    # In the first warm-up a tray soaks up heat that no single store accounts for.
    judged_c = nan if isnan(state.integral) else base_c
    drift = noted(state.drift, plant, judged_c, min(1.0, sums.on_s / dt_s), now.utc_s)
    since_s = now.mono_s - state.ahead.weighed_s
    # The price may change with the half hour, so that then is always a time to look.
    if 0.0 <= since_s < EVERY_S and (aims.prices is None or drift.slot == state.drift.slot):
        return {"drift": drift}
    courses, want = coming(drift, SLOTS), band(aims)
    ahead = looked(state.ahead, plant, base_c, drift.heat, courses, want, now.mono_s, now.utc_s)
    if aims.prices is not None:
        prices = aims.prices.coming(now.utc_s)
        lift = may_lift(aims, base_c, state.top_mean_c)
        ahead = thrifty(state.ahead, ahead, plant, base_c, drift.heat, courses, prices, want, lift)
    return {"drift": drift, "ahead": ahead}


def _mode(view: BayView, now: Now) -> str:
    if view.usable < view.fitted:
        return "D1"
    return "normal" if now.trusted else "D4"


def _lost(
    aims: BayAims, state: BayState, top_c: float, usual_per_k: float, mono_s: float
) -> dict[str, Any]:
    """D2: no base probe is believed. Off, or with a declared cut-out what usually held the base."""
    since_s = mono_s if state.lost_since_s == inf else state.lost_since_s
    changes: dict[str, Any] = {
        "lost_since_s": since_s, "mean_c": nan, "mean_before_c": nan, "derivative": 0.0,
        "rise_since_s": inf, "mode": "D2", "duty": 0.0, "reason": Reason("lost"),
    }  # fmt: skip
    if aims.resting:
        return changes | {"mode": "normal", "reason": Reason("rest", (aims.why,))}
    if aims.has_cutout:
        changes |= _carried(aims, state, top_c, usual_per_k, mono_s - since_s)
    return changes


def _carried(
    aims: BayAims, state: BayState, top_c: float, usual_per_k: float, lost_s: float
) -> dict[str, Any]:
    """Duty for a base that nobody sees: from the air and what was learned, else from the day."""
    # What was learned last may have been learned from a probe that had already failed.
    need_per_k = state.holding_duty_per_k if isnan(usual_per_k) else usual_per_k
    if isfinite(top_c) and isfinite(need_per_k):
        left_s = BY_AIR_LONGEST_S - lost_s
        aim_c = (aims.target_c + aims.good_low_c) / 2.0
        duty = carried_duty(need_per_k, aim_c, top_c, BY_AIR_MOST)
        values: tuple[float, ...] = (round(100.0 * duty), round(top_c, 1))
        code = "lost_by_air"
    elif isfinite(state.duty_day):
        left_s = CARRIED_LONGEST_S - lost_s
        usual = state.duty_day if isnan(state.integral) else min(state.duty_day, state.integral)
        duty = bounded(CARRIED_SHARE * usual, 0.0, CARRIED_SHARE)
        values, code = (round(100.0 * duty),), "lost_carried"
    else:
        return {}
    if left_s <= 0.0:
        return {}
    return {"duty": duty, "reason": Reason(code, (*values, round(left_s / 3600.0, 1)))}


def _closed_loop(
    aims: BayAims,
    state: BayState,
    view: BayView,
    base_c: float,
    slope_k_s: float,
    top_c: float,
    now: Now,
    dt_s: float,
    barred: bool,
) -> dict[str, Any]:
    """Target, duty and what is learned. `state` is that of the minute before."""
    target_c, lowered, yield_k = wanted(aims, state, base_c, top_c, dt_s)
    changes: dict[str, Any] = {"target_c": target_c, "yield_k": yield_k}
    error_k = target_c - base_c
    lift_k = base_c - top_c
    if barred:
        return changes | {"rise_since_s": inf}
    rise = learn.timed_rise(aims, state, base_c, lift_k, now.mono_s)
    if rise:  # what is learned in this minute serves in it
        state = changed(state, rise)
        changes |= rise
    gains = learn.gains(aims, state)
    integral = state.integral
    if isnan(integral) and error_k < BAND_K:
        integral = learn.first_integral(aims, state, slope_k_s, lift_k)
    ahead_k = error_k - gains.derivative_s * slope_k_s
    held = view.usable < view.fitted or abs(error_k) > BAND_K
    if not isnan(integral):
        integral = _foreseen(aims, state, integral, error_k, dt_s)
    duty, integral = _pid(gains, integral, ahead_k, dt_s, held)
    if base_c - target_c >= FREE_K and slope_k_s >= 0.0:
        duty = 0.0
    if duty >= learn.FULL_DUTY:
        changes.update(learn.rise_begins(state, duty, base_c, slope_k_s, lift_k, now.mono_s))
    changes["duty"] = duty
    changes["integral"] = integral
    changes.update(learn.holding(state, error_k, lift_k, dt_s))
    changes["reason"] = _reason(base_c, target_c, duty, lowered, top_c)
    return changes


def _foreseen(
    aims: BayAims, state: BayState, integral: float, error_k: float, dt_s: float
) -> float:
    """The integral, moved by what is known to come.

    Far from the target, where it does not integrate, it is what the drift says will hold there.
    """
    ahead = state.ahead
    if abs(error_k) > BAND_K and ahead.need == ahead.need and ahead.plan == HOLD:
        return bounded(ahead.need, 0.0, 1.0)
    top_k_s = max(-TOP_SLOPE_K_S, min(TOP_SLOPE_K_S, state.top_slope_k_s))
    slope = HABIT_SHARE * ahead.need_slope - TOP_SHARE * learn.duty_per_k(aims, state) * top_k_s
    return bounded(integral + slope * dt_s, 0.0, 1.0)


def _pid(
    gains: Gains, integral: float, ahead_k: float, dt_s: float, held: bool
) -> tuple[float, float]:
    """(duty, integral term). Finite for finite input; the integral stays NaN until it has begun.

    ahead_k: target minus where the base is heading.  held: the integral is not to move.
    """
    begun = not isnan(integral)
    bias = integral if begun else COLD_START_DUTY
    unbound = gains.gain * ahead_k + bias
    saturated = ahead_k > 0.0 if unbound >= 1.0 else unbound <= 0.0 and ahead_k < 0.0
    moves = begun and not held and not saturated
    pid = PID(
        gains.gain,
        gains.gain / gains.integral_s if moves else 0.0,
        0.0,
        setpoint=0.0,
        sample_time=None,
        output_limits=(0.0, 1.0),
        starting_output=bias,
        time_fn=_no_clock,
    )
    duty = float(pid(-ahead_k, dt=min(dt_s, LONGEST_DT_S)) or 0.0)
    return bounded(duty, 0.0, 1.0), bounded(pid.components[1], 0.0, 1.0) if begun else nan


def _no_clock() -> float:
    """The PID is always given its time step and must not look at a clock."""
    return 0.0


def _reason(base_c: float, target_c: float, duty: float, lowered: str, top_c: float) -> Reason:
    base, target, share = round(base_c, 1), round(target_c, 1), round(100.0 * duty)
    if lowered == "cool_top":
        return Reason("cool_top", (base, target, share, round(top_c, 1) if top_c == top_c else "?"))
    if lowered:
        return Reason(lowered, (base, target, share))
    if duty <= 0.0:
        return Reason("warm_enough", (base, target))
    if duty >= learn.FULL_DUTY:
        return Reason("full", (base, target))
    return Reason("part", (base, target, share))
