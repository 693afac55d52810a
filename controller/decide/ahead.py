"""Whether to hold the target, to let the base coast to the sun, or to store heat for a hard night.

A mat can only warm. Where the sun of the last days would lift the base well above its target, heat
given before it comes is heat too much; where a night is beyond the mat, only what was stored before
helps. Each plan is tried on the courses that the last days suggest, and the one that stays nearest
to the target wins. It is weighed anew every few minutes, and only its next minutes are acted on
(receding horizon, as in model predictive control).
"""

from collections.abc import Sequence
from math import exp, nan
from typing import Final, NamedTuple

from controller.decide.drift import SLOT_S, Course, Plant, at_time

HOLD: Final = ""
COAST: Final = "coast"
STORE: Final = "store"
EARLY: Final = "early"
DEAR: Final = "dear"
"""Warmed before dearer hours, and leaning on warmth banked in them; see `thrift`."""
EVERY_S: Final = 600.0
SLOTS: Final = 44
"""Half hours looked ahead."""
MARGIN_K: Final = 0.3
"""Neither coasting nor storing comes closer to the ends of the good band."""
STORE_K: Final = 0.3
"""Storing lifts the target by so much at most: more costs more than a night gives back."""
NEAR_K: Final = 0.25
"""Closer to the target than this is near enough to leave alone."""
OUT_WEIGHT: Final = 0.2
EDGE_WEIGHT: Final = 0.4
"""What a kelvin above the good band, and one below its low end, count beyond their distance from
the target."""
LEAST_KH: Final = {COAST: 0.15, STORE: 1.0}
"""A plan must save so many kelvin hours, mean of the courses, to be begun, and must cost as many to
be left. (Figures of this file found by trial on several simulated benches; no published source.)"""
BEGINS: Final = (0, 1, 3, 8)
"""A plan begins now only if none of these later begins, in half hours, is better."""


class Want(NamedTuple):
    """target_c; low_c, high_c: of the good band."""

    target_c: float
    low_c: float
    high_c: float

    def plan_c(self, plan: str) -> float:
        """The target while that plan runs."""
        if plan == COAST:
            return min(self.target_c, self.low_c + MARGIN_K)
        if plan == STORE:
            return max(self.target_c, min(self.target_c + STORE_K, self.high_c - MARGIN_K))
        return self.target_c


class Ahead(NamedTuple):
    """plan: HOLD, COAST, STORE, EARLY or DEAR.  weighed_s: when.

    need: duty that will hold the target a delay ahead, need_slope: its change per second; NaN and 0
    where no day is known.  shift_k: of the target while the plan is EARLY or DEAR.  bank_kh: warmth
    lately gained above the target, which dear hours may use.
    """

    plan: str = HOLD
    weighed_s: float = float("-inf")
    need: float = nan
    need_slope: float = 0.0
    shift_k: float = 0.0
    bank_kh: float = 0.0


NOT_LOOKED: Final = Ahead()


class Tried(NamedTuple):
    """cost_kh: to compare plans by.  over_kh, under_kh: kelvin hours off the target."""

    cost_kh: float
    over_kh: float
    under_kh: float


def looked(
    before: Ahead,
    plant: Plant,
    base_c: float,
    heat: float,
    courses: tuple[Course, ...],
    want: Want,
    mono_s: float,
    utc_s: float,
) -> Ahead:
    """The plan and the need, weighed anew. heat: mat heat on its way to the base, 0..1."""
    if not courses:
        return Ahead(HOLD, mono_s)
    drift_c, slope_k_s = at_time(courses, utc_s, plant.delay_s)
    return Ahead(
        _chosen(before.plan, plant, base_c, heat, courses, want),
        mono_s,
        (want.target_c - drift_c) / plant.lift_k,
        -slope_k_s / plant.lift_k,
    )


def _chosen(
    before: str,
    plant: Plant,
    base_c: float,
    heat: float,
    courses: Sequence[Course],
    want: Want,
) -> str:
    held = [tried(HOLD, 0, plant, base_c, heat, course, want) for course in courses]
    n = len(courses)
    best_kh, chosen = sum(t.cost_kh for t in held) / n, HOLD
    off_kh = {COAST: sum(t.over_kh for t in held) / n, STORE: sum(t.under_kh for t in held) / n}
    for plan, worth_kh in off_kh.items():
        least_kh = LEAST_KH[plan]
        if worth_kh <= (0.0 if before == plan else least_kh):
            continue
        costs_kh = [
            sum(tried(plan, begin, plant, base_c, heat, c, want).cost_kh for c in courses) / n
            for begin in BEGINS
        ]
        now_kh, later_kh = costs_kh[0], min(costs_kh[1:])
        asked_kh, leeway_kh = (-least_kh, least_kh) if before == plan else (least_kh, 0.0)
        if now_kh + asked_kh < best_kh and now_kh <= later_kh + leeway_kh:
            best_kh, chosen = now_kh, plan
    return chosen


def tried(
    plan: str,
    begin: int,
    plant: Plant,
    base_c: float,
    heat: float,
    course: Sequence[float],
    want: Want,
) -> Tried:
    """How a course would go: target held, but for the plan from slot `begin` on.

    The plan is over when the base, having been above the target, is back at it. Exact solution of
    the one store of heat for each half hour; the heat on its way counts as already stored.
    """
    kept = exp(-SLOT_S / plant.tau_s)
    full_k = plant.lift_k * (1.0 - kept)
    late_k = min(plant.rate_k_s * plant.delay_s, 0.6 * full_k)
    full_k += late_k * (1.0 - kept)  # what is on its way is not yet lost to the air
    target_c, low_c, high_c = want
    edge_c = low_c + 0.7 * MARGIN_K
    plan_c = want.plan_c(plan)
    stored_c = base_c + late_k * heat
    cost = over = under = 0.0
    runs = done = above = False
    for slot, drift_c in enumerate(course):
        if plan and not done and slot >= begin:
            runs = True
        free_c = drift_c + (stored_c - drift_c) * kept
        duty = ((plan_c if runs else target_c) - free_c) / (full_k - late_k)
        duty = 0.0 if duty < 0.0 else 1.0 if duty > 1.0 else duty
        stored_c = free_c + full_k * duty
        reached_c = stored_c - late_k * duty
        off_k = reached_c - target_c
        if runs:
            if off_k > 0.05:
                above = True
            elif above:
                runs, done = False, True
        if off_k > 0.0:
            cost += off_k
            if off_k > NEAR_K:
                over += off_k
        else:
            cost -= off_k
            if off_k < -NEAR_K:
                under -= off_k
        if reached_c > high_c:
            cost += OUT_WEIGHT * (reached_c - high_c)
        elif reached_c < edge_c:
            cost += EDGE_WEIGHT * (edge_c - reached_c)
    hours = SLOT_S / 3600.0
    return Tried(cost * hours, over * hours, under * hours)
