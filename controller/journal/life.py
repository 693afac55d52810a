"""What can be in a batch's life: checks of counts, names and order, in plain words."""

from collections.abc import Mapping, Sequence
from typing import Final

from config.checklist import AnswerError, read_answers
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
    EntryKind.MERGED: ("count",),
    EntryKind.CLOSED: ("rooted", "callused", *(f"lost_{c}" for c in standing.LOST_CAUSES)),
}
"""Keys of an entry's values that are numbers of cuttings."""
_WORDS: Final[dict[str, tuple[str, ...]]] = {
    EntryKind.LOOKED: ("wilted",),
    EntryKind.LOST: ("cause",),
    EntryKind.TESTED: ("phase", "wilted"),
    EntryKind.WEANED: ("phase",),
}
"""Keys of an entry's values that are read as words."""
_BY_DOING: Final = (EntryKind.MOVED, EntryKind.MERGED)


def check_corrections(every: Sequence[Entry]) -> None:
    """Raise BatchError for a correction of what can only be put right by doing it again."""
    by_number = {entry.number: entry for entry in every}
    for entry in every:
        if not entry.corrects:
            continue
        first = by_number[entry.corrects]
        while first.corrects:
            first = by_number[first.corrects]
        if first.kind in _BY_DOING:
            raise BatchError(
                "a move, a split or a merging is put right by doing it again, not by a correction"
            )


def check_life(batch: Batch, entries: Sequence[Entry], phases: Sequence[str]) -> None:
    """Raise BatchError for a life that does not add up; `entries` are those that stand.

    The cuttings there are counted from one entry to the next in the order in which things
    happened, so that no order of entering makes more or fewer of them.
    """
    count = _Count(batch, entries)
    for entry in entries:
        _check_keys(entry)
        count.take(entry)
        if entry.kind == EntryKind.CHECKED and not entry.values:
            raise BatchError("checked what? Give answers, such as flowering=no")
        if entry.kind == EntryKind.WEANED and "phase" not in entry.values:
            raise BatchError(f"weaned to which phase? There are {', '.join(phases)}")
        if "phase" in entry.values and entry.kind in (EntryKind.WEANED, EntryKind.TESTED):
            one_of("phase", entry.values["phase"], phases)


def _check_keys(entry: Entry) -> None:
    numbers, words = _NUMBERS.get(entry.kind, ()), _WORDS.get(entry.kind, ())
    for key, value in entry.values.items():
        if key in numbers:
            check_count(key, _whole(key, value), 0)
        elif key not in words and near(key, (*numbers, *words)):
            raise BatchError(
                f"{entry.kind} entries have no figure {key!r}{near(key, (*numbers, *words))}"
            )
    if "wilted" in entry.values and "wilted" in words and standing.wilted(entry) is None:
        raise BatchError(f"wilted {entry.values['wilted'][:40]!r}; write yes or no")


class _Count:
    """The cuttings of a batch, from one entry to the next."""

    def __init__(self, batch: Batch, entries: Sequence[Entry]) -> None:
        self._number = batch.number
        # `cuttings` is as it became: what was split off is out already, what was merged in is in.
        self._there = batch.cuttings
        for entry in entries:
            if entry.kind == EntryKind.MOVED and "split_to" in entry.values:
                self._there += standing.number_of(entry.values, "count")
            elif entry.kind == EntryKind.MERGED and "from" in entry.values:
                self._there -= standing.number_of(entry.values, "count")
        self._lost = self._potted = self._saleable = 0
        self._kept = 0  # alive at closing: what is dated later can't take from them

    @property
    def _left(self) -> int:
        return self._there - self._lost

    def _of(self) -> str:
        return f"left of {self._there}, {self._lost} being lost"

    def take(self, entry: Entry) -> None:
        """One entry on. Raises BatchError where there are not so many cuttings."""
        values = entry.values
        if entry.kind == EntryKind.LOST:
            one_of("cause of loss", values.get("cause", "unknown"), standing.LOST_CAUSES)
            self._lost += _needed(values, "lost")
            of = f"there were in batch {self._number}"
            if self._kept:
                of += (
                    f" beside the {self._kept} alive at closing; date the closing after the losses"
                )
            _fits("lost", self._lost, self._there - self._kept, of)
        elif entry.kind == EntryKind.TESTED:
            tested = _needed(values, "tested")
            _fits("tested", tested, self._left, self._of())
            found = standing.number_of(values, "rooted") + standing.number_of(values, "callused")
            _fits("rooted and callused", found, tested, "tested")
        elif entry.kind == EntryKind.POTTED:
            self._potted += _needed(values, "potted")
            _fits("potted", self._potted, self._left, self._of())
        elif entry.kind == EntryKind.SALEABLE:
            self._saleable += _needed(values, "saleable")
            _fits("saleable", self._saleable, self._left, self._of())
        elif entry.kind == EntryKind.CLOSED:
            given = {key: standing.number_of(values, key) for key in _NUMBERS[EntryKind.CLOSED]}
            _fits("rooted, callused and lost", sum(given.values()), self._left, self._of())
            self._lost += sum(given[key] for key in given if key.startswith("lost_"))
            self._kept = given["rooted"] + given["callused"]
        elif entry.kind == EntryKind.MOVED and "split_to" in values:
            self._there -= standing.number_of(values, "count")
            of = f"that were kept in batch {self._number}"
            _fits("lost", self._lost, self._there - self._kept, of)
        elif entry.kind == EntryKind.MERGED:
            self._merge(values)

    def _merge(self, values: Mapping[str, str]) -> None:
        count = standing.number_of(values, "count")
        if "from" in values:
            self._there += count
        elif count != self._left:
            raise BatchError(
                f"batch {self._number} went into batch {values['into']} with {count} cuttings, not "
                f"{self._left}; enter the change there"
            )


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


def checked_answers(values: Mapping[str, str]) -> dict[str, str]:
    """As `checked_values`, with answers of the checklist as they are kept.

    Raises BatchError too for an answer that cannot be read.
    """
    try:
        return read_answers(checked_values(values))
    except AnswerError as error:
        raise BatchError(str(error)) from None


def checked_values(values: Mapping[str, str]) -> dict[str, str]:
    """A copy of `values`. Raises BatchError for too many, too long, or unprintable ones."""
    if len(values) > 60:
        raise BatchError(f"{len(values)} figures in one entry; at most 60 are kept")
    for key, value in values.items():
        check_name("the name of a figure", key, needed=True)
        check_name(key, value)
    return dict(values)
