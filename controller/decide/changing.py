"""A frozen record with some fields changed: `dataclasses.replace` at a third of its cost.

Only for dataclasses with slots and without checks of their own, such as those of `state`.
"""

from collections.abc import Callable, Hashable, Mapping
from dataclasses import fields
from functools import cache
from operator import attrgetter
from typing import Any, TypeVar, cast

T = TypeVar("T")
_blank = object.__new__
_Setter = Callable[[Any, Any], None]


@cache
def _slots(kind: Hashable) -> tuple[Callable[[Any], Any], tuple[_Setter, ...], dict[str, _Setter]]:
    names = tuple(field.name for field in fields(cast(Any, kind)))
    setters = tuple(getattr(kind, name).__set__ for name in names)
    return attrgetter(*names), setters, dict(zip(names, setters, strict=True))


def changed(record: T, changes: Mapping[str, Any]) -> T:
    """A new record like `record` but for `changes`. Raises KeyError for a field it has not."""
    kind = type(record)
    values_of, setters, by_name = _slots(cast(Hashable, kind))
    new = _blank(kind)
    for setter, value in zip(setters, values_of(record), strict=True):
        setter(new, value)
    for name, value in changes.items():
        by_name[name](new, value)
    return new
