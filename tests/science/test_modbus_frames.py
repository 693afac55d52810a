"""Modbus RTU frames beside published ones, and beside another implementation.

Sources: the CRC catalogue (reveng, CRC-16/MODBUS); "Modbus over Serial Line" V1.02 (Modbus
Organization), sections 2.5.1 and 6.2.2, from memory; the frames of a widely copied Modbus tutorial
(unit 17, registers 107 to 109), of which the request was seen in its own text and the others are
from memory; pymodbus, a general library, for frames in any number.
"""

import struct

import pytest
from fastcrc import crc16
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from config.modbus import ModbusPoint
from sensors.links.modbus_frames import (
    READ,
    WRITE,
    Answer,
    Ask,
    answer_in,
    number_of,
    request,
    with_crc,
)
from sensors.links.modbus_line import pause_s


def test_crc_has_the_check_value_of_the_catalogue() -> None:
    assert crc16.modbus(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    "frame",
    [
        "02 07 41 12",  # Serial Line V1.02, section 6.2.2: its own example, from memory
        "11 03 00 6B 00 03 76 87",  # tutorial, read holding registers: seen
        "01 04 02 FF FF B8 80",  # quoted by the test suites of several libraries
        "11 03 00 00 00 02 C6 9B",  # the same
        "01 04 00 03 00 01 C1 CA",  # the same
        "11 03 06 AE 41 56 52 43 40 49 AD",  # tutorial, its answer: from memory
        "11 05 00 AC FF 00 4E 8B",  # tutorial, a coil on: from memory
        "11 06 00 01 00 03 9A 9B",  # tutorial, a holding register: from memory
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",  # tutorial: from memory
    ],
)
def test_published_frames_end_in_their_crc(frame: str) -> None:
    data = bytes.fromhex(frame)
    assert with_crc(data[:-2]) == data


@pytest.mark.parametrize(
    ("ask", "frame"),
    [
        (Ask(0x11, "holding_register", 0x6B, 3), "11 03 00 6B 00 03 76 87"),
        (Ask(0x11, "holding_register", 0, 2), "11 03 00 00 00 02 C6 9B"),
        (Ask(1, "input_register", 3, 1), "01 04 00 03 00 01 C1 CA"),
        (Ask(0x11, "coil", 0xAC, 1, write=True), "11 05 00 AC FF 00 4E 8B"),
        (Ask(0x11, "holding_register", 1, 3, write=True), "11 06 00 01 00 03 9A 9B"),
    ],
)
def test_requests_are_the_published_ones(ask: Ask, frame: str) -> None:
    assert request(ask) == bytes.fromhex(frame)


def test_the_published_answer_is_read() -> None:
    answer = bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD")
    words = (0xAE41, 0x5652, 0x4340)
    assert answer_in(answer, Ask(0x11, "holding_register", 0x6B, 3)) == Answer(words)


def test_pauses_are_those_of_the_standard() -> None:
    """Serial Line V1.02, section 2.5.1.1: 3.5 characters; above 19200 baud 1.750 ms."""
    assert pause_s(9600) == pytest.approx(4.010e-3, abs=1e-6)
    assert pause_s(19200) == pytest.approx(2.005e-3, abs=1e-6)
    assert pause_s(38400) == pause_s(115200) == 1.750e-3


def test_negative_temperature_and_float_are_read_as_the_standard_codes_them() -> None:
    """Two's complement: -5.5 degC in tenths is FFC9. IEEE 754 single: 21.5 is 41AC0000."""
    tenths = ModbusPoint(unit=1, address=0, table="input_register", type="int16", scale=0.1)
    assert number_of(tenths, (0xFFC9,)) == pytest.approx(-5.5, abs=1e-9)
    high = ModbusPoint(unit=1, address=0, table="input_register", type="float32")
    low = high.model_copy(update={"word_order": "low_first"})
    assert number_of(high, (0x41AC, 0x0000)) == number_of(low, (0x0000, 0x41AC)) == 21.5


@given(
    st.sampled_from([*((table, False) for table in READ), *((table, True) for table in WRITE)]),
    st.integers(1, 247),
    st.integers(0, 65535),
    st.integers(1, 2),
)
def test_every_request_is_read_by_another_implementation(
    kind: tuple[str, bool], unit: int, address: int, value: int
) -> None:
    table, write = kind
    framer = FramerRTU(DecodePDU(True))
    _, pdu = framer.handleFrame(request(Ask(unit, table, address, value, write)), 0, 0)
    assert pdu is not None
    assert (pdu.dev_id, pdu.function_code) == (unit, (WRITE if write else READ)[table])
    assert pdu.address == address


@given(
    st.sampled_from(["int16", "uint16", "int32", "uint32"]),
    st.booleans(),
    st.integers(0, 0xFFFFFFFF),
)
def test_numbers_are_those_of_pythons_own_integers(kind: str, high_first: bool, bits: int) -> None:
    order = "high_first" if high_first else "low_first"
    point = ModbusPoint.model_validate(
        {"unit": 1, "address": 0, "table": "input_register", "type": kind, "word_order": order}
    )
    data = bits.to_bytes(4, "big")[-2 * point.words :]
    words = struct.unpack(f">{point.words}H", data)
    expected = int.from_bytes(data, "big", signed=kind.startswith("int"))
    assert number_of(point, words if high_first else words[::-1]) == expected
