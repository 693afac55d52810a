"""The commands as a person types them, on a journal that a rehearsal left."""

import csv
import io
import json
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

from controller.cli import main
from controller.decide.alarm_table import rows
from controller.faces import PHASE_WORDS, STATE_WORDS, Rows, say, status_text
from controller.journal.reader import open_reader

Ask = Callable[..., Result]


def test_review_tells_what_a_batch_got(ask: Ask) -> None:
    said = ask("review", "1")
    assert said.exit_code == 0, said.output
    assert "120 Fuchsia hybrids" in said.output
    assert "degree-hours above 10 °C (capped at" in said.output
    assert "unproven" in said.output
    assert "not tested yet" in said.output
    assert "kWh" in said.output
    assert "EUR" in said.output


def test_review_in_json_holds_the_same_figures(ask: Ask, journal: Path) -> None:
    (found,) = json.loads(ask("review", "1", "--json").output)
    assert found["batch"]["plant"] == "Fuchsia hybrids"
    with open_reader(journal) as reader:
        rows = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    assert rows.mean_milli.min() / 1000 < found["mean_base_c"] < rows.mean_milli.max() / 1000
    assert found["warmth"]["degree_hours"] > 0


def test_terminal_that_knows_no_degree_sign_gets_its_answer(ask: Ask, journal: Path) -> None:
    plain = CliRunner(charset="ascii").invoke(main, ["review", "1", "--journal", str(journal)])
    assert plain.exit_code == 0, plain.output
    assert "degree-hours above 10 ?C" in plain.output
    words = ["why", "--json", "--journal", str(journal)]
    data = CliRunner(charset="ascii").invoke(main, words).output
    assert "°C" in str(json.loads(data))
    assert json.loads(data) == json.loads(ask("why", "--json").output)


def test_review_says_why_a_bad_batch_may_have_failed(ask: Ask) -> None:
    stuck = ask("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", "40",
                "--detail", "flowering=yes", "--detail", "young_growth=yes",
                "--stuck", "2026-03-02 08:00")  # fmt: skip
    assert stuck.exit_code == 0, stuck.output
    closed = ask("batch", "close", "2", "--rooted", "4", "--at", "2026-03-03 18:00")
    assert closed.exit_code == 0, closed.output
    said = ask("review", "2").output
    assert "why it may have failed: likely: flowering wood" in said
    assert "1. flowering wood (likely, 0." in said
    assert "next time: take shoots without buds" in said
    assert "not recorded, so not ruled out: wood right by its test, pest" in said
    (found,) = json.loads(ask("review", "2", "--json").output)
    assert found["causes"]["answer"] == "explained"
    assert found["causes"]["causes"][0]["key"] == "flowering"
    assert "why it may have failed" not in ask("review", "1").output


def test_review_of_a_batch_there_is_not_names_those_there_are(ask: Ask) -> None:
    said = ask("review", "9")
    assert said.exit_code == 5
    assert said.output.strip() == "no batch 9 in this journal; there are: 1 Fuchsia hybrids"


def test_why_gives_reasons_in_words(ask: Ask) -> None:
    said = ask("why", "north.left")
    assert said.exit_code == 0
    assert "north.left" in said.output
    assert "target" in said.output
    assert "north.mister" not in said.output


def test_why_shows_what_was_learned_beside_what_was_expected(ask: Ask) -> None:
    said = ask("why", "north.left").output
    found = json.loads(ask("why", "north.left", "--json").output)["north.left"]["learned"]
    # A day and a half on a bench of 100 W/m2: within what such mats do.
    assert 0.05 < found["duty_per_k"] < 0.2
    assert -5.0 < found["drift_c"] < 30.0
    assert f"{100 * found['duty_per_k']:.1f} % of full heat holds each kelvin" in said
    assert f"(expected: {100 * found['expected_duty_per_k']:.1f} %)" in said
    assert f"drift towards {found['drift_c']:.1f} °C" in said
    assert "learned" not in ask("why", "north.mister").output


def test_why_of_a_place_there_is_not(ask: Ask) -> None:
    said = ask("why", "north.lef")
    assert said.exit_code == 2
    assert "did you mean north.left" in said.output


def test_status_says_that_nobody_keeps_the_bench(ask: Ask) -> None:
    said = ask("status")
    assert said.exit_code == 7
    assert "warmfoot run BENCH.toml" in said.output


def test_status_shows_the_running_bench_and_tells_an_alarm_by_its_exit_code(
    ask: Ask, journal: Path
) -> None:
    relay = {"ordered": "on", "reported": "on", "reported_age_s": 1.0}
    bay = {
        "base_c": 19.94, "hottest_c": 20.1, "probes_usable": 2, "probes_fitted": 2,
        "target_c": 20.0, "base_minus_top_k": 5.9, "duty": 0.4, "mode": "normal",
        "why": "base 19.9 °C, target 20.0 °C: on 40 % of the time", "mat": relay, "probes": [],
    }  # fmt: skip
    mister = {
        "why": "waiting: 4 kPa min of dryness earn a burst", "mode": "normal", **relay,
        "follows": {"batch": 2, "text": "batch 2 leads the mist"},
    }  # fmt: skip
    live = {
        "at_utc_s": time.time(), "site": "Alder Lane Nursery", "alarms": [], "batches": [],
        "links": {
            "line": {"up": True, "why": "", "note": "unit 3 does not answer", "restarts_h": 1},
            "board": {"up": True, "why": "", "note": "", "restarts_h": 6},
        },
        "journal": {"ok": True},
        "benches": {
            "north": {
                "title": "North bench", "top_c": 14.0, "rh_pct": None, "vpd_kpa": None,
                "house_c": 9.0, "flow_ml_s": 11.8, "bays": {"left": bay}, "mister": mister,
                "suffers": [{"line": "batch 1 is too warm; move it to south.left"}],
            }
        },
    }  # fmt: skip
    path = journal.with_name("demo.live.json")
    path.write_text(json.dumps(live))
    ask("batch", "enter", "1", "tested", "tested=10", "callused=9", "--at", "2026-03-03 12:00")
    said = ask("status")
    assert said.exit_code == 0, said.output
    assert "note: batch 1 Fuchsia hybrids (north.left): 9 of 10 had callus or roots" in said.output
    assert "link line: unit 3 does not answer" in said.output
    assert "link board: its board started anew 6 times this hour" in said.output
    assert "link line: its board" not in said.output
    assert "water 11.8 ml/s" in said.output
    assert "note: batch 1 Fuchsia hybrids (north.left): a test is due since" in said.output
    kinds = [note["kind"] for note in json.loads(ask("status", "--json").output)["notes"]]
    assert kinds == ["forward", "test"]
    assert "    batch 2 leads the mist" in said.output
    assert "  advice: batch 1 is too warm; move it to south.left" in said.output
    assert "base 19.9 °C, target 20.0 °C, base minus top +5.9 K" in said.output
    assert "humidity no reading" in said.output
    assert "mat ordered on, reported on" in said.output
    assert "not a safety device" in said.output
    live["alarms"] = [
        {"alarm": "base_cold", "place": "north.left", "state": "UNACK", "priority": 2, "text": "x"}
    ]
    path.write_text(json.dumps(live))
    assert ask("status").exit_code == 8
    live["at_utc_s"] = time.time() - 120
    path.write_text(json.dumps(live))
    assert ask("status").exit_code == 7


def test_status_does_not_deny_a_daemon_that_runs_but_cannot_write_its_picture(
    ask: Ask, journal: Path
) -> None:
    """On a full disk, for one; nobody should start a second then."""
    path = journal.with_name("demo.live.json")
    waits = [sys.executable, "-c", "input()", "warmfoot"]
    with subprocess.Popen(waits, stdin=subprocess.PIPE) as process:
        live = {"at_utc_s": time.time() - 3600.0, "journal": {"ok": True, "pid": process.pid}}
        path.write_text(json.dumps(live))
        said = ask("status")
        process.kill()
    assert said.exit_code == 7
    assert f"a warmfoot, process {process.pid}, is there" in said.output
    assert f"can't write {path}" in said.output
    assert "Start it" not in said.output
    assert "no warmfoot keeps the bench" in ask("status").output


def test_a_batch_is_stuck_tested_and_closed(ask: Ask) -> None:
    stuck = ask("batch", "stick", "Buxus sempervirens", "--kind", "semi_ripe", "--bay", "north",
                "--count", "40", "--detail", "mix=bark", "--stuck", "2026-03-04")  # fmt: skip
    assert stuck.exit_code == 0, stuck.output
    assert stuck.output.startswith("batch 2: 40 Buxus sempervirens, Semi-ripe, in north.left")
    assert ask("batch", "enter", "2", "tested", "tested=5", "rooted=3").exit_code == 0
    assert ask("batch", "enter", "2", "lost", "lost=4", "cause=rotted").exit_code == 0
    shown = ask("batch", "show", "2")
    assert "mix: bark" in shown.output
    assert "tested=5 rooted=3" in shown.output
    closed = ask("batch", "close", "2", "--rooted", "30", "--lost", "dried=2", "--lesson", "shade")
    assert closed.output == "batch 2 closed: 30 of 40 rooted (75 %); 4 not accounted for\n"
    assert ask("batch", "enter", "2", "potted", "potted=28").exit_code == 0
    listed = ask("batch", "list")
    assert "Buxus" not in listed.output
    assert "Buxus" in ask("batch", "list", "--all").output
    reviewed = ask("review", "2").output
    assert "rooted 30 of 40: strike rate 75 %" in reviewed
    assert "lost 6: 4 rotted, 2 dried" in reviewed
    assert "not accounted for: 4" in reviewed
    assert "potted on: 28 of 40" in reviewed
    assert "lesson: shade" in reviewed


def test_two_batches_are_made_one(ask: Ask) -> None:
    for count in ("30", "20"):
        ask("batch", "stick", "Hebe", "--kind", "semi_ripe", "--bay", "north", "--count", count,
            "--trays", f"T{count}", "--stuck", "2026-03-04")  # fmt: skip
    ask("batch", "enter", "3", "lost", "lost=2", "cause=dried", "--at", "2026-03-05")
    said = ask("batch", "merge", "2", "3")
    assert said.exit_code == 0, said.output
    assert "batch 2 has 48 cuttings now, with those of batch 3, in north.left" in said.output
    listed = ask("batch", "list", "--all").output.splitlines()
    assert any("Hebe" in line and "in batch 2" in line for line in listed)
    assert "T30, T20" in ask("batch", "list", "--json").output
    reviewed = ask("review", "3").output
    assert "18 went into batch 2" in reviewed
    assert "why it may have failed" not in reviewed
    beside = re.compile("beside [0-9]+ like batch|to compare with")
    assert not beside.search(reviewed)
    assert beside.search(ask("review", "2").output)
    assert ask("batch", "merge", "2", "1").exit_code == 5


def test_a_batch_is_weaned_on_what_was_found_and_back_when_leaves_flag(ask: Ask) -> None:
    refused = ask("batch", "wean", "1")
    assert refused.exit_code == 5
    assert "nothing entered leads on from there yet" in refused.output
    assert ask("batch", "wean", "1", "--back").exit_code == 5
    ask("batch", "enter", "1", "tested", "tested=10", "callused=9")
    assert "9 of 10 had callus or roots; next is callus" in ask("batch", "show", "1").output
    said = ask("batch", "wean", "1")
    assert said.output.startswith("batch 1 is in callus now: callus: drier, one full drying a day")
    ask("batch", "enter", "1", "looked", "wilted=yes")
    assert "leaves flag, and a step back" in ask("batch", "show", "1").output
    assert ask("batch", "wean", "1", "--back").output.startswith("batch 1 is in stick now")
    ask("batch", "wean", "1", "--to", "root")
    ask("batch", "enter", "1", "tested", "tested=10", "rooted=7", "wilted=no")
    early = ask("batch", "wean", "1")
    assert early.exit_code == 5
    assert "7 of 10 had roots, but each step wants its time: wean is proposed from" in early.output
    stepped = json.loads(ask("batch", "wean", "1", "--to", "wean", "--json").output)
    assert stepped["values"] == {"phase": "wean"}
    wrong = ask("batch", "wean", "1", "--to", "weaning")
    assert (wrong.exit_code, "did you mean wean" in wrong.output) == (5, True)
    assert ask("batch", "wean", "1", "--to", "root", "--back").exit_code == 5
    assert ask("batch", "wean", "9").exit_code == 5


def test_a_correction_keeps_the_time_of_what_it_corrects(ask: Ask) -> None:
    ask("batch", "enter", "1", "lost", "lost=9", "cause=dried", "--at", "2026-03-03 09:00")
    assert ask("batch", "enter", "1", "corrected", "lost=3", "cause=dried", "--corrects", "1")
    (entry, fixed) = json.loads(ask("batch", "show", "1", "--json").output)["entries"][-2:]
    assert fixed["corrects"] == entry["number"]
    assert fixed["at_s"] == entry["at_s"]


@pytest.mark.parametrize(
    ("words", "code", "part"),
    [
        (("batch", "enter", "7", "looked"), 5, "no batch 7"),
        (("batch", "enter", "1", "tested", "tested=5", "rooted=9"), 5, "rooted"),
        (("batch", "enter", "1", "looked", "--at", "2025-01-01"), 5, "stuck after that"),
        (("batch", "enter", "1", "tested", "rooted"), 5, "key=value"),
        (("batch", "close", "1", "--rooted", "121"), 5, "121"),
        (("batch", "stick", "x" * 10_000, "--kind", "softwood", "--bay", "north", "--count", "1"),
         5, "200"),
        (("batch", "stick", "a\x1b[2J", "--kind", "softwood", "--bay", "north", "--count", "1"),
         5, "printed"),
        (("batch", "stick", "Hebe", "--kind", "softwod", "--bay", "north", "--count", "1"),
         3, "did you mean softwood"),
        (("batch", "stick", "Hebe", "--kind", "softwood", "--bay", "south.x", "--count", "1"),
         5, "south"),
        (("batch", "stick", "Hebe", "--kind", "softwood", "--bay", "north", "--count", "0"),
         5, "count"),
        (("hold", "heat", "north.left", "--for", "13h"), 5, "12 h"),
        (("hold", "heat", "nrth.left"), 5, "did you mean north.left"),
        (("burst", "north", "--for", "soon"), 2, "30min"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_a_line_or_two_and_changes_nothing(
    ask: Ask, journal: Path, words: tuple[str, ...], code: int, part: str
) -> None:
    before = _counts(journal)
    said = ask(*words)
    assert said.exit_code == code, said.output
    assert part in said.output
    assert "Traceback" not in said.output
    assert len(said.output.strip().splitlines()) <= 5
    assert max(map(len, said.output.splitlines())) < 400
    assert _counts(journal) == before


def _counts(journal: Path) -> list[int]:
    with open_reader(journal) as reader:
        return [
            reader.query(f"SELECT count(*) FROM {table}")[0][0]
            for table in ("batch", "entry", "act")
        ]


def test_an_act_without_a_daemon_is_written_down_and_said_so(
    ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.cli.hands.WAIT_S", 0.0)
    said = ask("burst", "north")
    assert said.exit_code == 0
    assert "no running warmfoot has taken it up" in said.output


def test_export_gives_csv_with_units_and_both_times(ask: Ask) -> None:
    said = ask("export", "minutes", "--to", "2026-03-02T08:00")
    assert said.exit_code == 0
    rows = list(csv.reader(io.StringIO(said.output)))
    assert rows[0][:2] == ["utc", "local"]
    assert any("degC" in cell or "unit" in cell for cell in rows[0] + rows[1])
    assert len(rows) > 100
    assert rows[1][0].endswith("Z")


def test_export_does_not_write_over_a_file(ask: Ask, tmp_path: Path) -> None:
    there = tmp_path / "out.csv"
    there.write_text("mine")
    said = ask("export", "batches", "--out", str(there))
    assert said.exit_code == 5
    assert there.read_text() == "mine"


def test_backup_is_a_journal_like_the_first(ask: Ask, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    assert ask("backup", str(copy)).exit_code == 0
    assert ask("review", "1", "--journal", str(copy)).output == ask("review", "1").output
    assert ask("backup", str(copy)).exit_code == 4


def test_the_alarm_table_has_every_alarm_and_what_to_do(ask: Ask) -> None:
    rows = json.loads(ask("alarms", "table", "--json").output)
    names = {row["name"] for row in rows}
    assert {"base_cold", "air_dry", "mat_dead", "mist_no_answer", "probe_silent"} <= names
    assert all(row["action"] and row["consequence"] for row in rows)
    assert "base_cold" in ask("alarms", "table").output


def test_how_alarms_served_is_told_beside_what_is_wanted(ask: Ask) -> None:
    found = json.loads(ask("alarms", "served", "--json").output)
    raised = {row["alarm"] for row in json.loads(ask("alarms", "history", "--json").output)}
    assert (found["raised"] > 0) == bool(raised)
    assert all(one["wanted"] for one in found["figures"])
    told = ask("alarms", "served").output
    assert "EEMUA 191" in told if raised else "no alarm was raised" in told


def test_narrow_terminal_gets_lines_instead_of_cut_words() -> None:
    out = Console(force_terminal=True, width=44, color_system=None, file=io.StringIO())
    rows = Rows(out, "no.", "plant", "kind")
    rows.add_row("1", "Lavandula [angustifolia]", "semi_ripe")
    rows.show()
    assert isinstance(out.file, io.StringIO)
    lines = [line.rstrip() for line in out.file.getvalue().splitlines()]
    assert lines == ["1", "  plant: Lavandula [angustifolia]", "  kind: semi_ripe"]


def test_check_says_what_a_sound_file_means(ask: Ask) -> None:
    said = ask("check", "config/examples/one_tray_serial.toml")
    assert said.exit_code == 0, said.output
    assert "tray.only.base1" in said.output
    assert "25 W" in said.output
    assert "no independent thermal cut-out is declared" in said.output


def test_check_says_where_the_base_rides_and_what_goes_by_the_tariff(
    ask: Ask, tmp_path: Path
) -> None:
    file = tmp_path / "bench.toml"
    example = Path("config/examples/one_tray_serial.toml").read_text(encoding="utf-8")
    dear = '[tariff]\nprice_per_kwh = 0.3\nwindows = [{ start = "17:00", end = "19:00", ' \
        "price_per_kwh = 0.5 }]\n"  # fmt: skip

    def said(heat: str, tariff: str = "") -> str:
        file.write_text(f"{example}{heat}\n{tariff}", encoding="utf-8")
        found = ask("check", str(file))
        assert found.exit_code == 0, found.output
        return found.output

    assert "rides low in the good band (saves heat" in said('heat = { ride = "low" }')
    assert "tray.only: ride is not used" in said('heat = { ride = "low", target_c = 20 }')
    assert "tray.only: warmed before dear hours" in said("", dear)
    assert "dear hours" not in said("heat = { warm_early = false }", dear)
    assert "dear hours" not in said("", dear.replace("0.5", "0.3"))


def test_check_lists_everything_that_is_wrong(ask: Ask, tmp_path: Path) -> None:
    text = Path("config/examples/one_tray_serial.toml").read_text()
    broken = tmp_path / "broken.toml"
    broken.write_text(
        text.replace("power_w = 25", 'power_w = "25"').replace("Europe/Dublin", "Dublin")
    )
    said = ask("check", str(broken))
    assert said.exit_code == 3
    assert "benches.tray.bays.only.mat.power_w" in said.output
    assert "timezone" in said.output


def test_several_journals_must_be_chosen_from(
    ask: Ask, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("WARMFOOT_JOURNAL")
    assert ask("review").exit_code == 4
    folder = tmp_path / "state" / "warmfoot"
    folder.mkdir(parents=True)
    journal.rename(folder / "one.db")
    assert ask("review").exit_code == 0
    (folder / "two.db").touch()
    said = ask("review")
    assert said.exit_code == 4
    assert "one.db, two.db" in said.output


def test_every_command_explains_itself(ask: Ask) -> None:
    for command in ("check", "run", "status", "why", "batch", "review", "alarms", "rehearse"):
        said = ask(command, "--help")
        assert said.exit_code == 0
        assert "Usage" in said.output


def terminal(width: int) -> Console:
    return Console(force_terminal=True, width=width, color_system=None, file=io.StringIO())


def test_sentence_is_broken_between_words_and_a_command_is_left_whole():
    out = terminal(40)
    say(out, "  mister ordered off: air temperature or humidity not known: timed mist")
    say(out, "  /opt/bin/warmfoot why --journal /var/lib/warmfoot/rehearsal.db   # reasons")
    said = out.file.getvalue().split("\n")
    assert said == [
        "  mister ordered off: air temperature or",
        "    humidity not known: timed mist",
        "  /opt/bin/warmfoot why --journal /var/lib/warmfoot/rehearsal.db   # reasons",
        "",
    ]


def test_table_whose_words_would_be_cut_is_told_in_lines():
    for long, as_table in (("left", True), ("left_of_the_gangway_beside_the_door" * 2, False)):
        out = terminal(80)
        rows = Rows(out, "no.", "plant", "bay", "ends")
        rows.add_row("1", "Fuchsia hybrids", long, "")
        rows.show()
        said = out.file.getvalue()
        assert long in said
        assert "…" not in said
        assert ("───" in said) == as_table
        assert ("  plant: Fuchsia hybrids\n" in said) != as_table
        assert "ends:" not in said


def test_states_and_phases_are_called_alike_in_terminal_and_page() -> None:
    out = terminal(200)
    alarm = {"alarm": "air_dry", "place": "north", "priority": 1, "state": "RTNUN", "text": "Dry"}
    batch = {
        "number": 1, "plant": "Hebe", "bench": "north", "bay": "left", "age_days": 3.0,
        "phase": "callus", "warmth_degree_hours": 700.0, "warmth_known_share": None,
    }  # fmt: skip
    standing = {**alarm, "alarm": "base_cold", "place": "north.left", "state": "UNACK"}
    now = {
        "site": "S", "alarms": [standing, alarm], "benches": {}, "batches": [batch], "links": {},
        "journal": {"ok": True}, "clock_trusted": True,
    }  # fmt: skip
    status_text(out, now, 1.0)
    said = out.file.getvalue()
    assert STATE_WORDS["RTNUN"] == "over, not yet seen"
    assert f"air_dry at north: {STATE_WORDS['RTNUN']}. Dry" in said
    assert said.count("\n  do: ") == 1, "what is over asks for nothing"
    assert f"base_cold at north.left: new. Dry\n  do: {rows()['base_cold'].action}\n" in said
    assert f"day 3, {PHASE_WORDS['callus']}, warmth 700" in said
