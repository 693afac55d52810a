"""What other people's devices say: numbers as text and in other measures, words for on and off.

A payload is JSON, read as strictly as our own, or else one short plain text such as "ON" or
"21.5 °C".
"""

import re
from collections.abc import Iterable
from typing import Final, NamedTuple

from sensors.lines import LineError, parse_number
from sensors.topics import PayloadError, decimal_text, read_json, resolve, token_text

TEXT_CHARACTERS: Final = 64

SPELLINGS: Final = {
    "degC": ("°C", "℃", "C", "degC", "deg C"),
    "degF": ("°F", "℉", "F", "degF", "deg F"),
    "%": ("%", "%RH", "% RH", "%rH", "% rH"),
    "ml": ("ml", "mL"),
    "litres": ("l", "L", "litres", "liters"),
    "W/m2": ("W/m2", "W/m²", "W/m^2"),
}
"""How a unit is spelt behind a number. Another unit than the probe's own is refused."""

CONVERSIONS: Final = {
    "": (1.0, 0.0),
    "degF": (5 / 9, -160 / 9),  # exact: t/degC = (t/degF - 32) / 1.8, NIST SP 811, appendix B.8
    "tenths": (0.1, 0.0),
    "hundredths": (0.01, 0.0),
    "fraction": (100.0, 0.0),
    "litres": (1000.0, 0.0),
}
"""By `sends` of the bench file: value = number * first + second."""

_WITH_UNIT = re.compile(r"([+-]?\d{1,9}(?:\.\d{1,9})?) ?([^\d.,\s]\S*(?: \S+)?)", re.ASCII)


class Value(NamedTuple):
    """A number in a payload. key: its channel.  unit: of the probe.  sends: of the bench file."""

    key: str
    pointer: str = ""
    unit: str = ""
    sends: str = ""


class State(NamedTuple):
    """What a switch says of itself. channel: of the relay.  on, off: the words for it."""

    channel: str
    pointer: str
    on: str
    off: str


class Presence(NamedTuple):
    """Whether a switch is there. payload: the word that it is."""

    channel: str
    pointer: str
    payload: str


def read_payload(payload: bytes) -> object:
    """The document in a payload; plain text that is no JSON is that text.

    Raises PayloadError for broken JSON, for more than 64 characters of plain text, and for what
    `sensors.topics.read_json` refuses.
    """
    try:
        return read_json(payload)
    except PayloadError:
        text = payload.decode("utf-8", "replace").strip()
        plain = 0 < len(text) <= TEXT_CHARACTERS and text.isprintable() and "\ufffd" not in text
        if not plain or text[0] in '{["' or text in ("NaN", "Infinity", "-Infinity"):
            raise
        return text


def foreign_values(document: object, wanted: Iterable[Value]) -> tuple[dict[str, str], list[str]]:
    """Numbers out of another device's payload, and what could not be taken from it.

    document: as `read_payload` gives it.  wanted: pointer "" takes a payload that is itself the
    number. The number may be a JSON number or text with a plain decimal number in it, also with
    the probe's unit behind it.
    Returns key -> decimal text, and one text for each value that was not there: some devices send
    each quantity in a payload of its own.
    """
    found: dict[str, str] = {}
    problems: list[str] = []
    for value in wanted:
        try:
            found[value.key] = _number(document, value)
        except LineError as error:
            problems.append(str(error))
    return found, problems


def word_at(document: object, pointer: str) -> str:
    """A word or number in a payload as text; true and false as "true" and "false".

    Raises PayloadError when there is none.
    """
    found = resolve(document, pointer)
    if isinstance(found, bool):
        return "true" if found else "false"
    if isinstance(found, str):
        return str(found)
    raise PayloadError(f"{pointer or 'the payload'} holds no word")


def state_in(document: object, state: State) -> bool:
    """Whether a switch says that it is on. Raises PayloadError for a word that is neither."""
    word = word_at(document, state.pointer)
    if word not in (state.on, state.off):
        raise PayloadError(f"{word[:24]!r} is neither {state.on!r} nor {state.off!r}")
    return word == state.on


def _number(document: object, value: Value) -> str:
    found = resolve(document, value.pointer)
    text = token_text(found)
    if text is None:
        if not isinstance(found, str):
            raise PayloadError(f"{value.pointer or 'the payload'} holds no number")
        text = _without_unit(found, value)
    if not value.sends:
        return text
    factor, shift = CONVERSIONS[value.sends]
    return decimal_text(repr(parse_number(text) * factor + shift))


def _without_unit(text: str, value: Value) -> str:
    """The number of a text, its unit taken off. Raises LineError for anything else."""
    match = _WITH_UNIT.fullmatch(text)
    unit = value.sends if value.sends in SPELLINGS else value.unit
    if match is None:
        parse_number(text)
        return text
    number, spelt = match.groups()
    if spelt not in SPELLINGS.get(unit, ()):
        raise PayloadError(f"{text[:24]!r} is not in {unit}")
    parse_number(number)
    return number
