"""What can be in a batch's life: checks of counts, names and order, in plain words."""

from collections.abc import Mapping, Sequence
from typing import Final

from config.near import near
from controller import entries as standing
from controller.journal.errors import BatchError
from controller.records import Batch, Entry, EntryKind

NAME_LONGEST: Final = 200
NOTE_LONGEST: Final = 4000
COUNT_MOST: Final = 1_000_000

_NUMBERS: Final[dict[str, tuple[str, ...]]] = {
    EntryKind.LOST: ("lost",),
    EntryKind.TESTED: ("tested", "rooted", "callused"),
    EntryKind.POTTED: ("potted",),
    EntryKind.SALEABLE: ("saleable",),
    EntryKind.MOVED: ("count",),
    EntryKind.CLOSED: ("rooted", "callused", *(f"lost_{c}" for c in standing.LOST_CAUSES)),
}
"""Keys of an entry's values that are numbers of cuttings."""


def check_corrections(every: Sequence[Entry]) -> None:
    """Raise BatchError for a correction of what can only be put right by doing it again."""
    by_number = {entry.number: entry for entry in every}
    for entry in every:
        if not entry.corrects:
            continue
        first = by_number[entry.corrects]
        while first.corrects:
            first = by_number[first.corrects]
        if first.kind == EntryKind.MOVED:
            raise BatchError("a move or a split is put right by moving again, not by a correction")


def check_life(batch: Batch, entries: Sequence[Entry], phases: Sequence[str]) -> None:
    """Raise BatchError for an entry that does not add up; `entries` are those that stand."""
    lost_so_far = 0
    for entry in entries:
        values = entry.values
        for key in _NUMBERS.get(entry.kind, ()):
            if key in values:
                check_count(key, _whole(key, values[key]), 0)
        left = batch.cuttings - lost_so_far
        if entry.kind == EntryKind.LOST:
            one_of("cause of loss", values.get("cause", "unknown"), standing.LOST_CAUSES)
            lost_so_far += _needed(values, "lost")
            _fits("lost", lost_so_far, batch.cuttings, f"stuck in batch {batch.number}")
        elif entry.kind == EntryKind.TESTED:
            tested = _needed(values, "tested")
            _fits("tested", tested, left, f"left of {batch.cuttings}, {lost_so_far} being lost")
            rooted = standing.number_of(values, "rooted")
            callused = standing.number_of(values, "callused")
            _fits("rooted and callused", rooted + callused, tested, "tested")
        elif entry.kind in (EntryKind.POTTED, EntryKind.SALEABLE):
            _fits(entry.kind, _needed(values, entry.kind), batch.cuttings, "stuck")
        elif entry.kind == EntryKind.CLOSED:
            given = sum(standing.number_of(values, key) for key in _NUMBERS[EntryKind.CLOSED])
            _fits(
                "rooted, callused and lost", given, left, f"left of {batch.cuttings}, "
                f"{lost_so_far} being entered as lost before",
            )  # fmt: skip
        if entry.kind == EntryKind.WEANED and "phase" not in values:
            raise BatchError(f"weaned to which phase? There are {', '.join(phases)}")
        if "phase" in values and entry.kind in (EntryKind.WEANED, EntryKind.TESTED):
            one_of("phase", values["phase"], phases)


def _needed(values: Mapping[str, str], key: str) -> int:
    if key not in values:
        raise BatchError(f"how many were {key}? The number is missing")
    return int(values[key])


def _fits(what: str, number: int, most: int, of: str) -> None:
    if number > most:
        raise BatchError(f"{number} {what} is more than the {most} {of}")


def _whole(what: str, text: str) -> int:
    if not (text.isascii() and text.lstrip("-").isdigit()) or len(text) > 9:
        raise BatchError(f"{what} {text[:40]!r} is not a whole number of cuttings")
    return int(text)


def check_count(what: str, number: int, least: int) -> None:
    """Raise BatchError unless `number` is a whole number of cuttings from `least` up."""
    if isinstance(number, bool) or not isinstance(number, int):
        raise BatchError(f"{what} {number!r} is not a whole number of cuttings")
    if not least <= number <= COUNT_MOST:
        raise BatchError(f"{what} {number}; a number from {least} to {COUNT_MOST} is possible")


def one_of(what: str, given: str, allowed: Sequence[str]) -> str:
    """`given`. Raises BatchError, with the nearest name, when it is not allowed."""
    if given in allowed:
        return given
    there = ", ".join(allowed)
    raise BatchError(f"no {what} {given[:80]!r} here{near(given, allowed)}; there are {there}")


def check_text(what: str, text: str, longest: int = NOTE_LONGEST) -> None:
    """Raise BatchError for text that is too long or holds control characters."""
    if len(text) > longest:
        raise BatchError(f"{what} has {len(text)} characters; at most {longest} are kept")
    if not text.replace("\n", " ").replace("\t", " ").isprintable():
        raise BatchError(f"{what} {text[:40]!r} holds characters that can't be printed")


def check_name(what: str, text: str, *, needed: bool = False) -> None:
    """Raise BatchError unless `text` fits one line of NAME_LONGEST characters."""
    if needed and not text.strip():
        raise BatchError(f"{what} is missing")
    if "\n" in text or "\t" in text:
        raise BatchError(f"{what} {text[:40]!r} must be one line")
    check_text(what, text, NAME_LONGEST)


def checked_values(values: Mapping[str, str]) -> dict[str, str]:
    """A copy of `values`. Raises BatchError for too many, too long, or unprintable ones."""
    if len(values) > 60:
        raise BatchError(f"{len(values)} figures in one entry; at most 60 are kept")
    for key, value in values.items():
        check_name("the name of a figure", key, needed=True)
        check_name(key, value)
    return dict(values)
