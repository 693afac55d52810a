"""An older journal brought to this program's tables; a checked copy is kept beside it first."""

import contextlib
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

from filelock import Timeout
from sqlite_utils import Database, Migrations

from config.beside import stamped_beside
from controller.journal import schema
from controller.journal.copies import checked_copy, row_counts
from controller.journal.errors import JournalError, explained
from controller.journal.lock import keepers_lock, lock_path

SPARE_BYTES: Final = 16 * 1024 * 1024
LOCK_WAIT_S: Final = 5.0
"""Real seconds to wait for somebody else who is upgrading the same journal."""


class Upgrade(NamedTuple):
    """What was done. was, now: versions of the tables.  copy: the journal as it was."""

    was: str
    now: str
    copy: Path

    @property
    def words(self) -> str:
        return (
            f"upgraded from table version {self.was} to {self.now}; as it was before it is kept "
            f"as {self.copy.name}"
        )


def bring_up(
    db: Database, path: Path, *, keeper: bool, migrations: Migrations | None = None
) -> Upgrade | None:
    """Bring the journal `db`, the file at `path`, to this program's tables. None: nothing was old.

    keeper: the caller keeps the bench and holds its lock already.
    From the copy to the last migration nobody else can write; readers go on. All of it is done, or
    the journal is as it was.
    Raises JournalError, of the kind "older" where the upgrade itself failed.
    """
    steps = migrations or schema.MIGRATIONS
    if not steps.pending(db):
        return None
    if not steps.applied(db):
        schema.migrate(db, steps)
        return None
    with contextlib.nullcontext() if keeper else _nobody_keeps(path):
        return _upgraded(db, path, steps)


def copies_of(path: Path) -> list[Path]:
    """Copies that upgrades of the journal at `path` have kept, oldest first."""
    found = path.parent.glob(f"{path.name}.version-*")
    return sorted((one for one in found if one.suffix != ".part"), key=lambda p: p.stat().st_mtime)


def _upgraded(db: Database, path: Path, steps: Migrations) -> Upgrade | None:
    conn, copy = db.conn, None
    conn.execute("BEGIN IMMEDIATE")
    try:
        if not steps.pending(db):  # somebody else was quicker
            conn.execute("ROLLBACK")
            return None
        was = schema.version_of(db, steps)
        for left in path.parent.glob(f"{path.name}.version-*.part"):
            left.unlink()  # of a copy that a power cut ended
        _room_for_copy(path)
        name = _copy_name(path, was)
        checked_copy(path, name, row_counts(conn))
        copy = name
        steps.apply(db)
        now = schema.version_of(db, steps)
        conn.execute("COMMIT")
    except BaseException as error:
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        if copy is not None:
            with contextlib.suppress(sqlite3.Error, OSError):
                if steps.pending(db):  # the journal is what the copy is; tries must not pile up
                    copy.unlink()
        if isinstance(error, JournalError) or not isinstance(error, Exception):
            raise
        said = explained(error, path)
        if said.trouble in ("full", "locked", "read_only"):
            raise said from error
        raise JournalError(
            f"{path}: the upgrade to this version's tables failed, and the journal is as it was: "
            f"{error}; go back to the program you had, and tell who maintains it",
            "older",
        ) from error
    return Upgrade(was, now, copy)


@contextlib.contextmanager
def _nobody_keeps(path: Path) -> Iterator[None]:
    """The keeper's lock for as long. A program from before the update may still hold it."""
    if not lock_path(path).exists():
        # Never kept by anybody; one made by root would keep the keeper out.
        yield
        return
    lock = keepers_lock(path)
    try:
        lock.acquire(timeout=LOCK_WAIT_S)
    except Timeout:
        raise JournalError(
            f"{path}: this journal is older than the program. If Warmfoot has just been started it "
            "is being upgraded: wait a minute. Else the Warmfoot that keeps the bench is still the "
            "old one: start it anew (`systemctl restart warmfoot`, or Ctrl-C and `warmfoot run`)",
            "older",
        ) from None
    try:
        yield
    finally:
        lock.release()


def _room_for_copy(path: Path) -> None:
    """The copy needs the journal's size, and changing every row may need it once more."""
    parts = (path, path.with_name(path.name + "-wal"))
    wanted = 2 * sum(part.stat().st_size for part in parts if part.exists()) + SPARE_BYTES
    free = shutil.disk_usage(path.parent).free
    if free < wanted:
        raise JournalError(
            f"{path}: before an upgrade a copy of the journal is made beside it: "
            f"{wanted / 1e6:,.0f} MB are wanted, {free / 1e6:,.0f} MB are free; free some space, "
            "nothing was changed",
            "full",
        )


def _copy_name(path: Path, version: str) -> Path:
    """Not ending in .db, so that no command takes it for one of the journals to choose from."""
    return stamped_beside(path, f"version-{version}")
