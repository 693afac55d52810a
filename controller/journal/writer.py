"""The journal, open for writing: every lot of rows is one transaction."""

import contextlib
import sqlite3
import time
from collections.abc import Iterator, Sequence
from math import inf
from pathlib import Path
from typing import Any, Final, Self

from sqlite_utils import Database

from config.model import Site
from controller.journal import rows as sql
from controller.journal import runs, salvage, schema, upgrade
from controller.journal.errors import JournalError, RowRefused, explained
from controller.journal.names import register
from controller.journal.rows import RunStart, RunStop, TimeFix
from controller.journal.standing import Standing
from controller.records import (
    Act,
    ActRow,
    AlarmRow,
    Batch,
    EventRow,
    MinuteRow,
    ReasonRow,
    RelayRow,
    Row,
    StateRow,
)
from controller.scaled import minute_milli
from sensors.clock import Now

Recordable = Row | RunStart | RunStop | TimeFix


TAKEN_AGAIN_S: Final = 3600.0
"""Real seconds in which another file is put aside once only: two programs that each write out their
own would otherwise fill the disk with copies."""


class _Rehearsed(Exception):
    """Ends a transaction that was only a trial."""


class Journal:
    """One journal file. Not for two threads at once; a thread may hand it to another.

    `open` makes one.  opened: False while the file could not be opened (one made by `closed`); the
    next `write` tries again.  set_aside: where a damaged file was kept, if one was found.
    upgraded: what was done to an older journal, if it was one when it was opened.
    """

    def __init__(self, path: Path, site: Site | None, durable: bool, keeper: bool) -> None:
        self.path = path
        self.durable = durable
        self.set_aside: Path | None = None
        self.upgraded: upgrade.Upgrade | None = None
        self.run = 0
        self._site = site
        self._keeper = keeper
        self._db: Database | None = None
        self._standing: Standing | None = None
        self._taken_s = -inf
        self._run_start: RunStart | None = None
        self._probes: dict[str, int] = {}
        self._relays: dict[str, int] = {}
        self._own_changes = 0

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        site: Site | None = None,
        durable: bool = True,
        now: Now | None = None,
    ) -> Self:
        """Open the journal at `path`, making it if there is none and upgrading an older one.

        site: gives probes their kinds and units.  durable: each commit survives a power cut; False
        (for rehearsals) is said in the run's record.  now: only from the one program that keeps
        the bench; a damaged file is then put aside, kept, and a new one begun, and `now` stamps the
        event that says so.
        Raises JournalError when the file is locked, read-only, on a full disk, damaged (without
        `now`), another program's, or of a newer Warmfoot.
        """
        journal = cls(Path(path), site, durable, keeper=now is not None)
        journal.reopen(now.utc_s if now else 0.0)
        return journal

    @classmethod
    def closed(cls, path: Path, *, site: Site | None = None, durable: bool = True) -> Self:
        """The journal of the program that keeps the bench, not open yet; each write tries to."""
        return cls(path, site, durable, keeper=True)

    @property
    def opened(self) -> bool:
        return self._db is not None

    def reopen(self, at_s: float = 0.0) -> None:
        """Open the file anew; a run that was begun goes on. at_s: UTC s, stamps a rescue.

        Raises JournalError.
        """
        self._let_go()
        kept: Path | None = None
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            if self._keeper and salvage.is_damaged(self.path):
                kept = salvage.set_aside(self.path)
            busy_s = schema.BUSY_S if self._keeper else schema.PERSON_BUSY_S
            db = schema.connect(self.path, durable=self.durable, busy_s=busy_s)
            try:
                self.upgraded = upgrade.bring_up(db, self.path, keeper=self._keeper)
                self._db = db
                if self.upgraded is not None:
                    self._tell("journal_upgraded", self.upgraded.words, at_s or time.time())
                if kept is not None:
                    self._tell_rescue(kept, at_s)
                with self._transaction() as conn:
                    self._probes, self._relays = register(conn, self._site)
                    self._resume(conn)
            except BaseException:
                self._db = None
                db.close()
                raise
            self._standing = Standing(self.path)
        except (sqlite3.Error, OSError) as error:
            raise explained(error, self.path) from error

    def _tell_rescue(self, kept: Path, at_s: float) -> None:
        self.set_aside = kept
        with self._transaction() as conn:
            copied = salvage.carry_over(kept, conn)
            said = ", ".join(
                f"{table}: {'not all readable' if count is None else count}"
                for table, count in copied.items()
            )
            text = f"the journal was damaged; it is kept as {kept.name}; carried over: {said}"
            conn.execute(sql.PUT_EVENT, (sql.ms_of(at_s), "journal_rescued", "site", text, None))

    def _tell(self, kind: str, text: str, at_s: float) -> None:
        with self._transaction() as conn:
            conn.execute(sql.PUT_EVENT, (sql.ms_of(at_s), kind, "site", text, None))

    def _resume(self, conn: sqlite3.Connection) -> None:
        """Take up the present run in this file, which may be a new one."""
        start = self._run_start
        if start is None:
            return
        found = conn.execute(
            "SELECT id FROM run WHERE id = ? AND boot = ? AND started_ms = ?",
            (self.run, start.boot_id, sql.ms_of(start.now.utc_s)),
        ).fetchone()
        self.run = found[0] if found else runs.begin(conn, start, self.durable)

    # -- writing ------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing. Raises JournalError; what this object remembers goes back too."""
        if self._db is None:
            self.reopen()
        assert self._db is not None
        conn = self._db.conn
        before = (self.run, self._run_start, dict(self._probes), dict(self._relays))
        try:
            conn.execute("BEGIN IMMEDIATE")
            yield conn
            conn.execute("COMMIT")
        except BaseException as error:
            self.run, self._run_start, self._probes, self._relays = before
            with contextlib.suppress(sqlite3.Error):
                if conn.in_transaction:
                    conn.execute("ROLLBACK")
            if isinstance(error, sqlite3.Error):
                raise explained(error, self.path) from error
            raise

    def write(self, rows: Sequence[Recordable]) -> None:
        """Write all of `rows`, or none of them.

        A minute that is there already is merged with the new one by its samples.
        Raises RowRefused for a row that can't be kept, JournalError for anything else.
        """
        if not rows:
            return
        minutes: list[sql.Values] = []
        with self._transaction() as conn:
            run, probes = self.run, self._probes
            for row in rows:
                kind = type(row)
                if kind is MinuteRow:
                    probe = probes.get(row.probe)  # type: ignore[union-attr]
                    if probe is None:
                        probe = self._add_probe(conn, row.probe)  # type: ignore[union-attr]
                    minutes.append(_minute_values(row, probe, run))  # type: ignore[arg-type]
                elif kind is RelayRow:
                    self._write_relay(conn, row)  # type: ignore[arg-type]
                elif kind is RunStart or kind is RunStop or kind is TimeFix:
                    self._write_minutes(conn, minutes)
                    minutes = []
                    self._turn(conn, row)
                    run = self.run
                else:
                    self._write_other(conn, row)
            self._write_minutes(conn, minutes)

    def rehearse(self, row: Recordable) -> None:
        """Raise RowRefused if `row` could not be kept; nothing is written. Raises JournalError."""
        with contextlib.suppress(_Rehearsed), self._transaction() as conn:
            if isinstance(row, MinuteRow):
                probe = self._probes.get(row.probe) or self._add_probe(conn, row.probe)
                self._write_minutes(conn, [_minute_values(row, probe, self.run)])
            elif isinstance(row, RelayRow):
                self._write_relay(conn, row)
            elif not isinstance(row, RunStart | RunStop | TimeFix):
                self._write_other(conn, row)
            raise _Rehearsed

    def _write_minutes(self, conn: sqlite3.Connection, minutes: list[sql.Values]) -> None:
        if minutes:
            self._need_run()
            conn.executemany(sql.PUT_MINUTE, minutes)

    def _need_run(self) -> None:
        if not self.run:
            raise JournalError(f"{self.path}: these rows belong to a run; begin one first")

    def _write_relay(self, conn: sqlite3.Connection, row: RelayRow) -> None:
        self._need_run()
        relay = self._relays.get(row.relay)
        if relay is None:
            cursor = conn.execute("INSERT INTO relay (name) VALUES (?)", (sql.text_of(row.relay),))
            relay = self._relays[row.relay] = int(cursor.lastrowid or 0)
        values = (row.t_s, relay, sql.ms_of(row.on_s), row.starts, self.run)
        conn.execute(sql.PUT_RELAY, values)

    def _write_other(self, conn: sqlite3.Connection, row: Recordable) -> None:
        run = self.run or None
        if isinstance(row, ReasonRow | AlarmRow):
            self._need_run()
        if isinstance(row, ReasonRow):
            conn.execute(sql.PUT_REASON, sql.reason_values(row, self.run))
        elif isinstance(row, AlarmRow):
            conn.execute(sql.PUT_ALARM, sql.alarm_values(row, self.run))
        elif isinstance(row, EventRow):
            conn.execute(sql.PUT_EVENT, sql.event_values(row, run))
        elif isinstance(row, StateRow):
            conn.execute(sql.PUT_STATE, (sql.ms_of(row.at_s), row.json))
        elif isinstance(row, ActRow):
            self._write_act(conn, row, run)
        else:
            raise RowRefused(f"{type(row).__name__} is not a record of the journal")

    def _write_act(self, conn: sqlite3.Connection, row: ActRow, run: int | None) -> None:
        done, at_ms = row.done, sql.ms_of(row.at_s)
        if done.act.number:
            status = "done" if done.done else "refused"
            values = (status, sql.text_of(done.text), at_ms, run, done.act.number)
            if conn.execute(sql.ANSWER_ACT, values).rowcount:
                return
        conn.execute(sql.PUT_ACT, sql.act_values(done, done.act, at_ms, run))

    def _add_probe(self, conn: sqlite3.Connection, name: str) -> int:
        """A probe that the site does not name: kept, with its kind and unit unknown."""
        cursor = conn.execute(
            "INSERT INTO probe (name, kind, unit) VALUES (?, '', '')", (sql.text_of(name),)
        )
        number = self._probes[name] = int(cursor.lastrowid or 0)
        return number

    # -- runs and time ------------------------------------------------------------------------

    def _turn(self, conn: sqlite3.Connection, row: Any) -> None:
        if isinstance(row, RunStart):
            self.run = runs.begin(conn, row, self.durable)
            self._run_start = row
        elif isinstance(row, RunStop):
            conn.execute(
                "UPDATE run SET stopped_ms = ?, reason = ? WHERE id = ? AND stopped_ms IS NULL",
                (sql.ms_of(row.now.utc_s), sql.text_of(row.reason), self.run),
            )
        else:
            runs.fix_time(conn, row, self.run)

    def begin_run(
        self,
        now: Now,
        *,
        version: str,
        site_text: str,
        boot_id: str,
    ) -> int:
        """Record a start of the controller; runs that never stopped are closed as such.

        Acts still waiting from before are refused: nobody should get yesterday's burst.
        Gives the run's number.  On a journal not yet open, the run is begun when it opens, and 0
        is given.  Raises JournalError.
        """
        start = RunStart(now, version, site_text, boot_id)
        if not self.opened:
            self._run_start = start
            return 0
        self.write([start])
        return self.run

    def end_run(self, now: Now, reason: str) -> None:
        """Record an orderly end. Raises JournalError."""
        self.write([RunStop(now, reason)])

    # -- reading back -------------------------------------------------------------------------

    def _query(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        if self._db is None:
            return []
        try:
            return self._db.conn.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            raise explained(error, self.path) from error

    def last_state(self) -> StateRow | None:
        """The controller's state as last saved, or None. Raises JournalError."""
        found = self._query("SELECT at_ms, json FROM state")
        return StateRow(found[0][0] / 1000, found[0][1]) if found else None

    def last_seen_s(self) -> float | None:
        """When the controller last wrote a minute or its state, UTC s. Raises JournalError."""
        found = self._query(
            "SELECT max((SELECT coalesce(max(at_ms), 0) FROM state), "
            "(SELECT coalesce(max(t) * 1000, 0) FROM minute))"
        )
        return found[0][0] / 1000 if found and found[0][0] else None

    def open_batches(self) -> list[Batch]:
        """Batches not yet closed. Raises JournalError."""
        found = self._query(
            f"SELECT {sql.BATCH_COLUMNS} FROM batch WHERE closed_ms IS NULL ORDER BY number"
        )
        return [sql.batch_of(row) for row in found]

    def new_acts(self, after: int) -> list[Act]:
        """Acts numbered above `after` that nobody has answered. Raises JournalError."""
        found = self._query(
            "SELECT kind, place, by, alarm, span_ms, value, note, id FROM act "
            "WHERE id > ? AND status = 'asked' ORDER BY id",
            (after,),
        )
        return [sql.act_of(row) for row in found]

    def ask(self, act: Act, at_s: float) -> int:
        """Put down an act for the running controller to take up; gives its number.

        Raises JournalError.
        """
        with self._transaction() as conn:
            values = sql.act_values(None, act, sql.ms_of(at_s), None)
            number = int(conn.execute(sql.PUT_ACT, values).lastrowid or 0)
        self._own_changes += 1
        return number

    def change_mark(self) -> tuple[int, int]:
        """Differs from its last value when batches or acts may have changed since.

        Another program's write changes the first number, `ask` and batch entries through this very
        object the second. Raises JournalError.
        """
        found = self._query("PRAGMA data_version")
        return (found[0][0] if found else 0, self._own_changes)

    @contextlib.contextmanager
    def changing(self) -> Iterator[sqlite3.Connection]:
        """A transaction for batches and entries, noticed by `change_mark`. Raises JournalError."""
        with self._transaction() as conn:
            yield conn
        self._own_changes += 1

    def query(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        """Rows of a SELECT. Raises JournalError, also while the file is not open."""
        if self._db is None:
            raise JournalError(f"{self.path}: the journal is not open")
        return self._query(statement, values)

    # -- care -------------------------------------------------------------------------------------

    @property
    def displaced(self) -> bool:
        """True when somebody deleted or replaced its files, or their folder, while it was open."""
        return self._standing is not None and self._standing.displaced()

    def put_back(self) -> str:
        """Write the journal out again if it is `displaced`; gives what was done in words, else "".

        All that was in it is still held open and goes on unseen, to be lost with the process.
        Raises JournalError.
        """
        if self._db is None or self._standing is None or not self._standing.displaced():
            return ""
        if self._standing.taken:
            if time.monotonic() < self._taken_s + TAKEN_AGAIN_S:
                raise JournalError(
                    f"{self.path}: another file was put in the place of the journal again; stop "
                    "what does so (a second warmfoot?); records wait in memory"
                )
            self._taken_s = time.monotonic()
        place = self._standing.path
        fresh = place.with_name(f"{place.name}.again")
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            fresh.unlink(missing_ok=True)
            schema.make_file(fresh)
            try:
                with contextlib.closing(sqlite3.connect(fresh)) as new:
                    self._db.conn.backup(new)
                kept = self._standing.give_place(fresh)
            finally:
                fresh.unlink(missing_ok=True)  # half of it would only fill the disk
        except (sqlite3.Error, OSError) as error:
            raise explained(error, self.path) from error
        self.reopen()
        if kept is None:
            return "a file of the journal was deleted while in use; it has been written out again"
        return (
            "another file was put in the place of the journal while it was in use; the journal has "
            f"been written out again, the other file is kept as {kept.name}. To go back to a copy, "
            "stop warmfoot first"
        )

    # -- end ----------------------------------------------------------------------------------

    def _let_go(self) -> None:
        if self._db is not None:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            self._db = self._standing = None

    def close(self) -> None:
        """Close the file. Idempotent."""
        self._let_go()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.close()


def _minute_values(row: MinuteRow, probe: int, run: int) -> sql.Values:
    if not row.n:
        return (row.t_s, probe, None, None, None, 0, row.flag, run)
    try:
        mean, low, high = minute_milli(row)
    except (ValueError, OverflowError):
        raise RowRefused(
            f"{row.probe}: a minute of {row.n} samples with mean {row.mean}, low {row.low}, "
            f"high {row.high}; all must be numbers"
        ) from None
    return (row.t_s, probe, mean, low, high, row.n, row.flag, run)
