"""Modbus RTU frames as bytes, for the one who asks; and numbers out of registers.

Layout and function codes: Modbus Application Protocol Specification V1.1b3 (Modbus Organization),
sections 6 and 7. The CRC and its byte order, low byte first: "Modbus over Serial Line" V1.02,
section 6.2.2.

    unit function address(2) count or value(2) crc(2)      11 03 00 6B 00 03 76 87
    unit function bytes data.. crc(2)                      11 03 06 AE 41 56 52 43 40 49 AD
    unit function+80 exception crc(2)                      01 83 02 C0 F1
"""

import struct
from collections.abc import Sequence
from math import isfinite
from typing import Final, NamedTuple

from fastcrc import crc16

from config.modbus import ModbusPoint

READ: Final = {"coil": 1, "discrete_input": 2, "holding_register": 3, "input_register": 4}
WRITE: Final = {"coil": 5, "holding_register": 6}
BIT_TABLES: Final = ("coil", "discrete_input")
COIL_ON: Final = 0xFF00
EXCEPTION: Final = 0x80
_EXCEPTION_BYTES: Final = 5
_WRITTEN_BYTES: Final = 8
_WITHOUT_DATA_BYTES: Final = 5

EXCEPTIONS: Final = {
    1: "does not know function {function}; is {table} the right table?",
    2: "has no {table} {address}; addresses count from 0, so a sheet's 30001 or 40001 is 0",
    3: "refuses the value or the count for {table} {address}; is type right?",
    4: "has a fault of its own and could not do it; look at the device",
    5: "has taken it and is still at work; asked again later",
    6: "is busy; asked again later",
    7: "cannot do what was asked of it",
    8: "finds its own memory damaged; switch it off and on, replace it if that does not help",
    10: "is behind a gateway that has no path to it; look at the gateway's settings",
    11: "is behind a gateway that hears nothing from it; powered, and wired?",
}
"""Exception codes of section 7 of the specification, in a grower's words. It names no 9."""


class Ask(NamedTuple):
    """One request. value: how many are read, or the word that is written."""

    unit: int
    table: str
    address: int
    value: int
    write: bool = False

    @property
    def function(self) -> int:
        return (WRITE if self.write else READ)[self.table]


class Answer(NamedTuple):
    """words: of registers, or 0 and 1 of bits; of a write, what was written.

    refused: exception code, 0 for none.
    """

    words: tuple[int, ...]
    refused: int = 0


def with_crc(body: bytes) -> bytes:
    return body + crc16.modbus(body).to_bytes(2, "little")


def request(ask: Ask) -> bytes:
    """The eight bytes of a request; all six functions used here have the same layout."""
    value = (COIL_ON if ask.value else 0) if ask.write and ask.table == "coil" else ask.value
    return with_crc(struct.pack(">BBHH", ask.unit, ask.function, ask.address, value))


def answer_in(received: bytes, ask: Ask) -> Answer | None:
    """The answer to `ask` within what was received; None when it is not there, or not yet.

    Bytes before and after it are passed over: a line that turns round gives stray ones. What comes
    from another unit, for another function or of another length is no answer to this.
    """
    for start in range(len(received) - _EXCEPTION_BYTES + 1):
        if received[start] != ask.unit:
            continue
        function = received[start + 1]
        if function == ask.function:
            size = _size(ask)
        elif function == ask.function | EXCEPTION:
            size = _EXCEPTION_BYTES
        else:
            continue
        frame = received[start : start + size]
        if len(frame) == size and with_crc(frame[:-2]) == frame:
            answer = _decode(frame, ask)
            if answer is not None:
                return answer
    return None


def _size(ask: Ask) -> int:
    return _WRITTEN_BYTES if ask.write else _WITHOUT_DATA_BYTES + _data_bytes(ask)


def _data_bytes(ask: Ask) -> int:
    return (ask.value + 7) // 8 if ask.table in BIT_TABLES else 2 * ask.value


def _decode(frame: bytes, ask: Ask) -> Answer | None:
    if frame[1] & EXCEPTION:
        return Answer((), frame[2]) if frame[2] else None
    if ask.write:
        return Answer((ask.value,)) if frame == request(ask) else None
    if frame[2] != _data_bytes(ask):
        return None
    data = frame[3:-2]
    if ask.table in BIT_TABLES:
        return Answer(tuple(data[n // 8] >> n % 8 & 1 for n in range(ask.value)))
    return Answer(struct.unpack(f">{ask.value}H", data))


def refusal(ask: Ask, code: int) -> str:
    """What a unit's exception means, and what to do."""
    words = EXCEPTIONS.get(code, "answers with exception {code}, which the standard does not know")
    told = words.format(
        function=ask.function, table=ask.table.replace("_", " "), address=ask.address, code=code
    )
    return f"unit {ask.unit} {told}"


def number_of(point: ModbusPoint, words: Sequence[int]) -> float:
    """The probe's value in its own unit; NaN where the unit sent a float that is none.

    words: as many registers as the type takes.  The specification leaves 32-bit types open; both
    orders of the two registers are in use, each register high byte first.
    """
    if point.word_order == "low_first":
        words = words[::-1]
    data = struct.pack(f">{point.words}H", *words)
    raw: float = struct.unpack(f">{_FORMAT[point.type]}", data)[0]
    return raw * point.scale + point.offset


_FORMAT: Final = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}


def number_text(value: float) -> str:
    """A value as the plain decimal text of messages, at most 12 characters.

    "none" for what is no number and "beyond" from 1e9 on: both are refused as samples, and shown.
    """
    if not isfinite(value):
        return "none"
    if not abs(value) < 1e9:
        return "beyond"
    text = f"{value:.6f}"[:12].rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
