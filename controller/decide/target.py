"""The base target in force: what the aims ask, less what a hot top or coming sun takes off.

A mat can only warm. Against a hot top it can but give way, and against tomorrow's sun it can only
stop early enough (`ahead`).
"""

from math import isnan
from typing import Final, NamedTuple

from controller.decide.ahead import COAST, DEAR, EARLY, STORE, Want
from controller.decide.aims import BayAims
from controller.decide.state import BayState
from controller.decide.tuning import bounded

WARM_BEFORE_HOT_K: Final = 3.0
"""The top counts as warm from this far below its hot limit."""
YIELD_K_S: Final = 2.0 / 3600
"""Fastest change of the yielding, so that passing cloud does not shake the target."""


class Wanted(NamedTuple):
    """target_c: in force.  why: "" or the reason code of what moves it.  yield_k: to remember."""

    target_c: float
    why: str
    yield_k: float


def wanted(aims: BayAims, state: BayState, base_c: float, top_c: float, dt_s: float) -> Wanted:
    """The target at this minute, within the good band; the plan is the one in `state.ahead`."""
    room_k = max(0.0, aims.target_c - aims.good_low_c)
    asked_k = room_k * _hot_share(aims, base_c, top_c)
    step_k = YIELD_K_S * dt_s
    yield_k = min(room_k, max(0.0, state.yield_k))
    yield_k += min(step_k, max(-step_k, asked_k - yield_k))
    yielded_c = aims.target_c - yield_k
    plan = state.ahead.plan
    planned_c = band(aims).plan_c(plan)
    if plan == COAST and planned_c < yielded_c:
        return Wanted(planned_c, "coasting", yield_k)
    shifted_c = bounded(aims.target_c + state.ahead.shift_k, aims.good_low_c, aims.good_high_c)
    if plan == DEAR and shifted_c < yielded_c:
        return Wanted(shifted_c, "dear_hours", yield_k)
    if yield_k > 0.05:
        return Wanted(yielded_c, "cool_top", yield_k)
    if plan == STORE:
        return Wanted(planned_c, "storing", yield_k)
    if plan == EARLY:
        return Wanted(shifted_c, "warming_early", yield_k)
    return Wanted(yielded_c, "", yield_k)


def band(aims: BayAims) -> Want:
    return Want(aims.target_c, aims.good_low_c, aims.good_high_c)


def may_lift(aims: BayAims, base_c: float, top_c: float) -> bool:
    """Whether the top leaves room for a base above its target; not where it is not known."""
    cool = top_c < aims.top_hot_c - WARM_BEFORE_HOT_K
    return cool and base_c - top_c >= aims.difference_c


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
