"""A copy of a journal, in use or not, that is whole and checked, or not there at all."""

import contextlib
import os
import sqlite3
from pathlib import Path

from controller.journal.errors import JournalError, explained

Counts = dict[str, int]


def checked_copy(path: Path, to: Path, counts: Counts | None = None) -> None:
    """Copy the database at `path` to the new file `to`, and check the copy.

    Made under another name first, so that `to` is either whole or not there.
    counts: rows that each table must have in the copy, for a caller who keeps writers out; the
    check is then SQLite's long one.
    Raises JournalError when the copy can't be made or is not sound.
    """
    part = to.with_name(to.name + ".part")
    uri = f"{path.absolute().as_uri()}?mode=ro"
    try:
        part.unlink(missing_ok=True)
        with (
            contextlib.closing(sqlite3.connect(uri, uri=True)) as old,
            contextlib.closing(sqlite3.connect(part)) as copy,
        ):
            old.backup(copy, pages=1000)
            copy.execute("PRAGMA journal_mode = DELETE").fetchall()
            check = "quick_check" if counts is None else "integrity_check"
            answer = _checked(copy, check)
            if answer != "ok":
                raise JournalError(
                    f"{to}: the copy is not sound ({answer}), so {path} itself is damaged; no copy "
                    "was kept. Keep that file, and go back to an older copy if it gets worse",
                    "broken",
                )
            if counts is not None and (found := row_counts(copy)) != counts:
                raise JournalError(f"{to}: the copy has {found} rows, not {counts}", "broken")
        _same_owner(path, part)
        part.rename(to)
        _settle(to.parent)
    except (sqlite3.Error, OSError) as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise explained(error, to) from error


def _checked(copy: sqlite3.Connection, check: str) -> str:
    """What SQLite's check says, "ok" or the first fault; it gives up where a table has no start."""
    try:
        return str(copy.execute(f"PRAGMA {check}").fetchone()[0])
    except sqlite3.OperationalError:  # a full disk, a lock: no word about the copy
        raise
    except sqlite3.DatabaseError as error:
        return str(error)


def row_counts(conn: sqlite3.Connection) -> Counts:
    """Rows of every table."""
    names = conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
    return {
        name: conn.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]
        for (name,) in names.fetchall()
    }


def _same_owner(path: Path, copy: Path) -> None:
    """Let those have the copy who have the journal, also when it is made by root."""
    held = path.stat()
    copy.chmod(held.st_mode & 0o7777)
    with contextlib.suppress(PermissionError):
        os.chown(copy, held.st_uid, held.st_gid)


def _settle(folder: Path) -> None:
    """Let a new name in `folder` survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
