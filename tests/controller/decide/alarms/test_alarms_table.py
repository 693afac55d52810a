"""The table as data: whole, in order, and refusing changes it may not take."""

import tomllib
from importlib.resources import files
from typing import Any

import pytest

from config.errors import ConfigError
from controller.decide.alarm_table import rows, span_words, table
from controller.decide.alarm_words import _WORSE, MEASURES
from controller.decide.alarms import check_changes
from controller.decide.watch import (
    BAY_ALARMS,
    BENCH_ALARMS,
    LINK_ALARMS,
    PROBE_ALARMS,
    SITE_ALARMS,
)


def test_every_alarm_watched_is_in_the_table_at_its_scope_and_the_reverse() -> None:
    watched = {
        "bay": BAY_ALARMS,
        "bench": BENCH_ALARMS,
        "probe": PROBE_ALARMS,
        "link": LINK_ALARMS,
        "site": SITE_ALARMS,
    }
    for scope, names in watched.items():
        assert set(names) == {row.name for row in table() if row.scope == scope}


@pytest.mark.parametrize("row", table(), ids=lambda row: row.name)
def test_a_row_carries_what_the_standard_asks_of_a_rationalised_alarm(row: Any) -> None:
    """ISA-18.2 / IEC 62682: limit, cause, consequence, action, time to respond, priority."""
    assert row.limit
    assert "{" not in row.limit
    assert row.causes
    assert row.consequence.endswith(".")
    assert row.action.endswith(".")
    assert row.why
    assert row.respond_min > 0
    assert row.priority in (1, 2, 3)
    assert row.measure in MEASURES
    assert (row.worse is None) == (row.name not in _WORSE) == (not row.worse_when)
    if row.low is not None:
        assert row.low <= row.threshold <= row.high


def test_there_are_fewer_alarms_of_each_higher_priority() -> None:
    """The mix EEMUA 191 and ISA-18.2 ask for: fewer high than medium, fewer medium than low.

    Of the rows themselves only the first part can be asked; the rest depends on what happens.
    """
    count = [sum(row.priority == p for row in table()) for p in (1, 2, 3)]
    assert count[0] < count[1]
    assert count[0] < count[2]


def test_the_longest_shelving_follows_the_priority() -> None:
    longest_h = {row.name: row.shelve_longest_s(row.priority) / 3600 for row in table()}
    assert longest_h["base_very_cold"] == 1
    assert longest_h["base_cold"] == 12
    assert longest_h["mat_weak"] == 7 * 24
    for name in ("base_overheat", "mat_stuck_on", "mister_stuck"):
        assert longest_h[name] == 0


def test_rows_are_given_as_plain_data() -> None:
    data = rows()["base_cold"].as_dict()
    assert data["threshold"] == 2.0
    assert data["on_delay_s"] == 900


def test_the_file_is_the_table() -> None:
    raw = tomllib.loads(
        files("controller.decide").joinpath("alarms.toml").read_text(encoding="utf-8")
    )
    assert list(raw) == [row.name for row in table()]


@pytest.mark.parametrize(
    ("span_s", "words"),
    [(40, "40 s"), (60, "1 min"), (90, "90 s"), (900, "15 min"), (3600, "1 h"), (604800, "7 d")],
)
def test_spans_are_said_in_a_fitting_unit(span_s: float, words: str) -> None:
    assert span_words(span_s) == words


@pytest.mark.parametrize(
    ("alarms", "words"),
    [
        ({"base_cald": {"limit": 2.0}}, ["north.alarms.base_cald", "did you mean base_cold?"]),
        ({"link_lost": {"on_delay_s": 5.0}}, ["belongs to the link"]),
        ({"base_cold": {"limit": 60.0}}, ["limit = 60", "from 0.5 to 6", "it is 2"]),
        ({"base_overheat": {"limit": 40.0}}, ["no limit that can be changed"]),
        ({"base_very_cold": {"on_delay_s": 86400.0}}, ["on_delay_s = 86400", "at most 1200"]),
    ],
)
def test_a_change_that_may_not_be_made_is_refused_in_words(
    make_room: Any, alarms: dict[str, Any], words: list[str]
) -> None:
    with pytest.raises(ConfigError) as error:
        check_changes(make_room(alarms=alarms).site)
    for word in words:
        assert word in str(error.value)


def test_every_wrong_change_is_named_at_once(make_room: Any) -> None:
    site = make_room(alarms={"nope": {"limit": 1.0}, "base_cold": {"limit": 60.0}}).site
    with pytest.raises(ConfigError) as error:
        check_changes(site)
    assert len(str(error.value).splitlines()) == 2


def test_sound_changes_pass(make_room: Any) -> None:
    check_changes(make_room(alarms={"base_cold": {"limit": 1.5, "on_delay_s": 600.0}}).site)
