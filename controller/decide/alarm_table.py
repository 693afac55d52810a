"""The alarm table: alarms.toml as checked, frozen rows.

The attributes of a row are those that ISA-18.2 / IEC 62682 ask of every rationalised alarm: limit,
cause, consequence, action, time to respond, priority, delays, deadband, suppression.
"""

import tomllib
from dataclasses import asdict, dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Final, Literal

Scope = Literal["bay", "bench", "probe", "link", "site"]
SCOPES: Final[tuple[Scope, ...]] = ("bay", "bench", "probe", "link", "site")

SHELVE_LONGEST_S: Final = MappingProxyType({1: 3600.0, 2: 12 * 3600.0, 3: 7 * 86400.0})
"""Longest shelving by priority. That there must be a longest: OPC UA Part 9 v1.05, 5.8.17."""
REMIND_S: Final = MappingProxyType({1: 3600.0, 2: 12 * 3600.0})
"""An acknowledged alarm that still stands after this goes back to unacknowledged."""


class AlarmTableError(ValueError):
    """A row of the alarm table that makes no sense; a fault in the program, not in a bench file."""


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm.

    limit: in words.  threshold, deadband: in `unit`; low..high: what a bench file may set the
    threshold to, None where it may not.  on_delay_s, off_delay_s: the condition must stand, or have
    gone, for the whole of it.  measure: name of the value shown with it; above: False when being
    too low is the fault.  priority, night_priority, worse: 1..3, worse when `worse_when` holds.
    latched: clears only by a reset.  parents: alarms that hide it.  in_rest: watched while its
    place rests.  held_at_start: waits for the expected warm-up.  inferred: not measured directly.
    bare: its value is shown without a limit beside it.
    """

    name: str
    title: str
    scope: Scope
    limit: str
    causes: tuple[str, ...]
    consequence: str
    action: str
    why: str
    respond_min: float
    priority: int
    measure: str
    night_priority: int | None = None
    worse: int | None = None
    worse_when: str = ""
    unit: str = ""
    above: bool = False
    threshold: float = 0.0
    low: float | None = None
    high: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    night_on_delay_s: float | None = None
    off_delay_s: float = 0.0
    latched: bool = False
    may_shelve: bool = True
    parents: tuple[str, ...] = ()
    in_rest: bool = False
    held_at_start: bool = False
    inferred: bool = False
    bare: bool = False

    def shelve_longest_s(self, priority: int) -> float:
        """Longest shelving at this priority, seconds; 0 when it may not be shelved."""
        return SHELVE_LONGEST_S[priority] if self.may_shelve else 0.0

    def as_dict(self) -> dict[str, Any]:
        """The row as plain data, for JSON."""
        return asdict(self)


def span_words(span_s: float) -> str:
    """A length of time in the largest unit that suits it: "40 s", "15 min", "6 h", "7 d"."""
    for size_s, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if span_s >= 2 * size_s or (span_s >= size_s and span_s % size_s == 0):
            return f"{span_s / size_s:.3g} {unit}"
    return f"{span_s:.3g} s"


def _row(name: str, raw: dict[str, Any]) -> Row:
    raw = {key: tuple(v) if isinstance(v, list) else v for key, v in raw.items()}
    row = Row(name=name, **raw)
    text = row.limit.format(
        threshold=f"{row.threshold:g}",
        deadband=f"{row.deadband:g}",
        on_delay=span_words(row.on_delay_s),
        night_on_delay=span_words(row.night_on_delay_s or row.on_delay_s),
    )
    return Row(**{**asdict(row), "limit": text})


@cache
def rows() -> MappingProxyType[str, Row]:
    """Every alarm by name, in the order of the table.

    Raises AlarmTableError for a row with unknown parents, scope or priority.
    """
    text = files("controller.decide").joinpath("alarms.toml").read_text(encoding="utf-8")
    found = {name: _row(name, raw) for name, raw in tomllib.loads(text).items()}
    for row in found.values():
        if row.scope not in SCOPES:
            raise AlarmTableError(
                f"alarms.toml: {row.name}: scope {row.scope!r} is none of {SCOPES}"
            )
        for priority in (row.priority, row.night_priority, row.worse):
            if priority not in (1, 2, 3, None):
                raise AlarmTableError(f"alarms.toml: {row.name}: priority {priority} is not 1..3")
        for parent in row.parents:
            if parent not in found:
                raise AlarmTableError(f"alarms.toml: {row.name}: no parent {parent!r} in the table")
        if row.parents and not row.may_shelve:
            raise AlarmTableError(f"alarms.toml: {row.name}: may not be hidden by another alarm")
    return MappingProxyType(found)


def table() -> list[Row]:
    """The rows in the order of the table, for display."""
    return list(rows().values())
