"""Whatever a newcomer answers: what is taken gives a sound file that holds it, the rest is told."""

from dataclasses import fields
from typing import Any
from zoneinfo import available_timezones

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from config import bounds
from config.bench_answers import as_name
from config.bench_questions import BY_KEY, QUESTIONS, Around
from config.bench_written import Described, bench_text, secrets_of
from config.checklist import AnswerError
from config.load import loads
from config.model import MqttLink, SerialLink, Site


def _plain(text: str) -> str:
    return " ".join(text.split()) or "\n"


YES_NO = st.sampled_from(["yes", "no", "Y", " n "])
WORDS = st.text(min_size=1, max_size=80).filter(lambda text: _plain(text).isprintable())
NAMES = st.sampled_from(
    ["Alder Lane", 'The "old" house \\ #2', "Gärtnerei Süd", "花", "2 = 3", "'''"]
)


def numbers(least: float, most: float) -> st.SearchStrategy[str]:
    return st.floats(least, most).map(lambda value: f"{value:.3f}")


TEXTS: dict[str, st.SearchStrategy[str]] = {
    "name": NAMES | WORDS,
    "timezone": st.sampled_from(sorted(available_timezones())),
    "latitude": numbers(-90, 90) | st.sampled_from(["53,3 N", "33.9S", "-0.0", "90"]),
    "longitude": numbers(-180, 180) | st.sampled_from(["6.5 W", "151.2°e"]),
    "link": st.sampled_from(["serial", "mqtt", "both", " Both"]),
    "port": st.sampled_from(["/dev/ttyACM0", "COM3", '/dev/serial/by-id/a"b\\c']),
    "broker": st.sampled_from(["localhost", "192.168.1.9", "broker.alderlane.example"]),
    "broker_port": st.integers(1, 65535).map(str),
    "broker_tls": YES_NO,
    "broker_user": st.sampled_from(["-", "", "warmfoot", 'a"b']),
    "node": st.from_regex(r"[a-z][a-z0-9_]{0,31}", fullmatch=True),
    "bench": NAMES | WORDS,
    "bays": st.integers(1, 16).map(str),
    "mat_power": numbers(1, 20000) | st.just("120 W"),
    "cutout": YES_NO,
    "cutout_temperature": numbers(25, 45),
    "base_probes": st.integers(1, 8).map(str),
    "air": YES_NO,
    "mister": YES_NO,
    "flow": numbers(0.1, 10000) | st.sampled_from(["-", "", "none"]),
    "house": YES_NO,
    "page": YES_NO,
    "alert": st.sampled_from(["-", "Maeve", "Mary-Ann O'Dea", "x" * 60]),
}


def read(texts: dict[str, str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for question in QUESTIONS:
        if question.when(found):
            found[question.key] = question.read(texts[question.key])
    return found


def held(site: Site) -> dict[str, Any]:
    """What a file holds, in the newcomer's terms, read back from the checked records."""
    ((_, bench),) = site.benches.items()
    bays = list(bench.bays.values())
    mats = [bay.mat for bay in bays]
    kinds = {probe.kind for probe in bench.air.probes}
    serial = [link for link in site.links.values() if isinstance(link, SerialLink)]
    mqtt = [link for link in site.links.values() if isinstance(link, MqttLink)]
    (cutout,) = {(mat.cutout == "declared", mat.cutout_c) for mat in mats}
    (base_probes,) = {len(bay.probes) for bay in bays}
    (power,) = {mat.power_w for mat in mats}
    found: dict[str, Any] = {
        "name": site.site.name,
        "timezone": site.site.timezone,
        "latitude": site.site.latitude_deg,
        "longitude": site.site.longitude_deg,
        "link": "both" if serial and mqtt else "serial" if serial else "mqtt",
        "bench": bench.title,
        "bays": len(bays),
        "mat_power": power,
        "cutout": cutout[0],
        "base_probes": base_probes,
        "air": {"air_temperature", "humidity"} <= kinds,
        "mister": bench.mister is not None,
        "house": "house_temperature" in kinds,
        "page": site.page.serve,
        "alert": next(iter(site.alerts.routes), None),
    }
    if cutout[0]:
        found["cutout_temperature"] = cutout[1]
    if bench.mister is not None:
        found["flow"] = bench.mister.flow_ml_per_s
    if serial:
        found["port"] = serial[0].port
    if mqtt:
        found |= {"broker": mqtt[0].host, "broker_port": mqtt[0].port, "broker_tls": mqtt[0].tls}
        found["broker_user"] = mqtt[0].user
    return found


def nodes(site: Site) -> set[str | None]:
    ((_, bench),) = site.benches.items()
    devices = [*bench.air.probes, *(bay.mat for bay in bench.bays.values())]
    return {one.node for one in devices if one.link == "broker"}


_SO_FAR = {"timezone": "Europe/Dublin", "broker_port": 1883}
SIMPLE = {question.key: question.default(_SO_FAR, Around()) for question in QUESTIONS}


@given(st.fixed_dictionaries(TEXTS))
@example(SIMPLE)
@example({**SIMPLE, "bench": "9", "link": "both", "air": "no", "house": "no", "alert": "w" * 33})
def test_any_accepted_answers_give_a_sound_file_that_holds_them(texts: dict[str, str]) -> None:
    answers = read(texts)
    told = Described(**answers)
    text = bench_text(told, "bench.toml")
    site = loads(text, "bench.toml", embedded=False)
    node = answers.pop("node", None)
    assert held(site) == answers
    assert nodes(site) <= {node}
    named = {route.url_env for route in site.alerts.routes.values()}
    named |= {link.password_env for link in site.links.values() if isinstance(link, MqttLink)}
    assert set(secrets_of(told)) == named - {None}


@given(st.sampled_from(QUESTIONS), st.text(max_size=60))
@example(BY_KEY["latitude"], "1e400")
@example(BY_KEY["bays"], "٣")
@example(BY_KEY["mat_power"], "nan")
def test_any_text_is_read_or_refused_with_what_to_write(question: Any, text: str) -> None:
    try:
        question.read(text)
    except AnswerError as error:
        said = str(error)
    else:
        return
    assert any(word in said for word in ("write", "begin with", "at most 80 fit")), said
    assert said.isprintable()


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("latitude", "53,3", 53.3),
        ("latitude", "33.9 S", -33.9),
        ("longitude", "6.5° W", -6.5),
        ("mat_power", "120 W", 120.0),
        ("cutout_temperature", "35 C", 35.0),
        ("flow", "12,5 ml/s", 12.5),
        ("flow", "-", None),
        ("alert", "Mary Ann", "mary_ann"),
        ("name", "  Alder   Lane ", "Alder Lane"),
        ("page", "Yes", True),
    ],
)
def test_answers_are_taken_the_way_people_write_them(key: str, text: str, value: object) -> None:
    assert BY_KEY[key].read(text) == value


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("bays", "two", "'two' is not a number; write a whole number from 1 to 16"),
        ("bays", "1.5", "1.5 is not whole"),
        ("mat_power", "0", "0 is too low; write a number of W from 1 to 20000"),
        ("cutout_temperature", "60", "60 is too high; write a number of C from 25 to 45"),
        ("latitude", "-33 S", "has both a sign and a letter"),
        ("longitude", "200", "200 is too high"),
        ("timezone", "Dublin", "'Dublin' is not a known time zone"),
        ("timezone", "europe/dublin ", "did you mean Europe/Dublin?"),
        ("port", "yes", "'yes' is not a port; write such as /dev/ttyACM0 or COM3"),
        ("link", "usb", "write serial, mqtt or both"),
        ("node", "North board", "can't be a board's name"),
        ("name", " ", "this is empty"),
        ("name", "x" * 81, "81 letters long"),
        ("name", "a\x1b[31mb", "signs that can't be shown"),
        ("cutout", "maybe", "write yes or no"),
    ],
)
def test_refusals_say_what_was_found_and_what_to_write(key: str, text: str, said: str) -> None:
    with pytest.raises(AnswerError) as refused:
        BY_KEY[key].read(text)
    assert said in str(refused.value)


def test_every_question_has_its_place_in_the_file() -> None:
    assert {question.key for question in QUESTIONS} == {one.name for one in fields(Described)}


def test_a_cutout_that_is_not_declared_leaves_the_lower_trip_in_force() -> None:
    told = Described(**read({**SIMPLE, "cutout": "no"}))
    bay = next(iter(loads(bench_text(told, "b"), "b").benches.values())).bays["bay1"]
    assert (bay.mat.cutout, bay.mat.cutout_c) == ("none", None)
    assert bounds.BASE_TRIP_NO_CUTOUT_C < bounds.BASE_TRIP_C


@pytest.mark.parametrize("bays", ["1", "5"])
def test_what_a_newcomer_may_uncomment_is_sound_too(bays: str) -> None:
    text = bench_text(Described(**read({**SIMPLE, "mister": "yes", "bays": bays})), "b.toml")
    for remark in ("recipe", "area_m2", "flow_ml_per_s", "[tariff]", "currency", "price_per_kwh"):
        assert f"# {remark}" in text
        text = text.replace(f"# {remark}", remark)
    site = loads(text, "b.toml")
    assert site.tariff is not None
    (bench,) = site.benches.values()
    assert bench.recipe == "softwood"
    assert {bay.mat.area_m2 for bay in bench.bays.values()} == {1.0}


def test_every_line_that_sets_something_is_explained_or_plain() -> None:
    text = bench_text(Described(**read({**SIMPLE, "mister": "yes"})), "b.toml")
    assert all(len(line) <= 100 for line in text.splitlines())
    for word in ("electrician", "residual-current", "thermal cut-out", "Legionella"):
        assert word in text.split("[site]")[0]
    assert text.count("#") > 20


@pytest.mark.parametrize(
    ("text", "name"),
    [("North bench", "north_bench"), ("2nd", "bench_2nd"), ("花", "bench"), ("é", "bench")],
)
def test_names_of_tables_are_made_of_a_persons_words(text: str, name: str) -> None:
    assert as_name(text, "bench") == name
