"""The journal's tables, from version 1 on, and the settings every connection gets.

Readings are whole thousandths of their unit; instants are whole milliseconds, minutes whole
seconds, all UTC since 1970. To change the tables: add a migration below, and never edit one that
was released.
"""

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Final

from sqlite_utils import Database, Migrations

from controller.journal.errors import JournalError

APPLICATION_ID: Final = 0x57466A31
"""Marks the file as a journal of this program (SQLite's application_id)."""
BUSY_S: Final = 5.0
"""Wait for another writer: that of the program that keeps the bench, whose watchdog looks on."""
PERSON_BUSY_S: Final = 20.0
"""That of any other: a commit on a worn card takes eight seconds, and what a person enters must not
be refused for it."""
WAL_KEPT_BYTES: Final = 8 * 1024 * 1024

MIGRATIONS = Migrations("warmfoot")

_VERSION_1 = (
    """CREATE TABLE settings (
        hash TEXT PRIMARY KEY CHECK (length(hash) = 64),
        text TEXT NOT NULL,
        at_ms INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE run (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        boot TEXT NOT NULL,
        started_ms INTEGER NOT NULL,
        trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
        version TEXT NOT NULL,
        settings TEXT NOT NULL REFERENCES settings(hash),
        durable INTEGER NOT NULL CHECK (durable IN (0, 1)),
        stopped_ms INTEGER,
        reason TEXT,
        CHECK ((stopped_ms IS NULL) = (reason IS NULL))
    ) STRICT""",
    """CREATE TABLE probe (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        kind TEXT NOT NULL,
        unit TEXT NOT NULL,
        UNIQUE (name, kind)
    ) STRICT""",
    """CREATE TABLE relay (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT""",
    """CREATE TABLE minute (
        t INTEGER NOT NULL,
        probe INTEGER NOT NULL REFERENCES probe(id),
        mean INTEGER,
        low INTEGER,
        high INTEGER,
        n INTEGER NOT NULL,
        flag INTEGER NOT NULL CHECK (flag BETWEEN 0 AND 9),
        run INTEGER NOT NULL REFERENCES run(id),
        CHECK ((n > 0 AND mean IS NOT NULL AND low <= mean AND mean <= high)
            OR (n = 0 AND mean IS NULL AND low IS NULL AND high IS NULL)),
        PRIMARY KEY (t, probe)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE hour (
        t INTEGER NOT NULL CHECK (t % 3600 = 0),
        probe INTEGER NOT NULL REFERENCES probe(id),
        mean INTEGER,
        low INTEGER,
        high INTEGER,
        n INTEGER NOT NULL,
        minutes INTEGER NOT NULL CHECK (minutes >= 0),
        flag INTEGER NOT NULL CHECK (flag BETWEEN 0 AND 9),
        CHECK ((n > 0 AND mean IS NOT NULL AND low <= mean AND mean <= high)
            OR (n = 0 AND mean IS NULL AND low IS NULL AND high IS NULL)),
        PRIMARY KEY (t, probe)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE relay_minute (
        t INTEGER NOT NULL,
        relay INTEGER NOT NULL REFERENCES relay(id),
        on_ms INTEGER NOT NULL CHECK (on_ms >= 0),
        starts INTEGER NOT NULL CHECK (starts >= 0),
        run INTEGER NOT NULL REFERENCES run(id),
        PRIMARY KEY (t, relay)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE relay_hour (
        t INTEGER NOT NULL CHECK (t % 3600 = 0),
        relay INTEGER NOT NULL REFERENCES relay(id),
        on_ms INTEGER NOT NULL CHECK (on_ms >= 0),
        starts INTEGER NOT NULL CHECK (starts >= 0),
        PRIMARY KEY (t, relay)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE decision (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        place TEXT NOT NULL,
        code TEXT NOT NULL,
        text TEXT NOT NULL,
        mode TEXT NOT NULL,
        value INTEGER,
        run INTEGER NOT NULL REFERENCES run(id)
    ) STRICT""",
    "CREATE INDEX decision_place ON decision (place, id)",
    "CREATE INDEX decision_at ON decision (at_ms)",
    """CREATE TABLE alarm_change (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        alarm TEXT NOT NULL,
        place TEXT NOT NULL,
        was TEXT NOT NULL,
        state TEXT NOT NULL,
        priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 9),
        text TEXT NOT NULL,
        by TEXT NOT NULL,
        note TEXT NOT NULL,
        run INTEGER NOT NULL REFERENCES run(id)
    ) STRICT""",
    "CREATE INDEX alarm_change_at ON alarm_change (at_ms)",
    """CREATE TABLE act (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        place TEXT NOT NULL,
        by TEXT NOT NULL,
        alarm TEXT NOT NULL,
        span_ms INTEGER NOT NULL CHECK (span_ms >= 0),
        value TEXT NOT NULL,
        note TEXT NOT NULL,
        status TEXT NOT NULL CHECK (status IN ('asked', 'done', 'refused')),
        answer TEXT,
        answered_ms INTEGER,
        run INTEGER REFERENCES run(id),
        CHECK ((status = 'asked') = (answered_ms IS NULL))
    ) STRICT""",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        place TEXT NOT NULL,
        text TEXT NOT NULL,
        run INTEGER REFERENCES run(id)
    ) STRICT""",
    "CREATE INDEX event_at ON event (at_ms)",
    """CREATE TABLE state (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        at_ms INTEGER NOT NULL,
        json TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE batch (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        plant TEXT NOT NULL,
        kind TEXT NOT NULL,
        bench TEXT NOT NULL,
        bay TEXT NOT NULL,
        trays TEXT NOT NULL,
        count INTEGER NOT NULL CHECK (count > 0),
        stuck_ms INTEGER NOT NULL,
        recipe_json TEXT NOT NULL,
        recipe_hash TEXT NOT NULL CHECK (length(recipe_hash) = 64),
        phase TEXT NOT NULL,
        phase_since_ms INTEGER NOT NULL,
        closed_ms INTEGER,
        details TEXT NOT NULL,
        CHECK (closed_ms IS NULL OR closed_ms >= stuck_ms)
    ) STRICT""",
    """CREATE TABLE entry (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        batch INTEGER NOT NULL REFERENCES batch(number),
        at_ms INTEGER NOT NULL,
        entered_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        by TEXT NOT NULL,
        entered TEXT NOT NULL,
        note TEXT NOT NULL,
        corrects INTEGER REFERENCES entry(number)
    ) STRICT""",
    "CREATE INDEX entry_batch ON entry (batch, number)",
    """CREATE TABLE time_fix (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        boot TEXT NOT NULL,
        from_ms INTEGER NOT NULL,
        to_ms INTEGER NOT NULL,
        offset_ms INTEGER NOT NULL
    ) STRICT""",
    *(
        f"CREATE TRIGGER {table}_{verb}_refused BEFORE {verb.upper()} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} rows are never changed; enter a correction'); END"
        for table in ("entry", "time_fix")
        for verb in ("update", "delete")
    ),
    "CREATE TRIGGER batch_delete_refused BEFORE DELETE ON batch "
    "BEGIN SELECT RAISE(ABORT, 'a batch is closed, never deleted'); END",
    "CREATE TRIGGER batch_frozen BEFORE UPDATE OF number, plant, kind, stuck_ms, recipe_json, "
    "recipe_hash, details ON batch "
    "BEGIN SELECT RAISE(ABORT, 'what was recorded at sticking is frozen'); END",
)


_VERSION_2 = (
    """CREATE TABLE wire_check (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        began_ms INTEGER NOT NULL,
        ended_ms INTEGER NOT NULL,
        by TEXT NOT NULL,
        file TEXT NOT NULL,
        ending TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE wire_step (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        wire_check INTEGER NOT NULL REFERENCES wire_check(id),
        at_ms INTEGER NOT NULL,
        step TEXT NOT NULL,
        place TEXT NOT NULL,
        seen TEXT NOT NULL,
        verdict TEXT NOT NULL CHECK (verdict IN ('good', 'fault', 'unsure', 'skipped'))
    ) STRICT""",
    """CREATE TABLE calibration (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        at_ms INTEGER NOT NULL,
        probe TEXT NOT NULL,
        unit TEXT NOT NULL,
        by TEXT NOT NULL,
        held TEXT NOT NULL,
        was_gain REAL NOT NULL,
        was_offset REAL NOT NULL,
        gain REAL NOT NULL,
        offset REAL NOT NULL,
        u REAL NOT NULL,
        outcome TEXT NOT NULL CHECK (outcome IN ('written', 'told', 'as it was', 'refused')),
        note TEXT NOT NULL
    ) STRICT""",
    *(
        f"CREATE TRIGGER {table}_{verb}_refused BEFORE {verb.upper()} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} rows are never changed; do it again'); END"
        for table in ("wire_check", "wire_step", "calibration")
        for verb in ("update", "delete")
    ),
)


@MIGRATIONS(name="1")
def _first(db: Database) -> None:
    for statement in _VERSION_1:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")


@MIGRATIONS(name="2")
def _checks_and_calibrations(db: Database) -> None:
    for statement in _VERSION_2:
        db.execute(statement)


def make_file(path: Path) -> None:
    """An empty file, if there is none, that its group may write as far as the umask allows.

    SQLite by itself lets nobody but the owner. It will say what stands in the way.
    """
    with contextlib.suppress(OSError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o664))


def connect(path: Path, *, durable: bool, busy_s: float = BUSY_S) -> Database:
    """A connection that may write, with every setting made and read back.

    durable: each commit survives a power cut (synchronous=FULL); else NORMAL.
    Raises sqlite3.Error, and JournalError for a setting that SQLite did not take, for another
    program's database and for one of a newer Warmfoot; neither of these is changed.
    """
    make_file(path)
    conn = sqlite3.connect(path, timeout=busy_s, check_same_thread=False)
    try:
        db = Database(conn)
        check_version(db, path)
        conn.execute("PRAGMA auto_vacuum = INCREMENTAL")
        settings = {
            "journal_mode": ("WAL", "wal"),
            "synchronous": ("FULL", 2) if durable else ("NORMAL", 1),
            "foreign_keys": ("ON", 1),
            "busy_timeout": (int(busy_s * 1000), int(busy_s * 1000)),
            "journal_size_limit": (WAL_KEPT_BYTES, WAL_KEPT_BYTES),
        }
        for name, (wanted, expected) in settings.items():
            conn.execute(f"PRAGMA {name} = {wanted}").fetchall()
            got = conn.execute(f"PRAGMA {name}").fetchone()[0]
            if got != expected:
                raise JournalError(
                    f"{path}: SQLite set {name} to {got!r} where {wanted} was asked for; the "
                    "journal must lie on a local disk, not on a network share"
                )
    except BaseException:
        conn.close()
        raise
    return db


def newest() -> str:
    """Version of the tables that this program makes."""
    with contextlib.closing(Database(memory=True)) as empty:
        return MIGRATIONS.pending(empty)[-1].name


def version_of(db: Database, migrations: Migrations | None = None) -> str:
    """Version of the tables in `db`: name of the last migration made; "" for an empty file."""
    applied = (migrations or MIGRATIONS).applied(db)
    return applied[-1].name if applied else ""


def migrate(db: Database, migrations: Migrations) -> None:
    """Bring the tables to this program's version; all of it or nothing. Raises sqlite3.Error."""
    if not migrations.pending(db):
        return
    conn = db.conn
    conn.execute("BEGIN IMMEDIATE")
    try:
        migrations.apply(db)
        conn.execute("COMMIT")
    except BaseException:
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        raise


def check_version(db: Database, path: Path, *, older: bool = True) -> None:
    """Raise JournalError unless this program can read the file's tables.

    older: tables that are still to be upgraded are no error.
    """
    applied = {migration.name for migration in MIGRATIONS.applied(db)}
    empty = Database(memory=True)
    known = [migration.name for migration in MIGRATIONS.pending(empty)]
    empty.close()
    if unknown := applied - set(known):
        raise JournalError(
            f"{path}: this journal was written by a newer Warmfoot (table versions "
            f"{', '.join(sorted(unknown))} are not known here); update the program",
            "newer",
        )
    if not applied and db.table_names():
        raise JournalError(
            f"{path}: a database, but not a Warmfoot journal (it has tables "
            f"{', '.join(sorted(db.table_names())[:4])}); give another path"
        )
    if applied and not older and MIGRATIONS.pending(db):
        raise JournalError(
            f"{path}: this journal is of an older Warmfoot (table version {version_of(db)}, wanted "
            f"is {known[-1]}); `warmfoot upgrade` brings it up and keeps it as it was beside it, "
            "and so does each start of `warmfoot run`; where that has just begun, wait a minute",
            "older",
        )
