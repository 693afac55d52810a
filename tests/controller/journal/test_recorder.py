"""The recorder takes every row at once and loses none, whatever the disk does."""

import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from config.model import Site
from controller.journal import recorder as module
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.recorder import Recorder, buffer_hours
from controller.journal.writer import Journal, Recordable
from controller.records import Act, AlarmChanged, AlarmRow, EventRow, MinuteRow, ReasonRow, StateRow
from sensors.clock import Now

BASE = "north.left.base1"


class HandClock:
    def __init__(self) -> None:
        self.mono_s = 1000.0

    def now(self) -> Now:
        return Now(1_772_409_600.0 + self.mono_s, self.mono_s)

    def wait_until(self, mono_s: float) -> None:
        self.mono_s = max(self.mono_s, mono_s)


def minute(t_s: int, mean: float = 20.0) -> MinuteRow:
    return MinuteRow(t_s, BASE, mean, mean, mean, 6, 1)


def alarm(at_s: float) -> AlarmRow:
    return AlarmRow(at_s, AlarmChanged("cold_base", "north.left", "NORM", "UNACK", 2, "cold"))


def until(true: Callable[[], bool], deadline_s: float = 20.0) -> None:
    end_s = time.monotonic() + deadline_s
    while not true():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.01)


def minutes_in(path: Path) -> int:
    with open_reader(path) as reader:
        return int(reader.query("SELECT count(*) FROM minute")[0][0])


def break_store(journal: Journal, error: Exception) -> Callable[[], None]:
    """Make every write fail until the returned function is called."""
    real = journal.write

    def fail(_rows: list[Recordable]) -> None:
        raise error

    journal.write = fail  # type: ignore[method-assign, assignment]

    def mend() -> None:
        journal.write = real  # type: ignore[method-assign]

    return mend


@pytest.fixture
def inline(journal: Journal) -> Iterator[Recorder]:
    recorder = Recorder(journal, threaded=False, clock=HandClock())
    yield recorder
    recorder.close(Now(1.8e9, 0.0), "stopped")


@pytest.fixture
def threaded(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> Iterator[Recorder]:
    monkeypatch.setattr(module, "POLL_S", 0.02)
    monkeypatch.setattr(module, "RETRY_S", 0.05)
    before = threading.active_count()
    recorder = Recorder(journal)
    yield recorder
    recorder.close(Now(1.8e9, 0.0), "stopped")
    assert threading.active_count() == before


# -- inline -----------------------------------------------------------------------------------


def test_inline_minutes_wait_and_an_alarm_is_written_at_once(
    inline: Recorder, path: Path, t0: int
) -> None:
    inline.put([minute(t0)])
    assert minutes_in(path) == 0
    inline.put([alarm(t0 + 5.0)])
    assert minutes_in(path) == 1
    with open_reader(path) as reader:
        assert reader.alarms() == [alarm(t0 + 5.0)]


def test_inline_commits_once_for_an_hour_of_minutes(inline: Recorder, path: Path, t0: int) -> None:
    for index in range(2 * module.INLINE_ROWS):
        inline.put([minute(t0 + 60 * index), StateRow(t0 + 60.0 * index, str(index))])
    assert inline.health().commits == 2
    assert minutes_in(path) == 2 * module.INLINE_ROWS


def test_close_writes_what_waits_and_the_end_of_the_run(
    journal: Journal, path: Path, t0: int
) -> None:
    recorder = Recorder(journal, threaded=False, clock=HandClock())
    recorder.put([minute(t0), StateRow(t0 + 1.0, "last")])
    assert recorder.close(Now(t0 + 60.0, 0.0), "signal SIGTERM") == 0
    assert recorder.close(Now(t0 + 99.0, 0.0), "again") == 0
    with open_reader(path) as reader:
        assert reader.last_state() == StateRow(t0 + 1.0, "last")
        assert (reader.runs()[0].reason, reader.runs()[0].stopped_s) == ("signal SIGTERM", t0 + 60)
    assert minutes_in(path) == 1


def test_inline_inbox_gives_batches_first_and_acts_once(
    inline: Recorder, path: Path, t0: int
) -> None:
    assert inline.inbox() == ([], [])
    assert inline.inbox() == ([], None)
    with Journal.open(path) as other:
        number = other.ask(Act("burst", "north", "Ann", span_s=5.0), t0)
    acts, batches = inline.inbox()
    assert [act.number for act in acts] == [number]
    assert batches == []
    assert inline.inbox() == ([], None)


# -- a store that fails -----------------------------------------------------------------------


def test_rows_wait_while_the_disk_is_full_and_all_go_in_afterwards(
    journal: Journal, path: Path, t0: int
) -> None:
    clock = HandClock()
    recorder = Recorder(journal, threaded=False, clock=clock)
    recorder.put([alarm(t0)])
    pages = journal.query("PRAGMA page_count")[0][0]
    journal.query(f"PRAGMA max_page_count = {pages}")
    clock.mono_s = 2000.0
    for index in range(3000):
        recorder.put([minute(t0 + 60 * index)])
    health = recorder.health()
    assert not health.ok
    assert "disk is full" in health.why
    assert health.failed_since_s == 2000.0
    assert health.buffered_rows > 2000
    journal.query("PRAGMA max_page_count = 1000000")
    recorder.put([alarm(t0 + 9.0)])
    for index in range(module.INLINE_ROWS):
        recorder.put([minute(t0 + 60 * (3000 + index))])
    assert recorder.health().ok
    assert recorder.close(clock.now(), "stopped") == 0
    assert minutes_in(path) == 3000 + module.INLINE_ROWS
    with open_reader(path) as reader:
        assert len(reader.alarms()) == 2


def test_rows_keep_their_order_through_a_failure(journal: Journal, path: Path, t0: int) -> None:
    recorder = Recorder(journal, threaded=False, clock=HandClock())
    mend = break_store(journal, JournalError("locked", "locked"))
    for index in range(20):
        recorder.put([EventRow(t0 + float(index), "test", "site", str(index))])
        assert not recorder.flush()
    mend()
    recorder.flush()
    with open_reader(path) as reader:
        ids = reader.query("SELECT text FROM event ORDER BY id")
    assert [text for (text,) in ids] == [str(index) for index in range(20)]
    recorder.close(Now(t0, 0.0), "stopped")


def test_full_buffer_drops_old_minutes_and_says_so_but_never_an_alarm(
    journal: Journal, path: Path, t0: int
) -> None:
    recorder = Recorder(journal, threaded=False, clock=HandClock(), capacity=1000)
    mend = break_store(journal, JournalError("full", "full"))
    for index in range(30):
        recorder.put([alarm(t0 + float(index))])
    for index in range(3000):
        recorder.put([minute(t0 + 60 * index)])
    assert recorder.health().buffered_rows <= 1000
    lost = recorder.health().lost_rows
    assert lost > 1900
    mend()
    assert recorder.flush()
    with open_reader(path) as reader:
        assert len(reader.alarms()) == 30
        (event,) = reader.events()
        newest = reader.query("SELECT max(t) FROM minute")
    assert event.text.startswith(f"{lost} minute rows")
    assert minutes_in(path) == 3000 - lost
    assert newest == [(t0 + 60 * 2999,)]
    recorder.close(Now(t0, 0.0), "stopped")


def test_one_bad_row_does_not_hold_up_the_others(inline: Recorder, path: Path, t0: int) -> None:
    inline.put([minute(t0), minute(t0 + 60, float("nan")), minute(t0 + 120), alarm(t0)])
    assert inline.health().ok
    assert minutes_in(path) == 2
    with open_reader(path) as reader:
        assert len(reader.alarms()) == 1
        (event,) = reader.events()
    assert event.kind == "record_refused"
    assert "mean nan" in event.text


def test_file_that_breaks_while_running_is_replaced_and_the_run_goes_on(
    journal: Journal, path: Path, t0: int
) -> None:
    recorder = Recorder(journal, threaded=False, clock=HandClock())
    recorder.put([alarm(t0)])
    journal.query("PRAGMA wal_checkpoint(TRUNCATE)")
    journal.query("PRAGMA shrink_memory")  # so that it must look at the file again
    path.write_bytes(b"\xa5" * 200_000)
    recorder.put([minute(t0), alarm(t0 + 1.0)])
    assert recorder.health().ok, recorder.health().why
    recorder.close(Now(t0 + 60.0, 0.0), "stopped")
    assert list(path.parent.glob("bench.db.broken-*"))
    with open_reader(path) as reader:
        assert reader.alarms() == [alarm(t0 + 1.0)]
        assert [run.boot_id for run in reader.runs()] == ["boot-a"]
        assert [event.kind for event in reader.events()] == ["journal_rescued"]


def test_journal_that_could_not_be_opened_at_the_start_takes_everything_later(
    tmp_path: Path, site: Site, now: Now, t0: int
) -> None:
    (tmp_path / "mnt").write_text("not a folder yet")
    path = tmp_path / "mnt" / "bench.db"
    journal = Journal.closed(path, site=site)
    with pytest.raises(JournalError):
        journal.reopen(now.utc_s)
    assert not journal.opened
    assert journal.last_state() is None
    assert journal.begin_run(now, version="1", site_text="x", boot_id="b") == 0
    recorder = Recorder(journal, threaded=False, clock=HandClock())
    recorder.put([minute(t0), alarm(t0)])
    assert not recorder.health().ok
    (tmp_path / "mnt").unlink()
    recorder.flush()
    assert recorder.health().ok
    recorder.close(Now(t0 + 60.0, 0.0), "stopped")
    assert minutes_in(path) == 1
    with open_reader(path) as reader:
        assert [(run.started_s, run.reason) for run in reader.runs()] == [(now.utc_s, "stopped")]


def test_buffer_spans_days_of_a_small_bench(site: Site) -> None:
    # 5 probes, 2 mats, 1 mister and the odd decision: 9 rows a minute
    assert buffer_hours(site) == pytest.approx(50_000 / 9 / 60)


# -- threaded ---------------------------------------------------------------------------------


def test_worker_writes_alarms_soon_and_decisions_with_the_next_rows(
    threaded: Recorder, path: Path, t0: int
) -> None:
    threaded.put([ReasonRow(t0 + 1.0, "north.left", "heat", "cold", "normal", 0.5)])
    threaded.put([alarm(t0 + 2.0)])
    until(lambda: threaded.health().commits >= 1)
    with open_reader(path) as reader:
        assert len(reader.alarms()) == 1
        assert len(reader.reasons("north.left")) == 1


def test_worker_brings_other_programs_acts(threaded: Recorder, path: Path, t0: int) -> None:
    with Journal.open(path) as other:
        other.ask(Act("burst", "north", "Ann"), t0)
    got: list[Act] = []

    def asked() -> bool:
        got.extend(threaded.inbox()[0])
        return bool(got)

    until(asked)
    assert [act.kind for act in got] == ["burst"]


def test_slow_disk_never_holds_up_the_loop(journal: Journal, path: Path, t0: int) -> None:
    real, release = journal.write, threading.Event()

    def slow(rows: list[Recordable]) -> None:
        release.wait(30.0)
        real(rows)

    journal.write = slow  # type: ignore[method-assign, assignment]
    recorder = Recorder(journal)
    took = []
    for index in range(2000):
        start = time.perf_counter()
        recorder.put([minute(t0 + 60 * index)])
        recorder.inbox()
        recorder.health()
        took.append(time.perf_counter() - start)
    assert recorder.health().commits == 0
    assert sorted(took)[-10] < 0.005
    release.set()
    assert recorder.close(Now(t0, 0.0), "stopped") == 0
    assert minutes_in(path) == 2000


def test_close_does_not_wait_for_ever_for_a_dead_disk(journal: Journal, t0: int) -> None:
    release = threading.Event()
    real = journal.write
    journal.write = lambda _rows: release.wait(30.0)  # type: ignore[method-assign, assignment]
    recorder = Recorder(journal)
    recorder.put([alarm(t0)])
    until(lambda: recorder.health().buffered_rows == 0)
    start = time.monotonic()
    recorder.close(Now(t0, 0.0), "stopped", deadline_s=0.2)
    assert time.monotonic() - start < 3.0
    journal.write = real  # type: ignore[method-assign]
    release.set()
    assert recorder._thread is not None
    recorder._thread.join(10.0)


def test_worker_outlasts_another_program_that_locks_the_file(
    threaded: Recorder, journal: Journal, path: Path, t0: int
) -> None:
    journal.query("PRAGMA busy_timeout = 20")
    other = sqlite3.connect(path)
    other.execute("BEGIN IMMEDIATE")
    for index in range(50):
        threaded.put([minute(t0 + 60 * index), alarm(t0 + float(index))])
    until(lambda: not threaded.health().ok)
    assert "another program" in threaded.health().why
    before = threaded.progress
    until(lambda: threaded.progress > before)
    other.rollback()
    other.close()
    until(lambda: threaded.health().ok and not threaded.health().buffered_rows)
    assert minutes_in(path) == 50


def test_worker_survives_a_fault_in_the_program(
    threaded: Recorder, journal: Journal, path: Path, t0: int
) -> None:
    mend = break_store(journal, RuntimeError("a bug"))
    threaded.put([alarm(t0)])
    until(lambda: not threaded.health().ok)
    assert threaded.health().why == "a bug"
    mend()
    until(lambda: threaded.health().ok)
    with open_reader(path) as reader:
        assert len(reader.alarms()) == 1


# -- killed -----------------------------------------------------------------------------------

KILLER = """
import os, random, signal, sys, time
from pathlib import Path
from controller.journal.writer import Journal
from controller.records import EventRow, MinuteRow
from sensors.clock import Now

folder, rounds = Path(sys.argv[1]), int(sys.argv[2])
chance = random.Random(4)
for turn in range(rounds):
    path = folder / f"{turn}.db"
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        journal = Journal.open(path)
        journal.begin_run(Now(0.0, 0.0), version="1", site_text="", boot_id="b")
        count = 0
        while True:
            rows = [MinuteRow(60 * count, f"north.p{i}", 20.0, 20.0, 20.0, 6, 1) for i in range(8)]
            journal.write([*rows, EventRow(float(count), "test", "site", "x")])
            count += 1
            os.write(tell, b"%d\\n" % count)
    os.close(tell)
    first = os.read(told, 1 << 16)
    time.sleep(chance.uniform(0.0, 0.08))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    rest = b""
    while piece := os.read(told, 1 << 16):
        rest += piece
    os.close(told)
    committed = int((first + rest).decode().split()[-1])
    with Journal.open(path, now=Now(1e9, 0.0)) as journal:
        kept = journal.query("SELECT count(*), max(t) FROM minute")[0]
        events = journal.query("SELECT count(*) FROM event")[0][0]
        sound = journal.query("PRAGMA integrity_check") == [("ok",)]
        assert journal.set_aside is None
    whole = kept[0] == 8 * events and kept[1] == 60 * (events - 1)
    print(committed, events, int(sound and whole))
"""


def test_no_committed_row_is_lost_to_a_kill(tmp_path: Path) -> None:
    """SIGKILL at twenty random moments, with every commit synced as in the field."""
    done = subprocess.run(
        [sys.executable, "-c", KILLER, str(tmp_path), "20"],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    turns = [tuple(map(int, line.split())) for line in done.stdout.splitlines()]
    assert len(turns) == 20
    assert sum(committed for committed, _, _ in turns) > 100
    for committed, events, sound in turns:
        assert committed <= events <= committed + 1
        assert sound == 1
