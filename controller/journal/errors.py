"""Errors of the journal, in the words of someone who can put them right.

JournalError            the file can't be opened, read or written
|- RowRefused           one row holds something that no journal can keep
'- BatchError           what was asked of a batch can't be done; nothing was changed
"""

import sqlite3
from pathlib import Path
from typing import Literal

Trouble = Literal["locked", "read_only", "full", "broken", "newer", "older", "refused", "other"]


class JournalError(OSError):
    """The journal can't be used. trouble: what kind of thing is in the way."""

    def __init__(self, text: str, trouble: Trouble = "other") -> None:
        super().__init__(text)
        self.trouble = trouble


class RowRefused(JournalError, ValueError):
    """A row that is not finite, not in range, or not text; the rest of its lot is sound."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "refused")


class BatchError(JournalError, ValueError):
    """A batch or entry was not accepted; nothing was changed."""

    def __init__(self, text: str) -> None:
        super().__init__(text, "refused")


_TEXTS: dict[Trouble, str] = {
    "locked": "another program holds the journal and did not let go for {wait} s; "
    "close what else has this file open",
    "read_only": "the journal can't be written; check who owns the file and its folder, and that "
    "the disk is not mounted read-only",
    "full": "the disk is full; free some space, records are taken up again by themselves",
    "broken": "this file is damaged or not a database; move it away, keep it, and restore the last "
    "backup or start afresh",
}

_TROUBLES: dict[int, Trouble] = {
    sqlite3.SQLITE_BUSY: "locked",
    sqlite3.SQLITE_LOCKED: "locked",
    sqlite3.SQLITE_READONLY: "read_only",
    sqlite3.SQLITE_PERM: "read_only",
    sqlite3.SQLITE_FULL: "full",
    sqlite3.SQLITE_CORRUPT: "broken",
    sqlite3.SQLITE_NOTADB: "broken",
}


def explained(error: Exception, path: Path, wait_s: float = 5.0) -> JournalError:
    """The JournalError for an error of SQLite on the file at `path`."""
    if isinstance(error, JournalError):
        return error
    if isinstance(error, OSError):
        return JournalError(
            f"{path}: {error.strerror or error}; {path.parent} must be a folder in which the user "
            "that runs Warmfoot may write, or another path stand under [journal]"
        )
    code = getattr(error, "sqlite_errorcode", 0) or 0
    trouble = _TROUBLES.get(code & 0xFF, "other")
    if trouble in _TEXTS:
        return JournalError(f"{path}: {_TEXTS[trouble].format(wait=f'{wait_s:g}')}", trouble)
    if path.is_dir():
        return JournalError(f"{path}: this is a folder; give the name of a file under [journal]")
    if code & 0xFF == sqlite3.SQLITE_CANTOPEN:
        return JournalError(
            f"{path}: the file can't be opened; check that its folder exists and may be written"
        )
    if code & 0xFF == sqlite3.SQLITE_CONSTRAINT:
        return RowRefused(f"{path}: a record was refused: {error}")
    return JournalError(f"{path}: the journal failed: {error}")
