"""Text lines: round trips, strictness, resynchronisation."""

import ast
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors import lines
from sensors.lines import (
    LINE_BYTES,
    WORDS,
    LineAssembler,
    LineError,
    crc8,
    decode,
    encode,
    parse_number,
)

SOURCE = Path(lines.__file__)
KEYS = st.text(st.sampled_from(lines._KEY), min_size=1, max_size=32)
VALUES = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=12)
FIELDS = st.dictionaries(KEYS, VALUES, max_size=4)
SEQUENCES = st.integers(0, 65535)


def sealed(body: str) -> str:
    """A line with a right checksum around any body."""
    return f"{body} *{crc8((body + ' ').encode()):02X}"


@given(st.sampled_from(WORDS), SEQUENCES, FIELDS)
def test_what_is_encoded_decodes_to_the_same(word: str, seq: int, fields: dict[str, str]) -> None:
    line = encode(word, seq, fields)
    assert line.endswith("\n")
    assert line.isascii()
    assert len(line) <= LINE_BYTES
    assert decode(line) == decode(line[:-1]) == decode(line.encode()) == (word, seq, fields)


def test_the_shape_of_a_line_stays_as_boards_know_it() -> None:
    assert encode("probe", 57, {"base1": "20.12", "air": "14.31"}) == (
        "probe 57 base1=20.12 air=14.31 *1D\n"
    )
    assert encode("order", 88, {"mat1": "30", "mist": "5"}) == "order 88 mat1=30 mist=5 *3A\n"
    assert encode("hello", 0, {}) == f"{sealed('hello 0')}\n"
    assert decode(sealed("relay 3 mat1=1/28 mist=0/0"))[2] == {"mat1": "1/28", "mist": "0/0"}


def test_a_part_known_as_sound_is_no_excuse_for_another_key() -> None:
    assert decode(encode("order", 1, {"a": "b=c"}))[2] == {"a": "b=c"}
    with pytest.raises(LineError, match="key 'a=b'"):
        encode("order", 1, {"a=b": "c"})


def test_what_was_refused_once_is_refused_again() -> None:
    for _ in range(2):
        for body in ("probe 1 base1=2\x07", "probe 1 base1=٢", "probe 1 base1=", "probe 1 b*=1"):
            with pytest.raises(LineError):
                decode(sealed(body))
        with pytest.raises(LineError, match="printable"):
            encode("probe", 1, {"base1": "2\x07"})


def test_what_is_remembered_of_other_lines_is_bounded() -> None:
    for number in range(5000):
        decode(encode("probe", 1, {"base1": str(number)}))
    assert len(lines._SEEN) <= 256


@given(st.binary(max_size=220))
def test_arbitrary_bytes_are_refused_with_the_one_error(data: bytes) -> None:
    try:
        word, seq, fields = decode(data)
    except LineError:
        return
    assert encode(word, seq, fields).encode() == data.removesuffix(b"\n") + b"\n"


@given(st.text(max_size=60))
def test_arbitrary_text_with_a_right_checksum_is_refused_or_exact(body: str) -> None:
    line = f"{body} *{crc8((body + ' ').encode('utf-8', 'replace')):02X}"
    try:
        word, seq, fields = decode(line)
    except LineError:
        return
    assert encode(word, seq, fields) == line + "\n"


@given(st.sampled_from(WORDS), SEQUENCES, FIELDS, st.data())
def test_every_flipped_bit_is_noticed(
    word: str, seq: int, fields: dict[str, str], data: st.DataObject
) -> None:
    line = bytearray(encode(word, seq, fields).encode()[:-1])
    bit = data.draw(st.integers(0, 8 * len(line) - 1))
    line[bit // 8] ^= 1 << bit % 8
    with pytest.raises(LineError):
        decode(bytes(line))


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("sing 1 a=1", "unknown word"),
        ("Probe 1 a=1", "unknown word"),
        ("probe", "no sequence"),
        ("probe 01 a=1", "leading zeros"),
        ("probe -1 a=1", "0 to 65535"),
        ("probe 65536 a=1", "0 to 65535"),
        ("probe 1_0 a=1", "0 to 65535"),
        ("probe 1 a=1 a=1", "twice"),
        ("probe 1 a", "no value"),
        ("probe 1 a=", "printable"),
        ("probe 1 =1", "key"),
        ("probe 1  a=1", "key"),
        (" probe 1 a=1", "unknown word"),
        ("probe 1 a,b=1", "key"),
        (f"probe 1 {'k' * 33}=1", "key"),
        ("probe 1 a=1\t", "printable"),
        ("probe 1 a=1\r", "printable"),
        ("probe 1 a=\x7f", "printable"),
        ("probe 1 a=٣", "printable"),
        (f"probe 1 a={'1' * 190}", "at most 200"),
    ],
)
def test_a_right_checksum_excuses_nothing(body: str, why: str) -> None:
    with pytest.raises(LineError, match=why):
        decode(sealed(body))


def test_checksums_are_upper_case_and_after_a_space() -> None:
    assert sealed("order 88 mat1=30 mist=5").endswith("*3A")
    for line in (
        "order 88 mat1=30 mist=5 *3a",
        "order 88 mat1=30 mist=5*3A",
        "order 88 mat1=30 mist=5 *3B",
        "order 88 mat1=30 mist=5 *3A ",
        "order 88 mat1=30 mist=5 *3A\n\n",
        "order 88 mat1=30 mist=5",
        "",
    ):
        with pytest.raises(LineError):
            decode(line)


@pytest.mark.parametrize(
    ("word", "seq", "fields"),
    [
        ("sing", 1, {}),
        ("probe", -1, {}),
        ("probe", 65536, {}),
        ("probe", 1, {"": "1"}),
        ("probe", 1, {"a b": "1"}),
        ("probe", 1, {"a=b": "1"}),
        ("probe", 1, {"k" * 33: "1"}),
        ("probe", 1, {"a": ""}),
        ("probe", 1, {"a": "1 2"}),
        ("probe", 1, {"a": "1\n"}),
        ("probe", 1, {"a": "21,5°"}),
        ("probe", 1, {"a": "1" * 190}),
    ],
)
def test_nothing_is_encoded_that_would_not_decode(
    word: str, seq: int, fields: dict[str, str]
) -> None:
    with pytest.raises(LineError):
        encode(word, seq, fields)


def test_the_longest_line_is_200_bytes() -> None:
    room = LINE_BYTES - len(encode("probe", 1, {"a": "1"})) + 1
    assert len(encode("probe", 1, {"a": "1" * room})) == LINE_BYTES
    assert decode(encode("probe", 1, {"a": "1" * room}))[2] == {"a": "1" * room}
    with pytest.raises(LineError, match="201 bytes"):
        encode("probe", 1, {"a": "1" * (room + 1)})


# -- numbers --------------------------------------------------------------------------------------


@given(st.decimals(-9999, 9999, places=2))
def test_plain_decimals_are_read_exactly(number: object) -> None:
    assert parse_number(str(number)) == float(str(number))


@pytest.mark.parametrize(
    "text",
    [
        *("", "-", ".", "1.", ".5", "+1", "--1", "1-", " 1", "1 ", "1\n", "nan", "NaN", "inf"),
        *("-inf", "1e400", "1e3", "0x10", "2_1.5", "21,5", "1.2.3", "٢١", "２１", "²", "1" * 13),
    ],
)
def test_what_is_no_plain_decimal_is_refused(text: str) -> None:
    with pytest.raises(LineError, match="plain decimal"):
        parse_number(text)


@given(st.text(max_size=14))
def test_arbitrary_text_is_a_finite_number_or_refused(text: str) -> None:
    try:
        number = parse_number(text)
    except LineError:
        return
    assert abs(number) < 1e12


# -- assembling -----------------------------------------------------------------------------------


@given(st.lists(st.tuples(SEQUENCES, FIELDS), max_size=5), st.data())
def test_lines_come_whole_however_they_are_cut(
    said: list[tuple[int, dict[str, str]]], data: st.DataObject
) -> None:
    stream = b"".join(encode("probe", seq, fields).encode() for seq, fields in said)
    assembler = LineAssembler()
    got: list[str] = []
    while stream:
        cut = data.draw(st.integers(1, len(stream)))
        got += assembler.feed(stream[:cut])
        stream = stream[cut:]
    assert [decode(line)[1:] for line in got] == said
    assert assembler.dropped == 0


@given(st.lists(st.binary(max_size=300), max_size=6))
def test_after_any_garbage_the_next_line_is_read(pieces: list[bytes]) -> None:
    assembler = LineAssembler()
    for piece in pieces:
        assembler.feed(piece)
        assert len(assembler._held) <= LINE_BYTES
    good = encode("probe", 7, {"base1": "20.12"})
    assert assembler.feed(b"\n" + good.encode())[-1] == good[:-1]


def test_a_partial_line_waits_and_is_forgotten_at_a_reset() -> None:
    assembler = LineAssembler()
    assert assembler.feed(b"probe 3 base1=21.") == []
    assembler.reset()
    assert assembler.feed(b"5\n") == ["5"]
    assert assembler.dropped == 1
    with pytest.raises(LineError):
        decode("5")


def test_over_long_and_foreign_bytes_are_dropped_and_counted_once_a_line() -> None:
    assembler = LineAssembler()
    assert assembler.feed(b"x" * 150) == []
    assert assembler.feed(b"x" * 150) == []
    assert assembler.feed(b"x" * 150 + b"\nab\xffc\n" + b"y" * 500 + b"\nfine\r\n\n\r\n") == [
        "fine"
    ]
    assert assembler.dropped == 3


# -- the board ------------------------------------------------------------------------------------


def test_the_file_needs_nothing_that_micropython_lacks() -> None:
    tree = ast.parse(SOURCE.read_text())
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    methods = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    assert not any(isinstance(node, ast.Import | ast.ImportFrom) for node in ast.walk(tree))
    # From memory: CPython names that MicroPython's built-in types do not have on small boards.
    assert not methods & {"isascii", "isprintable", "removesuffix", "removeprefix", "translate"}
    assert not methods & {"cast", "isdecimal", "casefold", "fromhex", "hex", "zfill", "ljust"}
    assert not names & {"memoryview", "UnicodeDecodeError", "UnicodeEncodeError", "breakpoint"}
