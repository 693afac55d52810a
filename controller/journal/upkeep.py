"""Looking after the journal: backup, restore check, thinning of old minutes, size, CSV."""

import contextlib
import csv
import sqlite3
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from typing import Final, Literal, TextIO
from zoneinfo import ZoneInfo

from controller.cells import guarded
from controller.entries import effective, stays
from controller.journal import care, schema
from controller.journal.copies import checked_copy
from controller.journal.errors import JournalError, explained
from controller.journal.reader import Reader, open_reader
from controller.journal.writer import Journal
from controller.records import Batch

HOUR_S: Final = 3600
SLICE_HOURS: Final = 24
"""Hours thinned in one transaction, so that the running controller never waits long."""

_THIN = (
    """INSERT INTO hour (t, probe, mean, low, high, n, minutes, flag)
    SELECT t - t % 3600, probe,
      CAST(round(sum(mean * n) * 1.0 / nullif(sum(n), 0)) AS INTEGER),
      min(low), max(high), sum(n), sum(n > 0), max(flag)
    FROM minute WHERE t >= :from AND t < :to GROUP BY 1, 2
    ON CONFLICT (t, probe) DO UPDATE SET
      mean = CASE WHEN excluded.n = 0 THEN mean WHEN n = 0 THEN excluded.mean ELSE
        CAST(round((mean * n + excluded.mean * excluded.n) * 1.0 / (n + excluded.n)) AS INTEGER)
        END,
      low = coalesce(min(low, excluded.low), low, excluded.low),
      high = coalesce(max(high, excluded.high), high, excluded.high),
      n = n + excluded.n, minutes = min(60, minutes + excluded.minutes),
      flag = max(flag, excluded.flag)""",
    "DELETE FROM minute WHERE t >= :from AND t < :to",
    """INSERT INTO relay_hour (t, relay, on_ms, starts)
    SELECT t - t % 3600, relay, sum(on_ms), sum(starts)
    FROM relay_minute WHERE t >= :from AND t < :to GROUP BY 1, 2
    ON CONFLICT (t, relay) DO UPDATE SET
      on_ms = on_ms + excluded.on_ms, starts = starts + excluded.starts""",
    "DELETE FROM relay_minute WHERE t >= :from AND t < :to",
)


def backup(path: Path | str, to: Path | str) -> None:
    """Copy the journal at `path`, running or not, to the new file `to`, and check the copy.

    Raises JournalError when `to` exists, or the copy can't be made or is not sound.
    """
    path, to = Path(path), Path(to)
    if to.exists():
        raise JournalError(f"{to}: there is a file already; give a new name for the backup")
    with open_reader(path, older=True):
        pass
    checked_copy(path, to)


def thin(journal: Journal, older_than_s: float) -> int:
    """Turn minute rows from before `older_than_s` (UTC s) into hour rows; gives minutes removed.

    An hour's mean is that of its samples, its low and high those of its minutes; relay time and
    starts are summed. Alarms, decisions, batches and entries stay as they are.
    Raises JournalError.
    """
    end = int(older_than_s) // HOUR_S * HOUR_S
    removed = 0
    while True:
        found = journal.query(
            "SELECT min(t) FROM (SELECT min(t) AS t FROM minute UNION ALL "
            "SELECT min(t) FROM relay_minute)"
        )
        first = found[0][0]
        if first is None or first >= end:
            return removed
        start = first // HOUR_S * HOUR_S
        span = {"from": start, "to": min(end, start + SLICE_HOURS * HOUR_S)}
        with journal.changing() as conn:
            for statement in _THIN:
                count = conn.execute(statement, span).rowcount
                if statement.startswith("DELETE FROM minute"):
                    removed += count


def give_back_space(journal: Journal) -> None:
    """Hand free pages back to the disk and empty the write-ahead file. Raises JournalError.

    A reader that is at work keeps the write-ahead file as it is, until the next time.
    """
    try:
        with contextlib.closing(schema.connect(journal.path, durable=journal.durable)) as db:
            db.conn.executescript("PRAGMA incremental_vacuum; PRAGMA wal_checkpoint(TRUNCATE);")
    except sqlite3.Error as error:
        raise explained(error, journal.path) from error


# -- CSV --------------------------------------------------------------------------------------

Table = Literal[
    "minutes", "relays", "decisions", "alarms", "events", "batches", "entries", "checks",
    "calibrations",
]  # fmt: skip
TABLES: Final[tuple[Table, ...]] = (
    "minutes", "relays", "decisions", "alarms", "events", "batches", "entries", "checks",
    "calibrations",
)  # fmt: skip
OF_BATCH: Final[tuple[Table, ...]] = ("minutes", "relays", "batches", "entries")
"""Tables that can be given for one batch."""


def export_csv(
    path: Path | str,
    table: Table,
    to: TextIO,
    zone: ZoneInfo,
    from_s: float,
    to_s: float,
    batch: Batch | None = None,
) -> int:
    """Write one table as CSV (RFC 4180: CRLF, quotes doubled) with times in UTC and local.

    to: a text file opened with newline="".  from_s, to_s: UTC s; batches and entries are given by
    when they were stuck or entered.  Text that a spreadsheet would take for a formula gets a
    leading apostrophe.  batch: only what is of it (a table of OF_BATCH): its own rows, or those of
    the bays and benches where it stood, while it stood there.
    Gives the number of rows.  Raises JournalError.
    """
    if table not in TABLES:
        raise JournalError(f"no table {table!r} to export; there are {', '.join(TABLES)}")
    if batch is not None and table not in OF_BATCH:
        raise JournalError(f"{table} are not of one batch; {', '.join(OF_BATCH)} are")
    if batch is not None and table in ("minutes", "relays"):
        from_s = max(from_s, batch.stuck_s)
        to_s = to_s if batch.closed_s is None else min(to_s, batch.closed_s)
    with open_reader(path) as reader:
        header, rows = _EXPORTS[table](reader, from_s, to_s)
        if batch is not None:
            rows = _of_batch(reader, table, batch, rows)
        out = csv.writer(to, lineterminator="\r\n")
        out.writerow(["utc", "local", *header])
        count = 0
        for at_s, *cells in rows:
            out.writerow([*_times(at_s, zone), *map(_cell, cells)])
            count += 1
    return count


Rows = tuple[Sequence[str], Iterator[Sequence[object]]]


def _of_batch(
    reader: Reader, table: Table, batch: Batch, rows: Iterator[Sequence[object]]
) -> Iterator[Sequence[object]]:
    if table in ("batches", "entries"):
        place = 1 if table == "batches" else 2
        yield from (row for row in rows if row[place] == batch.number)
        return
    until_s = inf if batch.closed_s is None else batch.closed_s
    stood = stays(batch, effective(reader.entries(batch.number)), until_s)
    for row in rows:
        at_s, whose = float(str(row[0])), str(row[1]).rpartition(".")[0]
        for bay, from_s, to_s in stood:
            if from_s <= at_s < to_s and whose in (bay, bay.split(".", 1)[0]):
                yield row


def _times(at_s: object, zone: ZoneInfo) -> tuple[str, str]:
    utc = datetime.fromtimestamp(float(str(at_s)), UTC)
    return utc.strftime("%Y-%m-%dT%H:%M:%SZ"), utc.astimezone(zone).isoformat(timespec="seconds")


def _cell(value: object) -> object:
    if isinstance(value, str):
        return guarded(value)
    return "" if value is None else value


def _minutes(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = ("probe", "unit", "mean", "low", "high", "samples", "qartod_flag", "span_min")
    return header, _slices(
        reader,
        "SELECT t, name, unit, mean / 1000.0, low / 1000.0, high / 1000.0, n, flag, span FROM ("
        "SELECT t, probe, mean, low, high, n, flag, 1 AS span FROM minute WHERE t >= ?1 AND t < ?2 "
        "UNION ALL SELECT t, probe, mean, low, high, n, flag, 60 FROM hour "
        "WHERE t >= ?1 AND t < ?2) JOIN probe ON probe.id = probe ORDER BY t, name",
        from_s, to_s,
    )  # fmt: skip


def _relays(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = ("relay", "on_s", "starts", "span_min")
    return header, _slices(
        reader,
        "SELECT t, name, on_ms / 1000.0, starts, span FROM ("
        "SELECT t, relay, on_ms, starts, 1 AS span FROM relay_minute WHERE t >= ?1 AND t < ?2 "
        "UNION ALL SELECT t, relay, on_ms, starts, 60 FROM relay_hour WHERE t >= ?1 AND t < ?2) "
        "JOIN relay ON relay.id = relay ORDER BY t, name",
        from_s, to_s,
    )  # fmt: skip


def _slices(
    reader: Reader, statement: str, from_s: float, to_s: float
) -> Iterator[Sequence[object]]:
    """A day at a time, within what there is: no long read holds up the write-ahead file."""
    ends = reader.query(
        "SELECT min(t), max(t) FROM (SELECT min(t) AS t FROM minute "
        "UNION ALL SELECT max(t) FROM minute "
        "UNION ALL SELECT min(t) FROM relay_minute UNION ALL SELECT max(t) FROM relay_minute "
        "UNION ALL SELECT min(t) FROM hour UNION ALL SELECT min(t) FROM relay_hour "
        "UNION ALL SELECT max(t) FROM hour UNION ALL SELECT max(t) FROM relay_hour)"
    )[0]
    if ends[0] is None:
        return
    start, end = max(int(from_s), ends[0]), min(int(to_s), ends[1] + 1)
    for at in range(start, end, 86400):
        yield from reader.query(statement, (at, min(at + 86400, end)))


def _decisions(reader: Reader, from_s: float, to_s: float) -> Rows:
    found = reader.decisions(from_s, to_s)
    values = ((r.at_s, r.place, r.code, r.text, r.mode, _number(r.value)) for r in found)
    return ("place", "code", "reason", "mode", "duty_or_dryness_kpa_min"), values


def _number(value: float) -> float | None:
    return value if value == value else None


def _alarms(reader: Reader, from_s: float, to_s: float) -> Rows:
    found = reader.alarms(from_s=from_s, to_s=to_s)
    header = ("alarm", "place", "was", "state", "priority", "text", "by", "note")
    return header, ((row.at_s, *row.change) for row in found)


def _events(reader: Reader, from_s: float, to_s: float) -> Rows:
    found = reader.events(from_s=from_s, to_s=to_s)
    return ("kind", "place", "text"), iter(found)


def _batches(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = (
        "number", "plant", "kind", "bench", "bay", "trays", "cuttings", "phase",
        "closed_utc", "recipe_sha256", "details",
    )  # fmt: skip
    found = [b for b in reader.batches() if from_s <= b.stuck_s < to_s]
    return header, (
        (
            b.stuck_s, b.number, b.plant, b.kind, b.bench, b.bay, b.trays, b.cuttings, b.phase,
            "" if b.closed_s is None else _times(b.closed_s, ZoneInfo("UTC"))[0],
            b.recipe_hash, _pairs(b.details),
        )
        for b in found
    )  # fmt: skip


def _entries(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = ("number", "batch", "kind", "by", "entered", "note", "corrects")
    every = (entry for batch in reader.batches() for entry in reader.entries(batch.number))
    return header, (
        (e.at_s, e.number, e.batch, e.kind, e.by, _pairs(e.values), e.note, e.corrects or None)
        for e in every
        if from_s <= e.at_s < to_s
    )


def _checks(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = ("check", "by", "step", "place", "seen", "verdict")
    return header, (
        (step.at_s, one.number, one.by, step.step, step.place, step.seen, step.verdict)
        for one in care.checks(reader)
        for step in one.steps
        if from_s <= step.at_s < to_s
    )


def _calibrations(reader: Reader, from_s: float, to_s: float) -> Rows:
    header = (
        "probe", "unit", "by", "held_known_raw", "gain_before", "offset_before", "gain", "offset",
        "expanded_uncertainty", "outcome", "note",
    )  # fmt: skip
    return header, (
        (
            one.at_s, one.probe, one.unit, one.by,
            "; ".join(f"{p.how} {p.known:g} {p.raw:g}" for p in one.held),
            one.was_gain, one.was_offset, one.gain, one.offset, one.u, one.outcome, one.note,
        )
        for one in care.calibrations(reader)
        if from_s <= one.at_s < to_s
    )  # fmt: skip


def _pairs(values: dict[str, str]) -> str:
    return "; ".join(f"{key}={value}" for key, value in values.items())


_EXPORTS = {
    "minutes": _minutes,
    "relays": _relays,
    "decisions": _decisions,
    "alarms": _alarms,
    "events": _events,
    "batches": _batches,
    "entries": _entries,
    "checks": _checks,
    "calibrations": _calibrations,
}
