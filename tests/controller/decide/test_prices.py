"""Prices of the half hours to come, and which bays go by them."""

from datetime import UTC, datetime, time

import pytest

from config.model import Site, Tariff, TariffWindow
from controller.decide import build_aims
from controller.decide.prices import prices_at
from sensors.clock import Now

NIGHT = Tariff(
    price_per_kwh=0.3, windows=(TariffWindow(start=time(23), end=time(7), price_per_kwh=0.1),)
)


def utc_s(*at):
    return datetime(*at, tzinfo=UTC).timestamp()


def hours(prices, price):
    """Hours of the first 22 at a price."""
    return sum(each == price for each in prices) / 2.0


def test_prices_begin_with_the_running_half_hour():
    at_s = utc_s(2026, 2, 16, 5, 20)
    found = prices_at(NIGHT, "Europe/Dublin", at_s)
    assert found.coming(at_s) == (0.1,) * 4 + (0.3,) * 32 + (0.1,) * 8
    assert found.coming(at_s + 1800.0)[:3] == (0.1,) * 3
    assert found.coming(at_s + 2 * 3600.0) == ()  # too old to look so far ahead
    assert found.coming(at_s - 3600.0) == ()


@pytest.mark.parametrize(
    ("day", "night_h"), [((2026, 3, 28), 7.0), ((2026, 10, 24), 9.0), ((2026, 6, 1), 8.0)]
)
def test_night_is_right_where_clocks_change(day, night_h):
    at_s = utc_s(*day, 20)
    assert hours(prices_at(NIGHT, "Europe/Dublin", at_s).coming(at_s), 0.1) == night_h


def test_one_price_is_no_reason_to_plan():
    assert prices_at(None, "Europe/Dublin", 0.0) is None
    assert prices_at(Tariff(price_per_kwh=0.3), "Europe/Dublin", 0.0) is None
    same = NIGHT.model_copy(update={"price_per_kwh": 0.1})
    assert prices_at(same, "Europe/Dublin", 0.0) is None


@pytest.mark.parametrize(
    ("minute", "price"), [(0, 0.1), (419, 0.1), (420, 0.3), (1379, 0.3), (1380, 0.1)]
)
def test_windows_hold_their_start_and_not_their_end(minute, price):
    assert NIGHT.price_at(minute) == price


def test_first_of_two_windows_counts():
    windows = (
        TariffWindow(start=time(10), end=time(12), price_per_kwh=0.5),
        TariffWindow(start=time(8), end=time(20), price_per_kwh=0.2),
    )
    tariff = Tariff(price_per_kwh=0.1, windows=windows)
    found = [tariff.price_at(60 * hour) for hour in (7, 8, 10, 12, 20)]
    assert found == [0.1, 0.2, 0.5, 0.2, 0.1]


@pytest.mark.parametrize(
    ("heat", "trusted", "goes_by"),
    [
        ({}, True, True),
        ({}, False, False),
        ({"warm_early": False}, True, False),
        ({"parts": ({"start": "06:00", "end": "09:00", "target_c": 19.0},)}, True, False),
    ],
)
def test_bays_that_go_by_the_prices(make_site_file, heat, trusted, goes_by):
    """Not with day parts of the grower's own, nor on an unsure clock."""
    plain = make_site_file(heat={"target_c": 20.0, **heat})
    site = Site.model_validate({**plain.model_dump(), "tariff": NIGHT.model_dump()})
    bay = build_aims(site, (), Now(utc_s(2026, 2, 16, 5), 0.0, trusted)).bays["north", "left"]
    assert (bay.prices is not None) is goes_by
    without = build_aims(plain, (), Now(0.0, 0.0)).bays["north", "left"]
    assert without.prices is None
