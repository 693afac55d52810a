"""Invariants of what is written and shown: numbers, warmth, causes, durability, the page."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from math import isfinite
from typing import Any, Final

from evidence import Evidence

LATE_S: Final = 130.0
"""The minute in which a probe was lost still counts, and is closed a minute later."""
A_MINUTE_KH: Final = 0.35
"""One minute of any warmth, in degree-hours."""
BRIDGED_S: Final = 600.0
"""Minute means closer than this are summed over (the stated gap rule)."""
DURABLE: Final = ("alarm_change", "act", "event", "batch", "entry", "run", "minute", "decision")


def rows_of(journal: Any) -> dict[str, set[tuple[Any, ...]]]:
    """Every row that no crash may lose, by table; of a run only what is never changed."""
    with closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as conn:
        found = {
            table: set(conn.execute(f"SELECT * FROM {table}").fetchall())
            for table in DURABLE
            if table not in ("run", "act")
        }
        found["run"] = set(conn.execute("SELECT id, boot, started_ms, settings FROM run"))
        found["act"] = set(conn.execute("SELECT id, at_ms, kind, place, by, alarm FROM act"))
    return found


def i4(run: Evidence) -> Iterator[str]:
    """No non-finite number in control, orders, journal or page."""
    for order in run.orders:
        for relay, lease_s in order.leases_s.items():
            if not isfinite(lease_s):
                yield f"{relay} was ordered on for {lease_s} at {order.t_s:.0f} s"
    for look in run.looks:
        if not all(map(isfinite, look.numbers)):
            yield f"not finite at {look.t_s:.0f} s: {look.numbers}"
            break
    for shown in run.shown:
        for path, value in _leaves(shown.picture):
            if isinstance(value, float) and not isfinite(value):
                yield f"the page shows {path} as {value} at {shown.t_s:.0f} s"
        if "NaN" in shown.text or ">nan" in shown.text or "Infinity" in shown.text:
            yield f"the page at {shown.t_s:.0f} s says NaN"
    for (text,) in run.asked("SELECT json FROM state"):
        try:
            json.loads(text, parse_constant=_refused)
        except ValueError as error:
            yield f"the saved state: {error}"
    for table in ("minute", "decision", "alarm_change", "event", "act", "state", "relay_minute"):
        for row in run.asked(f"SELECT * FROM {table}"):
            if any(isinstance(v, float) and not isfinite(v) for v in row):
                yield f"{table} holds {row}"
                break


def _refused(name: str) -> float:
    raise ValueError(f"holds {name}")


def _leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _leaves(inner, f"{path}[{index}]")
    else:
        yield path, value


def i5(run: Evidence) -> Iterator[str]:
    """Degree-hours never rise over a gap and never from data that failed.

    After a wall clock was set back the journal merges what two passes have of one minute, which
    moves the sum a little at any time; then it is the hours covered that must not rise.
    """
    set_back = any(later.utc_s < first.utc_s for first, later in pairwise(run.looks))
    blind = [(from_s, to_s) for from_s, to_s, _ in run.blind] + run.away
    for from_s, to_s in blind:
        if to_s - from_s <= BRIDGED_S + LATE_S:
            continue
        before = [look for look in run.looks if look.t_s < from_s][-1:]
        inside = [look for look in run.looks if from_s + LATE_S <= look.t_s < to_s]
        after = [look for look in run.looks if look.t_s >= to_s][:1]
        for first, last in zip(inside[:1] or before, after or inside[-1:], strict=False):
            for batch in first.warmth.keys() & last.warmth.keys():
                rise = (last.warmth[batch] - first.warmth[batch]) / 7.2e6
                covered_s = last.covered_s[batch] - first.covered_s[batch]
                if (covered_s > 120 or not set_back) and rise > A_MINUTE_KH:
                    yield f"batch {batch} gained {rise:.2f} degree-hours blind, {from_s:.0f} s on"
    failed = run.asked("SELECT count(*) FROM minute WHERE flag IN (4, 9) AND n = 0 AND mean > 0")
    if failed[0][0]:
        yield f"{failed[0][0]} minutes without a sample have a mean"


def i7(run: Evidence) -> Iterator[str]:
    """Every change of relay, mode, alarm and configuration has one row, with its cause."""
    state: dict[tuple[str, str], str] = {}
    for alarm, place, was, now, text in run.asked(
        "SELECT alarm, place, was, state, text FROM alarm_change ORDER BY id"
    ):
        held = state.get((alarm, place), "NORM")
        if was != held:
            yield f"alarm {alarm} {place} went from {held}, its next row says from {was}"
        if not text.strip():
            yield f"alarm {alarm} {place} to {now} without a word"
        state[alarm, place] = now
    yield from _modes(run)
    yield from _relays(run)
    unknown = run.asked("SELECT id FROM run WHERE settings NOT IN (SELECT hash FROM settings)")
    if unknown:
        yield f"runs {unknown} point to no bench file"


def _modes(run: Evidence) -> Iterator[str]:
    """What was decided, tick by tick, is what the decision rows say, in the same order."""
    written: dict[str, list[tuple[str, str]]] = {}
    for place, code, mode, text in run.asked(
        "SELECT place, code, mode, text FROM decision ORDER BY id"
    ):
        written.setdefault(place, []).append((code, mode))
        if not text.strip():
            yield f"decision {code} at {place} without a word"
    seen: dict[str, list[tuple[str, str]]] = {}
    last_s: dict[str, float] = {}
    for look in run.looks:
        for place, code in look.codes.items():
            pair = (code, look.modes[place])
            seq = seen.setdefault(place, [])
            began = place in last_s and run.gone(last_s[place], look.t_s)
            if not seq or seq[-1] != pair or began:
                seq.append(pair)
            last_s[place] = look.t_s
    for place, seq in seen.items():
        if written.get(place, []) != seq:
            yield (
                f"{place}: {len(seq)} decisions in the run, {len(written.get(place, []))} rows; "
                f"{_first_difference(seq, written.get(place, []))}"
            )


def _first_difference(seq: list[Any], rows: list[Any]) -> str:
    for index, (a, b) in enumerate(zip(seq, rows, strict=False)):
        if a != b:
            return f"number {index}: {a} and {b}"
    return f"beyond: {[*seq, *rows][min(len(seq), len(rows)) :][:1]}"


def _relays(run: Evidence) -> Iterator[str]:
    """Times each relay was switched on by an order, against the starts in its minute rows."""
    started: dict[str, int] = {}
    for _, relay, on in run.turns:
        started[relay] = started.get(relay, 0) + on
    rows = dict(
        run.asked(
            "SELECT relay.name, sum(starts) FROM relay_minute JOIN relay ON relay.id = relay "
            "GROUP BY relay.name"
        )
    )
    for relay, count in started.items():
        if relay in run.rebooted:
            continue
        if abs(rows.get(relay, 0) - count) > len(run.away):  # a minute is lost with the power
            yield f"{relay} was switched on {count} times, the journal says {rows.get(relay, 0)}"


def i8(run: Evidence) -> Iterator[str]:
    """What was committed survives."""
    if not run.committed:
        return
    now = rows_of(run.journal)
    for table, rows in run.committed.items():
        lost = rows - now[table]
        if lost:
            yield f"{len(lost)} rows of {table} are gone, the first {sorted(lost, key=str)[0]}"


def i13(run: Evidence) -> Iterator[str]:
    """The page says what the journal says: standing alarms, and why."""
    changes = run.asked("SELECT id, alarm, place, state FROM alarm_change ORDER BY id")
    reasons = run.asked("SELECT id, place, mode FROM decision ORDER BY id")
    for shown in run.shown:
        alarms_to, reasons_to = shown.rows
        state = {(a, p): s for number, a, p, s in changes if number <= alarms_to}
        standing = {key: s for key, s in state.items() if s not in ("NORM", "OOSRV")}
        on_page = {(a["alarm"], a["place"]): str(a["state"]) for a in shown.picture["alarms"]}
        if standing != on_page:
            differ = sorted(set(standing.items()) ^ set(on_page.items()))
            yield f"at {shown.t_s:.0f} s page and journal differ in {differ[:3]}"
        mode = {place: m for number, place, m in reasons if number <= reasons_to}
        for bench, data in shown.picture["benches"].items():
            for bay, bay_data in data["bays"].items():
                if mode.get(f"{bench}.{bay}") != bay_data["mode"]:
                    yield (
                        f"at {shown.t_s:.0f} s {bench}.{bay}: page {bay_data['mode']}, journal "
                        f"{mode.get(f'{bench}.{bay}')}"
                    )
