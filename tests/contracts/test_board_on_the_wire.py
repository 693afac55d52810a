"""The firmware under MicroPython, in real time, at the far end of the real serial link."""

import os
import pty
import select
import subprocess
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from config.model import SerialLink as SerialPlan
from sensors.clock import SystemClock
from sensors.links.serial_link import SerialLink
from sensors.messages import ORDER, PROBE, RELAY, Message

pytestmark = [pytest.mark.wire, pytest.mark.usefixtures("no_thread_left")]

Eventually = Callable[..., None]
WITHIN_S = 20.0
"""The board starts an interpreter first, on a machine that may be busy."""


class LiveBoard:
    """The interpreter and two threads that carry bytes between it and a pseudo-terminal."""

    def __init__(self, bridge: list[str], port: Path) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        port.symlink_to(os.ttyname(self._slave))
        self._process = subprocess.Popen(
            [*bridge, "live"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0
        )
        self._ended = threading.Event()
        self._threads = [threading.Thread(target=run) for run in (self._to, self._from)]
        for thread in self._threads:
            thread.start()

    def _to(self) -> None:
        assert self._process.stdin is not None
        while not self._ended.is_set():
            if select.select([self._master], [], [], 0.05)[0]:
                self._process.stdin.write(os.read(self._master, 4096))

    def _from(self) -> None:
        assert self._process.stdout is not None
        while data := self._process.stdout.read(4096):
            os.write(self._master, data)

    def close(self) -> None:
        self._ended.set()
        self._threads[0].join()
        self._process.kill()
        self._threads[1].join()
        self._process.communicate()
        os.close(self._master)
        os.close(self._slave)


class Ear:
    """A link and all that came over it."""

    def __init__(self, link: SerialLink) -> None:
        self.link = link
        self.said: list[Message] = []

    def last(self, word: str) -> dict[str, str]:
        self.said += [arrival.message for arrival in self.link.poll()]
        found = [message.fields for message in self.said if message.word == word]
        return found[-1] if found else {}


@pytest.fixture
def ear(bridge: list[str], tmp_path: Path) -> Iterator[Ear]:
    port = tmp_path / "port"
    board = LiveBoard(bridge, port)
    link = SerialLink("bench", SerialPlan(kind="serial", port=str(port)), SystemClock())
    link.start()
    yield Ear(link)
    link.stop()
    board.close()


def test_readings_come_and_orders_close_relays_until_their_lease_is_out(
    ear: Any, eventually: Eventually
) -> None:
    expected = {"base1": "20.1250", "air": "25.00", "rh": "40.00"}
    eventually(lambda: ear.last(PROBE) == expected, WITHIN_S)
    assert ear.link.send(Message(ORDER, 1, {"mat1": "2", "mist": "30"}))
    eventually(lambda: ear.last(RELAY).get("mat1", "").startswith("1/"), WITHIN_S)
    eventually(lambda: ear.last(RELAY).get("mat1") == "0/0", WITHIN_S)
    assert ear.last(RELAY)["mist"].startswith("1/")
    assert ear.link.send(Message(ORDER, 2, {"mist": "0"}))
    eventually(lambda: ear.last(RELAY).get("mist") == "0/0", WITHIN_S)
    assert ear.link.health().rejected == 0
