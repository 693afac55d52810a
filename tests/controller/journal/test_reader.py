"""What the journal answers, beside a running controller."""

import time
from math import nan
from pathlib import Path

import numpy as np
import pytest

from controller.journal.acts import ask_and_wait
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Act, MinuteRow, ReasonRow, RelayRow
from sensors.clock import Now

BASE = "north.left.base1"


def minute(t_s: int, mean: float = 20.0) -> MinuteRow:
    return MinuteRow(t_s, BASE, mean, mean, mean, 6, 1)


def test_minutes_are_those_begun_in_the_stretch(journal: Journal, path: Path, t0: int) -> None:
    journal.write([minute(t0 + 60 * i, float(i)) for i in range(10)])
    with open_reader(path) as reader:
        found = reader.minutes([BASE, "north.air", "nobody"], t0 + 120, t0 + 300)
        means = reader.means([BASE], t0 + 120, t0 + 300)[BASE]
    assert found[BASE].t_s.tolist() == [t0 + 120, t0 + 180, t0 + 240]
    assert found[BASE].mean_milli.tolist() == [2000, 3000, 4000]
    assert [len(found[name].t_s) for name in ("north.air", "nobody")] == [0, 0]
    assert [a.tolist() for a in means] == [a.tolist() for a in found[BASE][:3]]


@pytest.mark.usefixtures("journal")
def test_reader_can_not_write(path: Path) -> None:
    with open_reader(path) as reader, pytest.raises(JournalError, match="read-only"):
        reader.query("DELETE FROM event")


def test_reader_does_not_hold_up_the_writer(journal: Journal, path: Path, t0: int) -> None:
    with open_reader(path) as reader:
        for index in range(50):
            journal.write([minute(t0 + 60 * index)])
            reader.minutes([BASE], 0, 2e9)
        assert journal.query("PRAGMA wal_checkpoint(TRUNCATE)") == [(0, 0, 0)]
    assert path.with_name("bench.db-wal").stat().st_size == 0


def test_missing_file_and_other_files_are_plain_errors(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no journal there"):
        open_reader(tmp_path / "none.db")
    assert not (tmp_path / "none.db").exists()
    (tmp_path / "empty.db").touch()
    with pytest.raises(JournalError, match="an empty file"):
        open_reader(tmp_path / "empty.db")
    (tmp_path / "text.db").write_text("hello " * 1000)
    with pytest.raises(JournalError, match="not a database"):
        open_reader(tmp_path / "text.db")


def test_gaps_are_given_with_what_is_known_of_their_cause(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([minute(t0 + 60 * i) for i in range(10)])
    journal.end_run(Now(t0 + 605.0, 0.0), "signal SIGTERM")
    journal.begin_run(Now(t0 + 4000.0, 0.0), version="1", site_text="", boot_id="b")
    journal.write([minute(t0 + 4020 + 60 * i) for i in range(10)])
    journal.write([minute(t0 + 9000 + 60 * i) for i in range(10)])
    with open_reader(path) as reader:
        found = reader.gaps(t0 - 1000.0, t0 + 10_000.0)
        assert reader.gaps(t0, t0 + 600.0) == []
    assert [(gap.from_s - t0, gap.to_s - t0) for gap in found] == [
        (-1000, 0), (600, 4020), (4620, 9000),
    ]  # fmt: skip
    assert [gap.cause for gap in found] == [
        "before the first run", "the controller was not running: signal SIGTERM",
        "no cause recorded",
    ]  # fmt: skip


def test_last_decisions_come_newest_last(journal: Journal, path: Path, t0: int) -> None:
    rows = [ReasonRow(t0 + i, "north.left", f"c{i}", "words", "normal", 0.5) for i in range(5)]
    journal.write(rows)
    with open_reader(path) as reader:
        assert reader.reasons("north.left", last=2) == rows[-2:]
        assert reader.latest_reasons() == {"north.left": rows[-1]}
        assert reader.decisions(t0 + 1, t0 + 3) == rows[1:3]
        assert reader.decisions(t0, t0 + 9, place="north.right") == []


def test_asked_act_without_a_controller_has_no_answer(
    journal: Journal, path: Path, t0: int
) -> None:
    assert ask_and_wait(path, Act("burst", "north", "Ann"), at_s=t0, wait_s=0.0) is None
    assert len(journal.new_acts(0)) == 1


def test_relay_sums_are_exact(journal: Journal, path: Path, t0: int) -> None:
    journal.write([RelayRow(t0 + 60 * i, "north.left.mat", 0.1, 1) for i in range(1000)])
    with open_reader(path) as reader:
        sums = reader.relay_sums(["north.left.mat", "north.mister"], t0, t0 + 60_000)
    assert sums == {"north.left.mat": (100.0, 1000), "north.mister": (0.0, 0)}


def test_reading_takes_the_newest_probe_when_a_name_changed_its_kind(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([minute(t0)])
    with journal.changing() as conn:
        conn.execute("INSERT INTO probe (name, kind, unit) VALUES (?, 'old', 'F')", (BASE,))
    journal.write([MinuteRow(t0 + 60, BASE, nan, nan, nan, 0, 9)])
    with open_reader(path) as reader:
        assert reader.minutes([BASE], t0, t0 + 120)[BASE].n.tolist() == [6, 0]


@pytest.mark.benchmark
def test_six_weeks_are_read_about_as_fast_as_a_plain_query(path: Path, t0: int) -> None:
    import sqlite3

    minutes = 6 * 7 * 1440
    with Journal.open(path, durable=False) as journal:
        journal.begin_run(Now(float(t0), 0.0), version="1", site_text="", boot_id="b")
        names = [f"north.left.base{i}" for i in range(8)]
        for start in range(0, minutes, 1440):
            journal.write([
                MinuteRow(60 * (start + i), name, 20.0 + i / 999, 19.0, 23.0, 6, 1)
                for i in range(1440) for name in names
            ])  # fmt: skip
    ours, plain = [], []
    for _ in range(5):
        start = time.perf_counter()
        conn = sqlite3.connect(path)
        rows = conn.execute(
            "SELECT t, mean FROM minute WHERE probe = 3 AND t >= 0 AND t < ? ORDER BY t",
            (60 * minutes,),
        ).fetchall()
        np.array(rows, dtype=np.int64)
        conn.close()
        plain.append(time.perf_counter() - start)
        start = time.perf_counter()
        with open_reader(path) as reader:
            assert len(reader.means([names[2]], 0, 60 * minutes)[names[2]][0]) == minutes
        ours.append(time.perf_counter() - start)
    print(f"six weeks of one probe: plain {min(plain):.3f} s, ours {min(ours):.3f} s")
    assert min(ours) <= 1.5 * min(plain)
