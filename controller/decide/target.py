"""The base target in force: what the aims ask, less what a hot top or coming sun takes off.

A mat can only warm. Against a hot top it can but give way, and against tomorrow's sun it can only
stop early enough.
"""

from math import isnan
from typing import Any, Final, NamedTuple

from controller.decide.aims import BayAims
from controller.decide.schedule import Sky
from controller.decide.state import BayState

WARM_BEFORE_HOT_K: Final = 3.0
"""The top counts as warm from this far below its hot limit."""
YIELD_K_S: Final = 2.0 / 3600
"""Fastest change of the yielding, so that passing cloud does not shake the target."""
SUN_TOP_C: Final = 22.0
SUN_OVER_K: Final = 1.5
SUN_STILL_OVER_K: Final = 0.5
SUN_MINUTES: Final = 60.0
"""Yesterday was hot when the top stood above SUN_TOP_C and the unheated base this far above its
target for so long; the second figure is for a day that was itself held low (figures found by trial
on simulated benches; no published source)."""
SUN_LOWER_K: Final = 2.0
BEFORE_DAWN_S: Final = 3 * 3600.0
AFTER_NOON_S: Final = 3 * 3600.0


class Wanted(NamedTuple):
    """target_c: in force.  why: "" or the reason code of what lowers it.  yield_k: to remember."""

    target_c: float
    why: str
    yield_k: float


def wanted(
    aims: BayAims, state: BayState, base_c: float, top_c: float, sky: Sky, utc_s: float, dt_s: float
) -> Wanted:
    """The target at this minute; never below the good band's low end, never above the aims'."""
    room_k = max(0.0, aims.target_c - aims.good_low_c)
    asked_k = room_k * _hot_share(aims, base_c, top_c)
    step_k = YIELD_K_S * dt_s
    yield_k = min(room_k, max(0.0, state.yield_k))
    yield_k += min(step_k, max(-step_k, asked_k - yield_k))
    sun_k = min(room_k, SUN_LOWER_K) if sun_is_coming(state, sky, utc_s) else 0.0
    if sun_k > yield_k:
        return Wanted(aims.target_c - sun_k, "sun_coming", yield_k)
    return Wanted(aims.target_c - yield_k, "cool_top" if yield_k > 0.05 else "", yield_k)


def _hot_share(aims: BayAims, base_c: float, top_c: float) -> float:
    """How far to yield, 0..1; 0 when the top is not known."""
    if isnan(top_c):
        return 0.0
    if top_c >= aims.top_hot_c:
        return 1.0
    above_warm_k = top_c - (aims.top_hot_c - WARM_BEFORE_HOT_K)
    if above_warm_k > 0.0 and base_c - top_c < aims.difference_c:
        return above_warm_k / WARM_BEFORE_HOT_K
    return 0.0


def sun_is_coming(state: BayState, sky: Sky, utc_s: float) -> bool:
    """From before dawn to mid-afternoon of a day after a hot one; never on an unsure clock."""
    if not state.hot_before or not sky.trusted or isnan(sky.sunrise_utc_s):
        return False
    noon_utc_s = (sky.sunrise_utc_s + sky.sunset_utc_s) / 2.0
    return sky.sunrise_utc_s - BEFORE_DAWN_S <= utc_s < noon_utc_s + AFTER_NOON_S


def hot_day(
    aims: BayAims, state: BayState, base_c: float, top_c: float, sky: Sky, dt_s: float
) -> dict[str, Any]:
    """Count the minutes in which the sun held the base above its target; turn the page at midnight.

    base_c: mean of the minute.  The changes of the state, empty when there are none.
    """
    changes: dict[str, Any] = {}
    minutes = state.hot_minutes
    if sky.trusted and sky.day_number != state.hot_day:
        followed = sky.day_number == state.hot_day + 1
        changes = {"hot_day": sky.day_number, "hot_before": followed and minutes >= SUN_MINUTES}
        changes["hot_minutes"] = minutes = 0.0
    over_k = SUN_STILL_OVER_K if state.hot_before else SUN_OVER_K
    if state.duty == 0.0 and top_c > SUN_TOP_C and base_c > aims.target_c + over_k:
        changes["hot_minutes"] = minutes + dt_s / 60.0
    return changes
