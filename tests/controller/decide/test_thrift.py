"""Warming early, against the solution of a lumped body.

Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory): the excess of a
body over its surroundings decays with exp(-t / tau), and goes towards what its heat upholds.
"""

from math import exp, log, nan

import pytest

from controller.decide import build_aims
from controller.decide.ahead import COAST, DEAR, EARLY, HOLD, NOT_LOOKED, STORE, Want
from controller.decide.drift import Plant
from controller.decide.target import may_lift
from controller.decide.thrift import BANK_MOST_KH, FLAT, Shape, banked, played, shapes, thrifty
from sensors.clock import Now

TAU_H = 7.0
RATE_K_H = 2.0
LIFT_K = 14.0
PLANT = Plant(RATE_K_H / 3600.0, TAU_H * 3600.0, 600.0)
WANT = Want(20.0, 18.0, 21.0)
EVEN = (10.0,) * 44
SLOTS = len(EVEN)


def priced(rise, fall, dear=1.5):
    return tuple(dear if rise <= slot < fall else 1.0 for slot in range(SLOTS))


def run(shape, course=EVEN, prices=(1.0,) * SLOTS, base_c=20.0):
    return played(shape, PLANT, base_c, 0.0, course, prices, WANT)


def decided(prices, *, plan=HOLD, before=NOT_LOOKED, base_c=20.0, courses=(EVEN,), lift=True):
    looked = NOT_LOOKED._replace(plan=plan, weighed_s=600.0)
    return thrifty(
        before._replace(weighed_s=0.0), looked, PLANT, base_c, 0.0, courses, prices, WANT, lift
    )


def test_holding_takes_what_is_lost():
    held = run(FLAT)
    assert held.full_h == pytest.approx(22.0 * (20.0 - 10.0) / LIFT_K)
    assert held.warm_kh == pytest.approx(22.0 * 20.0)
    assert (held.out_kh, held.end_c) == (0.0, pytest.approx(20.0))


@pytest.mark.parametrize("shape", [Shape(0, 8, 12, 0.7, 1.0), Shape(0, 0, 20, 0.0, 0.5)])
def test_heat_goes_with_the_mean_of_the_base_alone(shape):
    """Newton's cooling: integral of base - surroundings over tau, and what is left stored."""
    course = tuple(8.0 + 4.0 * (slot % 7) / 7.0 for slot in range(SLOTS))
    plan, flat = run(shape, course), run(FLAT, course)
    lost_h = (plan.warm_kh - flat.warm_kh) / LIFT_K
    left_h = (plan.end_c - flat.end_c) / RATE_K_H
    assert plan.full_h - flat.full_h == pytest.approx(lost_h + left_h, abs=1e-9)
    assert plan.warm_kh != flat.warm_kh


def test_price_at_which_storing_pays_is_that_of_the_decay():
    """A lift alone, held for some hours: it gives back what it took less what leaked meanwhile.

    Between each pair of half hours heat is constant, which costs next to nothing more.
    """
    lift_k, rise = 0.7, 8
    up_h = TAU_H * log((24.0 - 20.0) / (24.0 - 20.7))  # full heat tends to 10 + 14
    down_h = TAU_H * log((20.7 - 10.0) / (20.0 - 10.0))
    above_up_kh = 4.0 * up_h - TAU_H * 4.0 * (1.0 - exp(-up_h / TAU_H))
    above_down_kh = TAU_H * 10.7 * (1.0 - exp(-down_h / TAU_H)) - 10.0 * down_h
    taken_h = lift_k / RATE_K_H + (above_up_kh + lift_k * (rise / 2.0 - up_h)) / LIFT_K
    given_h = lift_k / RATE_K_H - above_down_kh / LIFT_K
    pays_from = taken_h / given_h
    assert 1.3 < pays_from < 2.0
    shape = Shape(0, rise, SLOTS, lift_k, 0.0)
    for dear in (0.97 * pays_from, 1.03 * pays_from):
        prices = priced(rise, SLOTS, dear)
        saved = run(FLAT, prices=prices).cost - run(shape, prices=prices).cost
        assert (saved > 0.0) is (dear > pays_from)


def test_lean_store_against_a_fine_simulation():
    """A thermostat minute by minute takes the same heat for the same course of the target."""
    shape = Shape(2, 8, 12, 0.7, 1.0)
    kept = exp(-1.0 / 60.0 / TAU_H)
    base_c, full_h, warm_kh = 20.0, 0.0, 0.0
    for minute in range(30 * SLOTS):
        slot = minute // 30
        target_c = 20.7 if 2 <= slot < 8 else 19.0 if 8 <= slot < 12 else 20.0
        free_c = 10.0 + (base_c - 10.0) * kept
        duty = min(1.0, max(0.0, (target_c - free_c) / (LIFT_K * (1.0 - kept))))
        base_c = free_c + LIFT_K * (1.0 - kept) * duty
        full_h += duty / 60.0
        warm_kh += base_c / 60.0
    found = run(shape)
    assert found.full_h == pytest.approx(full_h, rel=0.01)
    assert found.warm_kh == pytest.approx(warm_kh, abs=0.5)


@pytest.mark.parametrize(("dear", "plan"), [(1.0, HOLD), (1.02, HOLD), (1.5, EARLY), (4.0, EARLY)])
def test_warms_early_only_for_a_price_that_is_worth_it(dear, plan):
    assert decided(priced(3, 7, dear)).plan == plan


def test_is_not_begun_long_before_nor_in_the_dear_hours():
    plans = [decided(priced(rise, rise + 4)).plan for rise in range(20)]
    assert plans[0] == HOLD  # dear now, and nothing banked
    assert EARLY in plans[1:6]
    assert plans[13:] == [HOLD] * 7


def test_dear_hours_use_no_more_warmth_than_is_banked():
    dear = priced(0, 4)
    assert decided(dear).plan == HOLD
    found = [decided(dear, before=NOT_LOOKED._replace(bank_kh=b)) for b in (0.6, 1.5, 3.0)]
    assert [one.plan for one in found] == [DEAR] * 3
    depths = [-one.shift_k for one in found]
    assert 0.0 < depths[0] < depths[1] < depths[2] <= 1.7
    for one, bank_kh in zip(found, (0.6, 1.5, 3.0), strict=True):
        plan = run(Shape(0, 0, 4, 0.0, -one.shift_k))
        assert run(FLAT).warm_kh - plan.warm_kh <= bank_kh
        assert plan.out_kh == 0.0


def test_followed_through_it_saves_money_and_loses_no_warmth():
    """A day of decisions, each acted on for a half hour, beside the target held flat."""
    kept = exp(-0.5 / TAU_H)
    full_k = LIFT_K * (1.0 - kept)
    ahead, base_c = NOT_LOOKED, 20.0
    cost = flat_cost = warm_kh = 0.0
    plans, lowest_c = [], 20.0
    for slot in range(36):
        prices = tuple(1.5 if 20 <= slot + k < 24 else 1.0 for k in range(SLOTS))
        looked = NOT_LOOKED._replace(weighed_s=1800.0 * (slot + 1))
        ahead = thrifty(ahead, looked, PLANT, base_c, 0.0, (EVEN,), prices, WANT, True)
        plans.append(ahead.plan)
        free_c = 10.0 + (base_c - 10.0) * kept
        duty = min(1.0, max(0.0, (20.0 + ahead.shift_k - free_c) / full_k))
        warm_kh += (base_c + free_c + full_k * duty) / 4.0 - 10.0
        base_c = free_c + full_k * duty
        lowest_c = min(lowest_c, base_c)
        cost += duty * prices[0] / 2.0
        flat_cost += 10.0 / LIFT_K * prices[0] / 2.0
    assert plans[20:24] == [DEAR] * 4
    assert EARLY in plans[14:20]
    assert DEAR not in plans[:20] + plans[24:]
    assert warm_kh > -0.1
    assert lowest_c > 18.3
    assert cost + (20.0 - base_c) / RATE_K_H < 0.97 * flat_cost


@pytest.mark.parametrize("plan", [COAST, STORE])
def test_sun_and_hard_nights_come_before_money(plan):
    assert decided(priced(3, 7), plan=plan).plan == plan


def test_coming_sun_is_used_first():
    sunny = EVEN[:4] + (50.0,) * 12 + EVEN[16:]
    assert decided(priced(3, 16)).plan == EARLY
    assert decided(priced(3, 16), courses=(EVEN, sunny)).plan == HOLD
    assert decided(priced(3, 4), courses=(EVEN, sunny)).plan == EARLY  # all used before the sun


def test_base_that_is_lifted_already_stays_lifted():
    slow = Plant(PLANT.rate_k_s, 2.0 * PLANT.tau_s, PLANT.delay_s)
    looked, before = NOT_LOOKED._replace(weighed_s=600.0), NOT_LOOKED._replace(plan=EARLY)
    before = before._replace(weighed_s=0.0, bank_kh=0.5)
    found = thrifty(before, looked, slow, 20.7, 0.5, (EVEN,), priced(2, 6), WANT, True)
    assert found.plan == EARLY


def test_a_top_too_warm_or_a_band_too_narrow_keeps_the_base_from_being_lifted():
    assert decided(priced(3, 7), lift=False).plan == HOLD
    assert all(not shape.rise for shape in shapes(priced(3, 7), WANT, False, SLOTS))
    assert shapes(priced(3, 7), Want(20.0, 19.7, 20.3), True, SLOTS) == []


def test_without_prices_or_days_nothing_is_planned():
    assert decided(()).plan == HOLD
    assert decided(priced(3, 7), courses=()).plan == HOLD


def test_bank_holds_what_was_gained_and_forgets():
    before = NOT_LOOKED._replace(bank_kh=1.0)
    assert banked(before, 20.6, WANT, 1800.0) == pytest.approx(1.0 * exp(-0.5 / 24.0) + 0.3)
    assert banked(before, 25.0, WANT, 1800.0) == banked(before, 21.0, WANT, 1800.0)
    assert banked(before, 17.0, WANT, 3600.0) == 0.0
    assert banked(before._replace(bank_kh=BANK_MOST_KH), 21.0, WANT, 3600.0) == BANK_MOST_KH
    assert banked(before, 21.0, WANT, float("inf")) == 0.0  # not looked before


def test_top_must_be_cool_and_well_below_the_base(make_site_file):
    aims = build_aims(make_site_file(), (), Now(0.0, 0.0)).bays["north", "left"]
    assert (aims.top_hot_c, aims.difference_c) == (28.0, 3.0)
    assert may_lift(aims, 20.0, 16.9)
    assert not may_lift(aims, 20.0, 17.1)
    assert not may_lift(aims, 30.0, 25.1)
    assert not may_lift(aims, 20.0, nan)
