"""An older journal is copied, checked and brought up; when that fails, it is as it was."""

import contextlib
import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import pytest
from click.testing import CliRunner, Result
from filelock import FileLock
from sqlite_utils import Database, Migrations

from controller.cli import main
from controller.journal import schema, upgrade
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.recorder import Recorder
from controller.journal.upkeep import backup
from controller.journal.writer import Journal
from controller.records import EventRow
from sensors.clock import Now
from simulator.clock import VirtualClock

T0 = 1_772_409_600
VERSION_1 = Path(__file__).parents[2] / "data" / "journal_version_1.sql"
ROWS_OF_THE_OTHER_TABLES = f"""
INSERT INTO act VALUES (7, {T0}000, 'burst', 'north', 'Ann', '', 5000, '', 'dry', 'done', 'given',
  {T0}500, 1);
INSERT INTO alarm_change VALUES (3, {T0}000, 'base_cold', 'north.left', 'NORM', 'UNACK', 2, 'cold',
  '', '', 1);
INSERT INTO decision VALUES (9, {T0}000, 'north.left', 'heat', 'below', 'normal', 425, 1);
INSERT INTO hour VALUES ({T0}, 1, 20000, 19000, 21000, 360, 60, 1);
INSERT INTO relay_hour VALUES ({T0}, 1, 1800000, 2);
INSERT INTO state VALUES (1, {T0}000, '{{"bays": {{}}}}');
INSERT INTO time_fix VALUES (1, {T0}000, 'boot', {T0}000, {T0}900, 900);
"""
ROWS_OF_LATER_TABLES = {
    "2": f"""
INSERT INTO wire_check VALUES (1, {T0}000, {T0}900, 'Ann', 'ab', 'done');
INSERT INTO wire_step VALUES (1, 1, {T0}500, 'mat', 'north.left.mat', 'warms', 'good');
INSERT INTO calibration VALUES (1, {T0}000, 'north.left.base1', 'degC', 'Ann', '[]', 1.0, 0.0, 1.0,
  -0.3, 0.1, 'written', '');
""",
}

STEPS = schema.MIGRATIONS.pending(Database(memory=True))
RELEASED = [step.name for step in STEPS]


def _with_next(fails: Callable[[Database], None] | None = None) -> Migrations:
    """The released steps and one that is still to come: it changes rows, columns and tables."""
    steps = Migrations("warmfoot")
    for step in STEPS:
        steps(name=step.name)(step.fn)

    @steps(name="next")
    def _next(db: Database) -> None:
        db.execute("ALTER TABLE event ADD COLUMN weight INTEGER NOT NULL DEFAULT 1")
        db.execute("CREATE TABLE tank (id INTEGER PRIMARY KEY, litres REAL NOT NULL) STRICT")
        db.execute("INSERT INTO tank VALUES (1, 200.0)")
        db.execute("ALTER TABLE hour RENAME TO hour_before")
        db.execute("CREATE TABLE hour AS SELECT *, 0 AS wet FROM hour_before")
        db.execute("DROP TABLE hour_before")
        if fails:
            fails(db)

    return steps


def _journal_of(version: str, path: Path) -> None:
    """A journal as the program of that version left it, with rows in every table."""
    conn = sqlite3.connect(path)
    conn.executescript(VERSION_1.read_text(encoding="utf-8"))
    conn.executescript(ROWS_OF_THE_OTHER_TABLES)
    with contextlib.closing(Database(conn)) as db:
        later = RELEASED[RELEASED.index(version) + 1 :]
        schema.MIGRATIONS.apply(db, stop_before=later[0] if later else None)
        for step in RELEASED[: RELEASED.index(version) + 1]:
            conn.executescript(ROWS_OF_LATER_TABLES.get(step, ""))
        conn.commit()
        assert schema.version_of(db) == version
        assert all(len(rows) for _, rows in _every_row(path).values()), "a table without a row"


class Held(NamedTuple):
    columns: tuple[str, ...]
    rows: list[tuple[object, ...]]


def _every_row(path: Path, like: dict[str, Held] | None = None) -> dict[str, Held]:
    """All rows by table. like: only these tables and columns."""
    found = {}
    with contextlib.closing(sqlite3.connect(path)) as conn:
        names = conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
        for (name,) in names:
            if like is not None and name not in like:
                continue
            asked = ", ".join(like[name].columns) if like else "*"
            cursor = conn.execute(f"SELECT {asked} FROM {name}")
            columns = tuple(column[0] for column in cursor.description)
            found[name] = Held(columns, sorted(cursor.fetchall(), key=repr))
    return found


def _whole(path: Path) -> str:
    with contextlib.closing(sqlite3.connect(path)) as conn:
        return "\n".join(conn.iterdump())


@pytest.fixture(params=RELEASED)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "bench.db"
    _journal_of(request.param, path)
    return path


@pytest.fixture
def coming(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """The program is of the next version. fails: called at the end of its step."""

    def come(fails: Callable[[Database], None] | None = None) -> None:
        monkeypatch.setattr(schema, "MIGRATIONS", _with_next(fails))

    return come


NOW = Now(T0 + 9e5, 0.0)


def test_every_row_is_there_after_the_upgrade_and_in_the_copy(
    old: Path, coming: Callable[..., None]
) -> None:
    before, whole, version = _every_row(old), _whole(old), open_reader(old, older=True).version
    coming()
    with Journal.open(old, now=NOW) as journal:
        done = journal.upgraded
        assert done is not None
        assert (done.was, done.now) == (version, "next")
    assert _whole(done.copy) == whole
    assert done.copy.name.startswith(f"bench.db.version-{version}-20")
    after = _every_row(old, like=before)
    told = after["event"].rows.pop()
    assert told[2:4] == ("journal_upgraded", "site")
    assert done.copy.name in str(told[4])
    steps = after["_sqlite_migrations"].rows
    assert "next" in str(steps)
    steps[:] = [row for row in steps if row in before["_sqlite_migrations"].rows]
    changed = {name for name in before if before[name] != after[name]}
    assert changed <= {"probe", "sqlite_sequence"}
    assert set(before["probe"].rows) <= set(after["probe"].rows)


def test_upgraded_journal_is_written_and_read_on(old: Path, coming: Callable[..., None]) -> None:
    coming()
    with pytest.raises(JournalError, match=r"older Warmfoot \(table version .*`warmfoot upgrade`"):
        open_reader(old)
    with Journal.open(old, now=NOW) as journal:
        journal.begin_run(NOW, version="2", site_text="", boot_id="z")
        journal.write([EventRow(NOW.utc_s, "reload", "site", "a new bench file")])
    with open_reader(old) as reader:
        assert [event.kind for event in reader.events()][-1] == "reload"
        assert reader.batches()[0].plant == "Buxus sempervirens"
    with Journal.open(old, now=NOW) as journal:
        assert journal.upgraded is None
    assert len(upgrade.copies_of(old)) == 1, "nothing is copied where nothing is to be done"


def test_new_journal_leaves_no_copy(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "new.db", now=NOW) as journal:
        assert journal.upgraded is None
    assert upgrade.copies_of(tmp_path / "new.db") == []


def _broken_sql(db: Database) -> None:
    db.execute("THIS IS NOT SQL")


def _slip(_: Database) -> None:
    raise KeyError("a slip in the program")


def _orphans(db: Database) -> None:
    db.execute("PRAGMA defer_foreign_keys = ON")
    db.execute("DROP TRIGGER entry_update_refused")
    db.execute("UPDATE entry SET batch = 999")


def _full_disk(_: Database) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def _rolled_back(db: Database) -> None:
    """As SQLite itself does when the disk is full."""
    db.execute("ROLLBACK")
    raise sqlite3.OperationalError("database or disk is full")


@pytest.mark.parametrize("fails", [_broken_sql, _slip, _orphans, _full_disk, _rolled_back])
def test_failed_upgrade_leaves_the_journal_as_it_was(
    old: Path, coming: Callable[..., None], fails: Callable[[Database], None]
) -> None:
    whole = _whole(old)
    coming(fails)
    for _ in range(3):
        with pytest.raises(JournalError, match=r"upgrade .* failed, and the journal is as it was"):
            Journal.open(old, now=NOW)
    assert _whole(old) == whole
    assert sorted(p.name for p in old.parent.iterdir()) == ["bench.db"], "tries pile up"


def test_control_goes_on_without_its_journal_when_the_upgrade_fails(
    old: Path, coming: Callable[..., None]
) -> None:
    coming(_slip)
    journal = Journal.closed(old)
    with pytest.raises(JournalError):
        journal.reopen(NOW.utc_s)
    assert not journal.opened
    recorder = Recorder(journal, threaded=False, clock=VirtualClock(NOW.utc_s))
    recorder.put([EventRow(NOW.utc_s, "reload", "site", "x")])
    assert not recorder.flush()
    coming()
    assert recorder.flush()
    recorder.close(NOW, "test over")
    kinds = [row[2] for row in _every_row(old)["event"].rows]
    assert kinds[-2:] == ["journal_upgraded", "reload"]


def test_copy_that_cannot_be_made_ends_it_before_anything_is_changed(
    old: Path, coming: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = _whole(old)
    coming()
    free = shutil.disk_usage(old.parent)._replace(free=old.stat().st_size)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: free)
    with pytest.raises(JournalError, match="a copy of the journal is made beside it: ") as caught:
        Journal.open(old, now=NOW)
    assert caught.value.trouble == "full"
    monkeypatch.undo()
    coming()
    monkeypatch.setattr(upgrade, "row_counts", lambda _: {"batch": 2})
    with pytest.raises(JournalError, match="the copy has "):
        Journal.open(old, now=NOW)
    monkeypatch.undo()
    assert _whole(old) == whole
    assert upgrade.copies_of(old) == []


def test_nobody_upgrades_under_a_program_that_still_keeps_the_bench(
    old: Path, coming: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = _whole(old)
    coming()
    monkeypatch.setattr(upgrade, "LOCK_WAIT_S", 0.0)
    with (
        FileLock(old.with_name("bench.db.lock")),
        pytest.raises(JournalError, match="still the old one: start it anew"),
    ):
        Journal.open(old)
    assert _whole(old) == whole
    with Journal.open(old) as journal:
        assert journal.upgraded is not None


@pytest.mark.parametrize("kept_before", [True, False])
def test_two_who_open_it_at_once_upgrade_it_once(
    old: Path, coming: Callable[..., None], kept_before: bool
) -> None:
    before = _every_row(old)
    coming()
    if kept_before:
        old.with_name("bench.db.lock").touch()

    def open_it(_: int) -> bool:
        with Journal.open(old) as journal:
            return journal.upgraded is not None

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(open_it, range(4))) == [False, False, False, True]
    assert len(upgrade.copies_of(old)) == 1
    assert _every_row(old, like=before)["minute"] == before["minute"]


def test_what_a_power_cut_left_of_a_copy_is_cleared_away(
    old: Path, coming: Callable[..., None]
) -> None:
    left = old.with_name("bench.db.version-1-20260302T031500Z.part")
    left.write_bytes(b"half")
    coming()
    with Journal.open(old, now=NOW) as journal:
        assert journal.upgraded is not None
    assert not left.exists()
    assert len(upgrade.copies_of(old)) == 1


def test_copy_belongs_to_those_who_have_the_journal(old: Path, coming: Callable[..., None]) -> None:
    old.chmod(0o660)
    if os.geteuid() == 0:
        os.chown(old, 990, 990)
    coming()
    with Journal.open(old, now=NOW) as journal:
        assert journal.upgraded is not None
        held, copied = old.stat(), journal.upgraded.copy.stat()
    assert copied.st_mode == held.st_mode
    assert (copied.st_uid, copied.st_gid) == (held.st_uid, held.st_gid)


def test_older_journal_is_still_backed_up(old: Path, coming: Callable[..., None]) -> None:
    whole = _whole(old)
    coming()
    backup(old, old.with_name("copy.db"))
    assert _whole(old.with_name("copy.db")) == whole


_KILLED = """
import sqlite3, sys, os, signal
from pathlib import Path
from sqlite_utils import Database
sys.path.insert(0, {tests!r})
import test_upgrade
from controller.journal import schema
from controller.journal.writer import Journal
def die(db):
    db.conn.execute("PRAGMA cache_spill = ON")
    os.kill(os.getpid(), signal.SIGKILL)
schema.MIGRATIONS = test_upgrade._with_next(die)
Journal.open(Path({path!r}), now=test_upgrade.NOW)
"""


def test_power_cut_in_the_middle_leaves_journal_and_copy(old: Path) -> None:
    whole = _whole(old)
    code = _KILLED.format(tests=str(Path(__file__).parent), path=str(old))
    done = subprocess.run([sys.executable, "-P", "-c", code], env={**os.environ}, check=False)
    assert done.returncode == -9
    assert _whole(old) == whole
    (copy,) = upgrade.copies_of(old)
    assert _whole(copy) == whole


def test_command_says_what_was_done_and_then_that_there_is_nothing(
    old: Path, coming: Callable[..., None]
) -> None:
    def ask(path: Path) -> Result:
        return CliRunner().invoke(main, ["upgrade", "--journal", str(path)])

    coming()
    refused = CliRunner().invoke(main, ["review", "--journal", str(old)])
    assert (refused.exit_code, "`warmfoot upgrade` brings it up" in refused.output) == (4, True)
    said = ask(old).output
    (copy,) = upgrade.copies_of(old)
    assert f"to next; as it was before it is kept as {copy.name}" in said
    assert "nothing to do" in ask(old).output
    empty = old.with_name("empty.db")
    empty.touch()
    assert ask(empty).exit_code == 4
    assert empty.stat().st_size == 0
