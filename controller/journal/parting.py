"""Rows of batches and entries, and what parts a batch in two or makes two into one.

Every function here writes on an open transaction; who calls it has checked what it writes.
"""

import json
import sqlite3
from collections.abc import Mapping, Sequence

from controller import entries as standing
from controller.journal import rows as sql
from controller.journal.errors import BatchError
from controller.records import Batch, Entry, EntryKind


def insert_batch(conn: sqlite3.Connection, values: Sequence[object]) -> int:
    """Give a batch its number. values: as the columns below, in their order."""
    cursor = conn.execute(
        "INSERT INTO batch (plant, kind, bench, bay, trays, count, stuck_ms, recipe_json, "
        "recipe_hash, phase, phase_since_ms, details) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        values,
    )
    return int(cursor.lastrowid or 0)


def insert_entry(
    conn: sqlite3.Connection,
    batch: int,
    at_s: float,
    now_ms: int,
    kind: str,
    by: str,
    values: Mapping[str, str],
    note: str,
    corrects: int = 0,
) -> int:
    """Give an entry its number. Raises BatchError for a correction of another batch's entry."""
    text = json.dumps(values, ensure_ascii=False)
    if corrects:
        mine = conn.execute("SELECT batch FROM entry WHERE number = ?", (corrects,)).fetchone()
        if mine is None or mine[0] != batch:
            raise BatchError(f"batch {batch} has no entry {corrects} to correct")
    cursor = conn.execute(
        "INSERT INTO entry (batch, at_ms, entered_ms, kind, by, entered, note, corrects) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (batch, sql.ms_of(at_s), now_ms, kind, by, text, note, corrects or None),
    )
    return int(cursor.lastrowid or 0)


def part_off(
    conn: sqlite3.Connection,
    held: Batch,
    entries: Sequence[Entry],
    count: int,
    place: str,
    at_s: float,
    now_ms: int,
    by: str,
    note: str,
) -> int:
    """Part `count` cuttings off into a batch of their own at `place`, and give its number.

    It keeps the plant, the recipe, the date of sticking and the phases lived through. entries:
    those of `held` that stand.
    """
    details = json.dumps({**held.details, "split_from": str(held.number)}, ensure_ascii=False)
    values = (
        held.plant, held.kind, held.bench, held.bay, "", count, sql.ms_of(held.stuck_s),
        held.recipe_json, held.recipe_hash, held.phase, sql.ms_of(held.phase_since_s), details,
    )  # fmt: skip
    number = insert_batch(conn, values)
    part = {"count": str(count), "split_to": str(number)}
    insert_entry(conn, held.number, at_s, now_ms, EntryKind.MOVED, by, part, note)
    conn.execute("UPDATE batch SET count = count - ? WHERE number = ?", (count, held.number))
    before = standing.place_at(held, entries, at_s)
    away = {"from": before, "to": place, "split_from": str(held.number)}
    insert_entry(conn, number, at_s, now_ms, EntryKind.MOVED, by, away, note)
    for entry in entries:
        phase = standing.step_of(entry)
        if phase:
            same = {"phase": phase}
            insert_entry(conn, number, entry.at_s, now_ms, EntryKind.WEANED, by, same, entry.note)
    return number


def join(
    conn: sqlite3.Connection,
    held: Batch,
    other: Batch,
    count: int,
    at_s: float,
    now_ms: int,
    by: str,
    note: str,
) -> None:
    """Let `count` cuttings, all that `other` has left, go on in the batch `held`."""
    came = {"from": str(other.number), "count": str(count)}
    if other.trays:
        came["trays"] = ", ".join(part for part in (held.trays, other.trays) if part)[:200]
    insert_entry(conn, held.number, at_s, now_ms, EntryKind.MERGED, by, came, note)
    went = {"into": str(held.number), "count": str(count)}
    insert_entry(conn, other.number, at_s, now_ms, EntryKind.MERGED, by, went, note)
    conn.execute("UPDATE batch SET count = count + ? WHERE number = ?", (count, held.number))
