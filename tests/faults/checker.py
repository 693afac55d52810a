"""Judges a run by the invariants, whatever fault was in it. It knows nothing of the controller's
workings: only orders, relays, truth, the journal and the page."""

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from check_course import i6, i9, i10, i12
from check_records import i4, i5, i7, i8, i13
from check_relays import i1, i2, i3, i11
from evidence import Evidence


class Violation(NamedTuple):
    """An invariant that did not hold, and where."""

    invariant: str
    text: str


INVARIANTS: Final[dict[str, Callable[[Evidence], Iterator[str]]]] = {
    "I1": i1,
    "I2": i2,
    "I3": i3,
    "I4": i4,
    "I5": i5,
    "I6": i6,
    "I7": i7,
    "I8": i8,
    "I9": i9,
    "I10": i10,
    "I11": i11,
    "I12": i12,
    "I13": i13,
}


def judge(run: Evidence) -> list[Violation]:
    """Every invariant that the run breaks, at most three places of each."""
    found = []
    for name, check in INVARIANTS.items():
        for count, text in enumerate(check(run)):
            if count == 3:
                break
            found.append(Violation(name, text))
    return found
