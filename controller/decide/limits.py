"""Alarm thresholds in force on one bench: the table's, or as the bench file changes them."""

from collections.abc import Mapping
from functools import cache
from math import nan
from typing import Final, NamedTuple

from config.model import AlarmChange
from controller.decide.alarm_table import rows

WILTS_MIN: Final = ((0.0, 72.0), (2.0, 130.0), (4.0, 224.0), (6.0, 325.0))
"""(days since sticking, minutes without water until it wilts in the dark): poinsettia, Alem and
Faust 2019, Acta Hort. Other plants will differ; after the last day nothing more is granted."""


class Limits(NamedTuple):
    """Thresholds in force on one bench; the table's, or as the bench file changes them."""

    base_cold: float
    base_very_cold: float
    base_hot: float
    top_hot: float
    cold_base_hot_top: float
    air_dry: float
    air_very_dry: float
    air_saturated: float
    probes_disagree: float
    mat_weak: float


@cache
def default_limits() -> Limits:
    """The table's own thresholds; top_hot is NaN, because the recipe's is used."""
    table = rows()
    return Limits(*(table[name].threshold for name in Limits._fields))._replace(top_hot=nan)


def limits_for(changes: Mapping[str, AlarmChange]) -> Limits:
    """Thresholds of a bench with `changes` in its bench file."""
    changed = {
        name: change.limit
        for name, change in changes.items()
        if change.limit is not None and name in Limits._fields
    }
    return default_limits()._replace(**changed) if changed else default_limits()


def times_new(age_days: float) -> float:
    """How many times longer cuttings last without water than on the day they were stuck, 1..4.5."""
    (before_d, before_min), *later = WILTS_MIN
    first_min = before_min
    for day, minutes in later:
        if age_days < day:
            share = max(0.0, age_days - before_d) / (day - before_d)
            return (before_min + share * (minutes - before_min)) / first_min
        before_d, before_min = day, minutes
    return before_min / first_min
