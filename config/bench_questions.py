"""What a newcomer is asked about a bench, and how each answer is read, as data.

The questions stand in the order in which they are asked. What is not asked has a sensible value.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from config import bounds
from config.bench_answers import (
    choice,
    degrees,
    node,
    number,
    or_blank,
    person,
    port,
    title,
    word,
    yes_no,
    zone,
)
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
    Question("name", "Name of the nursery", title, _given("My nursery")),
    Question(
        "timezone",
        "Time zone",
        zone,
        lambda _answers, around: around.zone or "UTC",
        "Clock times, dear hours and night follow it.",
    ),
    Question(
        "latitude",
        "Latitude in degrees, south negative",
        degrees(90, "N", "S"),
        _town(0),
        "Only for sunrise and sunset: a whole degree will do. Proposed is the town of the zone.",
    ),
    Question("longitude", "Longitude in degrees, west negative", degrees(180, "E", "W"), _town(1)),
    Question(
        "link",
        "Boards: serial, mqtt or both",
        choice("serial", "mqtt", "both"),
        _given("serial"),
        "serial: one board on a lead. mqtt: a board on the network. both: mats, mister and base "
        "probes on the lead, the air probes on the network.",
    ),
    Question(
        "port",
        "Serial port",
        port,
        lambda _answers, around: around.ports[0] if around.ports else "/dev/ttyACM0",
        when=_has_board,
    ),
    Question(
        "broker",
        "Address of the MQTT broker",
        lambda text: word(text, "an address", ", such as broker.local"),
        _given("localhost"),
        when=_has_broker,
    ),
    Question(
        "broker_port",
        "Port of the broker",
        number("", 1, 65535, whole=True),
        _given("1883"),
        when=_has_broker,
    ),
    Question(
        "broker_tls",
        "Is that connection encrypted (TLS)?",
        yes_no,
        lambda answers, _around: "yes" if answers["broker_port"] == 8883 else "no",
        when=_has_broker,
    ),
    Question(
        "broker_user",
        "User at the broker, - for none",
        or_blank(lambda text: word(text, "a user's name")),
        _given("-"),
        "The password never goes into the file: it is read from BROKER_PASSWORD.",
        when=_has_broker,
    ),
    Question(
        "node",
        "Name of the board on the network",
        node,
        _given("bench"),
        "As its board.txt says after the word board.",
        when=_has_broker,
    ),
    Question("bench", "Name of the bench", title, _given("Bench 1")),
    Question(
        "bays",
        "How many bays",
        number("", 1, MOST_BAYS, whole=True),
        _given("1"),
        "A bay is one heat mat with the trays on it.",
    ),
    Question(
        "mat_power",
        "Power of one mat in W",
        number("W", 1, 20000),
        _given("100"),
        "It is on the mat's plate.",
    ),
    Question(
        "cutout",
        "Has every mat an independent thermal cut-out, fitted and tried?",
        yes_no,
        _given("no"),
        f"A thermostat of its own with a hand reset, out of Warmfoot's reach. Until there is one, "
        f"heat trips at {bounds.BASE_TRIP_NO_CUTOUT_C:g} °C instead of {bounds.BASE_TRIP_C:g}.",
    ),
    Question(
        "cutout_temperature",
        "Temperature it is set to, in C",
        number("C", CUTOUT_LOWEST_C, bounds.CUTOUT_HIGHEST_C),
        _given("35"),
        when=lambda answers: bool(answers["cutout"]),
    ),
    Question(
        "base_probes",
        "Base probes in each bay",
        number("", 1, MOST_PROBES, whole=True),
        _given("2"),
        "In the compost at cutting depth. With two, one may fail.",
    ),
    Question(
        "air",
        "Is there a probe for air temperature and humidity at leaf height?",
        yes_no,
        _given("yes"),
    ),
    Question("mister", "Is there a mister?", yes_no, _given("no")),
    Question(
        "flow",
        "Flow of the mister in ml/s, - if not measured",
        or_blank(number("ml/s", 0.1, 10000)),
        _given("-"),
        "Mist into a jug for a minute and divide by 60. It is for the records of water only.",
        when=lambda answers: bool(answers["mister"]),
    ),
    Question(
        "house",
        "Is there a probe outside the cover, for the house?",
        yes_no,
        _given("no"),
    ),
    Question(
        "page",
        "Serve the page, for a browser on this machine?",
        yes_no,
        _given("yes"),
    ),
    Question(
        "alert",
        "Who is told of alarms on the phone, - for nobody yet",
        or_blank(person),
        _given("-"),
        "A first name. The address itself never goes into the file.",
    ),
)
BY_KEY: Final[Mapping[str, Question]] = {question.key: question for question in QUESTIONS}
