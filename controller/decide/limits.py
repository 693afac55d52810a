"""Alarm thresholds in force on one bench: the table's, or as the bench file changes them."""

from collections.abc import Mapping
from functools import cache
from math import nan
from typing import NamedTuple

from config.model import AlarmChange
from controller.decide.alarm_table import rows


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
