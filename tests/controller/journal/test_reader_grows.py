"""What is read of the last days takes the same work on a journal of a week and of months."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from config.model import Site
from controller.journal.reader import Reader, open_reader
from controller.journal.writer import Journal
from sensors.clock import Now

DAY_S = 86400
END_S = 1_772_409_600
FILLED = (
    "INSERT OR REPLACE INTO minute SELECT t, id, 20000, 19900, 20100, 6, 1, 1 FROM m, probe",
    "INSERT INTO relay (name) SELECT 'north.left.mat' WHERE NOT EXISTS (SELECT 1 FROM relay)",
    "INSERT OR REPLACE INTO relay_minute SELECT t, id, 30000, 1, 1 FROM m, relay",
    "INSERT INTO decision (at_ms, place, code, text, mode, value, run) SELECT t * 1000, place, "
    "'heat', 'cold', 'normal', 500, 1 FROM m, (SELECT 'north.left' AS place UNION ALL "
    "SELECT 'north.right' UNION ALL SELECT 'north.mister') WHERE t % 1800 = 0",
    "INSERT INTO alarm_change (at_ms, alarm, place, was, state, priority, text, by, note, run) "
    "SELECT t * 1000, 'base_cold', 'north.left', 'NORM', 'UNACK', 2, 'cold', '', '', 1 FROM m "
    "WHERE t % 86400 = 0",
    "INSERT INTO event (at_ms, kind, place, text, run) SELECT t * 1000, 'reload', 'site', 'x', 1 "
    "FROM m WHERE t % 86400 = 0",
)
MINUTES = (
    "WITH RECURSIVE m(t) AS (SELECT ? UNION ALL SELECT t + 60 FROM m WHERE t + 60 < ?) "
)  # fmt: skip
QUESTIONS: dict[str, Callable[[Reader], object]] = {
    "latest decisions": lambda r: r.latest_reasons(),
    "decisions of a place": lambda r: r.reasons("north.left"),
    "decisions of a day": lambda r: r.decisions(END_S - DAY_S, END_S),
    "last alarms": lambda r: r.alarms(20),
    "alarms of a day": lambda r: r.alarms(from_s=END_S - DAY_S),
    "last events": lambda r: r.events(20),
    "last minute": lambda r: r.last_minute_s(),
    "gaps of a day": lambda r: r.gaps(END_S - DAY_S, END_S),
    "means of a day": lambda r: r.means(["north.left.base1"], END_S - DAY_S, END_S),
    "samples of a day": lambda r: r.samples(["north.left.base1"], END_S - DAY_S, END_S, 900),
    "relays of a day": lambda r: r.relays(["north.left.mat"], END_S - DAY_S, END_S),
}


def filled(path: Path, site: Site, days: int) -> Path:
    """A journal of so many days up to END_S."""
    with Journal.open(path, site=site, durable=False) as journal:
        journal.begin_run(Now(END_S, 0.0), version="1", site_text="x", boot_id="b")
    with closing(sqlite3.connect(path)) as conn:
        for statement in FILLED:
            verb, _, rest = statement.partition(" SELECT ")
            conn.execute(f"{verb} {MINUTES} SELECT {rest}", (END_S - days * DAY_S, END_S))
        conn.commit()
    return path


def work(path: Path, question: Callable[[Reader], object]) -> int:
    """Steps of SQLite's machine, in tens, that the answer takes."""
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    with open_reader(path) as reader:
        reader._db.conn.set_progress_handler(count, 10)
        question(reader)
    return steps


@pytest.fixture(scope="module")
def young(tmp_path_factory: pytest.TempPathFactory, site: Site) -> Path:
    return filled(tmp_path_factory.mktemp("young") / "a.db", site, 7)


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory, site: Site) -> Path:
    return filled(tmp_path_factory.mktemp("old") / "b.db", site, 70)


@pytest.mark.parametrize("question", QUESTIONS.values(), ids=list(QUESTIONS))
def test_work_does_not_grow_with_the_journal(
    young: Path, old: Path, question: Callable[[Reader], object]
) -> None:
    assert work(old, question) <= 1.2 * work(young, question) + 20


def test_work_is_counted(young: Path, old: Path) -> None:
    def every(reader: Reader) -> object:
        return reader.means(["north.left.base1"], 0, END_S)

    assert work(old, every) > 8 * work(young, every)
