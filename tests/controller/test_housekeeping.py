"""The night's work on the journal."""

from datetime import datetime
from pathlib import Path

import pytest

from config.load import loads
from config.model import Site
from controller.housekeeping import Housekeeper
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import MinuteRow
from sensors.clock import Now
from simulator.clock import VirtualClock

TEXT = """
site = {{ name = "Tray", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }}
links.board = {{ kind = "memory" }}
journal = {{ keep_minutes_days = 30, backup_dir = "{folder}", backups_kept = 2 }}
[benches.tray.bays.only]
probes = [{{ link = "board", channel = "base1", kind = "base_temperature" }}]
mat = {{ link = "board", channel = "mat1", power_w = 25 }}
"""
EVENING = datetime.fromisoformat("2026-03-02T22:00+00:00").timestamp()
DAY_S = 86400.0


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return loads(TEXT.format(folder=tmp_path / "copies"), "test")


@pytest.fixture
def journal(tmp_path: Path, site: Site) -> Path:
    path = tmp_path / "j.db"
    with Journal.open(path, site=site) as kept:
        kept.begin_run(Now(EVENING, 0.0), version="1", site_text="x", boot_id="b")
        old_s = int(EVENING - 40 * DAY_S) // 3600 * 3600
        new_s = int(EVENING - DAY_S) // 3600 * 3600
        kept.write(
            [
                MinuteRow(at_s + 60 * i, "tray.only.base1", 20.0, 19.0, 21.0, 6, 1)
                for at_s in (old_s, new_s)
                for i in range(60)
            ]
        )
    return path


def _minutes(path: Path) -> int:
    with open_reader(path) as reader:
        return int(reader.query("SELECT count(*) FROM minute")[0][0])


def test_nothing_is_done_before_the_night(site: Site, journal: Path, tmp_path: Path) -> None:
    clock = VirtualClock(EVENING)
    keeper = Housekeeper(site, journal, clock, lambda *_: None)
    clock.advance(4 * 3600)
    assert not keeper.work()
    assert not (tmp_path / "copies").exists()


def test_old_minutes_are_thinned_and_a_sound_copy_is_kept(
    site: Site, journal: Path, tmp_path: Path
) -> None:
    clock = VirtualClock(EVENING)
    keeper = Housekeeper(site, journal, clock, lambda *_: None)
    assert _minutes(journal) == 120
    clock.advance(6 * 3600)
    assert keeper.work()
    assert not keeper.work(), "once a night"
    assert _minutes(journal) == 60
    (copy,) = (tmp_path / "copies").iterdir()
    assert copy.name == "j-2026-03-03.db"
    assert _minutes(copy) == 60


def test_only_the_newest_copies_are_kept(site: Site, journal: Path, tmp_path: Path) -> None:
    clock = VirtualClock(EVENING)
    keeper = Housekeeper(site, journal, clock, lambda *_: None)
    for _ in range(4):
        clock.advance(DAY_S)
        assert keeper.work()
    names = sorted(path.name for path in (tmp_path / "copies").iterdir())
    assert names == ["j-2026-03-05.db", "j-2026-03-06.db"]


def test_a_failed_copy_is_told_and_tried_the_next_night(
    site: Site, journal: Path, tmp_path: Path
) -> None:
    told: list[tuple[str, str, str]] = []
    (tmp_path / "copies").write_text("in the way")
    clock = VirtualClock(EVENING)
    keeper = Housekeeper(site, journal, clock, lambda *event: told.append(event))
    clock.advance(DAY_S)
    assert keeper.work()
    assert [event[0] for event in told] == ["housekeeping_failed"]
    (tmp_path / "copies").unlink()
    clock.advance(DAY_S)
    assert keeper.work()
    assert len(told) == 1
    assert len(list((tmp_path / "copies").iterdir())) == 1


def test_an_untrusted_clock_starts_nothing(site: Site, journal: Path, tmp_path: Path) -> None:
    clock = VirtualClock(EVENING, trusted=False)
    keeper = Housekeeper(site, journal, clock, lambda *_: None)
    clock.advance(DAY_S)
    assert not keeper.work()
    assert not (tmp_path / "copies").exists()
