"""Records of plain values to JSON and back, without trusting what is read.

Only what differs from a record's defaults is written. Numbers that JSON has no words for (NaN and
the infinities) are written as text. On reading, a value of the wrong kind leaves the default.
"""

import json
from collections.abc import Callable, Hashable
from dataclasses import fields
from functools import cache
from math import inf, isnan, nan
from operator import attrgetter
from typing import Any, Final, TypeVar, cast

from controller.records import Reason

T = TypeVar("T")
_STRICT: Final = json.JSONEncoder(separators=(",", ":"), allow_nan=False)
_WORDS: Final[dict[str, float]] = {"nan": nan, "inf": inf, "-inf": -inf}


@cache
def _plan(kind: Hashable) -> tuple[tuple[str, ...], Callable[[Any], tuple[Any, ...]]]:
    names = tuple(field.name for field in fields(cast(Any, kind)))
    return names, attrgetter(*names)


def differing(record: Any, default: Any) -> dict[str, Any]:
    """Field name to plain value, for the fields of a dataclass that differ from `default`'s."""
    names, values_of = _plan(cast(Hashable, type(record)))
    found: dict[str, Any] = {}
    for name, value, usual in zip(names, values_of(record), values_of(default), strict=True):
        if value is not usual and value != usual:
            found[name] = plain(value)
    return found


def plain(value: Any) -> Any:
    """A value that strict JSON can hold."""
    if isinstance(value, float):
        return value if value - value == 0.0 else str(value)
    if isinstance(value, tuple):
        return [plain(part) for part in value]
    return str(value) if isinstance(value, str) else value


def plain_numbers(values: tuple[float, ...]) -> list[float | str]:
    """`plain` for a tuple of nothing but numbers."""
    return [value if value - value == 0.0 else str(value) for value in values]


def restored(default: T, given: Any) -> T:
    """`default` with every field that `given` holds in the right kind; never raises.

    given: what `differing` wrote, as read back; anything else leaves the defaults.
    """
    if not isinstance(given, dict):
        return default
    names, values_of = _plan(cast(Hashable, type(default)))
    values = dict(zip(names, values_of(default), strict=True))
    for name, usual in values.items():
        if name in given:
            values[name] = _like(usual, given[name])
    return type(default)(**values)


def _like(usual: Any, given: Any) -> Any:
    """`given` in the kind of `usual`, or `usual` when it is of another kind."""
    if isinstance(usual, bool):
        return given if isinstance(given, bool) else usual
    if isinstance(usual, float):
        number = as_number(given)
        return usual if number is None else number
    if isinstance(usual, int):
        return given if isinstance(given, int) and not isinstance(given, bool) else usual
    if isinstance(usual, Reason):
        return _reason(given) or usual
    if isinstance(usual, tuple):
        if hasattr(usual, "_fields"):
            return _named(usual, given)
        if usual and all(isinstance(part, float) for part in usual):
            return _numbers(usual, given)
        return as_pairs(given) if isinstance(given, list) else usual
    return given if isinstance(given, str) else usual


def _named(usual: Any, given: Any) -> Any:
    """A NamedTuple, field by field; its default where the number of fields differs."""
    if not isinstance(given, list) or len(given) != len(usual):
        return usual
    return type(usual)(*(_like(part, value) for part, value in zip(usual, given, strict=True)))


def _numbers(usual: tuple[float, ...], given: Any) -> tuple[float, ...]:
    """As many numbers as there are by default, or the default."""
    if not isinstance(given, list) or len(given) != len(usual):
        return usual
    numbers = [as_number(value) for value in given]
    found = tuple(number for number in numbers if number is not None)
    return found if len(found) == len(usual) else usual


def as_number(given: Any) -> float | None:
    """A float, also from the words for NaN and the infinities; None for anything else."""
    if isinstance(given, str):
        return _WORDS.get(given)
    if isinstance(given, int | float) and not isinstance(given, bool):
        return float(given)
    return None


def as_pairs(given: list[Any]) -> tuple[tuple[float, float], ...]:
    """The pairs of finite numbers in a list; others are left out."""
    pairs = []
    for part in given:
        if isinstance(part, list) and len(part) == 2:
            first, second = as_number(part[0]), as_number(part[1])
            if first is not None and second is not None and not isnan(first - second):
                pairs.append((first, second))
    return tuple(pairs)


def _reason(given: Any) -> Reason | None:
    if not (isinstance(given, list) and len(given) == 2 and isinstance(given[0], str)):
        return None
    values = given[1]
    if not isinstance(values, list) or not all(isinstance(v, str | int | float) for v in values):
        return None
    return Reason(given[0], tuple(values))


def to_json(data: dict[str, Any]) -> str:
    return _STRICT.encode(data)


def from_json(text: str) -> dict[str, Any]:
    """The object in `text`; empty for anything that is not one."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}
