"""What a newcomer is asked about a bench, and how each answer is read, as data.

The questions stand in the order in which they are asked. What is not asked has a sensible value.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple
from zoneinfo import available_timezones

from config import bounds
from config.checklist import NO, YES, AnswerError
from config.near import near
from config.where import town_of

Answers = Mapping[str, Any]
"""Answers as read, by key."""

CUTOUT_LOWEST_C: Final = 25.0
"""A cut-out set lower would end the heat before the base of most cuttings is reached."""
MOST_BAYS: Final = 16
MOST_PROBES: Final = 8


class Around(NamedTuple):
    """What was found on this machine. zone: its time zone, or None.  ports: serial ports."""

    zone: str | None = None
    ports: Sequence[str] = ()


class Question(NamedTuple):
    """One question.

    key: of its answer, and its option with hyphens.  ask: the question.  more: what helps to
    answer it.  read: text to answer, raises AnswerError.  default: what Enter stands for, None
    where there is nothing to propose.  when: whether it is asked, from the answers so far.
    """

    key: str
    ask: str
    read: Callable[[str], Any]
    default: Callable[[Answers, Around], str | None]
    more: str = ""
    when: Callable[[Answers], bool] = lambda _: True

    @property
    def option(self) -> str:
        return f"--{self.key.replace('_', '-')}"


# -- reading ----------------------------------------------------------------------------------


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}...")


def _title(text: str) -> str:
    said = " ".join(text.split())
    if not said:
        raise AnswerError("this is empty; write a name, in your own words")
    if len(said) > 80:
        raise AnswerError(f"this is {len(said)} letters long; at most 80 fit")
    if not said.isprintable():
        raise AnswerError(f"{_shown(said)} holds signs that can't be shown; write plain text")
    return said


def _word(text: str, what: str, also: str = "") -> str:
    """Text without blanks, such as an address."""
    said = text.strip()
    if not said or len(said) > 200 or not said.isprintable() or " " in said:
        raise AnswerError(f"{_shown(said)} is not {what}; write it without blanks{also}")
    return said


def _port(text: str) -> str:
    said = _word(text, "a port", ", such as /dev/ttyACM0")
    if not (said.startswith("/dev/") or re.fullmatch(r"COM\d{1,3}", said)):
        raise AnswerError(f"{_shown(said)} is not a port; write such as /dev/ttyACM0 or COM3")
    return said


def _zone(text: str) -> str:
    said, known = text.strip(), available_timezones()
    if said not in known:
        raise AnswerError(
            f"{_shown(said)} is not a known time zone{near(said, known)}; write a continent and "
            "town, such as Europe/Dublin"
        )
    return said


def _yes_no(text: str) -> bool:
    said = text.strip().casefold()
    if said not in YES | NO:
        raise AnswerError(f"{_shown(text)}: write yes or no")
    return said in YES


def _number(unit: str, least: float, most: float, *, whole: bool = False) -> Callable[[str], float]:
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


def _degrees(most: float, positive: str, negative: str) -> Callable[[str], float]:
    """Degrees with a sign, or with the letter of a compass: -6.5, or 6.5 W."""
    plain = _number("", -most, most)

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


def _or_blank(read: Callable[[str], Any]) -> Callable[[str], Any]:
    """The same, where nothing, "none" or "-" means that there is none."""

    def either(text: str) -> Any:
        return None if text.strip().casefold() in ("", "-", "none") else read(text)

    return either


def _choice(*words: str) -> Callable[[str], str]:
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


def _node(text: str) -> str:
    said = text.strip()
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,31}", said):
        raise AnswerError(
            f"{_shown(text)} can't be a board's name; write small letters, digits and _, a letter "
            "first, as in its board.txt"
        )
    return said


def _person(text: str) -> str:
    if not re.match(r"[a-z]", text.strip().casefold()):
        raise AnswerError(f"{_shown(text)}: begin with a letter a to z, such as grower")
    return as_name(text, "grower")


# -- the questions ----------------------------------------------------------------------------


def _given(text: str) -> Callable[[Answers, Around], str]:
    return lambda _answers, _around: text


def _town(which: int) -> Callable[[Answers, Around], str | None]:
    def found(answers: Answers, _around: Around) -> str | None:
        town = town_of(answers["timezone"])
        return None if town is None else f"{town[which]:.1f}"

    return found


def _has_board(answers: Answers) -> bool:
    return answers["link"] in ("serial", "both")


def _has_broker(answers: Answers) -> bool:
    return answers["link"] in ("mqtt", "both")


QUESTIONS: Final = (
    Question("name", "Name of the nursery", _title, _given("My nursery")),
    Question(
        "timezone",
        "Time zone",
        _zone,
        lambda _answers, around: around.zone or "UTC",
        "Clock times, dear hours and night follow it.",
    ),
    Question(
        "latitude",
        "Latitude in degrees, south negative",
        _degrees(90, "N", "S"),
        _town(0),
        "Only for sunrise and sunset: a whole degree will do. Proposed is the town of the zone.",
    ),
    Question("longitude", "Longitude in degrees, west negative", _degrees(180, "E", "W"), _town(1)),
    Question(
        "link",
        "Boards: serial, mqtt or both",
        _choice("serial", "mqtt", "both"),
        _given("serial"),
        "serial: one board on a lead. mqtt: a board on the network. both: mats, mister and base "
        "probes on the lead, the air probes on the network.",
    ),
    Question(
        "port",
        "Serial port",
        _port,
        lambda _answers, around: around.ports[0] if around.ports else "/dev/ttyACM0",
        when=_has_board,
    ),
    Question(
        "broker",
        "Address of the MQTT broker",
        lambda text: _word(text, "an address", ", such as broker.local"),
        _given("localhost"),
        when=_has_broker,
    ),
    Question(
        "broker_port",
        "Port of the broker",
        _number("", 1, 65535, whole=True),
        _given("1883"),
        when=_has_broker,
    ),
    Question(
        "broker_tls",
        "Is that connection encrypted (TLS)?",
        _yes_no,
        lambda answers, _around: "yes" if answers["broker_port"] == 8883 else "no",
        when=_has_broker,
    ),
    Question(
        "broker_user",
        "User at the broker, - for none",
        _or_blank(lambda text: _word(text, "a user's name")),
        _given("-"),
        "The password never goes into the file: it is read from BROKER_PASSWORD.",
        when=_has_broker,
    ),
    Question(
        "node",
        "Name of the board on the network",
        _node,
        _given("bench"),
        "As its board.txt says after the word board.",
        when=_has_broker,
    ),
    Question("bench", "Name of the bench", _title, _given("Bench 1")),
    Question(
        "bays",
        "How many bays",
        _number("", 1, MOST_BAYS, whole=True),
        _given("1"),
        "A bay is one heat mat with the trays on it.",
    ),
    Question(
        "mat_power",
        "Power of one mat in W",
        _number("W", 1, 20000),
        _given("100"),
        "It is on the mat's plate.",
    ),
    Question(
        "cutout",
        "Has every mat an independent thermal cut-out, fitted and tried?",
        _yes_no,
        _given("no"),
        f"A thermostat of its own with a hand reset, out of Warmfoot's reach. Until there is one, "
        f"heat trips at {bounds.BASE_TRIP_NO_CUTOUT_C:g} °C instead of {bounds.BASE_TRIP_C:g}.",
    ),
    Question(
        "cutout_temperature",
        "Temperature it is set to, in C",
        _number("C", CUTOUT_LOWEST_C, bounds.CUTOUT_HIGHEST_C),
        _given("35"),
        when=lambda answers: bool(answers["cutout"]),
    ),
    Question(
        "base_probes",
        "Base probes in each bay",
        _number("", 1, MOST_PROBES, whole=True),
        _given("2"),
        "In the compost at cutting depth. With two, one may fail.",
    ),
    Question(
        "air",
        "Is there a probe for air temperature and humidity at leaf height?",
        _yes_no,
        _given("yes"),
    ),
    Question("mister", "Is there a mister?", _yes_no, _given("no")),
    Question(
        "flow",
        "Flow of the mister in ml/s, - if not measured",
        _or_blank(_number("ml/s", 0.1, 10000)),
        _given("-"),
        "Mist into a jug for a minute and divide by 60. It is for the records of water only.",
        when=lambda answers: bool(answers["mister"]),
    ),
    Question(
        "house",
        "Is there a probe outside the cover, for the house?",
        _yes_no,
        _given("no"),
    ),
    Question(
        "page",
        "Serve the page, for a browser on this machine?",
        _yes_no,
        _given("yes"),
    ),
    Question(
        "alert",
        "Who is told of alarms on the phone, - for nobody yet",
        _or_blank(_person),
        _given("-"),
        "A first name. The address itself never goes into the file.",
    ),
)
BY_KEY: Final[Mapping[str, Question]] = {question.key: question for question in QUESTIONS}
