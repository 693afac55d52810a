"""Backup that can be restored, thinning that keeps the sums, CSV that a spreadsheet can trust."""

import contextlib
import csv
import io
import sqlite3
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from config.model import Site
from config.recipes import recipe_for
from controller.journal.batches import BatchBook
from controller.journal.errors import JournalError
from controller.journal.reader import open_reader
from controller.journal.upkeep import backup, export_csv, give_back_space, thin
from controller.journal.writer import Journal
from controller.records import AlarmChanged, AlarmRow, MinuteRow, ReasonRow, RelayRow, StateRow
from sensors.clock import Now

BASE = "north.left.base1"
DUBLIN = ZoneInfo("Europe/Dublin")


def minute(t_s: int, mean: float = 20.0) -> MinuteRow:
    return MinuteRow(t_s, BASE, mean, mean - 1.0, mean + 1.0, 6, 1)


def exported(path: Path, table: str, from_s: float, to_s: float) -> list[list[str]]:
    out = io.StringIO(newline="")
    count = export_csv(path, table, out, DUBLIN, from_s, to_s)  # type: ignore[arg-type]
    text = out.getvalue()
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == count + 1
    return rows


def test_backup_of_a_running_journal_is_restored_whole(
    journal: Journal, path: Path, tmp_path: Path, site: Site, t0: int
) -> None:
    book = BatchBook(journal, site, clock=lambda: float(t0))
    book.stick("Buxus", "semi_ripe", "north", "left", 9, t0, recipe=recipe_for("semi_ripe"))
    journal.write([*(minute(t0 + 60 * i) for i in range(500)), StateRow(t0 + 1.0, "state")])
    kept = tmp_path / "usb" / "kept.db"
    kept.parent.mkdir()
    backup(path, kept)
    journal.write([minute(t0 + 60 * 500)])
    assert sorted(p.name for p in kept.parent.iterdir()) == ["kept.db"]
    journal.close()
    for part in path.parent.glob("bench.db*"):
        part.unlink()
    kept.rename(path)
    with Journal.open(path, site=site, now=Now(t0 + 9e4, 0.0)) as restored:
        assert restored.set_aside is None
        assert restored.last_state() == StateRow(t0 + 1.0, "state")
        assert len(restored.open_batches()) == 1
        restored.begin_run(Now(t0 + 9e4, 0.0), version="1", site_text="", boot_id="b")
        restored.write([minute(t0 + 90_000)])
    with open_reader(path) as reader:
        assert len(reader.minutes([BASE], 0, 2e9)[BASE].t_s) == 501


@pytest.mark.usefixtures("journal")
def test_backup_never_writes_over_a_file_and_leaves_no_half_copy(
    path: Path, tmp_path: Path
) -> None:
    there = tmp_path / "there.db"
    there.write_text("mine")
    with pytest.raises(JournalError, match="there is a file already"):
        backup(path, there)
    assert there.read_text() == "mine"
    with pytest.raises(JournalError, match="no journal there"):
        backup(tmp_path / "none.db", tmp_path / "copy.db")
    assert not list(tmp_path.glob("copy*"))


@pytest.mark.parametrize("lost", ["start of a table", "page within"])
def test_a_copy_that_is_not_sound_is_told_and_taken_away(
    journal: Journal, path: Path, tmp_path: Path, t0: int, lost: str
) -> None:
    """A page that the disk has lost is copied without a word; only the check sees it."""
    journal.write([minute(t0 + 60 * i) for i in range(2000)])
    journal.close()
    with contextlib.closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        asked = "SELECT rootpage FROM sqlite_schema WHERE name = 'minute'"
        (root,) = conn.execute(asked).fetchone()
        (size,) = conn.execute("PRAGMA page_size").fetchone()
    page = root if lost == "start of a table" else path.stat().st_size // size
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(bytes(size))
    with pytest.raises(JournalError, match="the copy is not sound") as refused:
        backup(path, tmp_path / "copy.db")
    assert f"{path} itself is damaged" in str(refused.value)
    assert not list(tmp_path.glob("copy*"))


def test_thinning_keeps_means_extremes_and_relay_time(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([minute(t0 + 60 * i, 20.0 + (i % 60) / 10) for i in range(60 * 50)])
    journal.write([RelayRow(t0 + 60 * i, "north.left.mat", 30.0, 1) for i in range(60 * 50)])
    assert thin(journal, t0 + 48 * 3600 + 1800.0) == 60 * 48
    assert thin(journal, t0 + 48 * 3600 + 1800.0) == 0
    hours = journal.query("SELECT count(*), min(mean), max(mean), min(low), max(high) FROM hour")
    assert hours == [(48, 22950, 22950, 19000, 26900)]
    with open_reader(path) as reader:
        rows = reader.minutes([BASE], t0, t0 + 50 * 3600)[BASE]
        assert rows.t_s.tolist() == [t0 + 60 * i for i in range(60 * 50)]
        assert set(rows.mean_milli[: 48 * 60].tolist()) == {22950}
        assert rows.n.tolist() == [6] * (60 * 50)
        assert reader.gaps(t0, t0 + 50 * 3600) == []
        assert reader.relay_sums(["north.left.mat"], t0, t0 + 50 * 3600) == {
            "north.left.mat": (90_000.0, 3000)
        }
    assert journal.query("SELECT count(*) FROM minute") == [(120,)]


def test_thinned_hour_with_a_hole_does_not_become_whole(
    journal: Journal, path: Path, t0: int
) -> None:
    journal.write([minute(t0 + 60 * i) for i in range(20)])
    thin(journal, t0 + 3600.0)
    with open_reader(path) as reader:
        assert len(reader.minutes([BASE], t0, t0 + 3600)[BASE].t_s) == 20
        assert [g.to_s - g.from_s for g in reader.gaps(t0, t0 + 3600.0)] == [2400.0]


def test_freed_space_goes_back_to_the_disk(journal: Journal, path: Path, t0: int) -> None:
    journal.write([minute(t0 + 60 * i) for i in range(20_000)])
    give_back_space(journal)
    before = path.stat().st_size
    thin(journal, t0 + 60 * 20_000.0)
    give_back_space(journal)
    assert path.stat().st_size < before / 3
    assert path.with_name("bench.db-wal").stat().st_size == 0


def test_csv_has_units_and_both_times_on_a_clock_change_night(journal: Journal, path: Path) -> None:
    autumn_s = 1_792_890_000  # 2026-10-25T01:00Z, when 02:00 becomes 01:00 in Dublin
    journal.write([minute(autumn_s - 60, 20.5), minute(autumn_s, 20.25)])
    rows = exported(path, "minutes", autumn_s - 60, autumn_s + 60)
    assert rows[0] == [
        "utc", "local", "probe", "unit", "mean", "low", "high", "samples", "qartod_flag", "span_min"
    ]  # fmt: skip
    assert rows[1][:5] == [
        "2026-10-25T00:59:00Z", "2026-10-25T01:59:00+01:00", BASE, "degC", "20.5",
    ]  # fmt: skip
    assert rows[2][:2] == ["2026-10-25T01:00:00Z", "2026-10-25T01:00:00+00:00"]


def test_csv_cell_is_never_a_formula(journal: Journal, path: Path, t0: int) -> None:
    for index, text in enumerate(("=1+1", "+1", "-1", "@x", 'say "hot", now\r\nagain')):
        change = AlarmChanged("cold", "north", "NORM", "UNACK", 2, text)
        journal.write([AlarmRow(t0 + index, change)])
    texts = [row[7] for row in exported(path, "alarms", t0, t0 + 60)[1:]]
    assert texts == ["'=1+1", "'+1", "'-1", "'@x", 'say "hot", now\r\nagain']


def test_negative_number_stays_a_number_in_csv(journal: Journal, path: Path, t0: int) -> None:
    journal.write([minute(t0, -3.5)])
    assert exported(path, "minutes", t0, t0 + 60)[1][4] == "-3.5"


def test_every_table_can_be_exported(journal: Journal, path: Path, site: Site, t0: int) -> None:
    book = BatchBook(journal, site, clock=lambda: float(t0))
    held = book.stick("Buxus", "semi_ripe", "north", "left", 9, t0, recipe=recipe_for("semi_ripe"))
    book.enter(held.number, "lost", {"lost": "2", "cause": "dried"}, t0 + 60.0, "Ann")
    journal.write([
        RelayRow(t0, "north.left.mat", 12.5, 1),
        ReasonRow(t0, "north.left", "rest", "nothing stuck", "normal", float("nan")),
    ])  # fmt: skip
    assert exported(path, "relays", t0, t0 + 60)[1][2:] == ["north.left.mat", "12.5", "1", "1"]
    assert exported(path, "decisions", t0, t0 + 60)[1][-1] == ""
    assert exported(path, "batches", t0, t0 + 60)[1][3] == "Buxus"
    assert exported(path, "entries", t0, t0 + 600)[1][6] == "lost=2; cause=dried"
    assert len(exported(path, "events", t0, t0 + 60)) == 1
    with pytest.raises(JournalError, match="no table 'probes' to export"):
        exported(path, "probes", t0, t0 + 60)
