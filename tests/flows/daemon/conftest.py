"""A real daemon on a real pseudo-terminal, with the simulated board at its other end."""

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.daemon import Daemon
from sensors.lines import decode
from simulator.board import SimBoard
from simulator.wires import PtyWire

ROOT = Path(__file__).parents[3]
CHANNELS = {"base1": "15.00", "base2": "15.10", "air": "10.00", "rh": "80.0", "house": "9.00"}


class PtyBoard:
    """A simulated board that lives in a thread, by its own clock.

    values: what its probes read, as text.  speed: how fast its clock runs, for a test that must not
    wait for a lease to run out.  heard: (monotonic s, fields) of every order on the wire.
    """

    def __init__(self, alias: Path) -> None:
        self.alias = alias
        self.values: dict[str, str | None] = dict(CHANNELS)
        self.speed = 1.0
        self.heard: list[tuple[float, dict[str, str]]] = []
        probes = {name: self._reader(name) for name in CHANNELS}
        self.board = SimBoard(
            probes, {"mat1": 120.0, "mist": 60.0}, every_s=dict.fromkeys(probes, 0.2)
        )
        self.went_off_s = time.monotonic()
        self._wire: PtyWire | None = PtyWire(alias)
        self._lock = threading.Lock()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._live, name="board")
        self._thread.start()

    def _reader(self, name: str) -> Callable[[], str | None]:
        return lambda: self.values[name]

    @property
    def heating(self) -> bool:
        return self.board.relay_on("mat1")

    def _live(self) -> None:
        last_s = time.monotonic()
        while not self._done.wait(0.02):
            now_s = time.monotonic()
            with self._lock:
                for line in self._wire.read() if self._wire else ():
                    self.heard.append((now_s, decode(line)[2]))
                    self.board.receive(line)
                self.board.advance((now_s - last_s) * self.speed)
                lines = self.board.lines()
                if self._wire and lines:
                    self._wire.write(lines)
            last_s = now_s

    def unplug(self) -> None:
        with self._lock:
            assert self._wire is not None
            self._wire.close()
            self._wire = None

    def plug(self) -> None:
        with self._lock:
            self._wire = PtyWire(self.alias)

    def close(self) -> None:
        self._done.set()
        self._thread.join(5.0)
        if self._wire:
            self._wire.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyBoard]:
    made = PtyBoard(tmp_path / "port")
    yield made
    made.close()


@pytest.fixture
def bench_file(bench_text: Callable[..., str], tmp_path: Path) -> Path:
    """A bench file for the board on the pseudo-terminal, with quick ticks.

    No cut-out is declared, so that an alarm is raised, and committed, at the first tick.
    """
    text = bench_text(
        site="tick_s = 0.5",
        link=f'kind = "serial"\nport = "{tmp_path / "port"}"',
        bench='recipe = "semi_ripe"\nheat = { shortest_s = 5 }',
        mat="",
        more=f'[journal]\npath = "{tmp_path / "bench.db"}"',
    )
    path = tmp_path / "bench.toml"
    path.write_text(text)
    return path


COMMAND = "from controller.cli import main; main()"
FAST = """
import sys, time
from pathlib import Path
from controller.daemon import Daemon
from sensors.clock import Now
class FastClock:
    '''Sixty times as fast as the machine's, so that a second is a minute.'''
    def now(self):
        real_s = time.monotonic()
        past_s = 60.0 * (real_s - {mono_s}) + {later_s}
        return Now({utc_s} + past_s, 1e6 + past_s)
    def wait_until(self, mono_s):
        raise NotImplementedError
Daemon(Path(sys.argv[2]), clock=FastClock()).run()
"""


class Runner:
    """Starts `warmfoot ...` in processes of their own, and ends those that are left."""

    def __init__(self, home: Path) -> None:
        self._env = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "XDG_STATE_HOME": str(home / "state"),
            "HOME": str(home),
        }
        self._made: list[subprocess.Popen[str]] = []

    def start(
        self, *words: str | Path, program: str = COMMAND, stderr: int = subprocess.PIPE, **env: str
    ) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", program, *map(str, words)],
            env={**self._env, **env},
            stdout=subprocess.PIPE,
            stderr=stderr,
            text=True,
        )
        self._made.append(process)
        return process

    def run(self, *words: str | Path, **env: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        process = self.start(*words, **env)
        out, err = process.communicate(timeout=30)
        return subprocess.CompletedProcess(words, process.returncode, out, err)

    def end_all(self) -> None:
        for process in self._made:
            if process.poll() is None:
                process.kill()
            process.communicate(timeout=30)


@pytest.fixture
def warmfoot(tmp_path: Path) -> Iterator[Runner]:
    made = Runner(tmp_path)
    yield made
    made.end_all()


@pytest.fixture
def fast_program() -> Callable[[float], str]:
    """fast_program(later_s): a program for `warmfoot.start`, a daemon with a quick clock.

    It begins a day ago.  later_s: how far its clock is turned on, as if the machine had been off.
    """
    now_s = time.monotonic()
    begin_s = time.time() // 60 * 60 - 86400.0

    def program(later_s: float) -> str:
        return FAST.format(utc_s=begin_s, mono_s=now_s, later_s=later_s)

    return program


@pytest.fixture
def keep() -> Callable[[Daemon, Callable[[], None]], None]:
    """keep(daemon, script): run the daemon here while `script` plays in a thread, then SIGTERM.

    What goes wrong in the script fails the test.
    """

    def run(daemon: Daemon, script: Callable[[], None]) -> None:
        wrong: list[BaseException] = []

        def play() -> None:
            try:
                script()
            except BaseException as error:
                wrong.append(error)
            finally:
                os.kill(os.getpid(), signal.SIGTERM)

        before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
        thread = threading.Thread(target=play, name="script")
        try:
            with contextlib.ExitStack() as stack:
                stack.callback(thread.join, 20.0)
                thread.start()
                daemon.run()
        finally:
            signal.signal(signal.SIGTERM, before)
        if wrong:
            raise wrong[0]

    return run
