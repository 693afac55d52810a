"""The service manager hears that all is well only while every stage moves on."""

import contextlib
import socket
import threading
import time

import pytest

from controller.daemon import Daemon
from controller.journal.writer import Journal
from controller.loop import Controller
from controller.relays.driver import Driver
from sensors.links.serial_link import SerialLink

pytestmark = pytest.mark.wire
WATCHDOG_S = 0.6


class Manager:
    """The listening end of NOTIFY_SOCKET."""

    def __init__(self, path):
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.setblocking(False)
        self.heard = []

    def take(self):
        with contextlib.suppress(BlockingIOError):
            while True:
                self.heard += self._socket.recv(4096).decode().split("\n")
        return self.heard

    def fed_within(self, span_s):
        """Whether a sign of life comes within the span."""
        self.take()
        self.heard.clear()
        end_s = time.monotonic() + span_s
        while time.monotonic() < end_s:
            if "WATCHDOG=1" in self.take():
                return True
            time.sleep(0.01)
        return False


@pytest.fixture
def manager(tmp_path, monkeypatch):
    path = tmp_path / "notify"
    made = Manager(path)
    monkeypatch.setenv("NOTIFY_SOCKET", str(path))
    monkeypatch.setenv("WATCHDOG_USEC", str(int(WATCHDOG_S * 1e6)))
    return made


def broken(*_args, **_more):
    raise OSError("a fault")


@pytest.mark.parametrize(
    ("holder", "stage", "hangs"),
    [
        (SerialLink, "poll", True),
        (Controller, "_decide", True),
        (Driver, "send", True),
        (Driver, "send", False),
        (Journal, "write", True),
    ],
    ids=["sensing hangs", "deciding hangs", "ordering hangs", "ordering fails", "journal hangs"],
)
def test_stage_that_stops_ends_the_signs_of_life(
    manager, board, bench_file, keep, monkeypatch, eventually, holder, stage, hangs
):
    release = threading.Event()
    whole = getattr(holder, stage)

    def hung(*args, **more):
        if not hangs:
            broken()
        release.wait(60.0)
        return whole(*args, **more)

    def script():
        try:
            eventually(lambda: "READY=1" in manager.take(), 10.0)
            eventually(lambda: board.heating, 10.0)
            eventually(lambda: manager.fed_within(1.0))
            monkeypatch.setattr(holder, stage, hung)
            if holder is Journal:
                daemon.running.note("test", "site", "something to write")
            # Some may still be under way.
            eventually(lambda: not manager.fed_within(2.5 * WATCHDOG_S), 5.0 * WATCHDOG_S)
            monkeypatch.setattr(holder, stage, whole)
            release.set()
            eventually(lambda: manager.fed_within(1.0))
        finally:
            release.set()

    daemon = Noting(bench_file)
    keep(daemon, script)
    assert "STOPPING=1" in manager.take()
    eventually(lambda: board.heard[-1][1] == {"mat1": "0", "mist": "0"})


class Noting(Daemon):
    """A daemon that lets the test reach its controller."""

    running: Controller

    def _keep(self, controller):
        self.running = controller
        super()._keep(controller)


def test_fault_that_ends_the_loop_orders_everything_off_on_the_way_out(
    board, bench_file, keep, monkeypatch, eventually
):
    def script():
        eventually(lambda: board.heating, 10.0)
        monkeypatch.setattr(Controller, "tick", broken)
        eventually(lambda: not board.heating, 5.0)

    with pytest.raises(OSError, match="a fault"):
        keep(Daemon(bench_file), script)
    assert board.heard[-1][1] == {"mat1": "0", "mist": "0"}


def test_fault_in_every_decision_orders_off_and_is_no_sign_of_life(
    manager, board, bench_file, keep, monkeypatch, eventually
):
    def script():
        eventually(lambda: board.heating, 10.0)
        monkeypatch.setattr("controller.loop.step", broken)
        eventually(lambda: not board.heating, 5.0)
        eventually(lambda: not manager.fed_within(2.5 * WATCHDOG_S), 5.0 * WATCHDOG_S)

    keep(Daemon(bench_file), script)
