"""A rehearsal that is watched: a day in a minute, acts taken up, and an end that leaves nothing."""

import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request

import pytest
from click.testing import CliRunner

from config.model import PagePlan
from controller.records import Act
from simulator.cli import rehearse
from simulator.live import DAY_TAKES_S, Live
from simulator.run import Rehearsal
from simulator.scenario import load_scenario


@pytest.fixture
def live(site, tmp_path):
    rehearsal = Rehearsal(
        site, load_scenario("alder_lane")._replace(sticks=(), notes=(), faults=()),
        journal_path=tmp_path / "b.db", tick_s=15.0,
    )  # fmt: skip
    with Live(rehearsal, PagePlan(), any_port=True) as made:
        yield made


class Wall:
    """Time that passes while somebody sleeps."""

    now_s = 500.0

    def monotonic(self):
        return self.now_s

    def sleep(self, span_s):
        self.now_s += span_s


def test_day_passes_in_a_minute(live, monkeypatch):
    wall = Wall()
    monkeypatch.setattr("simulator.live.time", wall)
    live.play(stopped=lambda: wall.now_s >= 501.0)
    assert live.rehearsal.elapsed_s == pytest.approx(86400 / DAY_TAKES_S, abs=30)


def test_hastening_plays_the_days_and_puts_the_last_moment_down(live):
    live.hasten(0.25)
    assert live.rehearsal.elapsed_s == pytest.approx(0.25 * 86400, abs=15)
    assert live.board.latest.now == live.rehearsal.clock.now()


def test_act_from_the_page_is_taken_at_the_next_step(live):
    live.hasten(0.01)
    answers = []
    live.desk.ask(Act("hold_heat", "north.left", "Maeve", span_s=600.0), answers.append)
    live.step()
    assert [done.done for done in answers] == [True]
    assert live.rehearsal.controller.state.bays[("north", "left")].hold == "off"


@pytest.mark.usefixtures("no_thread_left")
def test_end_leaves_no_thread(site, tmp_path):
    rehearsal = Rehearsal(site, load_scenario("alder_lane"), journal_path=tmp_path / "b.db")
    with Live(rehearsal, PagePlan(), any_port=True) as live:
        live.hasten(0.01)
        assert live.server.up.wait(30)


@pytest.mark.parametrize(
    "more", [["--live", "--serve", "pty"], ["--live", "--season"]], ids=["serve", "season"]
)
def test_live_goes_with_neither_serve_nor_season(more, tmp_path):
    done = CliRunner().invoke(rehearse, [*more, "--journal", str(tmp_path / "b.db")])
    assert done.exit_code == 5
    assert "--live" in done.output or "--season" in done.output


def test_newcomer_sees_the_demo_move_within_a_minute_of_the_first_command(tmp_path):
    """The command of the README's first block, on another port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    program = [sys.executable, "-c", "from controller.cli import main; main()"]
    command = [*program, "rehearse", "--live",
               "--port", str(port), "--journal", str(tmp_path / "b.db")]  # fmt: skip
    began_s = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        said = process.stdout.readline()
        assert f"http://127.0.0.1:{port}/" in said
        seen = set()
        while len(seen) < 3:
            assert time.monotonic() - began_s < 60.0, f"nothing moves: {seen}"
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
                    page = answer.read().decode()
            except OSError:
                page = ""
            found = re.search(r"As of <b>(\w+ \d+ Mar \d\d:\d\d)</b>", page)
            if found:
                seen.add(found[1])
            time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=20)
        assert "ended; the journal is" in rest
    finally:
        process.kill()
        process.wait(10)
