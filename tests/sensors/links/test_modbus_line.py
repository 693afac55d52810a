"""One request and its answer, on a port whose bytes and time are the test's own."""

from collections.abc import Callable

import pytest
import serial

from config.modbus import ModbusLink as ModbusPlan
from sensors.clock import Now
from sensors.links.modbus_frames import Answer, Ask, request, with_crc
from sensors.links.modbus_line import RECEIVED_BYTES, Line, longest_s

READ = Ask(3, "input_register", 0, 1)
WRITE = Ask(3, "coil", 5, 1, write=True)
TOLD = with_crc(bytes([3, 4, 2, 0, 215]))
PLAN = ModbusPlan(kind="modbus", port="/dev/none", baud=19200, answer_s=0.3)


class Port:
    """answer: what comes back for a request.  late: what lies there before it.  Each read that
    finds nothing takes 20 ms.
    """

    def __init__(self) -> None:
        self.now_s = 100.0
        self.answer: Callable[[bytes], bytes] = lambda _asked: b""
        self.buffer = b""
        self.sent: list[bytes] = []

    @property
    def in_waiting(self) -> int:
        return len(self.buffer)

    def read(self, size: int) -> bytes:
        got, self.buffer = self.buffer[:size], self.buffer[size:]
        if size and not got:
            self.now_s += 0.02
        return got

    def write(self, data: bytes) -> None:
        self.sent.append(data)
        self.buffer += self.answer(data)

    def now(self) -> Now:
        return Now(0.0, self.now_s)

    def wait_until(self, mono_s: float) -> None:
        self.now_s = mono_s


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Port:
    made = Port()
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **__: made)
    return made


@pytest.fixture
def line(port: Port) -> Line:
    return Line(PLAN, port)


def test_an_answer_ends_the_wait(line: Line, port: Port) -> None:
    port.answer = lambda _: TOLD
    assert line.ask(READ) == (Answer((215,)), False)
    assert port.now_s == 100.0
    assert port.sent == [request(READ)]


def test_silence_takes_no_longer_than_said(line: Line, port: Port) -> None:
    assert line.ask(READ) == (None, False)
    assert port.now_s - 100.0 < longest_s(PLAN) + 0.021


def test_a_late_answer_is_not_taken_for_the_next(line: Line, port: Port) -> None:
    port.buffer = TOLD
    assert line.ask(READ) == (None, False)


def test_noise_is_told_and_ends(line: Line, port: Port) -> None:
    port.answer = lambda _: b"\x55" * 4 * RECEIVED_BYTES
    assert line.ask(READ) == (None, True)
    assert port.now_s == 100.0


def test_an_echo_is_no_answer_to_a_write(line: Line, port: Port) -> None:
    """An order to a coil and its answer are the same bytes; a dead board answers nothing."""
    port.answer = lambda asked: asked
    assert line.ask(READ) == (None, False)
    assert line.ask(WRITE) == (None, False)
    port.answer = lambda asked: asked + asked
    assert line.ask(WRITE) == (Answer((1,)), False)
    port.answer = lambda asked: asked + TOLD
    assert line.ask(READ) == (Answer((215,)), False)


def test_without_an_echo_the_answer_to_a_write_counts(line: Line, port: Port) -> None:
    port.answer = lambda _: TOLD
    line.ask(READ)
    port.answer = lambda asked: asked
    assert line.ask(WRITE) == (Answer((1,)), False)


def test_echo_that_stops_is_noticed(line: Line, port: Port) -> None:
    port.answer = lambda asked: asked + TOLD
    line.ask(READ)
    port.answer = lambda _: TOLD
    line.ask(READ)
    assert line.ask(READ) == (Answer((215,)), False)
