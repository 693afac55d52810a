"""Closed batches of past seasons, put into the journal all at once or not at all."""

import contextlib
import json
import time
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from config.recipes import Recipe, freeze
from controller.journal import rows as sql
from controller.journal.life import check_life
from controller.journal.parting import insert_batch, insert_entry
from controller.journal.writer import Journal
from controller.records import NOTEBOOK, Batch, Entry, EntryKind


class Past(NamedTuple):
    """A batch as a grower noted it. Times UTC s.

    entries: (when, kind, values, note), oldest first; the closing is the last.
    """

    plant: str
    recipe: Recipe
    bay: str
    trays: str
    cuttings: int
    stuck_s: float
    details: Mapping[str, str]
    entries: tuple[tuple[float, EntryKind, Mapping[str, str], str], ...]

    @property
    def closed_s(self) -> float:
        return self.entries[-1][0]

    def check(self) -> None:
        """Raise BatchError where its counts do not add up."""
        frozen, digest = freeze(self.recipe)
        first = self.recipe.phases[0].name
        batch = Batch(
            0, self.plant, self.recipe.kind, NOTEBOOK, self.bay, self.trays, self.cuttings,
            self.stuck_s, frozen, digest, first, self.stuck_s, self.closed_s, dict(self.details),
        )  # fmt: skip
        entries = [
            Entry(number, 0, at_s, kind, "", dict(values), note)
            for number, (at_s, kind, values, note) in enumerate(self.entries, 1)
        ]
        check_life(batch, entries, tuple(phase.name for phase in self.recipe.phases))


@contextlib.contextmanager
def bring_in(journal: Journal, by: str) -> Iterator[Callable[[Past], int]]:
    """One transaction; what it gives puts a closed batch into the journal and gives its number.

    An error within leaves the journal as it was. Raises BatchError, JournalError.
    """
    now_ms = sql.ms_of(time.time())
    with journal.changing() as conn:

        def take(past: Past) -> int:
            past.check()
            frozen, digest = freeze(past.recipe)
            stuck_ms = sql.ms_of(past.stuck_s)
            details = json.dumps(dict(past.details), ensure_ascii=False)
            number = insert_batch(conn, (
                past.plant, past.recipe.kind, NOTEBOOK, past.bay, past.trays, past.cuttings,
                stuck_ms, frozen, digest, past.recipe.phases[0].name, stuck_ms, details,
            ))  # fmt: skip
            for at_s, kind, values, note in past.entries:
                insert_entry(conn, number, at_s, now_ms, kind, by, values, note)
            conn.execute(
                "UPDATE batch SET closed_ms = ? WHERE number = ?",
                (sql.ms_of(past.closed_s), number),
            )
            return number

        yield take
