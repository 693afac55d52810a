"""The flat target that was not held, against the solution of a lumped body.

Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory): a body held over
its surroundings by x takes x / tau of its heat capacity each second.
"""

from math import exp, pi, sin

import numpy as np
import pytest

from controller.review.flat import Minutes, flat, losses, minutes_of

LIFT_K = 14.0
RATE_K_S = 2.0 / 3600.0
BEGIN_S = 1_771_200_000
DAY_MIN = 1440


def house_c(minute):
    """Nights at 9 degC, days up to 17."""
    return 9.0 + 8.0 * max(0.0, sin(pi * (minute % DAY_MIN / 60.0 - 8.0) / 9.0))


def sun_k(minute):
    """What sun lifts the resting base over the house."""
    hour = minute % DAY_MIN / 60.0
    return 18.0 * sin(pi * (hour - 8.0) / 9.0) if 8.0 < hour < 17.0 else 0.0


DARK = np.array([not 7.5 < minute % DAY_MIN / 60.0 < 17.5 for minute in range(6 * DAY_MIN)])


def held(target_c, days=6, start_c=None, lift_k=LIFT_K, delay_min=0, sun=1.0):
    """Minutes of a perfect thermostat on one store; target_c: a number, or of the minute."""
    wanted = target_c if callable(target_c) else lambda _minute: target_c
    kept = exp(-60.0 * RATE_K_S / lift_k)
    base_c = wanted(0) if start_c is None else start_c
    n = days * DAY_MIN
    bases, duties = np.empty(n), np.empty(n)
    for minute in range(n):
        free_c = house_c(minute) + sun * sun_k(minute)
        free_c += (base_c - free_c) * kept
        duty = min(1.0, max(0.0, (wanted(minute) - free_c) / (lift_k * (1.0 - kept))))
        bases[minute], duties[minute] = base_c, duty
        base_c = free_c + lift_k * (1.0 - kept) * duty
    duties = np.concatenate([duties[delay_min:], np.full(delay_min, duties[-1])])
    return Minutes(BEGIN_S, bases, np.array([house_c(m) for m in range(n)]), duties)


def beside(found, target_c=20.0, delay_s=0.0):
    held_flat = flat(found, LIFT_K, RATE_K_S, delay_s, np.full(len(found.duty), target_c))
    assert held_flat is not None
    return held_flat


def net_h(found):
    """Hours of full heat saved, what is left stored taken off."""
    return (found.flat_s.sum() - found.given_s.sum() - found.left_s) / 3600.0


@pytest.mark.parametrize("lift_k", [12.0, 14.0, 22.0])
def test_losses_are_found_in_dark_hours_whatever_the_sun_does(lift_k):
    found = losses(held(20.0, lift_k=lift_k), DARK, RATE_K_S, 0.0)
    assert found.lift_k == pytest.approx(lift_k, rel=0.02)
    assert found.error < 0.13
    assert found.blocks >= 12


def test_losses_are_not_told_from_too_few_hours_or_from_a_mat_at_its_end():
    record = held(20.0, days=2)
    assert losses(record, DARK[: len(record.duty)], RATE_K_S, 0.0) is None
    weak = held(20.0, lift_k=7.0)
    assert np.median(weak.duty[DARK]) == 1.0
    assert losses(weak, DARK, RATE_K_S, 0.0) is None
    assert losses(held(20.0), ~DARK, RATE_K_S, 0.0) is None


def test_losses_that_do_not_go_with_the_house_are_not_believed():
    record = held(20.0, days=4)
    nights = (np.arange(len(record.duty)) + DAY_MIN // 2) // DAY_MIN
    found = losses(record, DARK[: len(nights)], RATE_K_S, 0.0)
    other = record._replace(duty=np.where(nights % 2, 0.05, 0.95))
    assert found is not None
    assert losses(other, DARK[: len(nights)], RATE_K_S, 0.0) is None


def test_flat_target_itself_saves_nothing():
    found = beside(held(20.0))
    assert abs(net_h(found)) < 0.002 * found.flat_s.sum() / 3600.0
    assert found.known_share == 1.0


@pytest.mark.parametrize("target_c", [18.7, 19.5, 20.7])
def test_saving_is_that_of_a_twin_that_held_it(target_c):
    """In the same sun and house, which the comparison is not told."""
    low, even = held(target_c), held(20.0, start_c=target_c)
    true_h = (even.duty.sum() - low.duty.sum()) / 60.0
    true_h -= (even.base_c[-1] - low.base_c[-1]) / RATE_K_S / 3600.0
    assert net_h(beside(low)) == pytest.approx(true_h, rel=0.03)


def test_saving_of_a_dull_week_is_the_kelvin_hours_over_the_lift():
    def dull(minute):
        return 20.0 if minute < 3 * DAY_MIN else 18.7

    record = held(dull, sun=0.0)
    missed_kh = (20.0 - record.base_c).clip(0.0).sum() / 60.0
    assert net_h(beside(record)) == pytest.approx(missed_kh / LIFT_K, rel=0.03)


def test_stored_warmth_is_seen_in_the_hours_in_which_it_was_used():
    """Up to 20.7 from 2:00 to 5:00, down to 19.2 until 7:00: the same heat at other hours."""

    def early(minute):
        hour = minute % DAY_MIN / 60.0
        return 20.7 if 2.0 <= hour < 5.0 else 19.2 if 5.0 <= hour < 7.0 else 20.0

    record, even = held(early), held(20.0)
    found = beside(record)
    hours = (found.t_s - BEGIN_S) % 86400 / 3600.0
    dear = (hours >= 5.0) & (hours < 7.0)
    true_s = even.duty.reshape(-1, 30).mean(axis=1) * 1800.0
    saved_s = (found.flat_s - found.given_s)[dear].sum()
    assert saved_s == pytest.approx((true_s - found.given_s)[dear].sum(), rel=0.08)
    assert saved_s > 6 * 0.4 * 3600.0


def test_heat_that_comes_late_is_matched_with_its_rise():
    late = held(18.7, delay_min=40)
    assert net_h(beside(late, delay_s=2400.0)) == pytest.approx(net_h(beside(held(18.7))), rel=0.03)


def test_too_little_on_record_says_nothing():
    record = held(18.7)
    few = Minutes(BEGIN_S, *(each[: 40 * 60] for each in record[1:]))
    target_c = np.full(len(record.duty), 20.0)
    assert flat(few, LIFT_K, RATE_K_S, 0.0, target_c[: 40 * 60]) is None
    record.base_c[DAY_MIN : 3 * DAY_MIN] = np.nan
    assert flat(record, LIFT_K, RATE_K_S, 0.0, target_c) is None


def test_rest_without_a_target_is_left_out():
    record = held(18.7)
    target_c = np.full(len(record.duty), 20.0)
    target_c[:DAY_MIN] = np.nan
    found = flat(record, LIFT_K, RATE_K_S, 0.0, target_c)
    assert found.t_s[0] == BEGIN_S + 86400
    assert found.known_share == pytest.approx(5 / 6)


def test_records_become_minutes():
    t_s = BEGIN_S + np.array([0, 120])
    nothing = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    mat = BEGIN_S + np.array([60, 3600]), np.array([30_000, 1_800_000])
    found = minutes_of((t_s, np.array([20_000, 21_000])), nothing, mat, BEGIN_S, BEGIN_S + 7200)
    assert len(found.duty) == 120
    assert found.base_c[[0, 2]].tolist() == [20.0, 21.0]
    assert np.isnan(found.base_c[[1, 3]]).all()
    assert np.isnan(found.house_c).all()
    assert found.duty[:3].tolist() == [0.0, 0.5, 0.0]
    assert found.duty[60:] == pytest.approx(0.5)  # a thinned hour
