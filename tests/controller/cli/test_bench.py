"""`warmfoot bench` as a newcomer uses it: by options, through a pipe and at a real terminal."""

import contextlib
import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from config.bench_questions import QUESTIONS
from config.load import load
from config.model import SerialLink
from controller.cli import bench as command
from controller.cli import main
from controller.cli.common import EXIT_REFUSED
from controller.faces import typed_program
from sensors.links.ports import Port

PLACE = ("--latitude", "53.3", "--longitude", "-6.5")
Ask = Callable[..., Result]


@pytest.fixture
def ask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Runs `warmfoot bench ...` in an empty folder. typed: what comes through the pipe."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TZ", "Europe/Dublin")
    monkeypatch.setattr(command, "serial_ports", list)

    def run(*words: str, typed: str = "") -> Result:
        return CliRunner().invoke(main, ["bench", *words], input=typed)

    return run


def sound(path: Path) -> bool:
    return CliRunner().invoke(main, ["check", str(path)]).exit_code == 0


def test_every_default_gives_a_sound_file(ask: Ask, tmp_path: Path) -> None:
    said = ask("--yes")
    assert said.exit_code == 0, said.output
    assert "bench.toml is written, and sound" in said.output
    assert "warmfoot check bench.toml" in said.output
    assert "warmfoot check --wires bench.toml" in said.output
    assert "warmfoot run bench.toml" in said.output
    site = load(tmp_path / "bench.toml")
    assert (site.site.timezone, site.site.latitude_deg) == ("Europe/Dublin", 53.3)
    assert sound(tmp_path / "bench.toml")


def test_every_question_is_an_option_too(ask: Ask, tmp_path: Path) -> None:
    said = ask(
        "own bench.toml", "--name", "Alder Lane", "--timezone", "Europe/Oslo",
        "--latitude", "-33", "--longitude", "18 E", "--link", "both", "--port", "/dev/ttyUSB7",
        "--broker", "broker.example", "--broker-port", "8883", "--broker-tls", "yes",
        "--broker-user", "warmfoot", "--node", "house", "--bench", "North", "--bays", "2",
        "--mat-power", "180", "--cutout", "yes", "--cutout-temperature", "34",
        "--base-probes", "1", "--air", "yes", "--mister", "yes", "--flow", "20", "--house", "yes",
        "--page", "no", "--alert", "Maeve",
    )  # fmt: skip
    assert said.exit_code == 0, said.output
    assert " > " not in said.output, "something was asked"
    assert "MAEVE_URL goes into the environment" in said.output
    assert "warmfoot check 'own bench.toml'" in said.output
    site = load(tmp_path / "own bench.toml")
    bench = site.benches["north"]
    assert [bay.mat.cutout_c for bay in bench.bays.values()] == [34, 34]
    assert bench.mister is not None
    assert bench.mister.flow_ml_per_s == 20
    assert {probe.link for probe in bench.air.probes} == {"broker"}
    assert site.site.latitude_deg == -33
    assert not site.page.serve
    options = {name for one in main.commands["bench"].params for name in one.opts}
    assert {question.option for question in QUESTIONS} <= options


def test_questions_are_answered_through_a_pipe(ask: Ask, tmp_path: Path) -> None:
    typed = "Alder Lane\n\n\n\n\n\n\n2\n" + 9 * "\n"
    said = ask(typed=typed)
    assert said.exit_code == 0, said.output
    assert "residual-current device" in said.output
    assert "electrician" in said.output
    site = load(tmp_path / "bench.toml")
    assert site.site.name == "Alder Lane"
    assert len(site.benches["bench_1"].bays) == 2


def test_ports_that_are_there_are_listed_and_the_surest_is_proposed(
    ask: Ask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Port("/dev/serial/by-id/usb-a", "/dev/ttyACM0", "Bench board")
    there = [board, Port("/dev/ttyS0", "/dev/ttyS0", "")]
    monkeypatch.setattr(command, "serial_ports", lambda: there)
    said = ask(*PLACE, typed=30 * "\n")
    assert "  /dev/serial/by-id/usb-a\n    Bench board\n  /dev/ttyS0\n" in said.output
    assert "[/dev/serial/by-id/usb-a] > " in said.output
    link = load(tmp_path / "bench.toml").links["board"]
    assert isinstance(link, SerialLink)
    assert link.port == "/dev/serial/by-id/usb-a"


@pytest.mark.parametrize(
    ("words", "typed", "said"),
    [
        ((), "", "no answer came to 'Name of the nursery'; nothing was written"),
        ((), "A\n", "no answer came to 'Time zone'"),
        ((), "A\nDublin\n", "--timezone: 'Dublin' is not a known time zone"),
        (("--yes", "--timezone", "UTC"), "", "Latitude in degrees, south negative: there is"),
        (("--yes", "--flow", "3"), "", "--flow does not go with the other answers"),
        (("--yes", "--broker", "x"), "", "--broker does not go with the other answers"),
        (("--yes", "none/bench.toml"), "", "none: there is no such directory"),
        (("--yes", "."), "", "is a directory"),
        (("--yes", "two\nlines.toml"), "", "can't be the name of a bench file"),
    ],
)
def test_what_cannot_be_used_is_told_and_nothing_is_written(
    ask: Ask, tmp_path: Path, words: tuple[str, ...], typed: str, said: str
) -> None:
    refused = ask(*words, typed=typed)
    assert (refused.exit_code, said in refused.output) == (EXIT_REFUSED, True), refused.output
    assert list(tmp_path.iterdir()) == []


def test_option_that_cannot_be_read_is_wrong_use(ask: Ask, tmp_path: Path) -> None:
    said = ask("--yes", "--bays", "many")
    assert said.exit_code == 2
    assert "'many' is not a number; write a whole number from 1 to 16" in said.output
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_kept(ask: Ask, tmp_path: Path) -> None:
    there = tmp_path / "bench.toml"
    there.write_text("mine")
    for words in ((), ("--yes",)):
        said = ask(*words, typed="x\n")
        assert (said.exit_code, "bench.toml is there already" in said.output) == (5, True)
        assert there.read_text() == "mine"
    for _ in range(2):
        said = ask("--yes", "--replace")
        assert said.exit_code == 0, said.output
    kept = sorted(tmp_path.glob("bench.toml.before-*"))
    assert len(kept) == 2
    assert "mine" in [one.read_text() for one in kept]
    assert kept[-1].name in said.output or kept[0].name in said.output
    assert sound(there)


def test_a_full_disk_leaves_the_old_file(
    ask: Ask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bench.toml").write_text("mine")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    said = ask("--yes", "--replace")
    assert (said.exit_code, "No space left" in said.output) == (5, True)
    assert (tmp_path / "bench.toml").read_text() == "mine"


# -- at a terminal ----------------------------------------------------------------------------


class Terminal:
    """`warmfoot bench` at a real pseudo-terminal."""

    def __init__(self, folder: Path, *words: str, columns: int = 80) -> None:
        self.said = ""
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-c", "import controller.cli as c; c.main()", "bench", *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            env={**os.environ, "TZ": "Europe/Dublin", "TERM": "xterm", "COLUMNS": ""},
        )  # fmt: skip
        os.close(theirs)

    def until(self, text: str) -> None:
        """Read on until `text` has been said, however it is broken into lines."""
        deadline = time.monotonic() + 30
        while text not in " ".join(self.said.split()):
            assert time.monotonic() < deadline, self.said
            if select.select([self._ours], [], [], 0.2)[0]:
                self._read()

    def _read(self) -> bool:
        try:
            heard = os.read(self._ours, 65536)
        except OSError:
            return False
        self.said += heard.decode().replace("\r\n", "\n")
        return bool(heard)

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def end(self) -> int:
        """Exit code, when all has been read."""
        while self._read():
            pass
        return self.process.wait(30)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait(30.0)
        with contextlib.suppress(OSError):
            os.close(self._ours)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def open_one(*words: str, columns: int = 80) -> Terminal:
        made.append(Terminal(tmp_path, *words, columns=columns))
        return made[-1]

    yield open_one
    for one in made:
        one.close()


@pytest.mark.wire
@pytest.mark.parametrize("columns", [80, 60])
def test_at_a_terminal_a_wrong_answer_is_asked_for_again(
    terminal: Callable[..., Terminal], tmp_path: Path, columns: int
) -> None:
    sat = terminal(*PLACE, "--port", "/dev/ttyACM0", columns=columns)
    sat.until("[My nursery] >")
    sat.type("Alder Lane\n")
    sat.until("[Europe/Dublin] >")
    sat.type("europe/dublin\n")
    sat.until("did you mean Europe/Dublin?")
    sat.type("\n")
    sat.until("[serial] >")
    sat.type("\n")
    sat.until("[Bench 1] >")
    sat.type("\n")
    sat.until("[1] >")
    sat.type("none\n")
    sat.until("'none' is not a number; write a whole number")
    sat.type("3\n")
    sat.until("[100] >")
    sat.type(11 * "\n")
    assert sat.end() == 0, sat.said
    site = load(tmp_path / "bench.toml")
    assert (site.site.name, len(site.benches["bench_1"].bays)) == ("Alder Lane", 3)
    asked = sat.said.split("bench.toml is written")[0]
    assert max(map(len, asked.splitlines())) <= columns


@pytest.mark.wire
@pytest.mark.parametrize("key", ["\x03", "\x04"])
def test_ctrl_c_and_ctrl_d_write_nothing(
    terminal: Callable[..., Terminal], tmp_path: Path, key: str
) -> None:
    sat = terminal()
    sat.until("[My nursery] >")
    sat.type("A\n")
    sat.until("[Europe/Dublin] >")
    sat.type(key)
    assert sat.end() == EXIT_REFUSED, sat.said
    assert "nothing was written" in sat.said
    assert "Traceback" not in sat.said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.wire
def test_at_a_terminal_it_asks_before_it_writes_over_a_file(
    terminal: Callable[..., Terminal], tmp_path: Path
) -> None:
    (tmp_path / "bench.toml").write_text("mine")
    sat = terminal()
    sat.until("[no] >")
    sat.type("\n")
    assert sat.end() == EXIT_REFUSED
    assert [one.name for one in tmp_path.iterdir()] == ["bench.toml"]
    again = terminal(*PLACE)
    again.until("[no] >")
    again.type("yes\n" + 20 * "\n")
    assert again.end() == 0, again.said
    assert sound(tmp_path / "bench.toml")
    (kept,) = tmp_path.glob("bench.toml.before-*")
    assert kept.read_text() == "mine"


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        (".venv/bin/warmfoot", ".venv/bin/warmfoot"),
        ("/opt/warmfoot/bin/warmfoot", "/opt/warmfoot/bin/warmfoot"),
        ("warmfoot", "warmfoot"),
        ("/usr/lib/python3/pytest/__main__.py", "warmfoot"),
    ],
)
def test_commands_are_proposed_as_the_program_was_typed(monkeypatch, typed, told):
    monkeypatch.setattr("sys.argv", [typed, "bench"])
    assert typed_program() == told


def test_a_zone_without_a_town_says_both_ways_on(ask, monkeypatch, tmp_path):
    monkeypatch.setenv("TZ", "UTC")
    said = ask("--yes")
    assert said.exit_code == EXIT_REFUSED
    assert "give --latitude, or the --timezone of your own town" in said.output
    assert ask("--yes", "--timezone", "Europe/Dublin").exit_code == 0
    assert load(tmp_path / "bench.toml").site.latitude_deg == 53.3
