"""Readings as whole thousandths of their unit, as the journal keeps them and warmth is summed.

Whole numbers make a sum the same to the last digit, whether it ran along live or was made again
from the journal.
"""

from controller.records import MinuteRow


def milli(value: float) -> int:
    """`value` in thousandths of its unit, to the nearest, halves to the even one.

    Raises ValueError for NaN and OverflowError for infinity.
    """
    return round(value * 1000.0)


def minute_milli(row: MinuteRow) -> tuple[int, int, int]:
    """Mean, low and high of a minute with samples, in thousandths of the unit.

    A mean that its own rounding carried past a bound is set to the bound.
    Raises ValueError or OverflowError for a value that is not finite.
    """
    low = round(row.low * 1000.0)
    high = round(row.high * 1000.0)
    mean = round(row.mean * 1000.0)
    if mean < low:
        mean = low
    elif mean > high:
        mean = high
    return mean, low, high
