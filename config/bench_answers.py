"""What a newcomer types, read: one function for each sort of answer. All raise AnswerError."""

import re
from collections.abc import Callable
from typing import Any
from zoneinfo import available_timezones

from config.checklist import NO, YES, AnswerError
from config.near import near


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}...")


def title(text: str) -> str:
    """A name in a person's own words, 1 to 80 letters, blanks made single."""
    said = " ".join(text.split())
    if not said:
        raise AnswerError("this is empty; write a name, in your own words")
    if len(said) > 80:
        raise AnswerError(f"this is {len(said)} letters long; at most 80 fit")
    if not said.isprintable():
        raise AnswerError(f"{_shown(said)} holds signs that can't be shown; write plain text")
    return said


def word(text: str, what: str, also: str = "") -> str:
    """Text without blanks, such as an address."""
    said = text.strip()
    if not said or len(said) > 200 or not said.isprintable() or " " in said:
        raise AnswerError(f"{_shown(said)} is not {what}; write it without blanks{also}")
    return said


def port(text: str) -> str:
    """A serial port as this machine names it."""
    said = word(text, "a port", ", such as /dev/ttyACM0")
    if not (said.startswith("/dev/") or re.fullmatch(r"COM\d{1,3}", said)):
        raise AnswerError(f"{_shown(said)} is not a port; write such as /dev/ttyACM0 or COM3")
    return said


def zone(text: str) -> str:
    """A name of the IANA time zone database."""
    said, known = text.strip(), available_timezones()
    if said not in known:
        raise AnswerError(
            f"{_shown(said)} is not a known time zone{near(said, known)}; write a continent and "
            "town, such as Europe/Dublin"
        )
    return said


def yes_no(text: str) -> bool:
    """True for yes."""
    said = text.strip().casefold()
    if said not in YES | NO:
        raise AnswerError(f"{_shown(text)}: write yes or no")
    return said in YES


def number(unit: str, least: float, most: float, *, whole: bool = False) -> Callable[[str], float]:
    """Reads a number from `least` to `most`; the unit may stand after it, and a comma in it."""
    kind = "whole number" if whole else "number"
    units = f" of {unit}" if unit else ""
    wanted = f"a {kind}{units} from {least:g} to {most:g}"

    def read(text: str) -> float:
        said = text.strip().removesuffix(unit).strip() if unit else text.strip()
        found = re.fullmatch(r"[+-]?\d{1,6}(?:[.,]\d{1,6})?", said, re.ASCII)
        if found is None:
            raise AnswerError(f"{_shown(text)} is not a number; write {wanted}")
        value = float(said.replace(",", "."))
        if not least <= value <= most:
            raise AnswerError(
                f"{value:g} is too {'low' if value < least else 'high'}; write {wanted}"
            )
        if whole and value % 1.0:
            raise AnswerError(f"{value:g} is not whole; write {wanted}")
        return int(value) if whole else value

    return read


def degrees(most: float, positive: str, negative: str) -> Callable[[str], float]:
    """Degrees with a sign, or with the letter of a compass: -6.5, or 6.5 W."""
    plain = number("", -most, most)

    def read(text: str) -> float:
        said = text.strip().removesuffix("°").strip()
        letter = said[-1:].upper()
        if letter in (positive, negative):
            value = plain(said[:-1].strip().removesuffix("°"))
            if value < 0:
                raise AnswerError(f"{_shown(text)} has both a sign and a letter; write one of them")
            return -value if letter == negative and value else value
        return plain(said)

    return read


def or_blank(read: Callable[[str], Any]) -> Callable[[str], Any]:
    """The same, where nothing, "none" or "-" means that there is none."""

    def either(text: str) -> Any:
        return None if text.strip().casefold() in ("", "-", "none") else read(text)

    return either


def choice(*words: str) -> Callable[[str], str]:
    """Reads one of `words`."""

    def read(text: str) -> str:
        said = text.strip().casefold()
        if said not in words:
            listed = f"{', '.join(words[:-1])} or {words[-1]}"
            raise AnswerError(
                f"{_shown(text)} is not known here{near(said, words)}; write {listed}"
            )
        return said

    return read


def as_name(text: str, otherwise: str) -> str:
    """A name for a table of the bench file from a person's words; `otherwise` if none is left."""
    plain = re.sub(r"[^a-z0-9]+", "_", text.casefold()).strip("_")[:32].strip("_")
    if plain and not plain[0].isalpha():
        plain = f"{otherwise}_{plain}"[:32].strip("_")
    return plain or otherwise


def node(text: str) -> str:
    """The name of a board on the network."""
    said = text.strip()
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,31}", said):
        raise AnswerError(
            f"{_shown(text)} can't be a board's name; write small letters, digits and _, a letter "
            "first, as in its board.txt"
        )
    return said


def person(text: str) -> str:
    """A person's name, as a name for a table."""
    if not re.match(r"[a-z]", text.strip().casefold()):
        raise AnswerError(f"{_shown(text)}: begin with a letter a to z, such as grower")
    return as_name(text, "grower")
