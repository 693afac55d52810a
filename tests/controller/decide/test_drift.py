"""The drift temperature, against the lumped-capacity solution for a body in a fluid.

Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory): with a constant
source, T = Te + lift u + (T0 - Te - lift u) exp(-t / tau).
"""

from math import exp, isnan, nan

import pytest

from controller.decide.drift import (
    DAY,
    NO_DRIFT,
    SLOT_S,
    Drift,
    at_time,
    coming,
    noted,
    plant_of,
)

PLANT = plant_of(rate_k_s=2.0 / 3600.0, lift_k=14.0, delay_s=300.0)
UTC_S = 1_771_200_000.0  # a whole half hour


def lumped_c(start_c, drift_c, duty, t_s):
    end_c = drift_c + PLANT.lift_k * duty
    return end_c + (start_c - end_c) * exp(-t_s / PLANT.tau_s)


def followed(drift, drift_c, duty, start_c, hours, begin_s=UTC_S):
    """(drift, last base) after so many hours of one drift temperature and one duty."""
    base_c = start_c
    for minute in range(int(hours * 60) + 1):
        base_c = lumped_c(start_c, drift_c, duty, 60.0 * minute)
        drift = noted(drift, PLANT, base_c, duty, begin_s + 60.0 * minute)
    return drift, base_c


def known(drift):
    return [c for c in drift.past_c if not isnan(c)]


@pytest.mark.parametrize(("drift_c", "duty"), [(5.0, 0.0), (5.0, 1.0), (8.0, 0.7), (26.0, 0.0)])
def test_drift_temperature_is_found_whether_heated_or_not(drift_c, duty):
    warm = NO_DRIFT._replace(heat=duty)  # the heat has long been on its way
    drift, _ = followed(warm, drift_c, duty, 19.0, 6.0)
    assert len(known(drift)) == 12
    assert known(drift) == pytest.approx([drift_c] * 12, abs=0.2)


def test_time_constant_stays_within_what_trays_have():
    assert plant_of(2e-4, 1e-9, 600.0).tau_s == 3 * 3600
    assert plant_of(2e-4, 1e9, 600.0).tau_s == 16 * 3600


def test_heat_counts_when_it_reaches_the_base():
    late = PLANT._replace(delay_s=3600.0)
    drift = NO_DRIFT
    for minute in range(31):
        drift = noted(drift, late, 18.0, 1.0, UTC_S + 60.0 * minute)
    assert 0.3 < drift.heat < 0.5


def test_a_half_hour_with_a_lost_base_is_not_judged():
    drift, base_c = followed(NO_DRIFT, 10.0, 0.0, 15.0, 0.2)
    drift = noted(drift, PLANT, nan, 0.0, UTC_S + 15 * 60.0)
    for minute in range(16, 61):
        drift = noted(drift, PLANT, base_c, 0.0, UTC_S + 60.0 * minute)
    assert len(known(drift)) == 1


def test_a_gap_leaves_its_hours_unknown():
    drift, base_c = followed(NO_DRIFT, 10.0, 0.0, 15.0, 3.0)
    drift = noted(drift, PLANT, base_c, 0.0, UTC_S + 8 * 3600.0)
    assert len(known(drift)) == 6
    drift = noted(drift, PLANT, base_c, 0.0, UTC_S + 40 * 86400.0)
    assert known(drift) == []


def past(day_c, days, today=0):
    """A memory of `days` whole days and `today` slots of another; day_c(day, slot)."""
    slot = int(UTC_S // SLOT_S) + today
    cells = list(NO_DRIFT.past_c)
    for back in range(1, min(len(cells), days * DAY + today) + 1):
        number = slot - back
        since = number - int(UTC_S // SLOT_S)
        cells[number % len(cells)] = day_c(since // DAY, since % DAY)
    return Drift(slot, 20.0, 0.0, 0.0, 1, tuple(cells))


def wave(_day, slot):
    return 8.0 if slot < 20 else 25.0


def test_nothing_is_foretold_before_a_day_is_known():
    assert coming(past(wave, 0, 47), 40) == ()


def test_two_days_foretell_two_courses_of_their_own():
    courses = coming(past(lambda day, slot: wave(day, slot) + day, 3), 44)
    assert len(courses) == 2
    # Yesterday was one kelvin warmer than the day before it, so each is moved up by one or two.
    assert courses[0][0] == pytest.approx(8.0 - 1.0 + 1.0)
    assert courses[1][0] == pytest.approx(8.0 - 2.0 + 2.0)
    assert courses[0][43] == pytest.approx(25.0 - 1.0 + 0.94**43)
    assert courses[1][43] == pytest.approx(25.0 - 2.0 + 2.0 * 0.94**43)


def test_one_day_is_no_habit():
    sunny, doubted = coming(past(wave, 1, 4), 44)
    assert max(sunny) == pytest.approx(25.0)
    assert max(doubted) == pytest.approx((25.0 + 8.0) / 2.0)
    assert min(doubted) == pytest.approx(8.0)


def test_a_colder_day_than_the_last_moves_its_course_down():
    cold = past(lambda day, slot: wave(day, slot) - (4.0 if day == 0 else 0.0), 2, 6)
    for course in coming(cold, 44):
        assert course[0] == pytest.approx(4.0)
        assert 22.0 < course[30] < 25.0  # and the difference fades


def test_drift_and_its_slope_between_half_hours():
    courses = ((10.0, 12.0, 14.0, 16.0), (12.0, 14.0, 16.0, 18.0))
    here_c, slope_k_s = at_time(courses, UTC_S + 900.0, SLOT_S)
    assert here_c == pytest.approx(13.0)
    assert slope_k_s == pytest.approx(2.0 / SLOT_S)
    assert all(isnan(value) for value in at_time((), UTC_S, 0.0))
