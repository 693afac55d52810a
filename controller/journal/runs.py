"""Starts of the controller, and times put right afterwards, as rows."""

import sqlite3

from config.load import hash_of
from controller.journal import rows as sql
from controller.journal.errors import JournalError
from controller.journal.rows import RunStart, TimeFix

STALE_ACT = "the controller was not running when this was asked; ask again"


def begin(conn: sqlite3.Connection, start: RunStart, durable: bool) -> int:
    """Record a start and give its number; runs that never stopped are closed as such."""
    at_ms = sql.ms_of(start.now.utc_s)
    conn.execute(
        "UPDATE run SET reason = 'ended without a stop (power cut or crash)', stopped_ms = max("
        "started_ms, coalesce((SELECT max(at_ms) FROM state), started_ms), "
        "coalesce((SELECT max(t) * 1000 FROM minute), started_ms)) WHERE stopped_ms IS NULL"
    )
    conn.execute(
        "UPDATE act SET status = 'refused', answer = ?, answered_ms = ? "
        "WHERE status = 'asked' AND at_ms < ?",
        (STALE_ACT, at_ms, at_ms),
    )
    text = sql.text_of(start.site_text)
    digest = hash_of(text)
    conn.execute(
        "INSERT INTO settings (hash, text, at_ms) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        (digest, text, at_ms),
    )
    cursor = conn.execute(
        "INSERT INTO run (boot, started_ms, trusted, version, settings, durable) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (start.boot_id, at_ms, start.now.trusted, start.version, digest, durable),
    )
    return int(cursor.lastrowid or 0)


def fix_time(conn: sqlite3.Connection, fix: TimeFix, run: int) -> None:
    """Move rows of this boot to their true time; minute rows by whole minutes."""
    from_ms, to_ms = sql.ms_of(fix.from_s), sql.ms_of(fix.to_s)
    offset_ms = sql.ms_of(fix.offset_s)
    boot = conn.execute("SELECT boot FROM run WHERE id = ?", (run,)).fetchone()
    if boot is None:
        raise JournalError("a time is put right within a run; begin one first")
    conn.execute(
        sql.PUT_FIX, (sql.ms_of(fix.at_s), boot[0], from_ms, to_ms, offset_ms)
    )  # fmt: skip
    span = {"from": from_ms, "to": to_ms, "boot": boot[0], "by": offset_ms}
    runs = "run IN (SELECT id FROM run WHERE boot = :boot)"
    for table in ("decision", "alarm_change", "event"):
        conn.execute(
            f"UPDATE {table} SET at_ms = at_ms + :by "
            f"WHERE at_ms >= :from AND at_ms <= :to AND {runs}",
            span,
        )
    conn.execute(
        "UPDATE run SET started_ms = started_ms + :by "
        "WHERE started_ms >= :from AND started_ms <= :to AND boot = :boot",
        span,
    )
    # The first minute began before the run did.
    where = f"t * 1000 > :from - 60000 AND t * 1000 <= :to AND {runs}"
    shift_s = round(offset_ms / 60_000) * 60
    for table, put in (("minute", sql.PUT_MINUTE), ("relay_minute", sql.PUT_RELAY)):
        found = conn.execute(f"SELECT * FROM {table} WHERE {where}", span).fetchall()
        conn.execute(f"DELETE FROM {table} WHERE {where}", span)
        conn.executemany(put, [(row[0] + shift_s, *row[1:]) for row in found])
