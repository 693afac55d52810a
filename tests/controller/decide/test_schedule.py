"""Clock times, intervals and sun offsets fall due once, at the right instant, on any night."""

from datetime import UTC, date, datetime, time
from itertools import pairwise
from math import inf, isfinite, isnan
from typing import Any

import pytest

from config.model import MistTime, SiteInfo
from controller.decide.schedule import (
    Sky,
    is_within,
    latest_due_utc_s,
    sky_at,
    sun_times_utc_s,
)


def site(timezone: str, latitude_deg: float, longitude_deg: float) -> SiteInfo:
    return SiteInfo(
        name="Alder Lane Nursery",
        timezone=timezone,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
    )


DUBLIN = site("Europe/Dublin", 53.3, -6.5)
AUCKLAND = site("Pacific/Auckland", -36.85, 174.76)
TROMSO = site("Europe/Oslo", 69.65, 18.96)


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def served(entry: MistTime, info: SiteInfo, start: str, end: str, every_s: float = 60) -> list[str]:
    """UTC times at which a watcher that asks every `every_s` would give a burst."""
    now_s, last_s, given = utc(start), utc(start), []
    while now_s <= utc(end):
        due_s = latest_due_utc_s(entry, info, day_of(info, now_s), last_s, now_s)
        if due_s is not None:
            last_s = due_s
            given.append(datetime.fromtimestamp(due_s, UTC).strftime("%H:%M"))
        now_s += every_s
    return given


def day_of(info: SiteInfo, utc_s: float) -> int:
    return sky_at(info, utc_s, True).day_number


def test_clock_time_is_local_and_served_once_a_day() -> None:
    entry = MistTime(at=("07:30", "13:00"))
    assert served(entry, DUBLIN, "2026-06-01T00:00", "2026-06-02T00:00") == ["06:30", "12:00"]


def test_skipped_spring_time_runs_at_the_next_minute_that_exists() -> None:
    """Dublin, 2026-03-29: 01:00 GMT becomes 02:00 IST, so 01:30 does not exist (EU directive
    2000/84/EC: clocks change at 01:00 UTC)."""
    entry = MistTime(at=("01:30",))
    assert served(entry, DUBLIN, "2026-03-28T22:00", "2026-03-29T12:00") == ["01:00"]


def test_doubled_autumn_time_runs_once() -> None:
    """Dublin, 2026-10-25: 02:00 IST becomes 01:00 GMT, so 01:30 comes at 00:30 and 01:30 UTC."""
    entry = MistTime(at=("01:30",))
    assert served(entry, DUBLIN, "2026-10-24T22:00", "2026-10-25T12:00") == ["00:30"]


@pytest.mark.parametrize(("night", "bursts"), [("2026-03-28", 10), ("2026-10-24", 14)])
def test_interval_keeps_real_spacing_through_a_clock_change(night: str, bursts: int) -> None:
    """A window 23:00 to 05:00 lasts 5 real hours in spring and 7 in autumn."""
    entry = MistTime(every_min=30.0, start="23:00", end="05:00")
    start = utc(f"{night}T21:30")
    ends = datetime.fromtimestamp(start + 10 * 3600, UTC).isoformat()[:16]
    given = served(entry, DUBLIN, f"{night}T21:30", ends)
    assert len(given) == bursts
    minutes = [int(t[:2]) * 60 + int(t[3:]) for t in given]
    assert {(b - a) % 1440 for a, b in pairwise(minutes)} == {30}


def test_window_includes_its_start_and_excludes_its_end() -> None:
    entry = MistTime(every_min=30.0, start="10:00", end="11:00")
    assert served(entry, DUBLIN, "2026-06-01T06:00", "2026-06-01T20:00") == ["09:00", "09:30"]


def test_interval_longer_than_its_window_is_due_at_its_start() -> None:
    entry = MistTime(every_min=90.0, start="10:00", end="11:00")
    assert served(entry, DUBLIN, "2026-06-01T06:00", "2026-06-01T20:00") == ["09:00"]


def test_equal_start_and_end_mean_the_whole_day() -> None:
    entry = MistTime(every_min=60.0, start="00:00", end="00:00")
    assert len(served(entry, DUBLIN, "2026-06-01T00:30", "2026-06-02T00:29")) == 24


def test_default_window_is_the_light_day() -> None:
    given = served(MistTime(every_min=60.0), DUBLIN, "2026-12-21T00:00", "2026-12-22T00:00")
    sunrise_s, sunset_s = sun_times_utc_s(
        53.3, -6.5, "Europe/Dublin", date(2026, 12, 21).toordinal()
    )
    assert len(given) == int((sunset_s - sunrise_s) / 3600) + 1


def test_sun_offsets_move_with_the_sun() -> None:
    entry = MistTime(at=("sunrise+30", "sunset-15"))
    sunrise_s, sunset_s = sun_times_utc_s(53.3, -6.5, "Europe/Dublin", date(2026, 6, 1).toordinal())
    wanted = [
        datetime.fromtimestamp(s, UTC).strftime("%H:%M") for s in (sunrise_s + 1800, sunset_s - 900)
    ]
    assert served(entry, DUBLIN, "2026-06-01T00:00", "2026-06-02T00:00") == wanted


def test_offset_past_midnight_still_runs() -> None:
    entry = MistTime(at=("sunset+240",))
    given = served(entry, DUBLIN, "2026-06-01T12:00", "2026-06-02T12:00")
    assert len(given) == 1
    assert given[0].startswith("00:")


def test_gap_serves_one_missed_burst_and_only_a_recent_one() -> None:
    entry = MistTime(every_min=5.0, start="08:00", end="20:00")
    now_s, last_s = utc("2026-06-01T12:03"), utc("2026-06-01T09:00")
    due_s = latest_due_utc_s(entry, DUBLIN, day_of(DUBLIN, now_s), last_s, now_s)
    assert due_s == utc("2026-06-01T12:00")
    once = MistTime(at=("12:00",))
    for minutes, wanted in [(9, utc("2026-06-01T11:00")), (11, None)]:
        now_s = utc("2026-06-01T11:00") + minutes * 60
        assert latest_due_utc_s(once, DUBLIN, day_of(DUBLIN, now_s), -inf, now_s) == wanted


def test_served_time_is_not_served_again() -> None:
    entry = MistTime(at=("12:00",))
    due_s = utc("2026-06-01T11:00")
    assert latest_due_utc_s(entry, DUBLIN, day_of(DUBLIN, due_s), due_s, due_s + 60) is None


@pytest.mark.parametrize("text", ["25:00", "12:60", "noon", "sunrise+", "7.30", ""])
def test_unreadable_time_says_what_to_write(text: str) -> None:
    with pytest.raises(ValueError, match=r'"HH:MM".*sunrise\+30'):
        latest_due_utc_s(MistTime(at=(text,)), DUBLIN, 739768, -inf, utc("2026-06-01T12:00"))


def test_day_parts_run_across_midnight() -> None:
    assert is_within(time(6), time(18), 6 * 60)
    assert not is_within(time(6), time(18), 18 * 60)
    assert is_within(time(22), time(5), 23 * 60)
    assert is_within(time(22), time(5), 4 * 60 + 59.9)
    assert not is_within(time(22), time(5), 12 * 60)
    assert is_within(time(0), time(0), 700.0)


def test_sky_of_the_south_has_long_days_in_december() -> None:
    december = sky_at(AUCKLAND, utc("2026-12-21T00:30"), True)
    june = sky_at(AUCKLAND, utc("2026-06-21T00:30"), True)
    assert _light_hours(december) > 14.5
    assert _light_hours(june) < 9.8
    assert december.is_day
    assert december.local_minute == 13 * 60 + 30
    assert december.utc_offset_s == 13 * 3600
    assert date.fromordinal(december.day_number) == date(2026, 12, 21)


def _light_hours(sky: Sky) -> float:
    return (sky.sunset_utc_s - sky.sunrise_utc_s) / 3600


@pytest.mark.parametrize(
    ("timezone", "latitude_deg", "longitude_deg"),
    [
        ("Pacific/Kiritimati", 1.9, -157.4),
        ("America/Los_Angeles", 45.5, -122.7),
        ("Asia/Shanghai", 39.5, 76.0),
        ("Pacific/Auckland", -36.85, 174.76),
        ("Atlantic/Reykjavik", 64.1, -21.9),
    ],
)
def test_sun_of_the_local_date_surrounds_its_solar_noon(
    timezone: str, latitude_deg: float, longitude_deg: float
) -> None:
    info = site(timezone, latitude_deg, longitude_deg)
    for month in range(1, 13):
        noon_s = datetime(2026, month, 21, 12, tzinfo=info.zone).timestamp()
        sky = sky_at(info, noon_s, True)
        middle = datetime.fromtimestamp((sky.sunrise_utc_s + sky.sunset_utc_s) / 2, info.zone)
        assert middle.date() == date(2026, month, 21)
        assert 0 < _light_hours(sky) < 24


@pytest.mark.parametrize("latitude_deg", [69.65, 90.0, -90.0, -78.0])
def test_polar_day_and_night_have_no_sunrise_and_raise_nothing(latitude_deg: float) -> None:
    info = site("Europe/Oslo", latitude_deg, 18.96)
    for day, up in [("2026-06-21", latitude_deg > 0), ("2026-12-21", latitude_deg < 0)]:
        for hour in range(0, 24, 3):
            sky = sky_at(info, utc(f"{day}T{hour:02}:00"), True)
            assert isnan(sky.sunrise_utc_s)
            assert isnan(sky.sunset_utc_s)
            assert isfinite(sky.sun_height_deg)
            assert sky.is_day is up


def test_light_day_windows_fill_the_polar_day_and_are_empty_in_polar_night() -> None:
    entry = MistTime(every_min=60.0)
    assert len(served(entry, TROMSO, "2026-06-21T00:30", "2026-06-22T00:29")) == 24
    assert served(entry, TROMSO, "2026-12-21T00:00", "2026-12-22T00:00") == []
    assert served(MistTime(at=("sunrise",)), TROMSO, "2026-06-21T00:00", "2026-06-22T00:00") == []


def test_a_place_that_skipped_a_whole_day_is_survived() -> None:
    """Samoa had no 2011-12-30 (IANA time zone database)."""
    apia = site("Pacific/Apia", -13.8, -171.8)
    entry: Any = MistTime(at=("12:00",))
    given = served(entry, apia, "2011-12-29T12:00", "2012-01-01T12:00", every_s=300)
    assert given.count("22:00") == 3
