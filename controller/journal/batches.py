"""The book of batches: stick, enter, move, split, merge, close. A refusal changes nothing."""

import json
import sqlite3
import time
from collections.abc import Callable, Mapping
from typing import Final

from config.model import Site
from config.recipes import Recipe, freeze, thaw
from controller import entries as standing
from controller.journal import rows as sql
from controller.journal.errors import BatchError
from controller.journal.life import (
    check_corrections,
    check_count,
    check_life,
    check_name,
    check_text,
    checked_answers,
    checked_values,
    one_of,
)
from controller.journal.parting import insert_batch, insert_entry, join, part_off
from controller.journal.writer import Journal
from controller.records import Batch, Entry, EntryKind

DAY_S: Final = 86400.0
OLDEST_S: Final = 946_684_800.0  # 2000-01-01T00:00Z
_PLACING: Final = (EntryKind.MOVED, EntryKind.MERGED)
"""Kinds of entry that may say which trays a batch has from then on."""
AFTER_CLOSING: Final = (
    EntryKind.CHECKED, EntryKind.CORRECTED, EntryKind.POTTED, EntryKind.SALEABLE,
)  # fmt: skip


class BatchBook:
    """Batches and their entries in one journal.

    site: when given, batches go only to bays it has.  clock: gives now, UTC s.
    Every method that is refused raises BatchError and changes nothing; JournalError when the
    journal itself fails.
    """

    def __init__(
        self, journal: Journal, site: Site | None = None, clock: Callable[[], float] = time.time
    ) -> None:
        self._journal = journal
        self._site = site
        self._clock = clock

    # -- looking ------------------------------------------------------------------------------

    def open_batches(self) -> list[Batch]:
        """Batches not yet closed, oldest first."""
        return [batch for batch in self.all_batches() if batch.closed_s is None]

    def all_batches(self) -> list[Batch]:
        found = self._journal.query(f"SELECT {sql.BATCH_COLUMNS} FROM batch ORDER BY number")
        return [sql.batch_of(row) for row in found]

    def get(self, number: int) -> Batch:
        """The batch of that number. Raises BatchError, naming the open ones, when there is none."""
        for batch in self.all_batches():
            if batch.number == number:
                return batch
        there = ", ".join(f"{b.number} {b.plant}" for b in self.open_batches()[:12])
        raise BatchError(
            f"no batch {number} in the book; " + (f"open now: {there}" if there else "none is open")
        )

    def entries(self, number: int) -> list[Entry]:
        """Every entry of a batch as entered, corrections included, in the order entered."""
        found = self._journal.query(
            f"SELECT {sql.ENTRY_COLUMNS} FROM entry WHERE batch = ? ORDER BY number", (number,)
        )
        return [sql.entry_of(row) for row in found]

    # -- sticking -----------------------------------------------------------------------------

    def stick(
        self,
        plant: str,
        kind: str,
        bench: str,
        bay: str,
        count: int,
        stuck_s: float,
        *,
        recipe: Recipe,
        trays: str = "",
        details: Mapping[str, str] | None = None,
    ) -> Batch:
        """Open a batch; its recipe is copied and frozen.

        count: cuttings stuck.  stuck_s: UTC s.  details: all else recorded at sticking; those of
        `config.checklist` must be answers that it can read, and open ones are left out.
        """
        plant, trays = plant.strip(), trays.strip()
        check_name("plant", plant, needed=True)
        check_name("trays", trays)
        if kind != recipe.kind:
            raise BatchError(
                f"kind {kind!r} does not fit the recipe {recipe.name!r}, which is for {recipe.kind}"
            )
        self._check_bay(bench, bay)
        check_count("count", count, 1)
        self._check_date("stuck", stuck_s)
        if stuck_s < OLDEST_S:
            raise BatchError("stuck before the year 2000; check the date")
        known = {key: value for key, value in checked_answers(details or {}).items() if value}
        noted = json.dumps(known, ensure_ascii=False)
        frozen, digest = freeze(recipe)
        phase = recipe.phases[0].name
        stuck_ms = sql.ms_of(stuck_s)
        values = (
            plant, kind, bench, bay, trays, count, stuck_ms, frozen, digest, phase, stuck_ms, noted
        )  # fmt: skip
        with self._journal.changing() as conn:
            number = insert_batch(conn, values)
        return self.get(number)

    # -- entries ------------------------------------------------------------------------------

    def enter(
        self,
        batch: int,
        kind: str,
        values: Mapping[str, str],
        at_s: float,
        by: str,
        note: str = "",
        corrects: int = 0,
    ) -> Entry:
        """Add an entry.

        kind: EntryKind value.  values: `lost` and `cause`; `tested`, `rooted`, `callused`; `phase`
        (weaned, tested); `wilted` (looked, tested: yes or no); `potted` and `saleable`, each in
        addition to those before; answers of `config.checklist` and other details (checked),
        "unknown" to take one back.  at_s: when it happened, UTC s.
        corrects: number of an entry that this one replaces (kind "corrected"); without values it
        withdraws it.  Moving, splitting, merging and closing have methods of their own.
        """
        held = self.get(batch)
        kind = one_of("kind of entry", kind, tuple(EntryKind))
        if kind in (EntryKind.MOVED, EntryKind.MERGED, EntryKind.CLOSED):
            raise BatchError(f"a batch is {kind} by its own command, not by an entry")
        if held.merged_into and kind != EntryKind.CORRECTED:
            raise BatchError(f"batch {batch} goes on as batch {held.merged_into}; enter it there")
        if bool(corrects) != (kind == EntryKind.CORRECTED):
            raise BatchError("a correction names the entry it corrects, and only a correction does")
        if held.closed_s is not None and kind not in AFTER_CLOSING:
            raise BatchError(f"batch {batch} was closed; correct an entry, or stick a new batch")
        return self._add(held, kind, values, at_s, by, note, corrects)

    def _add(
        self,
        held: Batch,
        kind: str,
        values: Mapping[str, str],
        at_s: float,
        by: str,
        note: str,
        corrects: int = 0,
    ) -> Entry:
        answers = kind == EntryKind.CHECKED or self._is_checked(held.number, corrects)
        clean = checked_answers(values) if answers else checked_values(values)
        self._check_entry(held, at_s, by, note)
        now_ms = sql.ms_of(self._clock())
        with self._journal.changing() as conn:
            number = insert_entry(
                conn, held.number, at_s, now_ms, kind, by, clean, note, corrects
            )  # fmt: skip
            self._settle(conn, held)
        return next(entry for entry in self.entries(held.number) if entry.number == number)

    def _is_checked(self, batch: int, corrects: int) -> bool:
        """Whether an entry that is to be corrected holds answers."""
        first = {entry.number: entry for entry in self.entries(batch)} if corrects else {}
        while corrects in first and first[corrects].corrects:
            corrects = first[corrects].corrects
        return corrects in first and first[corrects].kind == EntryKind.CHECKED

    def _check_entry(self, held: Batch, at_s: float, by: str, note: str) -> None:
        self._check_date("the entry", at_s)
        if at_s < held.stuck_s:
            raise BatchError(f"batch {held.number} was stuck after that; check the date")
        check_name("by", by, needed=True)
        check_text("note", note)

    def _settle(self, conn: sqlite3.Connection, held: Batch) -> None:
        """Check the whole life of a batch, and bring its phase and place up to date."""
        found = conn.execute(
            f"SELECT {sql.ENTRY_COLUMNS} FROM entry WHERE batch = ? ORDER BY number", (held.number,)
        ).fetchall()
        every = [sql.entry_of(row) for row in found]
        check_corrections(every)
        now = standing.effective(every)
        recipe = thaw(held.recipe_json)
        count = conn.execute("SELECT count FROM batch WHERE number = ?", (held.number,)).fetchone()
        check_life(held._replace(cuttings=count[0]), now, tuple(p.name for p in recipe.phases))
        phase, since_s = standing.phase_at(held, now, recipe.phases[0].name)
        closed = [
            entry.at_s
            for entry in now
            if entry.kind == EntryKind.CLOSED
            or (entry.kind == EntryKind.MERGED and "into" in entry.values)
        ]
        closed_ms = sql.ms_of(closed[-1]) if closed else None
        place = standing.stays(held, now, float("inf"))[-1][0]
        bench, bay = place.split(".", 1)
        trays = [e.values["trays"] for e in now if e.kind in _PLACING and "trays" in e.values]
        conn.execute(
            "UPDATE batch SET phase = ?, phase_since_ms = ?, closed_ms = ?, bench = ?, bay = ?, "
            "trays = ? WHERE number = ?",
            (
                phase, sql.ms_of(since_s), closed_ms, bench, bay,
                trays[-1] if trays else held.trays, held.number,
            ),
        )  # fmt: skip

    # -- moving, splitting, merging, closing --------------------------------------------------

    def move(
        self,
        batch: int,
        bench: str,
        bay: str,
        at_s: float,
        by: str,
        trays: str = "",
        note: str = "",
    ) -> Batch:
        """Record that a batch went to another bay; its warmth follows it there."""
        held = self._open(batch)
        self._check_bay(bench, bay)
        check_name("trays", trays)
        before = standing.place_at(held, standing.effective(self.entries(batch)), at_s)
        values = {"from": before, "to": f"{bench}.{bay}"}
        if values["from"] == values["to"]:
            raise BatchError(f"batch {batch} stands in {values['to']} already")
        if trays:
            values["trays"] = trays
        self._add(held, EntryKind.MOVED, values, at_s, by, note)
        return self.get(batch)

    def split(
        self, batch: int, count: int, bench: str, bay: str, at_s: float, by: str, note: str = ""
    ) -> Batch:
        """Part `count` cuttings off into a batch of their own; gives that batch.

        It keeps the plant, the recipe, the date of sticking and the phase.
        """
        held = self._open(batch)
        self._check_bay(bench, bay)
        check_count("count", count, 1)
        self._check_entry(held, at_s, by, note)
        entered = standing.effective(self.entries(batch))
        left = standing.left(held, entered)
        if count >= left:
            raise BatchError(
                f"batch {batch} has {left} cuttings left; fewer than that can be split off (to "
                "take them all, move the batch)"
            )
        now_ms = sql.ms_of(self._clock())
        known = held._replace(details=standing.evidence(held, entered))
        with self._journal.changing() as conn:
            number = part_off(conn, known, entered, count, f"{bench}.{bay}", at_s, now_ms, by, note)
            self._settle(conn, held)
            self._settle(conn, held._replace(number=number, trays=""))
        return self.get(number)

    def merge(self, into: int, gone: int, at_s: float, by: str, note: str = "") -> Batch:
        """Let all that is left of batch `gone` go on in batch `into`; gives that one.

        Both are open and of one plant and kind. `gone` ends without a result: its own losses stay
        with it. What `into` was given before counts for all.
        """
        held, other = self._open(into), self._open(gone)
        if into == gone:
            raise BatchError("a batch can't be merged into itself")
        if (held.plant.strip().lower(), held.kind) != (other.plant.strip().lower(), other.kind):
            raise BatchError(
                f"batch {into} is {held.plant}, {held.kind}, and batch {gone} {other.plant}, "
                f"{other.kind}; only one plant and kind can be merged"
            )
        self._check_entry(held, at_s, by, note)
        self._check_entry(other, at_s, by, note)
        entries = standing.effective(self.entries(gone))
        later = [entry for entry in entries if entry.at_s > at_s]
        if later:
            raise BatchError(f"batch {gone} has entries of after that; check the date")
        count = standing.left(other, entries)
        if count < 1:
            raise BatchError(f"nothing is left of batch {gone}; close it")
        now_ms = sql.ms_of(self._clock())
        with self._journal.changing() as conn:
            join(conn, held, other, count, at_s, now_ms, by, note)
            self._settle(conn, held)
            self._settle(conn, other)
        return self.get(into)

    def close(
        self,
        batch: int,
        at_s: float,
        *,
        rooted: int,
        callused: int = 0,
        lost: Mapping[str, int] | None = None,
        lesson: str = "",
        by: str,
    ) -> Batch:
        """Close a batch with its outcome.

        rooted, callused: cuttings with roots, with callus only.  lost: those lost and not entered
        before, by cause (controller.entries.LOST_CAUSES).  lesson: in the grower's words.
        """
        held = self._open(batch)
        check_text("lesson", lesson)
        values = {"rooted": str(rooted), "callused": str(callused)}
        for cause, number in (lost or {}).items():
            values[f"lost_{one_of('cause of loss', cause, standing.LOST_CAUSES)}"] = str(number)
        self._add(held, EntryKind.CLOSED, values, at_s, by, lesson)
        return self.get(batch)

    # -- checks -------------------------------------------------------------------------------

    def _open(self, number: int) -> Batch:
        held = self.get(number)
        if held.closed_s is not None:
            if held.merged_into:
                raise BatchError(f"batch {number} goes on as batch {held.merged_into}; do it there")
            raise BatchError(f"batch {number} was closed already; correct its closing instead")
        return held

    def _check_bay(self, bench: str, bay: str) -> None:
        if self._site is None:
            check_name("bench", bench, needed=True)
            check_name("bay", bay, needed=True)
            return
        one_of("bench", bench, tuple(self._site.benches))
        one_of(f"bay of bench {bench}", bay, tuple(self._site.benches[bench].bays))

    def _check_date(self, what: str, at_s: float) -> None:
        now_s = self._clock()
        if not at_s <= now_s + DAY_S:
            raise BatchError(f"{what} lies more than a day in the future; check the date")
