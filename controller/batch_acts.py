"""What a grower does with batches, as functions with typed arguments: one door for every face.

Each act opens the journal, does one thing and closes it again, so that a command, a page and a
running controller can share the file. A running controller follows within a minute.
"""

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from config.model import Site
from config.recipes import Recipe, recipe_for
from controller.entries import effective, unaccounted
from controller.journal.batches import BatchBook
from controller.journal.writer import Journal
from controller.records import Batch, Entry, EntryKind


class Closed(NamedTuple):
    """A closed batch. unaccounted: cuttings of which neither closing nor losses say anything."""

    batch: Batch
    unaccounted: int


class BatchActs:
    """Acts on the batches of one journal.

    by: who does it, for the records.  clock: gives now, UTC s.  durable: each act survives a power
    cut.  at_s of every act: when it happened, UTC s; None for now.
    Every act raises BatchError, in a grower's words, when it can't be, and then changes nothing;
    JournalError when the journal fails.
    """

    def __init__(
        self,
        path: Path,
        site: Site,
        by: str,
        *,
        clock: Callable[[], float] = time.time,
        durable: bool = True,
    ) -> None:
        self._path = path
        self._site = site
        self._by = by
        self._clock = clock
        self._durable = durable

    @contextmanager
    def _book(self) -> Iterator[BatchBook]:
        with Journal.open(self._path, site=self._site, durable=self._durable) as journal:
            yield BatchBook(journal, self._site, self._clock)

    def _when(self, at_s: float | None) -> float:
        return self._clock() if at_s is None else at_s

    def enter(
        self,
        batch: int,
        kind: str,
        values: Mapping[str, str],
        *,
        at_s: float | None = None,
        note: str = "",
        corrects: int = 0,
    ) -> Entry:
        """Any entry by its kind and figures, as typed; see `BatchBook.enter`.

        at_s: None for now, and for a correction the time of what it corrects.
        """
        with self._book() as book:
            if corrects and at_s is None:
                was = [held.at_s for held in book.entries(batch) if held.number == corrects]
                at_s = was[0] if was else None
            return book.enter(batch, kind, values, self._when(at_s), self._by, note, corrects)

    def check(
        self, batch: int, answers: Mapping[str, str], *, at_s: float | None = None, note: str = ""
    ) -> Entry:
        """Answers of `config.checklist`, and other details of the sticking, added afterwards.

        An empty or "unknown" one takes back what was said before.
        """
        return self.enter(batch, EntryKind.CHECKED, answers, at_s=at_s, note=note)

    # -- the beginning and the end ------------------------------------------------------------

    def stick(
        self,
        plant: str,
        kind: str,
        bench: str,
        bay: str,
        count: int,
        *,
        at_s: float | None = None,
        trays: str = "",
        details: Mapping[str, str] | None = None,
    ) -> tuple[Batch, Recipe]:
        """Open a batch of `count` cuttings; gives it and the recipe that it was given.

        Raises UnknownRecipe for a kind there is not.
        """
        recipe = recipe_for(kind, plant)
        with self._book() as book:
            made = book.stick(
                plant,
                kind,
                bench,
                bay,
                count,
                self._when(at_s),
                recipe=recipe,
                trays=trays,
                details=details,
            )
        return made, recipe

    def close(
        self,
        batch: int,
        *,
        rooted: int,
        callused: int = 0,
        lost: Mapping[str, int] | None = None,
        lesson: str = "",
        at_s: float | None = None,
    ) -> Closed:
        """Close a batch. lost: cuttings by cause (entries.LOST_CAUSES) not entered before."""
        with self._book() as book:
            done = book.close(
                batch,
                self._when(at_s),
                rooted=rooted,
                callused=callused,
                lost=lost,
                lesson=lesson,
                by=self._by,
            )
            return Closed(done, unaccounted(done, effective(book.entries(batch))))

    # -- what is seen and done between --------------------------------------------------------

    def look(
        self, batch: int, *, wilted: bool | None = None, at_s: float | None = None, note: str = ""
    ) -> Entry:
        """Looked at it. wilted: whether leaves flag; None where nothing is said of it."""
        return self.enter(batch, EntryKind.LOOKED, _wilted(wilted), at_s=at_s, note=note)

    def spray(self, batch: int, *, at_s: float | None = None, note: str = "") -> Entry:
        """Sprayed by hand."""
        return self.enter(batch, EntryKind.SPRAYED, {}, at_s=at_s, note=note)

    def lose(
        self,
        batch: int,
        count: int,
        cause: str = "unknown",
        *,
        at_s: float | None = None,
        note: str = "",
    ) -> Entry:
        """Lost so many more; cause of entries.LOST_CAUSES."""
        values = {"lost": str(count), "cause": cause}
        return self.enter(batch, EntryKind.LOST, values, at_s=at_s, note=note)

    def test(
        self,
        batch: int,
        tested: int,
        rooted: int,
        callused: int = 0,
        *,
        wilted: bool | None = None,
        at_s: float | None = None,
        note: str = "",
    ) -> Entry:
        """Lifted `tested` cuttings: so many had roots, so many of the others callus only."""
        values = {"tested": str(tested), "rooted": str(rooted), "callused": str(callused)}
        return self.enter(
            batch, EntryKind.TESTED, {**values, **_wilted(wilted)}, at_s=at_s, note=note
        )

    def wean(self, batch: int, phase: str, *, at_s: float | None = None, note: str = "") -> Entry:
        """Take it to a phase of its recipe, forward or back."""
        return self.enter(batch, EntryKind.WEANED, {"phase": phase}, at_s=at_s, note=note)

    def pot(self, batch: int, count: int, *, at_s: float | None = None, note: str = "") -> Entry:
        """Potted on so many more."""
        return self.enter(batch, EntryKind.POTTED, {"potted": str(count)}, at_s=at_s, note=note)

    def sell(self, batch: int, count: int, *, at_s: float | None = None, note: str = "") -> Entry:
        """So many more grew on to be saleable."""
        return self.enter(batch, EntryKind.SALEABLE, {"saleable": str(count)}, at_s=at_s, note=note)

    # -- trays --------------------------------------------------------------------------------

    def move(
        self,
        batch: int,
        bench: str,
        bay: str,
        *,
        trays: str = "",
        at_s: float | None = None,
        note: str = "",
    ) -> Batch:
        """Its trays went to another bay; its warmth follows it there."""
        with self._book() as book:
            return book.move(batch, bench, bay, self._when(at_s), self._by, trays, note)

    def split(
        self,
        batch: int,
        count: int,
        bench: str,
        bay: str,
        *,
        at_s: float | None = None,
        note: str = "",
    ) -> Batch:
        """Part so many off into a batch of their own; gives that one."""
        with self._book() as book:
            return book.split(batch, count, bench, bay, self._when(at_s), self._by, note)

    def merge(self, into: int, gone: int, *, at_s: float | None = None, note: str = "") -> Batch:
        """Let what is left of `gone` go on in `into`; gives that one."""
        with self._book() as book:
            return book.merge(into, gone, self._when(at_s), self._by, note)

    # -- corrections --------------------------------------------------------------------------

    def correct(
        self,
        batch: int,
        entry: int,
        values: Mapping[str, str],
        *,
        at_s: float | None = None,
        note: str = "",
    ) -> Entry:
        """Put `values` in place of an entry's; none of them withdraws it.

        at_s: when it happened; None for the time of the entry corrected.
        """
        kind = EntryKind.CORRECTED
        return self.enter(batch, kind, values, at_s=at_s, note=note, corrects=entry)


def _wilted(said: bool | None) -> dict[str, str]:
    return {} if said is None else {"wilted": "yes" if said else "no"}
