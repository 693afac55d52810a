"""The journal, read-only: for pages, reviews and commands, beside a running controller."""

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Self

import numpy as np
from sqlite_utils import Database

from controller.journal import rows as sql
from controller.journal import schema
from controller.journal.answers import (
    ALL,
    GAP_S,
    MEANS,
    AskedAct,
    Gap,
    Means,
    Minutes,
    ProbeName,
    RelayMinutes,
    Run,
    cause_of,
    minutes_of,
    samples_of,
    seen_minutes,
    table_of,
)
from controller.journal.errors import JournalError, explained
from controller.records import ActDone, AlarmRow, Batch, Entry, EventRow, ReasonRow, StateRow


class Reader:
    """Read-only questions to one journal. Each is short, so that it never holds up the writer.

    Every method raises JournalError when the file can't be read. One object per thread.
    """

    def __init__(self, path: Path, db: Database) -> None:
        self.path = path
        self._db = db

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.close()

    @contextlib.contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        try:
            yield self._db.conn
        except sqlite3.Error as error:
            raise explained(error, self.path) from error

    def query(self, statement: str, values: Sequence[object] = ()) -> list[Any]:
        """Rows of a SELECT."""
        with self._asking() as conn:
            return conn.execute(statement, values).fetchall()

    @property
    def version(self) -> str:
        """Version of the file's tables."""
        with self._asking():
            return schema.version_of(self._db)

    # -- climate ------------------------------------------------------------------------------

    def probes(self) -> list[ProbeName]:
        """Every probe ever recorded, with kind and unit ("" when the bench file never named it)."""
        return [ProbeName(*r) for r in self.query("SELECT name, kind, unit FROM probe ORDER BY id")]

    def minutes(self, probes: Sequence[str], from_s: float, to_s: float) -> dict[str, Minutes]:
        """Minute rows of `probes` that began in [from_s, to_s), UTC s; a key for each, maybe empty.

        Thinned hours stand in as minutes of the hour's mean, as many as the hour had.
        """
        numbers = self._numbers("probe", probes)
        wanted = [numbers.get(name, []) for name in probes]
        with self._asking() as conn:
            tables = minutes_of(conn, ALL, wanted, from_s, to_s)
        return {
            name: Minutes(*(np.ascontiguousarray(table[:, i]) for i in range(6)))
            for name, table in zip(probes, tables, strict=True)
        }

    def means(self, probes: Sequence[str], from_s: float, to_s: float) -> dict[str, Means]:
        """As `minutes`, of each probe only (t_s, mean_milli, n), which is read faster."""
        numbers = self._numbers("probe", probes)
        wanted = [numbers.get(name, []) for name in probes]
        with self._asking() as conn:
            tables = minutes_of(conn, MEANS, wanted, from_s, to_s)
        return {
            name: (table[:, 0], table[:, 1], table[:, 2])
            for name, table in zip(probes, tables, strict=True)
        }

    def samples(
        self, probes: Sequence[str], from_s: float, to_s: float, every_s: int
    ) -> dict[str, Means]:
        """As `means`, only minutes that begin at a multiple of `every_s` (of 60, up to 3600).

        A thinned hour stands in as one row.
        """
        numbers = self._numbers("probe", probes)
        first_s = -(-int(from_s) // every_s) * every_s
        found = {}
        with self._asking() as conn:
            for name in probes:
                table = samples_of(conn, numbers.get(name, []), first_s, int(to_s), every_s)
                found[name] = (table[:, 0], table[:, 1], table[:, 2])
        return found

    def _numbers(self, table: str, names: Sequence[str]) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for name, number in self.query(f"SELECT name, id FROM {table} ORDER BY id"):
            if name in names:
                found.setdefault(name, []).append(number)
        return found

    def relays(self, relays: Sequence[str], from_s: float, to_s: float) -> dict[str, RelayMinutes]:
        """Relay rows that began in [from_s, to_s), UTC s; thinned hours as one row each."""
        numbers = self._numbers("relay", relays)
        found = {}
        with self._asking() as conn:
            for name in relays:
                number = numbers.get(name, [0])[0]
                span = (number, int(from_s), int(to_s))
                cursor = conn.execute(
                    "SELECT t, on_ms, starts FROM relay_hour WHERE relay = ? AND t >= ? AND t < ? "
                    "UNION ALL SELECT t, on_ms, starts FROM relay_minute "
                    "WHERE relay = ? AND t >= ? AND t < ? ORDER BY 1",
                    (*span, *span),
                )
                table = table_of(cursor, 3)
                found[name] = RelayMinutes(table[:, 0], table[:, 1], table[:, 2])
        return found

    def relay_sums(
        self, relays: Sequence[str], from_s: float, to_s: float
    ) -> dict[str, tuple[float, int]]:
        """Seconds ordered on, and starts, of each relay in [from_s, to_s)."""
        return {
            name: (int(rows.on_ms.sum()) / 1000, int(rows.starts.sum()))
            for name, rows in self.relays(relays, from_s, to_s).items()
        }

    def last_minute_s(self) -> int | None:
        """UTC second of the newest minute row, or None."""
        found: int | None = self.query("SELECT max(t) FROM minute")[0][0]
        return found

    def gaps(self, from_s: float, to_s: float, longer_than_s: int = GAP_S) -> list[Gap]:
        """Stretches in [from_s, to_s] without any minute row, longer than `longer_than_s`."""
        with self._asking() as conn:
            seen = seen_minutes(conn, from_s, to_s)
        edges = np.array([from_s, *seen, to_s], dtype=float)
        ends = edges.copy()
        ends[1:-1] += 60.0
        length = edges[1:] - ends[:-1]
        stops = self.runs()
        return [
            Gap(float(ends[i]), float(edges[i + 1]), cause_of(stops, ends[i], edges[i + 1]))
            for i in np.flatnonzero(length > longer_than_s)
        ]

    # -- what was decided and what happened ---------------------------------------------------

    def reasons(self, place: str, last: int = 20) -> list[ReasonRow]:
        """The last decisions for one place, newest last."""
        found = self.query(
            "SELECT at_ms, place, code, text, mode, value FROM decision WHERE place = ? "
            "ORDER BY id DESC LIMIT ?",
            (place, last),
        )
        return [sql.reason_of(row) for row in reversed(found)]

    def latest_reasons(self) -> dict[str, ReasonRow]:
        """The newest decision of every place."""
        # From place to place by the index; grouping would walk over the decisions of years.
        found = self.query(
            "WITH RECURSIVE p(place) AS (SELECT min(place) FROM decision UNION ALL "
            "SELECT (SELECT min(place) FROM decision WHERE place > p.place) FROM p "
            "WHERE p.place IS NOT NULL) "
            "SELECT at_ms, d.place, code, text, mode, value FROM p JOIN decision d ON d.id = "
            "(SELECT max(id) FROM decision WHERE place = p.place) ORDER BY d.place"
        )
        return {row[1]: sql.reason_of(row) for row in found}

    def decisions(self, from_s: float, to_s: float, place: str | None = None) -> list[ReasonRow]:
        """Decisions in [from_s, to_s), of one place or of all, oldest first."""
        found = self.query(
            "SELECT at_ms, place, code, text, mode, value FROM decision "
            "WHERE at_ms >= ? AND at_ms < ? AND (? IS NULL OR place = ?) ORDER BY at_ms, id",
            (from_s * 1000, to_s * 1000, place, place),
        )
        return [sql.reason_of(row) for row in found]

    def alarms(
        self, last: int | None = None, *, from_s: float = 0.0, to_s: float = 1e12
    ) -> list[AlarmRow]:
        """Alarm changes in [from_s, to_s), newest last; only the `last` ones when given."""
        found = self.query(
            "SELECT at_ms, alarm, place, was, state, priority, text, by, note FROM alarm_change "
            "WHERE at_ms >= ? AND at_ms < ? ORDER BY at_ms DESC, id DESC LIMIT ?",
            (from_s * 1000, to_s * 1000, -1 if last is None else last),
        )
        return [sql.alarm_of(row) for row in reversed(found)]

    def events(
        self, last: int | None = None, *, from_s: float = 0.0, to_s: float = 1e12
    ) -> list[EventRow]:
        """Events in [from_s, to_s), newest last; only the `last` ones when given."""
        found = self.query(
            "SELECT at_ms / 1000.0, kind, place, text FROM event WHERE at_ms >= ? AND at_ms < ? "
            "ORDER BY at_ms DESC, id DESC LIMIT ?",
            (from_s * 1000, to_s * 1000, -1 if last is None else last),
        )
        return [EventRow(*row) for row in reversed(found)]

    def acts(self, last: int = 50) -> list[AskedAct]:
        """The last acts and their answers, newest last."""
        found = self.query(
            "SELECT at_ms, kind, place, by, alarm, span_ms, value, note, id, status, "
            "coalesce(answer, '') FROM act ORDER BY id DESC LIMIT ?",
            (last,),
        )
        return [AskedAct(r[0] / 1000, sql.act_of(r[1:9]), r[9], r[10]) for r in reversed(found)]

    def answer(self, number: int) -> ActDone | None:
        """How the act of that number ended, or None while it waits or when there is none."""
        found = self.query(
            "SELECT kind, place, by, alarm, span_ms, value, note, id, status, answer FROM act "
            "WHERE id = ? AND status != 'asked'",
            (number,),
        )
        if not found:
            return None
        row = found[0]
        return ActDone(sql.act_of(row[:8]), row[8] == "done", row[9])

    # -- runs and settings --------------------------------------------------------------------

    def runs(self) -> list[Run]:
        """Every run, oldest first."""
        found = self.query(
            "SELECT id, boot, started_ms / 1000.0, stopped_ms / 1000.0, coalesce(reason, ''), "
            "version, settings, trusted, durable FROM run ORDER BY id"
        )
        return [Run(*row)._replace(trusted=bool(row[7]), durable=bool(row[8])) for row in found]

    def site_text(self, site_hash: str | None = None) -> str:
        """The bench file of that hash, or of the newest run; "" when there is none."""
        if site_hash is None:
            found = self.query(
                "SELECT text FROM settings WHERE hash = "
                "(SELECT settings FROM run ORDER BY id DESC LIMIT 1)"
            )
        else:
            found = self.query("SELECT text FROM settings WHERE hash = ?", (site_hash,))
        return str(found[0][0]) if found else ""

    def last_state(self) -> StateRow | None:
        found = self.query("SELECT at_ms / 1000.0, json FROM state")
        return StateRow(*found[0]) if found else None

    # -- batches ------------------------------------------------------------------------------

    def batches(self, *, only_open: bool = False) -> list[Batch]:
        """Batches, oldest first."""
        where = "WHERE closed_ms IS NULL" if only_open else ""
        found = self.query(f"SELECT {sql.BATCH_COLUMNS} FROM batch {where} ORDER BY number")
        return [sql.batch_of(row) for row in found]

    def book_mark(self) -> tuple[int, int]:
        """(number of batches, number of the last entry of any): changes with each act on them."""
        found = self.query(
            "SELECT (SELECT count(*) FROM batch), (SELECT coalesce(max(number), 0) FROM entry)"
        )
        return int(found[0][0]), int(found[0][1])

    def entries(self, batch: int) -> list[Entry]:
        """Every entry of a batch, in the order entered."""
        found = self.query(
            f"SELECT {sql.ENTRY_COLUMNS} FROM entry WHERE batch = ? ORDER BY number", (batch,)
        )
        return [sql.entry_of(row) for row in found]


def open_reader(path: Path | str, *, older: bool = False) -> Reader:
    """Open the journal at `path` to read.

    older: also one with older tables, which only `version` and `query` are sure to understand.
    Raises JournalError when it is not a journal, not there, or older.
    """
    path = Path(path)
    if not path.is_file():
        raise JournalError(f"{path}: no journal there; check the path")
    db: Database | None = None
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro"
        db = Database(sqlite3.connect(uri, uri=True, timeout=schema.BUSY_S))
        schema.check_version(db, path, older=older)
        if not db.table_names():
            raise JournalError(f"{path}: an empty file, not a journal", "broken")
    except (sqlite3.Error, OSError) as error:
        if db is not None:
            db.close()
        raise explained(error, path) from error
    return Reader(path, db)
