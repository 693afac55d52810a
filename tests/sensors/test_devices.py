"""What is taken from other people's payloads, and what is not."""

import contextlib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sensors.devices import (
    CONVERSIONS,
    SPELLINGS,
    State,
    Value,
    foreign_values,
    read_payload,
    state_in,
    word_at,
)
from sensors.lines import LineError, parse_number


def value(payload: bytes, unit: str = "degC", sends: str = "", pointer: str = "") -> str:
    """The number in a payload; raises what is wrong with it."""
    found, problems = foreign_values(read_payload(payload), [Value("k", pointer, unit, sends)])
    if problems:
        raise LineError(problems[0])
    return found["k"]


@pytest.mark.parametrize(
    ("payload", "unit", "text"),
    [
        ("21.5", "degC", "21.5"),
        ("21.5 °C", "degC", "21.5"),
        ("21.5C", "degC", "21.5"),
        ("-3 degC\n", "degC", "-3"),
        ('"9.7 °C"', "degC", "9.7"),
        ("81.5 %", "%", "81.5"),
        ("81 % RH", "%", "81"),
        ("412 W/m²", "W/m2", "412"),
    ],
)
def test_a_number_may_have_its_own_unit_behind_it(payload: str, unit: str, text: str) -> None:
    assert value(payload.encode(), unit) == text


@pytest.mark.parametrize(
    "payload",
    [
        "70.7 °F", "81.5 %", "294 K", "21,5 °C", "21.5 °C or so", "about 21 °C", "21.5.1 C", "°C",
        "1e3 C", "21.5  °C", "unavailable", "none", "ON", "true", "null", "NaN", "-Infinity",
        "", "\x00", "x" * 65, '{"t": 21.5', '"21.5', "[21.5",
    ],
)  # fmt: skip
def test_what_is_no_temperature_in_celsius_is_refused(payload: str) -> None:
    with pytest.raises(LineError):
        value(payload.encode())


def test_conversions_are_those_of_the_definitions() -> None:
    """NIST SP 811 (2008), appendix B.8: t/degC = (t/degF - 32)/1.8. Water boils at 212 degF."""
    told = [float(value(p, sends="degF")) for p in (b"212", b"32", b"-40", b"68.9 F")]
    assert told == pytest.approx([100.0, 0.0, -40.0, 20.5], abs=1e-6)
    assert float(value(b"198", sends="tenths")) == pytest.approx(19.8)
    assert float(value(b"-550", sends="hundredths")) == pytest.approx(-5.5)
    assert float(value(b"0.815", "%", "fraction")) == pytest.approx(81.5)
    with pytest.raises(LineError, match="is not in degF"):
        value("20.5 °C".encode(), sends="degF")


STATE = State("mat", "/on", "1", "0")


@pytest.mark.parametrize(
    ("payload", "state", "on"),
    [
        (b"ON", State("m", "", "ON", "OFF"), True),
        (b'"OFF"', State("m", "", "ON", "OFF"), False),
        (b"true", State("m", "", "true", "false"), True),
        (b"0", State("m", "", "1", "0"), False),
        (b'{"on": 1}', STATE, True),
        (b'{"on": "0"}', STATE, False),
    ],
)
def test_a_switch_says_on_or_off_in_its_own_words(payload: bytes, state: State, on: bool) -> None:
    assert state_in(read_payload(payload), state) is on


@pytest.mark.parametrize(
    "payload", [b'{"on": 2}', b'{"on": true}', b'{"on": null}', b'{"on": [1]}', b"{}", b"1", b"on"]
)
def test_any_other_word_is_neither(payload: bytes) -> None:
    with pytest.raises(LineError):
        state_in(read_payload(payload), STATE)


@given(
    st.binary(max_size=80) | st.text(max_size=40).map(str.encode),
    st.sampled_from([*SPELLINGS, ""]),
    st.sampled_from([*CONVERSIONS]),
)
@example("21.5 °C".encode(), "degC", "degF")
def test_whatever_is_published_gives_a_number_or_the_one_error(
    payload: bytes, unit: str, sends: str
) -> None:
    with contextlib.suppress(LineError):
        assert abs(parse_number(value(payload, unit, sends))) < 1e12
    with contextlib.suppress(LineError):
        assert isinstance(word_at(read_payload(payload), ""), str)
