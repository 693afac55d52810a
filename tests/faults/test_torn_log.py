"""Power cut in the midst of writing: the log cut, torn or full of holes, and the journal opens.

The frames are those of SQLite's write-ahead log: a header of 32 bytes, then frames of 24 bytes and
a page (sqlite.org, "Database File Format", 4).
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final, NamedTuple

import pytest
from watched import bench_text

from config.load import loads
from controller.journal.writer import Journal
from controller.records import EventRow, MinuteRow
from sensors.clock import Now

HEADER: Final = 32
FRAME: Final = 24
NOW: Final = Now(1_772_452_800.0, 0.0)
COMMITS: Final = 12


class Torn(NamedTuple):
    """A journal as it lay on the disk at the cut. commits: frames after which each was whole."""

    path: Path
    log: bytes
    page: int
    commits: list[int]


@pytest.fixture(scope="module")
def torn(tmp_path_factory: pytest.TempPathFactory) -> Torn:
    folder = tmp_path_factory.mktemp("torn")
    path = folder / "bench.db"
    journal = Journal.open(path, site=loads(bench_text(), "bench.toml"), now=NOW)
    journal.begin_run(NOW, version="1", site_text="", boot_id="b")
    journal.query("PRAGMA wal_checkpoint(TRUNCATE)")
    log = path.with_name("bench.db-wal")
    (page,) = journal.query("PRAGMA page_size")[0]
    commits = []
    for number in range(COMMITS):
        t_s = int(NOW.utc_s) + 60 * number
        rows = [MinuteRow(t_s, f"north.p{i}", 20.0, 20.0, 20.0, 6, 1) for i in range(40)]
        journal.write([*rows, EventRow(float(t_s), "test", "site", str(number))])
        commits.append((log.stat().st_size - HEADER) // (FRAME + page))
    kept = folder / "cut.db"
    shutil.copy(path, kept)
    content = log.read_bytes()
    journal.close()
    return Torn(kept, content, page, commits)


def opened(torn: Torn, folder: Path, log: bytes | None) -> list[int]:
    """Numbers of the lots that are there after a start on such a log; it must be sound."""
    path = folder / "bench.db"
    for tail in ("", "-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    shutil.copy(torn.path, path)
    if log is not None:
        path.with_name("bench.db-wal").write_bytes(log)
    with Journal.open(path, now=NOW) as journal:
        assert journal.set_aside is None, "a sound journal was put aside"
        assert journal.query("PRAGMA integrity_check") == [("ok",)]
        journal.begin_run(NOW, version="1", site_text="", boot_id="b")
        journal.write([EventRow(NOW.utc_s, "after", "site", "it takes rows again")])
        events = journal.query("SELECT text FROM event WHERE kind = 'test' ORDER BY id")
        minutes = journal.query("SELECT count(*) FROM minute")[0][0]
    lots = [int(text) for (text,) in events]
    assert minutes == 40 * len(lots), "a lot is there in part"
    return lots


def whole_in(torn: Torn, frames: float) -> list[int]:
    return [number for number, needed in enumerate(torn.commits) if needed <= frames]


def test_log_cut_anywhere_opens_clean(torn: Torn, tmp_path: Path) -> None:
    """At every frame boundary and in the middle of every frame: the lots before, none in part."""
    size = FRAME + torn.page
    assert torn.commits[-1] >= 2 * COMMITS
    for frame in range(torn.commits[-1] + 1):
        for inside in (0, 7, FRAME, size // 2, size - 1):
            cut = torn.log[: HEADER + frame * size + inside]
            if len(cut) > len(torn.log):
                break
            assert opened(torn, tmp_path, cut) == whole_in(torn, frame), (frame, inside)


def test_page_that_never_reached_the_disk_ends_the_log_there(torn: Torn, tmp_path: Path) -> None:
    """A drive that lost one write of the log: what came after it is not taken for whole."""
    size = FRAME + torn.page
    for frame in range(torn.commits[-1]):
        start = HEADER + frame * size
        hole = torn.log[:start] + bytes(size) + torn.log[start + size :]
        assert opened(torn, tmp_path, hole) == whole_in(torn, frame), frame
        bit = bytearray(torn.log)
        bit[start + FRAME + 100] ^= 4
        assert opened(torn, tmp_path, bytes(bit)) == whole_in(torn, frame), frame


@pytest.mark.parametrize("log", [None, b"", b"\0" * 32, b"rubbish" * 100])
def test_log_deleted_or_overwritten(torn: Torn, tmp_path: Path, log: bytes | None) -> None:
    assert opened(torn, tmp_path, log) == []


def test_the_very_first_start_cut_while_tables_are_made(tmp_path: Path) -> None:
    path = tmp_path / "new.db"
    journal = Journal.open(path, now=NOW)
    log = path.with_name("new.db-wal").read_bytes()
    main = path.read_bytes()
    journal.close()
    with closing(sqlite3.connect(path)) as conn:
        (page,) = conn.execute("PRAGMA page_size").fetchone()
    for frame in range((len(log) - HEADER) // (FRAME + page)):
        for tail in ("", "-wal", "-shm"):
            path.with_name(path.name + tail).unlink(missing_ok=True)
        path.write_bytes(main)
        path.with_name("new.db-wal").write_bytes(log[: HEADER + frame * (FRAME + page) + 11])
        with Journal.open(path, now=NOW) as again:
            again.begin_run(NOW, version="1", site_text="", boot_id="b")
            assert again.query("PRAGMA integrity_check") == [("ok",)]
