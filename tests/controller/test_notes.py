"""Notes of the day: tests due at half the usual days and then at the kind's interval, and steps."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from config.load import loads
from controller.batch_acts import BatchActs
from controller.decide.alarm_table import rows
from controller.histories import HistoryBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.notes import Note, notes

DAY = 86400.0
T0 = 1_772_445_600.0  # 2026-03-02 10:00 in Dublin
DUBLIN = ZoneInfo("Europe/Dublin")
SITE = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 120 }
"""  # noqa: E501


class Day:
    """A nursery whose clock the test sets."""

    def __init__(self, path: Path) -> None:
        self.path, self.day = path, 0.0
        self.acts = BatchActs(
            path, loads(SITE, "bench.toml"), "Ann", clock=lambda: T0 + self.day * DAY, durable=False
        )

    def stick(self, kind: str = "softwood", plant: str = "Weigela", count: int = 60) -> int:
        return self.acts.stick(plant, kind, "north", "left", count)[0].number

    def notes(self, day: float) -> list[Note]:
        self.day = day
        with open_reader(self.path) as reader:
            return notes(HistoryBook(reader, T0 + day * DAY), DUBLIN)

    def kinds(self, day: float) -> list[str]:
        return [note.kind for note in self.notes(day)]


@pytest.fixture
def nursery(tmp_path: Path) -> Day:
    path = tmp_path / "bench.db"
    Journal.open(path).close()
    return Day(path)


def test_a_test_is_due_from_half_the_usual_days_on_the_very_day(nursery: Day) -> None:
    nursery.stick()  # 14 to 42 days
    assert nursery.kinds(12.9) == []
    (note,) = nursery.notes(13.6)
    assert note.kind == "test"
    assert "a test is due today: lift 5 to 10" in note.text
    assert note.at_s == T0 + 14 * DAY
    assert "since 2026-03-16" in nursery.notes(17)[0].text


def test_a_test_entered_resets_the_clock_at_the_kinds_interval(nursery: Day) -> None:
    number = nursery.stick()
    nursery.day = 15
    nursery.acts.test(number, 10, 0)
    assert nursery.kinds(18) == []
    assert nursery.kinds(19) == ["test"]


def test_nothing_is_asked_of_what_is_weaned_potted_merged_or_closed(nursery: Day) -> None:
    weaned, potted, gone, closed = (nursery.stick() for _ in range(4))
    nursery.day = 13
    nursery.acts.wean(weaned, "wean_late")
    nursery.acts.pot(potted, 5)
    nursery.acts.merge(weaned, gone)
    nursery.acts.close(closed, rooted=3)
    assert nursery.notes(40) == []


def test_steps_are_proposed_beside_the_test_they_come_from(nursery: Day) -> None:
    number = nursery.stick()
    nursery.day = 10
    nursery.acts.test(number, 10, 0, 8)
    (note,) = nursery.notes(10.1)
    assert (note.kind, note.phase) == ("forward", "callus")
    assert note.line == (
        f"batch {number} Weigela (north.left): 8 of 10 had callus or roots; next is callus: drier, "
        f"one full drying a day, dry by night (warmfoot batch wean {number})"
    )
    nursery.acts.wean(number, "callus")
    assert nursery.kinds(10.2) == []
    nursery.day = 11
    nursery.acts.look(number, wilted=True)
    (note,) = nursery.notes(11.1)
    assert (note.kind, note.phase) == ("back", "stick")
    assert f"batch wean {number} --back" in note.text


def test_a_withdrawn_test_no_longer_counts(nursery: Day) -> None:
    number = nursery.stick()
    nursery.day = 15
    entry = nursery.acts.test(number, 10, 9)
    nursery.acts.correct(number, entry.number, {}, note="wrong tray")
    assert nursery.kinds(16) == ["test"]


def test_no_note_is_an_alarm(nursery: Day) -> None:
    nursery.stick()
    (note,) = nursery.notes(20)
    assert note.as_data()["priority"] == "note"
    assert note.kind not in rows()
