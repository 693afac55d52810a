"""What only a serial port can do to a link; facts about pyserial that bite."""

import errno
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial

from config.model import SerialLink as SerialPlan
from sensors.clock import SystemClock
from sensors.lines import encode
from sensors.links.port_faults import explain
from sensors.links.serial_link import SerialLink
from sensors.messages import ORDER, PROBE, Message

pytestmark = [pytest.mark.wire, pytest.mark.usefixtures("no_thread_left")]

Eventually = Callable[..., None]
ON = Message(ORDER, 1, {"mat1": "30"})


def test_a_port_that_is_not_there_is_named(tmp_path: Path, eventually: Eventually) -> None:
    port = str(tmp_path / "none")
    link = SerialLink("b", SerialPlan(kind="serial", port=port), SystemClock(), (0.05, 0.2))
    link.start()
    eventually(lambda: link.health().why == f"port {port} is not there; plugged in?")
    link.stop()


def test_a_port_in_use_is_named(serial_end: Any, eventually: Eventually) -> None:
    other = serial.Serial(str(serial_end.port), exclusive=True)
    serial_end.link.start()
    eventually(lambda: "in use by another program" in serial_end.link.health().why)
    other.close()
    eventually(lambda: serial_end.link.health().up)


def test_two_programs_cannot_share_a_port(serial_end: Any, eventually: Eventually) -> None:
    serial_end.link.start()
    eventually(lambda: serial_end.link.health().up)
    with pytest.raises(serial.SerialException):
        serial.Serial(str(serial_end.port), exclusive=True)


def test_a_missing_permission_says_what_to_do() -> None:
    refused = serial.SerialException(errno.EACCES, "could not open port")
    assert "add the user to the group dialout" in explain(refused, "/dev/ttyACM0")


def test_a_line_in_pieces_is_read_whole(serial_end: Any, eventually: Eventually) -> None:
    # pyserial's own readline gives up a partial line at its timeout, and "5" would then be 5 degC.
    serial_end.link.start()
    eventually(lambda: serial_end.link.health().up)
    line = encode(PROBE, 1, {"base1": "21.5"}).encode()
    got: list[Any] = []
    for piece in (line[:17], line[17:18], line[18:]):
        serial_end.say_raw(piece)
        time.sleep(0.25)  # longer than the link's read timeout
        got += serial_end.link.poll()
    assert [arrival.message.fields for arrival in got] == [{"base1": "21.5"}]
    assert serial_end.link.health().rejected == 0


def test_a_megabyte_without_newline_is_dropped(serial_end: Any, eventually: Eventually) -> None:
    serial_end.link.start()
    eventually(lambda: serial_end.link.health().up)
    for _ in range(256):
        serial_end.say_raw(b"7" * 4096)
    serial_end.say_raw(b"\n" + encode(PROBE, 1, {"base1": "21.5"}).encode())
    got: list[Any] = []
    eventually(lambda: got.extend(serial_end.link.poll()) or got)
    assert [arrival.message.seq for arrival in got] == [1]
    assert serial_end.link.health().rejected == 1


def test_a_board_that_takes_nothing_never_holds_up_the_loop(
    serial_end: Any, eventually: Eventually
) -> None:
    # By default pyserial waits for ever in write.
    serial_end.reads = False
    serial_end.link.start()
    eventually(lambda: serial_end.link.health().up)
    full = Message(ORDER, 1, {f"channel_number_{n}": "30" for n in range(8)})
    longest_s = 0.0
    deadline = time.monotonic() + 8
    while serial_end.link.health().up and time.monotonic() < deadline:
        began = time.monotonic()
        serial_end.link.send(full)
        serial_end.link.poll()
        longest_s = max(longest_s, time.monotonic() - began)
        time.sleep(0.001)
    assert "takes no more bytes" in serial_end.link.health().why
    assert longest_s < 0.3
    serial_end.reads = True
    last = Message(ORDER, 2, {"mat1": "0"})

    def heard_again() -> bool:
        serial_end.link.send(last)
        return last in serial_end.heard and serial_end.link.health().up

    eventually(heard_again)


def test_the_board_need_not_be_told_where_a_line_begins(
    serial_end: Any, eventually: Eventually
) -> None:
    """What another program left half-sent on the wire does not spoil the first order."""
    with serial.Serial(str(serial_end.port)) as other:
        other.write(b"order 7 mat1=3")
    time.sleep(0.05)
    serial_end.link.start()
    eventually(lambda: serial_end.link.send(ON))
    eventually(lambda: ON in serial_end.heard)
