"""What the daemon says goes to whoever reads, and waits for nobody."""

import logging
import os
from collections.abc import Iterator

import pytest

from controller.own_log import KEPT_LINES, OwnLog


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    ends = os.pipe()
    yield ends
    os.close(ends[0])


def fill(fd: int) -> int:
    """Fill a pipe to its brim; gives the bytes in it."""
    os.set_blocking(fd, False)
    full = 0
    try:
        while True:
            full += os.write(fd, b"x" * 512)
    except BlockingIOError:
        os.set_blocking(fd, True)
    return full


def test_records_and_lines_come_in_order_and_what_cannot_be_encoded_is_escaped(pipe, monkeypatch):
    class Ascii:
        encoding = "ascii"

    monkeypatch.setattr("sys.stderr", Ascii())
    own = OwnLog(pipe[1])
    own.setFormatter(logging.Formatter("%(levelname)s %(message)s"))
    own.say("first\n")
    own.handle(logging.makeLogRecord({"levelname": "ERROR", "msg": "21 °C"}))
    own.flush()
    assert os.read(pipe[0], 4096) == b"first\nERROR 21 \\xb0C\n"


def test_nobody_waits_for_a_reader_that_stands_still_and_what_was_not_said_is_counted(
    pipe, eventually
):
    full = fill(pipe[1])
    own = OwnLog(pipe[1])
    lines = [f"line {number}\n" for number in range(KEPT_LINES + 50)]
    for line in lines:
        own.say(line)
    said = b""

    def told():
        found = said[full:].decode().splitlines()
        return [t for t in found if "not said" not in t], [t for t in found if "not said" in t]

    def read_on():
        nonlocal said
        said += os.read(pipe[0], 65536)
        own_lines, counts = told()
        return counts and len(own_lines) + int(counts[0].split()[0]) == len(lines)

    eventually(read_on, 10.0)
    own_lines, counts = told()
    assert len(counts) == 1
    assert len(own_lines) >= KEPT_LINES
    assert own_lines == [line.rstrip() for line in lines[: len(own_lines)]]


def test_a_reader_that_is_gone_is_no_error(pipe):
    own = OwnLog(os.dup(pipe[1]))
    gone, end = os.pipe()
    lost = OwnLog(end)
    os.close(gone)
    for one in (lost, own, lost):
        one.say("line\n")
        one.flush()
    assert os.read(pipe[0], 64) == b"line\n"
