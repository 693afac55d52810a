"""Plans, against a search over a fine simulation of the same store of heat."""

from itertools import pairwise
from math import exp, isnan, pi, sin

import pytest

from controller.decide.ahead import COAST, HOLD, NOT_LOOKED, STORE, Want, looked, tried
from controller.decide.drift import SLOT_S, Plant

PLANT = Plant(rate_k_s=2.0 / 3600.0, tau_s=7 * 3600.0, delay_s=600.0)
WANT = Want(20.0, 18.0, 21.0)
DULL = (8.0,) * 44
UTC_S = 1_771_200_000.0


def sunny(first: int, peak_c: float = 34.0) -> tuple[float, ...]:
    """8 degC by night, a half wave of sun of 9 h that begins at slot `first`."""
    return tuple(
        8.0 + (peak_c - 8.0) * max(0.0, sin(pi * (slot - first) / 18.0))
        * (0.0 <= slot - first <= 18.0) for slot in range(44)
    )  # fmt: skip


def fine_kh(stop, course, target_c=20.0):
    """Kelvin hours off the target when heat stops at slot `stop` until the base is back at it.

    Minute by minute, with a perfect hold before and after, and no lag.
    """
    kept = exp(-60.0 / PLANT.tau_s)
    base_c, cost, above, stopped = target_c, 0.0, False, False
    for minute in range(len(course) * 30):
        stopped = stopped or minute >= stop * 30
        above = above or (stopped and base_c > target_c)
        drift_c = course[minute // 30]
        free_c = drift_c + (base_c - drift_c) * kept
        if not stopped or (above and free_c < target_c):
            free_c = max(free_c, min(target_c, free_c + PLANT.lift_k * (1.0 - kept)))
        base_c = max(free_c, 18.3)
        cost += abs(base_c - target_c) / 60.0
    return cost


def plan_at(course, before=NOT_LOOKED, base_c=20.0, heat=0.4):
    return looked(before, PLANT, base_c, heat, (course, course), WANT, 0.0, UTC_S).plan


def followed(course, looking=True):
    """(plans, bases, kelvin hours off the target) of the plan as made every ten minutes."""
    kept = exp(-600.0 / PLANT.tau_s)
    base_c, duty, ahead = 20.0, 0.9, NOT_LOOKED
    plans, bases = [], []
    for k in range(3 * len(course)):
        coming = course[k // 3 :] + (8.0,) * 44
        ahead = looked(
            ahead,
            PLANT,
            base_c,
            duty,
            (coming[:44],) * 2 * looking,
            WANT,
            600.0 * k,
            UTC_S + 600.0 * k,
        )
        free_c = course[k // 3] + (base_c - course[k // 3]) * kept
        full_k = PLANT.lift_k * (1.0 - kept)
        duty = min(1.0, max(0.0, (WANT.plan_c(ahead.plan) - free_c) / full_k))
        base_c = free_c + full_k * duty
        plans.append(ahead.plan)
        bases.append(base_c)
    return plans, bases, sum(abs(c - 20.0) for c in bases) / 6.0


@pytest.mark.parametrize("peak_c", [22.0, 24.0, 26.0, 28.0, 34.0])
def test_heat_stops_before_the_sun_as_well_as_a_search_can_say(peak_c):
    course = sunny(12, peak_c)
    best_kh = min(fine_kh(stop, course) for stop in range(44))
    held_kh = fine_kh(44, course)
    plans, bases, cost_kh = followed(course)
    assert COAST in plans
    assert STORE not in plans
    assert min(bases) >= 18.0
    assert cost_kh <= best_kh + 0.5 * (held_kh - best_kh)
    # Begun once, and not dropped before the base is back above its target.
    runs = sum(a != COAST and b == COAST for a, b in pairwise(plans))
    assert runs == 1


def test_nothing_is_done_long_before_the_sun():
    assert plan_at(sunny(20)) == HOLD


@pytest.mark.parametrize("course", [DULL, sunny(4, peak_c=18.0), (19.0,) * 44])
def test_without_a_surplus_the_target_is_held(course):
    assert all(plan_at(course[wait:]) == HOLD for wait in range(0, 20, 4))


def test_hard_night_is_stored_for_shortly_before_it_begins():
    night = (8.0,) * 16 + (2.0,) * 20 + (8.0,) * 16  # full heat holds 16 degC in it
    plans, bases, cost_kh = followed(night)
    stored = [k // 3 for k, plan in enumerate(plans) if plan == STORE]
    assert 11 <= stored[0] <= stored[-1] <= 16  # 2.5 h at most, and over when it begins
    assert COAST not in plans
    assert max(bases) <= 20.31
    _, plain, plain_kh = followed(night, looking=False)
    assert cost_kh < plain_kh
    assert sum(c < 18.0 for c in bases) < sum(c < 18.0 for c in plain)


def test_no_heat_is_stored_for_a_night_the_mat_can_hold():
    assert set(followed((8.0,) * 8 + (6.5,) * 36)[0]) == {HOLD}


def test_targets_of_the_plans_stay_inside_the_band():
    assert WANT.plan_c(COAST) == pytest.approx(18.3)
    assert WANT.plan_c(STORE) == pytest.approx(20.3)
    low = Want(18.1, 18.0, 21.0)
    assert low.plan_c(COAST) == 18.1
    high = Want(20.9, 18.0, 21.0)
    assert high.plan_c(STORE) == 20.9


def test_need_is_the_duty_that_will_hold_the_target():
    found = looked(NOT_LOOKED, PLANT, 20.0, 0.8, (DULL, DULL), WANT, 5.0, UTC_S)
    assert found.need == pytest.approx(12.0 / 14.0)
    assert found.need_slope == 0.0
    assert found.weighed_s == 5.0
    cooling = tuple(8.0 - 0.5 * slot for slot in range(44))
    found = looked(NOT_LOOKED, PLANT, 20.0, 0.8, (cooling,) * 2, WANT, 0.0, UTC_S)
    assert found.need_slope == pytest.approx(0.5 / SLOT_S / 14.0)


def test_unknown_days_mean_no_plan_and_no_need():
    found = looked(NOT_LOOKED._replace(plan=COAST), PLANT, 20.0, 0.4, (), WANT, 5.0, UTC_S)
    assert found.plan == HOLD
    assert isnan(found.need)
    assert found.need_slope == 0.0


def test_held_base_costs_nothing_and_a_cold_one_what_it_lacks():
    assert tried(HOLD, 0, PLANT, 20.0, 12.0 / 14.0, DULL, WANT).cost_kh < 0.1
    cold = tried(HOLD, 0, PLANT, 20.0, 1.0, (2.0,) * 200, WANT)
    # In the end full heat holds 2 + 14 = 16 degC, four below the target.
    assert cold.under_kh == pytest.approx(4.0 * (100.0 - 7.0), rel=0.05)
    assert cold.over_kh == 0.0
