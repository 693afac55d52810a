"""What the reader gives back, and how rows become arrays."""

import sqlite3
from collections.abc import Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from controller.records import Act

Ints = NDArray[np.int64]
Means = tuple[Ints, Ints, Ints]
GAP_S = 600


class Minutes(NamedTuple):
    """Minute rows of one probe, oldest first; every array (n,) int64.

    t_s: UTC second at which the minute began.  mean_milli, low_milli, high_milli: thousandths of
    the unit, 0 where n is 0.  n: usable samples.  flag: worst QARTOD flag.
    """

    t_s: Ints
    mean_milli: Ints
    n: Ints
    low_milli: Ints
    high_milli: Ints
    flag: Ints


class RelayMinutes(NamedTuple):
    """Relay rows, oldest first; every array (n,) int64. Rows of thinned years span an hour each."""

    t_s: Ints
    on_ms: Ints
    starts: Ints


class ProbeName(NamedTuple):
    name: str
    kind: str
    unit: str


class Run(NamedTuple):
    """One run of the controller. stopped_s None while it runs; trusted: the clock was set."""

    number: int
    boot_id: str
    started_s: float
    stopped_s: float | None
    reason: str
    version: str
    site_hash: str
    trusted: bool
    durable: bool


class Gap(NamedTuple):
    """A stretch without minute rows, UTC s, and why as far as the journal knows."""

    from_s: float
    to_s: float
    cause: str


class AskedAct(NamedTuple):
    """An act as asked, and its answer: status "asked", "done" or "refused"."""

    at_s: float
    act: Act
    status: str
    answer: str


def table_of(cursor: sqlite3.Cursor, columns: int) -> Ints:
    """All rows of a cursor of whole numbers as an array (n, columns)."""
    return np.fromiter(chain.from_iterable(cursor), dtype=np.int64).reshape(-1, columns)


MEANS = "coalesce(mean, 0), n"
ALL = "coalesce(mean, 0), n, coalesce(low, 0), coalesce(high, 0), flag"


def minutes_of(
    conn: sqlite3.Connection,
    columns: str,
    probes: Sequence[Sequence[int]],
    from_s: float,
    to_s: float,
) -> list[Ints]:
    """Minute rows (t, *columns), and thinned hours spread to minutes, of each of the probes.

    probes: the numbers that each one has had.  All are read in one walk, for the rows of a minute
    lie together.
    """
    width = 2 + (2 if columns is MEANS else 5)
    every = [number for numbers in probes for number in numbers]
    if not every:
        return [np.zeros((0, width - 1), dtype=np.int64) for _ in probes]
    marks = ", ".join("?" * len(every))
    span = (int(from_s), int(to_s), *every)
    where = f"t < ? AND probe IN ({marks}) ORDER BY t"
    minutes = table_of(
        conn.execute(f"SELECT probe, t, {columns} FROM minute WHERE t >= ? AND {where}", span),
        width,
    )
    hours = table_of(
        conn.execute(
            f"SELECT probe, t, {columns}, minutes FROM hour WHERE t > ? - 3600 AND {where}", span
        ),
        width + 1,
    )
    return [_one_probe(minutes, hours, numbers, from_s, to_s) for numbers in probes]


def _one_probe(
    minutes: Ints, hours: Ints, numbers: Sequence[int], from_s: float, to_s: float
) -> Ints:
    table = minutes[np.isin(minutes[:, 0], numbers), 1:]
    thinned = hours[np.isin(hours[:, 0], numbers), 1:]
    if len(thinned):
        table = np.concatenate([_spread(thinned, from_s, to_s), table])
        table = table[np.argsort(table[:, 0], kind="stable")]
    return table


def seen_minutes(conn: sqlite3.Connection, from_s: float, to_s: float) -> Ints:
    """UTC seconds of the minutes in [from_s, to_s) of which any row is kept."""
    span = (int(from_s), int(to_s))
    asked = "SELECT {} WHERE t >= ? AND t < ? GROUP BY t ORDER BY t"
    minutes = table_of(conn.execute(asked.format("t FROM minute"), span), 1)[:, 0]
    hours = table_of(conn.execute(asked.format("t, max(minutes) FROM hour"), span), 2)
    if not len(hours):
        return minutes
    many = hours[:, 1]
    within = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many, many)
    return np.union1d(minutes, np.repeat(hours[:, 0], many) + 60 * within)


def samples_of(
    conn: sqlite3.Connection, numbers: Sequence[int], first_s: int, to_s: int, every_s: int
) -> Ints:
    """(t, mean, n) of one probe at first_s, first_s + every_s ... below to_s, and thinned hours."""
    marks = ", ".join(f"?{index}" for index in range(4, 4 + len(numbers))) or "0"
    # Each is looked up by its key (t, probe); a range would walk over every probe's minutes.
    return table_of(
        conn.execute(
            "WITH RECURSIVE at(t) AS (SELECT ?1 WHERE ?1 < ?2 UNION ALL "
            "SELECT t + ?3 FROM at WHERE t + ?3 < ?2) "
            f"SELECT at.t, {MEANS} FROM at JOIN minute ON minute.t = at.t AND probe IN ({marks}) "
            f"UNION ALL SELECT t, {MEANS} FROM hour "
            f"WHERE t >= ?1 AND t < ?2 AND probe IN ({marks}) ORDER BY 1",
            (first_s, to_s, every_s, *numbers),
        ),
        3,
    )


def _spread(hours: Ints, from_s: float, to_s: float) -> Ints:
    """Hour rows (t, mean, n, ..., minutes) as that many minute rows each."""
    many = hours[:, -1]
    spread = np.repeat(hours[:, :-1], many, axis=0)
    spread[:, 0] += 60 * (np.arange(len(spread)) - np.repeat(np.cumsum(many) - many, many))
    share = np.repeat(np.maximum(many, 1), many)
    spread[:, 2] = np.where(spread[:, 2] > 0, np.maximum(spread[:, 2] // share, 1), 0)
    return spread[(spread[:, 0] >= from_s) & (spread[:, 0] < to_s)]


def cause_of(runs: Sequence[Run], from_s: float, to_s: float) -> str:
    """Why there are no minutes from `from_s` to `to_s` (UTC s), as far as the runs tell."""
    for run in runs:
        if run.stopped_s is not None and from_s - 120 <= run.stopped_s <= to_s + 120:
            return f"the controller was not running: {run.reason}"
    if runs and to_s <= runs[0].started_s:
        return "before the first run"
    if runs and any(r.stopped_s is not None and r.stopped_s < from_s for r in runs[-1:]):
        return f"the controller was not running: {runs[-1].reason}"
    return "no cause recorded"
