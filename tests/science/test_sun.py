"""Sunrise, sunset and sun height against published values.

Tolerance 1 minute for rising and setting: the published times are whole minutes.
"""

from datetime import UTC, date, datetime
from math import acos, cos, pi, radians, sin, tan

import pytest
from astral import Observer
from astral.sun import elevation, sunrise, sunset

from config.model import SiteInfo
from controller.decide.schedule import sky_at, sun_height_deg, sun_times_utc_s

LONDON = (51.509, -0.118, "Europe/London")
GOLDEN = (39.742476, -105.1786, "America/Denver")


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("day", "rises", "sets"),
    [
        ("2015-12-01", "07:43", "15:55"),
        ("2015-12-12", "07:56", "15:51"),
        ("2015-12-25", "08:05", "15:55"),
    ],
)
def test_london_times_in_the_almanac(day: str, rises: str, sets: str) -> None:
    """Published times for London as kept in the test data of the astral project."""
    rise_s, set_s = sun_times_utc_s(*LONDON, date.fromisoformat(day).toordinal())
    assert rise_s == pytest.approx(utc(f"{day}T{rises}"), abs=60)
    assert set_s == pytest.approx(utc(f"{day}T{sets}"), abs=60)


def test_golden_colorado_on_the_local_date() -> None:
    """Reda & Andreas, NREL/TP-560-34302, worked example, 2003-10-17 (figures from memory): sunrise
    06:12:43 and sunset 17:20:19, at UTC-7. That sunset is the one of the UTC day, which by local
    date is the evening before."""
    day = date(2003, 10, 17).toordinal()
    rise_s, _ = sun_times_utc_s(*GOLDEN, day)
    _, set_before_s = sun_times_utc_s(*GOLDEN, day - 1)
    assert rise_s == pytest.approx(utc("2003-10-17T13:12:43"), abs=60)
    assert set_before_s == pytest.approx(utc("2003-10-17T00:20:19"), abs=60)


def test_sun_height_of_the_worked_example() -> None:
    """Same example at 12:30:30 local standard time, UTC-7: topocentric zenith 50.11162 degrees,
    refraction (0.014 degrees there) included; figures from memory."""
    height_deg = sun_height_deg(GOLDEN[0], GOLDEN[1], utc("2003-10-17T19:30:30"))
    assert height_deg == pytest.approx(90 - 50.11162 - 0.014, abs=0.02)


@pytest.mark.parametrize(
    ("latitude_deg", "day", "hours"), [(-20.0, "2025-09-03", 11.7), (50.8, "2025-07-06", 16.1)]
)
def test_day_length_of_the_worked_examples(latitude_deg: float, day: str, hours: float) -> None:
    """FAO-56 (Allen et al. 1998), Examples 9 and 18. Those are geometric: the 0.833 degrees of
    refraction and radius are taken off here at the sun's slant, 15 cos(lat) cos(decl) sin(ws)
    degrees an hour, with Eq. 24 and 25. Tolerance 0.1 h: Eq. 24 is up to 0.7 degrees off in
    September, and the book prints one decimal."""
    moment = date.fromisoformat(day)
    rise_s, set_s = sun_times_utc_s(latitude_deg, 0.0, "UTC", moment.toordinal())
    latitude = radians(latitude_deg)
    declination = 0.409 * sin(2 * pi * moment.timetuple().tm_yday / 365 - 1.39)
    half_day = acos(-tan(latitude) * tan(declination))
    slant_deg_per_h = 15 * cos(latitude) * cos(declination) * sin(half_day)
    geometric_h = (set_s - rise_s) / 3600 - 2 * 0.833 / slant_deg_per_h
    assert geometric_h == pytest.approx(hours, abs=0.1)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "timezone"),
    [
        (53.3, -6.5, "Europe/Dublin"),
        (-36.85, 174.76, "Pacific/Auckland"),
        (45.5, -122.7, "America/Los_Angeles"),
        (1.3, 103.8, "Asia/Singapore"),
    ],
)
def test_a_year_of_suns_agrees_with_the_astral_library(
    latitude_deg: float, longitude_deg: float, timezone: str
) -> None:
    info = SiteInfo(
        name="x", timezone=timezone, latitude_deg=latitude_deg, longitude_deg=longitude_deg
    )
    observer = Observer(latitude_deg, longitude_deg)
    for ordinal in range(date(2026, 1, 1).toordinal(), date(2026, 12, 31).toordinal(), 9):
        day = date.fromordinal(ordinal)
        rise_s, set_s = sun_times_utc_s(latitude_deg, longitude_deg, timezone, ordinal)
        wanted_rise = sunrise(observer, day, tzinfo=info.zone)
        wanted_set = sunset(observer, day, tzinfo=info.zone)
        assert rise_s == pytest.approx(wanted_rise.timestamp(), abs=60)
        assert set_s == pytest.approx(wanted_set.timestamp(), abs=60)
        moment = datetime(day.year, day.month, day.day, 10, tzinfo=info.zone)
        height_deg = elevation(observer, moment, with_refraction=False)
        assert sun_height_deg(latitude_deg, longitude_deg, moment.timestamp()) == pytest.approx(
            height_deg, abs=0.01
        )


def test_day_turns_to_night_at_sunset() -> None:
    info = SiteInfo(
        name="x", timezone="Europe/London", latitude_deg=LONDON[0], longitude_deg=LONDON[1]
    )
    _, set_s = sun_times_utc_s(*LONDON, date(2026, 5, 10).toordinal())
    assert sky_at(info, set_s - 30, True).is_day
    assert not sky_at(info, set_s + 30, True).is_day
