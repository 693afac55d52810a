"""A damaged journal: put aside, kept, and what can be read of its batches carried over."""

import contextlib
import sqlite3
from pathlib import Path

from config.beside import stamped_beside
from controller.journal.standing import parts_of

_CARRIED = (
    "settings", "batch", "entry", "state", "wire_check", "wire_step", "calibration",
)  # fmt: skip


def is_damaged(path: Path) -> bool:
    """True for an existing file that is empty, not a database, or fails SQLite's quick check."""
    if not path.exists():
        return False
    if path.stat().st_size == 0:
        return True
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=5.0)) as conn:
            answer = conn.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return bool(answer is None or answer[0] != "ok")


def set_aside(path: Path) -> Path:
    """Rename the file, with its -wal and -shm, to NAME.broken-UTC; gives the new path."""
    kept = stamped_beside(path, "broken")
    for part, aside in zip(parts_of(path), parts_of(kept), strict=True):
        if part.exists():
            part.rename(aside)
    return kept


def carry_over(broken: Path, fresh: sqlite3.Connection) -> dict[str, int | None]:
    """Copy bench files, batches, entries and the saved state that can still be read.

    Without the open batches the bench would rest, and cuttings would grow cold.
    Gives rows copied per table, None for a table that could not be read to its end.
    """
    copied: dict[str, int | None] = {}
    try:
        old = sqlite3.connect(f"{broken.as_uri()}?mode=ro", uri=True)
    except sqlite3.Error:
        return dict.fromkeys(_CARRIED)
    with contextlib.closing(old):
        for table in _CARRIED:
            copied[table] = _copy(old, fresh, table)
    return copied


def _copy(old: sqlite3.Connection, fresh: sqlite3.Connection, table: str) -> int | None:
    count = 0
    try:
        cursor = old.execute(f"SELECT * FROM {table}")
        columns = ", ".join(column[0] for column in cursor.description)
        marks = ", ".join("?" * len(cursor.description))
        for row in cursor:
            fresh.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)
            count += 1
    except (sqlite3.Error, UnicodeDecodeError):
        return None
    return count
