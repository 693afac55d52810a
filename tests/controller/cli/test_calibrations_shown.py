"""What was calibrated is listed, and what is due is told where a grower looks."""

import json

import pytest

from config.load import loads
from controller.care_due import DAY_S
from controller.journal.care import Calibrated, Held, keep_calibration
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.notes import care_notes

BASE = "north.left.base1"


def put(journal, at_s, offset):
    held = (Held("ice", 0.0, -offset, 0.05),)
    row = Calibrated(at_s, BASE, "degC", "Ann", held, 1.0, 0.0, 1.0, offset, 0.1, "written")
    with Journal.open(journal) as opened:
        keep_calibration(opened, row)


@pytest.fixture
def begun_s(journal):
    with open_reader(journal) as reader:
        return reader.runs()[0].started_s


def test_list_shows_the_last_how_far_it_moved_and_the_next(ask, journal, begun_s):
    put(journal, begun_s - 400 * DAY_S, -0.2)
    put(journal, begun_s, -0.6)
    shown = ask("calibrate", "list")
    assert shown.exit_code == 0, shown.output
    assert "it drifts, -0.37 K a year" in shown.output
    assert "never" in shown.output
    data = json.loads(ask("calibrate", "list", "--json").output)
    assert data[BASE]["due_utc_s"] == begun_s + 365 * DAY_S
    assert [one["offset"] for one in data[BASE]["calibrations"]] == [-0.2, -0.6]
    assert data["north.rh"]["calibrations"] == []


def test_note_stands_once_probes_are_due(journal, begun_s):
    put(journal, begun_s, -0.2)
    with open_reader(journal) as reader:
        site = loads(reader.site_text(), "kept")
        assert care_notes(reader, site, begun_s + 364 * DAY_S) == []
        (note,) = care_notes(reader, site, begun_s + 366 * DAY_S)
    assert f"due again: {BASE}" in note.text
    assert "never held against a known value: north.air" in note.line
    assert (note.batch, note.kind) == (0, "calibrate")
    json.dumps(note.as_data())


def test_calibrations_are_given_as_csv_and_by_checked(ask, journal, begun_s):
    put(journal, begun_s, -0.2)
    lines = ask("export", "calibrations").output.splitlines()
    assert lines[0].startswith("utc,local,probe,unit,by,held_known_raw")
    assert f"{BASE},degC,Ann,ice 0 0.2,1.0,0.0,1.0,-0.2,0.1,written," in lines[1]
    assert "Ann" in ask("checked").output
    assert len(json.loads(ask("checked", "--json").output)["calibrations"]) == 1
