"""The disk under a running bench: damaged, deleted, slow, held, read-only. Heat goes on."""

import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from cases import BASE1
from checker import judge
from sqlite_utils import Database
from watched import Watched

from controller.journal import schema
from controller.journal.reader import open_reader
from controller.journal.upkeep import thin
from controller.journal.writer import Journal
from controller.records import ActKind

Eventually = Callable[..., None]


SYNC_S = 8.0


def begun(folder: Path, *, threaded: bool = False, tick_s: float = 10.0) -> Watched:
    folder.mkdir(exist_ok=True)
    play = Watched(
        folder, start="2026-02-10T18:00", weather="frost", threaded=threaded, tick_s=tick_s
    )
    play.start()
    return play


def heats(play: Watched) -> bool:
    """Whether the mat was ordered on in the last half hour."""
    from_s = play.elapsed_s - 1800.0
    return any(o.leases_s["north.left.mat"] > 0 for o in play.found.orders if o.t_s > from_s)


def minutes_of(play: Watched) -> list[int]:
    """Times of the base probe's minutes in the journal."""
    with open_reader(play.journal_path) as reader:
        return [int(t) for t in reader.minutes([BASE1], 0, 4e9)[BASE1].t_s]


def overwrite_page(path: Path, table: str) -> None:
    """Spoil the first page of a table as worn flash does."""
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = conn.execute("PRAGMA page_size").fetchone()
        (root,) = conn.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)
        ).fetchone()
    content = bytearray(path.read_bytes())
    content[(root - 1) * page : root * page - 96] = b"\xa5" * (page - 96)
    path.write_bytes(content)


@pytest.mark.parametrize("harm", ["minute", "alarm_change", "empty", "half"])
def test_damaged_page_at_the_start(tmp_path: Path, harm: str) -> None:
    """The batch and the saved state are carried over where they can be read; heat goes on."""
    play = begun(tmp_path)
    number = play.stick()
    play.play(2.0)
    play.stop()
    path = play.journal_path
    if harm == "empty":
        path.write_bytes(b"")
    elif harm == "half":
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])
    else:
        overwrite_page(path, harm)
    play.start()
    play.play(1.0)
    assert heats(play)
    assert any(".broken-" in p.name for p in tmp_path.iterdir()), "the damaged file was not kept"
    if harm in ("minute", "alarm_change"):
        assert [batch.number for batch in play.kept.batches] == [number]
    play.stop()
    with open_reader(path) as reader:
        assert "journal_rescued" in {event.kind for event in reader.events()}


def test_eight_seconds_a_sync_hold_up_no_tick(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, eventually: Eventually
) -> None:
    """Each commit takes eight seconds of the bench's clock, four ticks; orders are as without.

    A tick that waited for a commit would stop that clock, so neither would ever end.
    """
    hours = 0.75
    quick = begun(tmp_path / "quick", tick_s=2.0)
    quick.play(hours)
    play = begun(tmp_path / "slow", threaded=True, tick_s=2.0)
    commit = Journal.write
    took_s: list[float] = []
    over = threading.Event()

    def slow(self: Journal, rows: list[object]) -> None:
        began_s = play.clock.now().mono_s
        given_up_s = time.monotonic() + 20.0
        while play.clock.now().mono_s < began_s + SYNC_S and not over.wait(0.0005):
            assert time.monotonic() < given_up_s, "the loop waits for the disk"
        took_s.append(play.clock.now().mono_s - began_s)
        commit(self, rows)  # type: ignore[arg-type]

    monkeypatch.setattr(Journal, "write", slow)
    most_waiting = 0
    while play.elapsed_s < hours * 3600.0:
        play.step()
        over.wait(0.0005)  # a busy machine gives the writer's thread its turn too
        most_waiting = max(most_waiting, play.kept.recorder.health().buffered_rows)
    over.set()
    assert len([t for t in took_s if t >= SYNC_S]) > 20
    assert max(look.took_s for look in play.found.looks) < 1.0
    assert most_waiting < 500, "rows pile up"
    eventually(lambda: not play.kept.recorder.health().buffered_rows, 20.0)
    run, other = play.finish(), quick.finish()
    assert run.orders == other.orders
    assert [v for v in judge(run) if v.invariant in ("I1", "I2", "I3", "I7", "I9")] == []
    assert minutes_of(play) == minutes_of(quick)


def test_heat_does_not_wait_for_a_journal_that_is_slow_to_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, eventually: Eventually
) -> None:
    """A start reads and syncs a dozen times; what it finds is taken up when it is there."""
    play = begun(tmp_path)
    number = play.stick()
    play.play(1.0)
    play.ask(ActKind.HOLD_MIST, "north", span_s=36000.0, value="off")
    play.kill()
    connect, there = schema.connect, threading.Event()

    def slow(path: Path, **more: Any) -> Database:
        assert there.wait(60.0)
        return connect(path, **more)

    monkeypatch.setattr(schema, "connect", slow)
    monkeypatch.setattr("controller.app.PATIENCE_S", 0.2)
    play.threaded = True
    begun_s = time.monotonic()
    play.restart()
    assert time.monotonic() - begun_s < 10.0
    play.play(0.75)
    assert heats(play)
    assert not play.kept.batches
    assert "still being opened" in play.kept.recorder.health().why
    assert play.kept.state.alarms["journal_failing", "site"].state == "UNACK"
    progress = play.kept.recorder.progress
    eventually(lambda: play.kept.recorder.progress > progress, 5.0)  # else systemd ends it
    there.set()
    eventually(lambda: not play.kept.recorder.health().buffered_rows, 20.0)

    def known() -> bool:
        play.step()
        return bool(play.kept.batches)

    eventually(known, 10.0)
    assert [batch.number for batch in play.kept.batches] == [number]
    assert play.kept.state.mist["north"].hold == "off"
    play.finish()
    assert {t - s for s, t in pairwise(minutes_of(play))} == {60}


def test_locked_for_an_hour_loses_no_row(tmp_path: Path, eventually: Eventually) -> None:
    play = begun(tmp_path, threaded=True)
    play.play(0.2)
    eventually(lambda: play.kept.recorder.health().commits > 0, 10.0)
    with closing(sqlite3.connect(play.journal_path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        play.play(1.0)
        assert heats(play)
    eventually(lambda: not play.kept.recorder.health().buffered_rows, 20.0)
    run = play.finish()
    assert [v for v in judge(run) if v.invariant in ("I1", "I2", "I3", "I7", "I9")] == []
    with open_reader(play.journal_path) as reader:
        base = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    assert set(base.t_s[1:] - base.t_s[:-1]) == {60}


def test_read_only_for_two_hours_loses_no_row(tmp_path: Path) -> None:
    """As when the system mounts a failing card read-only: SQLite refuses, and is asked again."""
    play = begun(tmp_path)
    play.play(1.0)
    play.kept.recorder.flush()
    conn = play.kept.recorder._journal._db.conn  # type: ignore[union-attr]
    conn.execute("PRAGMA query_only = ON")
    play._shown_s = float("inf")
    play.play(2.0)
    assert heats(play)
    assert not play.kept.recorder.flush()
    assert "mounted read-only" in play.kept.recorder.health().why
    assert play.kept.recorder.health().buffered_rows > 500
    conn.execute("PRAGMA query_only = OFF")
    play._shown_s = play.elapsed_s
    play.play(1.0)
    run = play.finish()
    run.allowed = frozenset({"journal_failing"})
    assert judge(run) == []
    with open_reader(play.journal_path) as reader:
        base = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    assert set(base.t_s[1:] - base.t_s[:-1]) == {60}
    assert len(base.t_s) >= 239


@pytest.mark.parametrize(
    "gone", ["bench.db", "bench.db*", "bench.db-wal", "bench.db-shm", "the folder"]
)
def test_journal_deleted_while_running_is_written_out_again(tmp_path: Path, gone: str) -> None:
    """Somebody cleans up. Nothing is lost, neither from before nor from after."""
    play = begun(tmp_path / "state")
    number = play.stick()
    play.play(1.0)
    if gone == "the folder":
        shutil.rmtree(tmp_path / "state")
    else:
        for part in (tmp_path / "state").glob(gone):
            part.unlink()
    play._shown_s = float("inf")
    play.play(1.0)
    assert heats(play)
    play.stop()
    with open_reader(play.journal_path) as reader:
        assert "journal_put_back" in {event.kind for event in reader.events()}
        assert [batch.number for batch in reader.batches()] == [number]
        base = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    assert len(base.t_s) >= 119
    assert set(base.t_s[1:] - base.t_s[:-1]) == {60}
    play.start()
    play.play(0.5)
    assert heats(play)


def test_journal_replaced_while_running_is_written_out_again_and_the_other_file_kept(
    tmp_path: Path,
) -> None:
    """Somebody moves an old copy into its place, without stopping the program first."""
    play = begun(tmp_path)
    play.stick()
    play.play(0.5)
    copy = tmp_path / "copy.db"
    with closing(sqlite3.connect(play.journal_path)) as conn, closing(sqlite3.connect(copy)) as to:
        conn.backup(to)
    content = copy.read_bytes()
    play.play(1.0)
    copy.replace(play.journal_path)
    play._shown_s = float("inf")
    play.play(0.5)
    play.stop()
    assert len(minutes_of(play)) >= 119
    assert not list(tmp_path.glob("*.again"))
    (kept,) = tmp_path.glob("bench.db.found-*")
    assert kept.read_bytes() == content
    with open_reader(play.journal_path) as reader:
        (told,) = [event.text for event in reader.events() if event.kind == "journal_put_back"]
        assert len(reader.batches()) == 1
    assert kept.name in told


def test_journal_that_is_a_link_is_written_out_again_where_it_points(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    real = tmp_path / "card" / "real.db"
    (tmp_path / "bench.db").symlink_to(real)
    play = begun(tmp_path)
    play.play(1.0)
    real.with_name("real.db-wal").unlink()
    play._shown_s = float("inf")
    play.play(0.5)
    play.stop()
    assert (tmp_path / "bench.db").readlink() == real
    assert len(minutes_of(play)) >= 89
    with open_reader(real) as reader:
        assert "journal_put_back" in {event.kind for event in reader.events()}


def test_journal_written_out_again_may_be_written_by_its_group_as_before(tmp_path: Path) -> None:
    umask = os.umask(0o002)
    try:
        play = begun(tmp_path)
        mode = play.journal_path.stat().st_mode
        play.journal_path.unlink()
        assert play.kept.recorder.flush()
    finally:
        os.umask(umask)
    assert play.journal_path.stat().st_mode == mode
    assert mode & 0o020


def test_crash_while_it_is_written_out_again_leaves_it_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new file is there, and the log of the one before still lies beside it."""
    play = begun(tmp_path / "state")
    play.play(1.0)
    play.kept.recorder.flush()
    before = minutes_of(play)
    play.journal_path.with_name("bench.db-shm").unlink()

    def cut(_self: Path, missing_ok: bool = False) -> None:
        if not missing_ok or _self.name.endswith("-wal"):
            shutil.copytree(tmp_path / "state", tmp_path / "after the cut")
            raise OSError("the power fails")

    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", cut)
        assert not play.kept.recorder.flush()
    left = tmp_path / "after the cut" / "bench.db"
    assert left.with_name("bench.db-wal").stat().st_size
    with closing(sqlite3.connect(left)) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with open_reader(left) as reader:
        assert [int(t) for t in reader.minutes([BASE1], 0, 4e9)[BASE1].t_s] == before


def test_two_that_each_write_out_their_own_do_not_fill_the_disk_with_copies(
    tmp_path: Path,
) -> None:
    play = begun(tmp_path)
    play._shown_s = float("inf")
    for _ in range(4):
        (tmp_path / "other").write_bytes(b"of another program")
        (tmp_path / "other").replace(play.journal_path)
        play.play(0.25)
        play.kept.recorder.flush()
    assert heats(play)
    assert len(list(tmp_path.glob("bench.db.found-*"))) == 1
    health = play.kept.recorder.health()
    assert "stop what does so" in health.why
    assert health.buffered_rows > 0
    play.journal_path.unlink()
    assert play.kept.recorder.flush()
    assert len(minutes_of(play)) >= 58


@pytest.mark.benchmark
@pytest.mark.timeout(900)
def test_two_years_of_minutes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A start, a day, and thinning on a journal of two years of five probes."""
    play = begun(tmp_path)
    play.stick()
    play.play(0.1)
    play.stop()
    first_s = int(play.found.utc0_s) - 730 * 86400
    with closing(sqlite3.connect(play.journal_path)) as conn:
        conn.execute(
            "WITH RECURSIVE m(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM m WHERE k < 1051199) "
            "INSERT OR IGNORE INTO minute SELECT ? + 60 * k, probe.id, 21000, 20900, 21100, 6, 1, 1"
            " FROM m, probe",
            (first_s,),
        )
        conn.commit()
    size_mb = play.journal_path.stat().st_size / 1e6
    begun_s = time.perf_counter()
    play.start()
    start_s = time.perf_counter() - begun_s
    play.play(24.0)
    slowest_s = max(look.took_s for look in play.found.looks)
    begun_s = time.perf_counter()
    play.show()
    show_s = time.perf_counter() - begun_s
    play.stop()
    begun_s = time.perf_counter()
    with Journal.open(play.journal_path) as journal:
        thinned = thin(journal, play.found.utc0_s - 365 * 86400)
    thin_s = time.perf_counter() - begun_s
    with capsys.disabled():
        print(
            f"\n{size_mb:.0f} MB: start {start_s:.2f} s, slowest tick {slowest_s:.2f} s, picture "
            f"{show_s:.2f} s, thinning {thin_s:.0f} s ({thinned})"
        )
    assert start_s < 10.0
    assert slowest_s < 2.0
    assert show_s < 1.0
