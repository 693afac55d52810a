"""Records as rows of the tables, and back."""

import json
from collections.abc import Sequence
from math import isfinite, nan
from typing import Any, Final, NamedTuple

from controller.journal.errors import RowRefused
from controller.records import (
    Act,
    ActDone,
    AlarmChanged,
    AlarmRow,
    Batch,
    Entry,
    EventRow,
    ReasonRow,
)
from controller.scaled import milli
from sensors.clock import Now


class RunStart(NamedTuple):
    """A start of the controller. site_text: the bench file as written."""

    now: Now
    version: str
    site_text: str
    boot_id: str


class RunStop(NamedTuple):
    """An orderly end of a run."""

    now: Now
    reason: str


class TimeFix(NamedTuple):
    """Rows of this boot from `from_s` to `to_s` (UTC s, as written) were off; add `offset_s`."""

    at_s: float
    from_s: float
    to_s: float
    offset_s: float


Values = Sequence[Any]

PUT_MINUTE: Final = """INSERT INTO minute (t, probe, mean, low, high, n, flag, run)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (t, probe) DO UPDATE SET
  mean = CASE WHEN excluded.n = 0 THEN mean WHEN n = 0 THEN excluded.mean ELSE
    CAST(round((mean * n + excluded.mean * excluded.n) * 1.0 / (n + excluded.n)) AS INTEGER) END,
  low = CASE WHEN excluded.n = 0 THEN low WHEN n = 0 THEN excluded.low
    ELSE min(low, excluded.low) END,
  high = CASE WHEN excluded.n = 0 THEN high WHEN n = 0 THEN excluded.high
    ELSE max(high, excluded.high) END,
  n = n + excluded.n,
  flag = max(flag, excluded.flag)"""
"""A minute that comes twice (the wall clock was set back) is merged by its samples, never lost."""

PUT_RELAY: Final = """INSERT INTO relay_minute (t, relay, on_ms, starts, run)
VALUES (?, ?, ?, ?, ?)
ON CONFLICT (t, relay) DO UPDATE SET
  on_ms = on_ms + excluded.on_ms, starts = starts + excluded.starts"""

PUT_REASON: Final = (
    "INSERT INTO decision (at_ms, place, code, text, mode, value, run) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
PUT_ALARM: Final = (
    "INSERT INTO alarm_change (at_ms, alarm, place, was, state, priority, text, by, note, run) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
PUT_EVENT: Final = "INSERT INTO event (at_ms, kind, place, text, run) VALUES (?, ?, ?, ?, ?)"
PUT_STATE: Final = (
    "INSERT INTO state (id, at_ms, json) VALUES (1, ?, ?) "
    "ON CONFLICT (id) DO UPDATE SET at_ms = excluded.at_ms, json = excluded.json"
)
PUT_ACT: Final = (
    "INSERT INTO act (at_ms, kind, place, by, alarm, span_ms, value, note, status, answer, "
    "answered_ms, run) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
ANSWER_ACT: Final = (
    "UPDATE act SET status = ?, answer = ?, answered_ms = ?, run = ? WHERE id = ? "
    "AND status = 'asked'"
)
PUT_FIX: Final = (
    "INSERT INTO time_fix (at_ms, boot, from_ms, to_ms, offset_ms) VALUES (?, ?, ?, ?, ?)"
)


def text_of(text: str) -> str:
    """`text` as SQLite can keep it: lone surrogates, which come from broken bytes, become "?"."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def ms_of(at_s: float) -> int:
    """Whole milliseconds of an instant. Raises RowRefused when it is not finite."""
    try:
        return round(at_s * 1000.0)
    except (ValueError, OverflowError):
        raise RowRefused(f"an instant of {at_s!r} s can't be recorded") from None


def reason_values(row: ReasonRow, run: int) -> Values:
    value = milli(row.value) if isfinite(row.value) else None
    texts = (text_of(row.place), text_of(row.code), text_of(row.text), text_of(row.mode))
    return (ms_of(row.at_s), *texts, value, run)


def alarm_values(row: AlarmRow, run: int) -> Values:
    change = row.change
    head = (text_of(change.alarm), text_of(change.place), text_of(change.was))
    tail = (text_of(change.text), text_of(change.by), text_of(change.note))
    return (ms_of(row.at_s), *head, text_of(change.state), change.priority, *tail, run)


def event_values(row: EventRow, run: int | None) -> Values:
    return (ms_of(row.at_s), text_of(row.kind), text_of(row.place), text_of(row.text), run)


def act_values(
    done: ActDone | None, asked: Any, at_ms: int, run: int | None
) -> Values:  # fmt: skip
    """Values of PUT_ACT: one still to be answered when `done` is None."""
    head = (at_ms, text_of(asked.kind), text_of(asked.place), text_of(asked.by))
    body = (text_of(asked.alarm), ms_of(asked.span_s), text_of(asked.value), text_of(asked.note))
    if done is None:
        return (*head, *body, "asked", None, None, run)
    return (*head, *body, "done" if done.done else "refused", text_of(done.text), at_ms, run)


def reason_of(row: Values) -> ReasonRow:
    """From at_ms, place, code, text, mode, value."""
    at_ms, place, code, text, mode, value = row
    return ReasonRow(at_ms / 1000, place, code, text, mode, nan if value is None else value / 1000)


def alarm_of(row: Values) -> AlarmRow:
    """From at_ms, alarm, place, was, state, priority, text, by, note."""
    return AlarmRow(row[0] / 1000, AlarmChanged(*row[1:]))


def act_of(row: Values) -> Act:
    """From kind, place, by, alarm, span_ms, value, note, id."""
    kind, place, by, alarm, span_ms, value, note, number = row
    return Act(kind, place, by, alarm, span_ms / 1000, value, note, number)


BATCH_COLUMNS: Final = (
    "number, plant, kind, bench, bay, trays, count, stuck_ms, recipe_json, recipe_hash, phase, "
    "phase_since_ms, closed_ms, details, coalesce((SELECT CAST(json_extract(entered, '$.into') AS "
    "INTEGER) FROM entry WHERE entry.batch = batch.number AND entry.kind = 'merged' AND "
    "json_extract(entered, '$.into') IS NOT NULL), 0)"
)
ENTRY_COLUMNS: Final = "number, batch, at_ms, kind, by, entered, note, coalesce(corrects, 0)"


def batch_of(row: Values) -> Batch:
    """From BATCH_COLUMNS."""
    (number, plant, kind, bench, bay, trays, count, stuck_ms, recipe, digest, phase, since_ms,
     closed_ms, details, merged_into) = row  # fmt: skip
    return Batch(
        number, plant, kind, bench, bay, trays, count, stuck_ms / 1000, recipe, digest, phase,
        since_ms / 1000, None if closed_ms is None else closed_ms / 1000, json.loads(details),
        merged_into,
    )  # fmt: skip


def entry_of(row: Values) -> Entry:
    """From ENTRY_COLUMNS."""
    number, batch, at_ms, kind, by, values, note, corrects = row
    return Entry(number, batch, at_ms / 1000, kind, by, json.loads(values), note, corrects)
