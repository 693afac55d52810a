"""Where the base would drift without its mat, half hour by half hour, and where it will tomorrow.

The bay is taken as one store of heat, which rises at a known rate under full heat and goes towards
its drift temperature with one time constant. What was measured and heated in a half hour then gives
its drift temperature: air, sun and evaporation in one number, as the sol-air temperature is for a
wall (ASHRAE Handbook, Fundamentals). The same half hours of the last days say what is to come.
"""

from math import isfinite, isnan, nan
from typing import Final, NamedTuple

from controller.decide.tuning import bounded

SLOT_S: Final = 1800.0
DAY: Final = 48
DAYS: Final = 2
"""So many days are looked back upon."""
LEAST_MINUTES: Final = 25
TAU_LOW_S: Final = 3 * 3600.0
TAU_HIGH_S: Final = 16 * 3600.0
FADE: Final = 0.94
"""What today's difference from another day is still worth half an hour later."""
_LENGTH: Final = DAY * DAYS + 2
"""With the hour before, which shows how far such a day is from today."""
_UNKNOWN: Final = (nan,) * _LENGTH

Course = tuple[float, ...]
"""Drift temperatures of the slots to come, the running one first, degC."""


class Plant(NamedTuple):
    """rate_k_s: rise at full heat.  tau_s: time constant.  delay_s: from the mat to the probe."""

    rate_k_s: float
    tau_s: float
    delay_s: float

    @property
    def lift_k(self) -> float:
        """What full heat holds the base above its drift temperature."""
        return self.rate_k_s * self.tau_s


class Drift(NamedTuple):
    """What a bay remembers.

    slot: number of the running half hour since 1970 UTC.  start_c: base at its start, NaN when the
    slot is not to be judged.  heat: mat heat as it reaches the base, 0..1.  heat_sum, minutes: of
    the slot so far.  past_c: drift temperature at slot modulo its length, NaN where not known.
    """

    slot: int = -1
    start_c: float = nan
    heat: float = 0.0
    heat_sum: float = 0.0
    minutes: int = 0
    past_c: tuple[float, ...] = _UNKNOWN


NO_DRIFT: Final = Drift()


def plant_of(rate_k_s: float, lift_k: float, delay_s: float) -> Plant:
    """The store of heat; its time constant is kept to what trays of compost have."""
    return Plant(rate_k_s, bounded(lift_k / rate_k_s, TAU_LOW_S, TAU_HIGH_S), delay_s)


def noted(drift: Drift, plant: Plant, base_c: float, share: float, utc_s: float) -> Drift:
    """A minute later.

    base_c: mean of the minute, NaN spoils its slot.  share: of the minute that the mat was on.
    """
    heat = drift.heat + (share - drift.heat) * min(1.0, 60.0 / plant.delay_s)
    slot = int(utc_s // SLOT_S)
    if slot == drift.slot:
        start_c = drift.start_c if isfinite(base_c) else nan
        return Drift(slot, start_c, heat, drift.heat_sum + heat, drift.minutes + 1, drift.past_c)
    past_c = list(drift.past_c)
    for skipped in range(max(drift.slot, slot - _LENGTH), slot):
        past_c[skipped % _LENGTH] = nan
    if slot == drift.slot + 1 and drift.minutes >= LEAST_MINUTES:
        slope_k_s = (base_c - drift.start_c) / SLOT_S
        heated_k_s = plant.rate_k_s * drift.heat_sum / drift.minutes
        middle_c = (base_c + drift.start_c) / 2.0
        past_c[drift.slot % _LENGTH] = round(middle_c + plant.tau_s * (slope_k_s - heated_k_s), 1)
    return Drift(slot, base_c, heat, heat, 1, tuple(past_c))


def coming(drift: Drift, slots: int) -> tuple[Course, ...]:
    """What may come, once for each day that is known: its course, moved to where today is.

    slots: 1..48. The move is the difference of the last hour, and fades. While one day alone is
    known a second course doubts its sun by half, because one day is no habit.
    """
    found = []
    for back in range(DAY, DAYS * DAY + 1, DAY):
        move_k = _move_k(drift, back)
        course = tuple(
            drift.past_c[(drift.slot + k - back) % _LENGTH] + move_k * FADE**k for k in range(slots)
        )
        if not isnan(sum(course)):
            found.append(course)
    now_c = latest_c(drift)
    if len(found) == 1 and isfinite(now_c):
        found.append(tuple(min(c, (now_c + c) / 2.0) for c in found[0]))
    return tuple(found)


def _move_k(drift: Drift, back: int) -> float:
    """Today less the day `back` slots ago, the last half hour counting three times the one before.

    NaN where neither is known.
    """
    moves = [
        (weight, drift.past_c[(drift.slot - k) % _LENGTH] - _before(drift, k + back))
        for k, weight in ((1, 3.0), (2, 1.0))
    ]
    known = [(weight, move) for weight, move in moves if not isnan(move)]
    if not known:
        return nan
    return sum(weight * move for weight, move in known) / sum(weight for weight, _ in known)


def _before(drift: Drift, slots: int) -> float:
    return drift.past_c[(drift.slot - slots) % _LENGTH] if slots <= _LENGTH else nan


def latest_c(drift: Drift) -> float:
    """Drift temperature of the last whole half hour, degC; NaN where not known."""
    return drift.past_c[(drift.slot - 1) % _LENGTH]


def at_time(courses: tuple[Course, ...], utc_s: float, ahead_s: float) -> tuple[float, float]:
    """(drift temperature, its slope in K/s) so far ahead, mean of the courses; NaN without any."""
    if not courses:
        return nan, nan
    place = max(0.0, (utc_s % SLOT_S + ahead_s) / SLOT_S - 0.5)
    first = min(int(place), min(len(course) for course in courses) - 2)
    here = sum(course[first] for course in courses) / len(courses)
    step = sum(course[first + 1] for course in courses) / len(courses) - here
    return here + (place - first) * step, step / SLOT_S
