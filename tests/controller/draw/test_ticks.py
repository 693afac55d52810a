"""Axes: round numbers and round local times, right on the days the clocks change."""

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.draw.ticks import time_ticks, value_ticks

DUBLIN = ZoneInfo("Europe/Dublin")


def at(text: str, zone: ZoneInfo = DUBLIN) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()


@pytest.mark.parametrize(
    ("low", "high", "texts"),
    [
        (16.8, 22.6, ["18", "20", "22"]),
        (0.0, 1.0, ["0.0", "0.5", "1.0"]),
        (-3.0, 4.0, ["-2", "0", "2", "4"]),
        (0.0, 0.07, ["0.00", "0.02", "0.04", "0.06"]),
        (0.0, 4321.0, ["0", "1000", "2000", "3000", "4000"]),
        (5.0, 5.0, []),
        (0.0, float("inf"), []),
    ],
)
def test_values_are_marked_at_round_numbers(low: float, high: float, texts: list[str]) -> None:
    assert [tick.text for tick in value_ticks(low, high)] == texts


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 9))
def test_values_are_never_crowded_and_stay_inside(low: float, span: float, most: int) -> None:
    found = value_ticks(low, low + span, most)
    assert 1 <= len(found) <= most
    assert all(low - span * 1e-6 <= tick.at <= low + span * 1.000001 for tick in found)
    assert all(abs(float(tick.text) - tick.at) < span * 1e-3 for tick in found)


def test_spring_day_has_23_hours_and_its_lost_hour_is_not_marked() -> None:
    """Clocks in Ireland went from 01:00 to 02:00 on 29 March 2026 (tz database)."""
    found = time_ticks(at("2026-03-29T00:00"), at("2026-03-29T04:00"), DUBLIN)
    assert [tick.text for tick in found] == ["29 Mar", "02:00", "03:00", "04:00"]
    assert [(tick.at - found[0].at) / 3600 for tick in found] == [0.0, 1.0, 2.0, 3.0]


def test_autumn_hour_that_comes_twice_is_marked_twice() -> None:
    """Clocks in Ireland went from 02:00 to 01:00 on 25 October 2026 (tz database)."""
    start = at("2026-10-25T00:00")
    found = time_ticks(start, start + 4 * 3600, DUBLIN)
    assert [tick.text for tick in found] == ["25 Oct", "01:00", "01:00", "02:00", "03:00"]
    assert [(tick.at - start) / 3600 for tick in found] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_days_over_a_clock_change_begin_at_local_midnight() -> None:
    found = time_ticks(at("2026-03-27T12:00"), at("2026-03-31T12:00"), DUBLIN)
    assert [tick.text for tick in found] == ["28 Mar", "29 Mar", "30 Mar", "31 Mar"]
    hours = [(b.at - a.at) / 3600 for a, b in pairwise(found)]
    assert hours == [24.0, 23.0, 24.0]


def test_half_hour_zones_and_skipped_midnights() -> None:
    """India is 5:30 ahead; Beirut went from 00:00 to 01:00 on 29 March 2026 (tz database)."""
    india = ZoneInfo("Asia/Kolkata")
    start = at("2026-05-01T06:10", india)
    found = time_ticks(start, start + 4 * 3600, india)
    assert [tick.text for tick in found] == ["07:00", "08:00", "09:00", "10:00"]
    beirut = ZoneInfo("Asia/Beirut")
    found = time_ticks(at("2026-03-27T12:00", beirut), at("2026-03-31T12:00", beirut), beirut)
    assert [tick.text for tick in found] == ["28 Mar", "29 Mar", "30 Mar", "31 Mar"]
    assert datetime.fromtimestamp(found[1].at, beirut).hour == 1


def test_weeks_begin_on_mondays_and_years_bear_their_number() -> None:
    found = time_ticks(at("2026-03-10T09:00"), at("2026-04-02T09:00"), DUBLIN)
    assert [tick.text for tick in found] == ["16 Mar", "23 Mar", "30 Mar"]
    assert all(datetime.fromtimestamp(tick.at, DUBLIN).weekday() == 0 for tick in found)
    found = time_ticks(at("2025-11-10T09:00"), at("2026-03-05T09:00"), DUBLIN)
    assert [tick.text for tick in found] == ["Dec", "2026", "Feb", "Mar"]


@given(
    st.floats(9.5e8, 2.5e9),
    st.floats(900, 2e9),
    st.sampled_from(["Europe/Dublin", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe"]),
)
def test_times_are_never_crowded_and_stay_inside(from_s: float, span_s: float, name: str) -> None:
    found = time_ticks(from_s, from_s + span_s, ZoneInfo(name))
    assert len(found) <= 5
    assert [tick.at for tick in found] == sorted({tick.at for tick in found})
    assert all(from_s <= tick.at <= from_s + span_s for tick in found)
    # A day or more is never left without a mark.
    assert found or span_s < 86400
