"""Fixtures for every folder: a real broker, deadlines, and an eye on threads left behind."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# Wall time says nothing about right or wrong on a busy machine.
settings.register_profile("warmfoot", deadline=None)
settings.load_profile("warmfoot")


def pytest_configure() -> None:
    """A shell in the background ignores Ctrl-C, and what the tests start would inherit that."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


class Broker:
    """A real mosquitto on a free port of this machine, without persistence."""

    def __init__(self, program: str, folder: Path, lines: tuple[str, ...]) -> None:
        self.host = "127.0.0.1"
        with socket.socket() as probe:
            probe.bind((self.host, 0))
            self.port: int = probe.getsockname()[1]
        self._command = [program, "-c", str(folder / "mosquitto.conf")]
        access = (
            () if any("allow_anonymous" in line for line in lines) else ("allow_anonymous true",)
        )
        text = "\n".join((f"listener {self.port} {self.host}", *access, *lines, "user root"))
        (folder / "mosquitto.conf").write_text(text + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        deadline = time.monotonic() + 5
        while time.monotonic() < deadline:
            try:
                socket.create_connection((self.host, self.port), 0.2).close()
                return
            except OSError:
                time.sleep(0.02)
        raise RuntimeError("mosquitto did not start")

    def stop(self) -> None:
        """End it at once, as a loss of power would."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(30.0)

    def freeze(self) -> None:
        """Leave its connections open, but answer nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def reload(self) -> None:
        """Have it read its access list anew."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)


BrokerMaker = Callable[..., Broker]


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[BrokerMaker]:
    """make_broker(*configuration lines) -> a started Broker; all are ended after the test."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        why = "no mosquitto broker here; install it: apt-get install mosquitto"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    made: list[Broker] = []

    def make(*lines: str) -> Broker:
        folder = tmp_path / f"broker{len(made)}"
        folder.mkdir()
        broker = Broker(program, folder, lines)
        made.append(broker)
        broker.start()
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def broker(make_broker: BrokerMaker) -> Broker:
    return make_broker()


@pytest.fixture
def slowness() -> Callable[[], float]:
    """slowness(): how much longer a real second's work takes here now, for what else the machine
    does: its load of the last minute on each core, from 1 (the promises hold as they stand) to 20.
    """

    def ask() -> float:
        return min(20.0, max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)))

    return ask


@pytest.fixture
def eventually(slowness: Callable[[], float]) -> Callable[..., None]:
    """eventually(claim, within_s=30): wait until claim() holds, fail when it does not in time.

    The span is of a machine with nothing else to do.
    """

    def wait(claim: Callable[[], object], within_s: float = 30.0) -> None:
        begun_s = time.monotonic()
        while not claim():
            waited_s = time.monotonic() - begun_s
            assert waited_s < within_s * slowness(), f"not so within {waited_s:.1f} s"
            time.sleep(0.005)

    return wait


@pytest.fixture
def no_thread_left() -> Iterator[None]:
    """Fail the test when a thread that it began still runs after it."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 2
    while left := [t.name for t in threading.enumerate() if t not in before]:
        assert time.monotonic() < deadline, f"threads left running: {left}"
        time.sleep(0.01)


ROOT = Path(__file__).parents[1]
MICROPYTHON = Path("node_modules/@micropython/micropython-webassembly-pyscript/micropython.mjs")
BRIDGE = ROOT / "tests" / "sensors" / "board" / "bridge.mjs"


@pytest.fixture(scope="session")
def bridge() -> list[str]:
    """The command that starts MicroPython with the board's files and stand-ins for its chips."""
    library = Path(sys.prefix) / MICROPYTHON
    node = shutil.which("node")
    if node is None or not library.exists():
        package = f"@micropython/{MICROPYTHON.parent.name}@1.27.0"
        why = f"no MicroPython here; install it: npm install --prefix {sys.prefix} {package}"
        unreachable = os.environ.get("NO_MICROPYTHON")
        if os.environ.get("CI") == "true" and not unreachable:
            pytest.fail(why)
        pytest.skip(unreachable or why)
    return [node, str(BRIDGE), str(library), str(ROOT)]


class MicroPython:
    """An interpreter that runs what it is given and keeps its state between."""

    def __init__(self, command: list[str]) -> None:
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, source: str) -> str:
        """What `source` printed. Raises RuntimeError with MicroPython's traceback."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"run": source}) + "\n")
        self._process.stdin.flush()
        answer = json.loads(self._process.stdout.readline())
        if answer["error"] is not None:
            raise RuntimeError(answer["error"])
        out: str = answer["out"]
        return out

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def micropython(bridge: list[str]) -> Iterator[MicroPython]:
    interpreter = MicroPython(bridge)
    yield interpreter
    interpreter.close()
