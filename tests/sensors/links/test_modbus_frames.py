"""What is taken for an answer on a Modbus line, and what is not."""

from math import inf, isnan, nan

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from config.modbus import ModbusPoint, ModbusReport, ModbusSwitch
from sensors.lines import parse_number
from sensors.links.modbus_frames import (
    EXCEPTIONS,
    Answer,
    Ask,
    answer_in,
    number_of,
    number_text,
    refusal,
    request,
    with_crc,
)
from sensors.links.modbus_map import Contact

READ = Ask(3, "input_register", 0, 2)
ANSWER = with_crc(bytes([3, 4, 4, 0x41, 0xAC, 0, 0]))
COIL_ON = Ask(3, "coil", 5, 1, write=True)
ASKS = st.builds(
    Ask,
    st.integers(1, 247),
    st.sampled_from(["coil", "discrete_input", "input_register", "holding_register"]),
    st.integers(0, 65535),
    st.integers(1, 2),
    write=st.just(False),
)


def test_an_answer_is_found_between_stray_bytes() -> None:
    """A line that turns round gives a byte or two of noise before the first and after the last."""
    assert answer_in(b"\xff\x00" + ANSWER + b"\xfe", READ) == Answer((0x41AC, 0))
    assert answer_in(request(READ) + ANSWER, READ) == Answer((0x41AC, 0))  # an adapter's echo


@pytest.mark.parametrize("size", range(len(ANSWER)))
def test_half_an_answer_is_none_yet(size: int) -> None:
    assert answer_in(ANSWER[:size], READ) is None


@pytest.mark.parametrize(
    "other",
    [
        with_crc(bytes([4, 4, 4, 0x41, 0xAC, 0, 0])),  # another unit
        with_crc(bytes([3, 3, 4, 0x41, 0xAC, 0, 0])),  # another table
        with_crc(bytes([3, 4, 2, 0x41, 0xAC])),  # one register in place of two
        with_crc(bytes([3, 0x84, 0])),  # an exception without a code
        ANSWER[:-1] + b"\x00",
    ],
)
def test_what_answers_something_else_is_no_answer(other: bytes) -> None:
    assert answer_in(other, READ) is None


@pytest.mark.parametrize("position", range(len(ANSWER)))
@pytest.mark.parametrize("bit", range(8))
def test_no_single_flipped_bit_gets_through(position: int, bit: int) -> None:
    spoilt = bytearray(ANSWER)
    spoilt[position] ^= 1 << bit
    assert answer_in(bytes(spoilt), READ) is None


def test_a_written_coil_is_confirmed_by_its_own_echo_alone() -> None:
    assert answer_in(request(COIL_ON), COIL_ON) == Answer((1,))
    for other in (COIL_ON._replace(value=0), COIL_ON._replace(address=6)):
        assert answer_in(request(other), COIL_ON) is None


def test_bits_are_read_lowest_first() -> None:
    """Specification V1.1b3, section 6.1: the first coil is the least significant bit."""
    answer = with_crc(bytes([3, 1, 1, 0b10]))
    assert answer_in(answer, Ask(3, "coil", 0, 2)) == Answer((0, 1))


@pytest.mark.parametrize("code", [*range(1, 12), 255])
def test_every_exception_is_told_with_unit_and_what_to_do(code: int) -> None:
    answer = answer_in(with_crc(bytes([3, 0x84, code])), READ)
    assert answer == Answer((), code)
    told = refusal(READ, code)
    assert told.startswith("unit 3 ")
    assert "{" not in told
    assert len(told) > 20
    assert (code in EXCEPTIONS) is ("does not know" not in told or code == 1)


def test_a_missing_register_is_told_with_the_usual_slip() -> None:
    ask = Ask(3, "input_register", 30001, 1)
    assert refusal(ask, 2) == (
        "unit 3 has no input register 30001; addresses count from 0, so a sheet's 30001 or 40001 "
        "is 0"
    )


@given(st.binary(max_size=64), ASKS)
@example(ANSWER, READ)
def test_whatever_comes_is_an_answer_of_the_right_size_or_none(data: bytes, ask: Ask) -> None:
    answer = answer_in(data, ask)
    assert answer is None or answer.refused or len(answer.words) == ask.value


@given(ASKS, st.binary(max_size=9), st.binary(max_size=9), st.binary(min_size=4, max_size=4))
def test_an_answer_is_found_in_any_noise(ask: Ask, before: bytes, after: bytes, d: bytes) -> None:
    bits = ask.table in ("coil", "discrete_input")
    data = d[:1] if bits else d[: 2 * ask.value]
    frame = with_crc(bytes([ask.unit, ask.function, len(data)]) + data)
    alone = answer_in(frame, ask)
    assert alone is not None
    assert len(alone.words) == ask.value
    # Noise that is itself a whole valid frame for this ask would be one chance in 65,536 or less.
    assert answer_in(before + frame + after, ask) == alone


@given(
    st.sampled_from(["int16", "uint16", "int32", "uint32", "float32"]),
    st.tuples(st.integers(0, 65535), st.integers(0, 65535)),
    st.floats(-1e6, 1e6),
    st.floats(-1e6, 1e6),
)
def test_any_register_becomes_a_number_or_a_word_that_is_refused(
    kind: str, words: tuple[int, int], scale: float, offset: float
) -> None:
    point = ModbusPoint.model_validate(
        {
            "unit": 1, "address": 0, "table": "input_register", "type": kind,
            "scale": scale, "offset": offset,
        }
    )  # fmt: skip
    value = number_of(point, words[: point.words])
    text = number_text(value)
    if isnan(value) or abs(value) >= 1e9:
        with pytest.raises(ValueError, match="not a plain decimal number"):
            parse_number(text)
    else:
        assert parse_number(text) == pytest.approx(value, abs=1e-3, rel=1e-6)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (21.5, "21.5"), (-0.0, "0"), (-5.500000000000001, "-5.5"), (1e-9, "0"), (100.0, "100"),
        (nan, "none"), (inf, "none"), (-inf, "none"),
        (1e9, "beyond"), (-999999999.9, "-999999999.9"),
    ],
)  # fmt: skip
def test_numbers_are_written_plainly(value: float, text: str) -> None:
    assert number_text(value) == text


def test_a_relay_is_read_back_where_the_bench_file_says() -> None:
    coil = Contact("a", "n", ModbusSwitch(unit=2, address=7))
    assert (coil.write(True), coil.read_back) == (
        Ask(2, "coil", 7, 1, write=True),
        Ask(2, "coil", 7, 1),
    )
    word = Contact("b", "n", ModbusSwitch(
        unit=2, table="holding_register", address=7, on_value=256, off_value=512
    ))  # fmt: skip
    assert word.write(True).value == 256
    # A value that is neither is not known to be off.
    assert [word.is_on(value) for value in (256, 512, 0)] == [True, False, True]
    report = ModbusReport(unit=9, table="discrete_input", address=1)
    told = Contact("c", "n", ModbusSwitch(unit=2, address=7, report=report))
    assert told.read_back == Ask(9, "discrete_input", 1, 1)
