"""Checks of the wires and calibrations, kept for good."""

import sqlite3
from pathlib import Path

import pytest

from controller.journal.care import (
    Calibrated,
    Held,
    Step,
    WireCheck,
    calibrations,
    checks,
    keep_calibration,
    keep_check,
)
from controller.journal.errors import JournalError, RowRefused
from controller.journal.reader import open_reader
from controller.journal.writer import Journal

CHECK = WireCheck(
    1000.0, 1900.5, "Maeve", "ab" * 32, "done",
    (
        Step(1001.0, "heard", "north.left.base1", "20.12 °C, 3 s old", "good"),
        Step(1500.0, "mat", "north.left.mat", "no probe answered", "fault"),
    ),
)  # fmt: skip
ICE = Calibrated(
    2000.0, "north.left.base1", "degC", "Maeve", (Held("ice", 0.0, 0.31, 0.05),),
    1.0, 0.0, 1.0, -0.31, 0.11, "written",
)  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def test_what_is_kept_comes_back_as_it_was(path: Path) -> None:
    with Journal.open(path) as journal:
        first = keep_check(journal, CHECK)
        second = keep_check(journal, CHECK._replace(by="Colm", steps=()))
        number = keep_calibration(journal, ICE)
    with open_reader(path) as reader:
        assert checks(reader) == [
            CHECK._replace(number=first), CHECK._replace(by="Colm", steps=(), number=second),
        ]  # fmt: skip
        assert calibrations(reader) == [ICE._replace(number=number)]
    assert (CHECK.count("good"), CHECK.count("fault"), CHECK.count("unsure")) == (1, 1, 0)


def test_no_row_is_changed_or_taken_away(path: Path) -> None:
    with Journal.open(path) as journal:
        keep_check(journal, CHECK)
        keep_calibration(journal, ICE)
    conn = sqlite3.connect(path)
    for table in ("wire_check", "wire_step", "calibration"):
        for verb in (f"UPDATE {table} SET id = 9", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                conn.execute(verb)
    conn.close()


def test_refused_row_leaves_nothing_behind(path: Path) -> None:
    with Journal.open(path) as journal:
        with pytest.raises(RowRefused, match="kept only with numbers; found 1, 0, 1, nan"):
            keep_calibration(journal, ICE._replace(offset=float("nan")))
        bad = Step(1.0, "mat", "north.left.mat", "", "maybe")  # type: ignore[arg-type]
        with pytest.raises(JournalError):
            keep_check(journal, CHECK._replace(steps=(*CHECK.steps, bad)))
    with open_reader(path) as reader:
        assert checks(reader) == calibrations(reader) == []


def test_damaged_journal_keeps_its_calibrations(path: Path) -> None:
    from controller.journal.salvage import carry_over

    with Journal.open(path) as journal:
        keep_check(journal, CHECK)
        keep_calibration(journal, ICE)
    with Journal.open(path.with_name("fresh.db")) as fresh:
        with fresh.changing() as conn:
            copied = carry_over(path, conn)
        assert (copied["wire_check"], copied["wire_step"], copied["calibration"]) == (1, 2, 1)
