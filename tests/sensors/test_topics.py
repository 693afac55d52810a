"""Topics, payloads, and values out of other devices' payloads."""

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.devices import Value, foreign_values, read_payload
from sensors.lines import _KEY, WORDS, LineError
from sensors.messages import Message
from sensors.topics import (
    PayloadError,
    check_topic,
    decimal_text,
    decode_payload,
    encode_payload,
    foreign_key,
    own_topic,
    parse_pointer,
    read_json,
    resolve,
    slug,
    split_own,
)

KEYS = st.text(st.sampled_from(_KEY), min_size=1, max_size=32)
VALUES = st.one_of(
    st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=12),
    st.decimals(-999, 999, places=2).map(str),
)
MESSAGES = st.builds(
    Message,
    st.sampled_from(WORDS),
    st.integers(0, 65535),
    st.dictionaries(KEYS, VALUES, max_size=5),
)


@given(MESSAGES)
def test_what_is_encoded_decodes_to_the_same_text(message: Message) -> None:
    payload = encode_payload(message)
    json.loads(payload)
    assert decode_payload(message.word, payload) == message


def test_the_shape_of_a_payload_stays_as_boards_know_it() -> None:
    reading = Message("probe", 57, {"base1": "20.10", "air": "-3"})
    assert encode_payload(reading) == b'{"seq":57,"values":{"base1":20.10,"air":-3}}'
    relay = Message("relay", 3, {"mat1": "1/28"})
    assert encode_payload(relay) == b'{"seq":3,"values":{"mat1":"1/28"}}'
    assert encode_payload(Message("order", 0, {})) == b'{"seq":0,"values":{}}'


@given(st.sampled_from([*WORDS, "sing"]), st.binary(max_size=200))
def test_arbitrary_payloads_are_refused_with_the_one_error(word: str, payload: bytes) -> None:
    with pytest.raises(LineError):
        decode_payload(word, payload)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["seq", "values", "a", "", "0"]), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(JSON, st.text("/~01a-", max_size=5))
def test_arbitrary_json_gives_numbers_or_the_one_error(document: object, pointer: str) -> None:
    payload = json.dumps(document).encode()
    with contextlib.suppress(LineError):
        decode_payload("probe", payload)
    try:
        found, problems = foreign_values(read_payload(payload), [Value("key", pointer)])
    except LineError:
        return
    assert len(found) + len(problems) == 1
    assert all(abs(float(text)) < 1e12 for text in found.values())


@pytest.mark.parametrize(
    "payload",
    [
        b'{"seq":1,"seq":2,"values":{}}',
        b'{"seq":1,"values":{"a":1,"a":2}}',
        b'{"seq":1,"values":{"a":NaN}}',
        b'{"seq":1,"values":{"a":Infinity}}',
        b'{"seq":1,"values":{"a":true}}',
        b'{"seq":1,"values":{"a":null}}',
        b'{"seq":1,"values":{"a":[1]}}',
        b'{"seq":1,"values":{"a":"1 2"}}',
        b'{"seq":1,"values":{"a b":1}}',
        b'{"seq":1,"values":{"a":"\\ud800"}}',
        b'{"seq":1,"values":[]}',
        b'{"seq":1}',
        b'{"seq":1,"values":{},"more":1}',
        b'{"seq":"1","values":{}}',
        b'{"seq":-1,"values":{}}',
        b'{"seq":1.0,"values":{}}',
        b'{"seq":65536,"values":{}}',
        b'{"seq":1,"values":{"a":1}',
        b'{"seq":1,"values":{"a":01}}',
        b'{"seq":1,"values":{"a":21,5}}',
        b"\xff\xfe",
        b"",
        b"[" * 4000,
        b'{"seq":1,"values":{"a":1}}' + b" " * 4096,
    ],
)
def test_payloads_are_read_strictly(payload: bytes) -> None:
    with pytest.raises(LineError):
        decode_payload("probe", payload)


def test_a_payload_of_4096_bytes_is_read_and_one_more_is_not() -> None:
    payload = b'{"seq":1,"values":{}}'
    assert decode_payload("probe", payload.ljust(4096)).seq == 1
    with pytest.raises(PayloadError, match="4096"):
        decode_payload("probe", payload.ljust(4097))


# -- pointers -------------------------------------------------------------------------------------

RFC_6901_DOCUMENT = rb"""{
  "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6,
  " ": 7, "m~n": 8
}"""


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", "0"),
        ("/a~1b", "1"),
        ("/c%d", "2"),
        ("/e^f", "3"),
        ("/g|h", "4"),
        ("/i\\j", "5"),
        ('/k"l', "6"),
        ("/ ", "7"),
        ("/m~0n", "8"),
    ],
)
def test_pointers_give_the_values_of_rfc_6901_section_5(pointer: str, value: object) -> None:
    assert resolve(read_json(RFC_6901_DOCUMENT), pointer) == value


def test_the_empty_pointer_is_the_whole_document() -> None:
    # RFC 6901 section 5, first line of its table.
    document = read_json(RFC_6901_DOCUMENT)
    assert resolve(document, "") is document


@pytest.mark.parametrize(
    "pointer",
    # "-" is past the end of the array, and indices have no leading zeros: RFC 6901 section 4.
    [
        *("/foo/-", "/foo/00", "/foo/01", "/foo/2", "/foo/1e0", "/foo/-1", "/foo/", "/foo/٠"),
        *("/none", "/foo/0/0"),
        # Malformed: section 3.
        *("foo", "/m~n", "/a~2b", "/a~", "/~~01"),
    ],
)
def test_pointers_that_lead_nowhere_are_refused(pointer: str) -> None:
    with pytest.raises(PayloadError):
        resolve(read_json(RFC_6901_DOCUMENT), pointer)


def test_escapes_are_undone_in_the_order_of_rfc_6901_section_4() -> None:
    assert parse_pointer("/~01") == ["~1"]


@pytest.mark.parametrize(
    ("payload", "pointer", "text"),
    [
        (b"21.5", "", "21.5"),
        (b" -3\n", "", "-3"),
        (b'"21.5"', "", "21.5"),
        (b'{"t": {"c": [20, 21.25]}}', "/t/c/1", "21.25"),
        (b'{"t": 2.15e1}', "/t", "21.500000"),
        (b'{"t": 21.299999237060547}', "/t", "21.299999"),
        (b'{"lux": 54612.123456789}', "/lux", "54612.123457"),
    ],
)
def test_numbers_are_taken_as_decimal_text(payload: bytes, pointer: str, text: str) -> None:
    found, problems = foreign_values(read_payload(payload), [Value("key", pointer)])
    assert (found, problems) == ({"key": text}, [])


@pytest.mark.parametrize(
    "payload",
    [
        *(b'"nan"', b'"21,5"', b'"2_1.5"', b'""', b'" 21"', b'"1e3"', b"1e400", b"9" * 400),
        *(b"true", b"null", b"[]", b"{}"),
    ],
)
def test_what_is_no_number_gives_none(payload: bytes) -> None:
    found, problems = foreign_values(read_payload(payload), [Value("key")])
    assert found == {}
    assert len(problems) == 1


def test_one_missing_value_does_not_lose_the_other() -> None:
    found, problems = foreign_values(
        read_payload(b'{"t": 20.5}'), [Value("t", "/t"), Value("rh", "/rh")]
    )
    assert found == {"t": "20.5"}
    assert problems == ["nothing at '/rh' in the payload"]


def test_numbers_beyond_any_probe_are_refused() -> None:
    assert decimal_text("-999999999.5e0") == "-999999999.5"
    with pytest.raises(PayloadError, match="beyond"):
        decimal_text("1e9")


# -- topics ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("Alder Lane Nursery", "alder-lane-nursery"),
        ("Pépinière  d'Été #1", "pepiniere-d-ete-1"),
        ("a/+/#/$SYS", "a-sys"),
        ("苗圃", "site"),
        ("", "site"),
    ],
)
def test_site_names_become_topic_levels(name: str, level: str) -> None:
    assert slug(name) == level


@given(st.text(max_size=30))
def test_no_site_name_makes_a_bad_topic(name: str) -> None:
    level = slug(name)
    assert level == slug(level)
    assert check_topic(own_topic(level, "north", "probe")).isascii()


def test_own_topics_are_recognised_and_no_others() -> None:
    assert own_topic("alder-lane", "north", "order") == "warmfoot/1/alder-lane/north/order"
    assert own_topic("alder-lane", "", "order") == "warmfoot/1/alder-lane/board/order"
    assert split_own("warmfoot/1/alder-lane/north/probe", "alder-lane") == ("north", "probe")
    for topic in (
        "warmfoot/1/other/north/probe",
        "warmfoot/2/alder-lane/north/probe",
        "warmfoot/1/alder-lane/north/probe/x",
        "warmfoot/1/alder-lane//probe",
        "warmfoot/1/alder-lane/north",
        "warmfoot/1/alder-lane/north/",
        "",
    ):
        assert split_own(topic, "alder-lane") is None


@pytest.mark.parametrize("topic", ["", "a/#", "+/b", "$SYS/uptime", "a\x00b", "a\nb", "x" * 201])
def test_topics_that_cannot_be_read_are_refused(topic: str) -> None:
    with pytest.raises(PayloadError):
        check_topic(topic)


def test_a_foreign_value_has_a_key_of_its_own() -> None:
    assert foreign_key("t/1", "/a") == "t/1#/a"
    assert foreign_key("t/1") == "t/1"
