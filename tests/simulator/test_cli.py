"""The rehearse command: plays, says where the journal is, and fails in a grower's words."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest
from click.testing import CliRunner

from simulator.cli import rehearse


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)

    def invoke(*words):
        return CliRunner().invoke(rehearse, list(words))

    invoke.journal = tmp_path / "state" / "warmfoot" / "rehearsal.db"
    return invoke


def test_demonstration_runs_with_nothing_given_and_says_what_is_next(run):
    result = run("--days", "0.2", "--scenario", "short_day")
    assert result.exit_code == 0, result.output
    assert "north.left: base" in result.output
    assert "batch 1: 60 Fuchsia hybrids" in result.output
    assert f"warmfoot why --journal {run.journal}" in result.output
    assert run.journal.is_file()


def test_json_holds_the_truth_and_the_journal(run):
    result = run("--days", "0.1", "--json", "--weather", "winter_dull", "--seed", "4")
    data = json.loads(result.stdout)
    assert data["journal"] == str(run.journal)
    assert data["ticks"] == 576
    assert data["benches"]["north"]["bays"]["left"]["energy_kwh"] > 0.1


def test_fault_of_the_command_line_strikes(run):
    result = run("--days", "0.1", "--json", "--fault", "mat_dead@1+0.01/10")
    assert json.loads(result.stdout)["benches"]["north"]["bays"]["left"]["energy_kwh"] < 0.01


def test_journal_is_new_each_time_unless_kept(run):
    first = run("--days", "0.1", "--scenario", "short_day")
    again = run("--days", "0.1", "--scenario", "short_day")
    assert "batch 2" not in first.output + again.output
    kept = run("--days", "0.1", "--scenario", "short_day", "--keep")
    assert "batch 2: 60 Fuchsia" in kept.output


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--fault", "fire@3"], 5, 'no fault is called "fire"'),
        (["--fault", "mat_dead:west@1"], 5, "north.left.mat"),
        (["--scenario", "nowhere"], 5, "there are: alder_lane"),
        (["no_such.toml"], 3, "no_such.toml"),
        (["--weather", "snow"], 2, "winter_clear"),
        (["--serve", "mqtt", "--broker", "127.0.0.1:1"], 5, "no broker at 127.0.0.1:1"),
    ],
)
def test_what_cannot_be_played_is_said_in_words(run, words, code, said):
    result = run(*words, "--days", "0.05")
    assert result.exit_code == code
    assert said in result.output
    assert "Traceback" not in result.output


@pytest.mark.wire
def test_served_boards_end_cleanly_on_ctrl_c(tmp_path):
    env = {**os.environ, "XDG_STATE_HOME": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    words = [sys.executable, "-c", "from simulator.cli import rehearse; rehearse()"]
    process = subprocess.Popen(
        [*words, "--serve", "pty"],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    said = []
    end_s = time.monotonic() + 30.0
    while time.monotonic() < end_s and "Ctrl-C" not in "".join(said):
        said.append(process.stdout.readline())
    made = tmp_path / "warmfoot" / "alder_lane-simulated.toml"
    assert made.is_file()
    assert f'port = "{tmp_path / "warmfoot" / "board-board"}"' in made.read_text()
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=10.0)
    assert process.returncode == 0
    assert "gone" in out
    assert "Traceback" not in err
    assert not (tmp_path / "warmfoot" / "board-board").is_symlink()
