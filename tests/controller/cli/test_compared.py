"""compare, outlooks and the calendar, as a person types them."""

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Ask = Callable[..., Result]


@pytest.fixture
def seasoned(ask: Ask) -> Ask:
    """Five closed batches beside the first one, two with talc; then one more open."""

    def do(*words: str) -> None:
        said = ask(*words)
        assert said.exit_code == 0, said.output

    for number, (hormone, rooted) in enumerate(
        [("talc", 36), ("talc", 38), ("none", 20), ("none", 24), ("none", 22)], 2
    ):
        do("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "40",
           "--detail", f"hormone={hormone}", "--stuck", "2025-09-01 08:00")  # fmt: skip
        for day, found in ((12, 0), (22, 2), (26, 4)):
            do("batch", "enter", str(number), "tested", "tested=6", f"rooted={found}", "--at",
               f"2025-09-{day} 08:00")  # fmt: skip
        do("batch", "close", str(number), "--rooted", str(rooted), "--at", "2025-10-05 08:00")
    do("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "40",
       "--stuck", "2026-03-02 08:00")  # fmt: skip
    return ask


def test_compare_shows_rates_intervals_time_and_what_can_be_told(seasoned: Ask) -> None:
    said = seasoned("compare", "hormone").output
    assert "by hormone: Hebe, semi ripe" in said
    assert "74 of 80" in said
    assert re.search(r"92 % \(85 % to 97 %\)", said)
    assert "day 21 to 25 (n 2)" in said
    assert re.search(r"none, with roots: day 7 .* \(n \d+\)", said)
    assert "talc beside none: these batches differ, but so few can't say what made it" in said


def test_compare_in_json_holds_the_same(seasoned: Ask) -> None:
    said = json.loads(seasoned("compare", "hormone", "--json").output)
    (found,) = said["comparisons"]
    assert said["overall"] == []  # one block is no more than the comparison itself
    talc = next(group for group in found["groups"] if group["value"] == "talc")
    assert (talc["rooted"], talc["cuttings"], talc["batches"]) == (74, 80, [2, 3])
    assert found["pairs"][0]["verdict"] == "these batches differ"
    assert talc["curve"][0].keys() == {"day", "rooted", "at_risk"}


def test_compare_with_nothing_to_compare_says_so(seasoned: Ask) -> None:
    said = seasoned("compare", "stock")
    assert said.exit_code == 0
    assert "nothing to compare by stock" in said.output
    assert json.loads(seasoned("compare", "stock", "--json").output)["comparisons"] == []


@pytest.mark.parametrize(
    ("words", "code", "named"),
    [
        (("compare", "colour"), 2, "hormone"),
        (("compare",), 2, ""),
        (("compare", "hormone", "--plant", "Heby"), 5, "Hebe"),
        (("compare", "hormone", "--kind", "softwod"), 5, "softwood"),
        (("export", "calendar", "--from", "2026-01-01"), 5, "--from"),
        (("export", "calendar", "--out", "/nowhere/due.ics"), 5, "due.ics"),
    ],
)
def test_bad_question_is_a_line_and_an_exit_code(
    seasoned: Ask, words: tuple[str, ...], code: int, named: str
) -> None:
    said = seasoned(*words)
    assert said.exit_code == code, said.output
    assert named in said.output
    assert "Traceback" not in said.output


def test_outlook_is_told_where_a_batch_is_looked_at(seasoned: Ask) -> None:
    shown = seasoned("batch", "show", "7").output
    assert re.search(r"due 2026-\d\d-\d\d to 2026-\d\d-\d\d", shown)
    assert "n = 5 rooted batches of Hebe" in shown
    assert "about 67 % of batches like it fall within" in shown
    assert "next test overdue since" in shown
    listed = seasoned("batch", "list").output
    assert re.search(r"7 +Hebe .* due 2026-", listed)
    reviewed = seasoned("review", "7").output
    assert "beside 5 like batches: not closed yet: theirs had a strike rate of 70 %" in reviewed
    first = seasoned("batch", "show", "1").output
    assert "the usual days of its recipe; 0 like batches rooted so far" in first


def test_outlook_in_json(seasoned: Ask) -> None:
    by_number = {
        one["number"]: one for one in json.loads(seasoned("batch", "list", "--json").output)
    }
    assert by_number[7]["outlook"]["own"] is True
    assert by_number[7]["outlook"]["likes"]["rooted"] == 5
    assert by_number[1]["outlook"]["own"] is False
    shown = json.loads(seasoned("batch", "show", "2", "--json").output)
    assert shown["outlook"] is None
    (found,) = json.loads(seasoned("review", "2", "--json").output)
    assert found["beside_like"]["verdict"] == "within what they had"
    assert found["outlook"] is None


def test_review_of_a_closed_batch_says_where_it_stands(seasoned: Ask) -> None:
    said = seasoned("review", "4").output
    assert "beside 4 like batches: below every one of them: strike rate 50 %" in said


def test_calendar_goes_to_the_screen_and_again_to_the_same_file(
    seasoned: Ask, tmp_path: Path
) -> None:
    said = seasoned("export", "calendar").output
    assert said.startswith("BEGIN:VCALENDAR")
    assert "SUMMARY:Due: batch 7 Hebe (north.left)" in said
    assert "SUMMARY:Test: batch 7 Hebe (north.left)" in said
    uids = re.findall(r"^UID:(.*?)\r?$", said, re.M)
    assert len(uids) == len(set(uids)) >= 4
    path = tmp_path / "due.ics"
    for _ in range(2):
        assert seasoned("export", "calendar", "--out", str(path)).exit_code == 0
    assert re.findall(r"^UID:(.*?)\r$", path.read_bytes().decode(), re.M) == uids
    assert [p.name for p in tmp_path.glob("due.ics*")] == ["due.ics"]
    folder = tmp_path / "folder"
    folder.mkdir()
    assert seasoned("export", "calendar", "--out", str(folder)).exit_code == 5
    assert not list(tmp_path.glob("*.part"))


def test_status_tells_when_an_open_batch_is_due(seasoned: Ask, journal: Path) -> None:
    batch = {
        "number": 7, "plant": "Hebe", "kind": "semi_ripe", "bench": "north", "bay": "left",
        "age_days": 3.0, "phase": "stick", "warmth_known_share": None,
        "warmth_degree_hours": None,
    }  # fmt: skip
    live = {
        "at_utc_s": time.time(), "site": "Alder Lane", "timezone": "Europe/Dublin", "alarms": [],
        "batches": [batch], "links": {}, "journal": {"ok": True}, "benches": {},
    }  # fmt: skip
    journal.with_name("demo.live.json").write_text(json.dumps(live))
    assert re.search(r"batch 7 Hebe .*; (late: was )?due 2026-\d\d-\d\d", seasoned("status").output)
    (told,) = json.loads(seasoned("status", "--json").output)["batches"]
    assert told["outlook"]["likes"]["rooted"] == 5


@pytest.mark.wire
def test_a_narrow_terminal_gets_lines(seasoned: Ask) -> None:
    del seasoned  # its journal is named in the environment
    ours, theirs = pty.openpty()
    env = {**os.environ, "COLUMNS": "60", "TERM": "xterm"}
    command = [str(Path(sys.executable).parent / "warmfoot"), "compare", "hormone"]
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=theirs, env=env) as run:
        os.close(theirs)
        said = b""
        while select.select([ours], [], [], 30)[0]:
            try:
                part = os.read(ours, 65536)
            except OSError:
                break
            if not part:
                break
            said += part
        run.wait(30)
    os.close(ours)
    text = re.sub(r"\x1b\[[0-9;]*m", "", said.decode())
    assert "  strike rate (95 %): 92 % (85 % to 97 %)" in text.replace("\r", "")
