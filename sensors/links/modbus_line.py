"""One RS-485 line: a request goes out, its answer is waited for, nothing else is in between."""

import time
from typing import Any, Final, NamedTuple

import serial

from config.modbus import BITS_PER_CHARACTER
from config.modbus import ModbusLink as ModbusPlan
from sensors.clock import Clock
from sensors.links.modbus_frames import Answer, Ask, answer_in, request

READ_TIMEOUT_S: Final = 0.02
WRITE_TIMEOUT_S: Final = 1.0
RECEIVED_BYTES: Final = 512
"""Twice the longest frame of the standard: what is beyond is noise."""
ASK_CHARACTERS: Final = 8 + 9
"""A request, and the longest answer to one here: two registers."""
PAUSE_CHARACTERS: Final = 3.5
PAUSE_LEAST_S: Final = 0.00175
"""Silence between frames ("Modbus over Serial Line" V1.02, section 2.5.1.1); above 19200 baud it
stays the same."""
_PARITIES: Final = {
    "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE,
}  # fmt: skip


class Outcome(NamedTuple):
    """answer: None when none came in time.  garbled: something else came instead."""

    answer: Answer | None
    garbled: bool = False


class Line:
    """The opened port. Raises what pyserial raises when it is gone."""

    def __init__(self, plan: ModbusPlan, clock: Clock) -> None:
        self._clock = clock
        self._longest_s = longest_s(plan)
        self._pause_s = pause_s(plan.baud)
        self._quiet_since_s = clock.now().mono_s
        self._echoes = False
        self._port = _opened(plan)

    def ask(self, ask: Ask) -> Outcome:
        """One request and its answer. Takes little more than `longest_s`."""
        quiet_s = self._clock.now().mono_s - self._quiet_since_s
        if quiet_s < self._pause_s:
            time.sleep(self._pause_s - quiet_s)
        self._port.read(self._port.in_waiting)  # a late answer, or noise from between: away
        asked = request(ask)
        self._port.write(asked)
        ends_s = self._clock.now().mono_s + self._longest_s
        received = b""
        answer = None
        while answer is None and len(received) < RECEIVED_BYTES:
            received += self._port.read(self._port.in_waiting or 1)
            answer = answer_in(self._without_echo(received, asked), ask)
            if self._clock.now().mono_s >= ends_s:
                break
        self._quiet_since_s = self._clock.now().mono_s
        if not ask.write and received:
            self._echoes = received.startswith(asked)
        return Outcome(answer, answer is None and received not in (b"", asked))

    def _without_echo(self, received: bytes, asked: bytes) -> bytes:
        """What a unit said. Some adapters give back what is sent, which would pass for the answer
        to a write; that they do is seen at the reads, which no unit answers so.
        """
        if not self._echoes:
            return received
        return received[len(asked) :] if received.startswith(asked) else b""

    def close(self) -> None:
        self._port.close()


def _opened(plan: ModbusPlan) -> Any:
    """The port. Raises OSError when it cannot be had, ValueError for settings it does not take."""
    try:
        return serial.serial_for_url(
            plan.port,
            baudrate=plan.baud,
            parity=_PARITIES[plan.parity],
            stopbits=plan.stop_bits,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    except (OSError, ValueError):
        raise
    except Exception as error:  # termios.error, which is neither
        settings = f"{plan.baud} baud, parity {plan.parity}, {plan.stop_bits} stop bits"
        raise ValueError(f"it does not take {settings} ({error})") from None


def longest_s(plan: ModbusPlan) -> float:
    """How long one ask may take, s: the bytes both ways, and the wait between them."""
    return ASK_CHARACTERS * BITS_PER_CHARACTER / plan.baud + plan.answer_s


def pause_s(baud: int) -> float:
    """The silence that parts two frames, s: 3.5 characters of 11 bits, at least 1.75 ms."""
    return max(PAUSE_CHARACTERS * BITS_PER_CHARACTER / baud, PAUSE_LEAST_S)
