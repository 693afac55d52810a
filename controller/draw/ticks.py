"""Where an axis is marked: round numbers, and round local times over clock changes."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from math import ceil, floor, isfinite, log10
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

HOUR_STEPS: Final = (1, 3, 6, 12)
DAY_STEPS: Final = (1, 2, 7, 14)
MONTH_STEPS: Final = (1, 3, 6, 12)
MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


class Tick(NamedTuple):
    """A mark of an axis. at: UTC s on a time axis, else the value."""

    at: float
    text: str


def value_ticks(low: float, high: float, most: int = 5) -> list[Tick]:
    """Round values within [low, high], at most `most`: steps of 1, 2 or 5 times a power of ten.

    low < high, both finite; else none.
    """
    if not (isfinite(low) and isfinite(high) and low < high):
        return []
    least = (high - low) / most
    power = 10.0 ** floor(log10(least))
    for factor in (1, 2, 5, 10, 20):
        step = factor * power
        first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
        if last - first < most:
            break
    decimals = max(0, -floor(log10(step) + 1e-9))
    return [
        Tick(number * step, f"{number * step:.{decimals}f}") for number in range(first, last + 1)
    ]


def time_ticks(from_s: float, to_s: float, zone: ZoneInfo, most: int = 5) -> list[Tick]:
    """Round local times within [from_s, to_s] (UTC s), at most `most`.

    A midnight bears its date, other hours their time, months and years their name. A day with a
    clock change has its 23 or 25 hours; an hour that comes twice is marked twice, one that never
    comes not at all.
    """
    if not from_s < to_s:
        return []
    span_h = (to_s - from_s) / 3600
    for step in HOUR_STEPS:
        # Twice the number wanted is far too many: not worth counting.
        if span_h / step < 2 * most + 2:
            found = list(_hours(from_s, to_s, zone, step))
            if len(found) <= most:
                return found
    for step in DAY_STEPS:
        if span_h / 24 / step < 2 * most + 2:
            found = list(_days(from_s, to_s, zone, step))
            if len(found) <= most:
                return found
    for step in (*MONTH_STEPS, *(12 * 2**power for power in range(1, 8))):
        found = list(_months(from_s, to_s, zone, step))
        if len(found) <= most:
            return found
    return []


def _local_day(at_s: float, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at_s, zone).date()


def _starts(day: date, zone: ZoneInfo) -> float:
    """UTC s at which a local day begins; the change itself where midnight is skipped."""
    return datetime.combine(day, time(), tzinfo=zone).timestamp()


def _hours(from_s: float, to_s: float, zone: ZoneInfo, step: int) -> Iterator[Tick]:
    # Clocks change by parts of an hour in places, so every quarter is asked what it is called.
    at_s = ceil(from_s / 900) * 900
    while at_s <= to_s:
        local = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
        if local.minute == 0 and local.hour % step == 0:
            text = f"{local.day} {MONTHS[local.month - 1]}" if not local.hour else f"{local:%H:%M}"
            yield Tick(float(at_s), text)
        at_s += 900


def _days(from_s: float, to_s: float, zone: ZoneInfo, step: int) -> Iterator[Tick]:
    day, last = _local_day(from_s, zone), _local_day(to_s, zone)
    while day <= last:
        at_s = _starts(day, zone)
        # date.toordinal() of a Monday is 1 more than a multiple of 7.
        if (day.toordinal() - 1) % step == 0 and from_s <= at_s <= to_s:
            yield Tick(at_s, f"{day.day} {MONTHS[day.month - 1]}")
        day += timedelta(days=1)


def _months(from_s: float, to_s: float, zone: ZoneInfo, step: int) -> Iterator[Tick]:
    first, last = _local_day(from_s, zone), _local_day(to_s, zone)
    for month in range(12 * first.year + first.month - 1, 12 * last.year + last.month):
        year, index = divmod(month, 12)
        at_s = _starts(date(year, index + 1, 1), zone)
        if month % step == 0 and from_s <= at_s <= to_s:
            yield Tick(at_s, str(year) if index == 0 else MONTHS[index])
