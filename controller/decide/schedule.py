"""Sun and local clock at the site, and when a burst by the clock is due.

Everything is worked out in UTC seconds; the site's zone is used only to turn "07:30" into an
instant, so that both nights on which clocks change come out right.

Sun: declination and equation of time as in astral (the NOAA solar calculator's formulas, after
Meeus, *Astronomical Algorithms*), evaluated at the moment of the event itself. Sunrise and sunset
are the upper limb on a level horizon: centre of the sun 0.833 degrees below it (34' refraction and
16' radius).
"""

from datetime import date, datetime, time, timedelta
from functools import lru_cache
from math import acos, asin, cos, degrees, floor, isnan, nan, radians, sin
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from astral.sun import eq_of_time, sun_declination

from config.daytimes import DayTime, day_time
from config.model import MistTime, SiteInfo

HORIZON_DEG: Final = -0.833
MISSED_LATEST_S: Final = 600.0
"""A burst that was due longer ago than this (power cut, clock step) is not made up for."""
_DAY_MIN: Final = 24 * 60
_OFFSET_S: Final = 900.0
_EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
_EVENT_ROUNDS: Final = 3


class Sky(NamedTuple):
    """Sun and local clock at one instant.

    sun_height_deg: centre of the sun above the level horizon, without refraction.  is_day: any
    part of the sun is up.  day_number: local date as a day count (date.toordinal).
    local_minute: minutes after local midnight by the clock on the wall.  sunrise_utc_s,
    sunset_utc_s: of the local date; NaN where the sun stays up or down.  utc_offset_s: local minus
    UTC.  trusted: False while the wall clock is not known to be set.
    """

    sun_height_deg: float
    is_day: bool
    day_number: int
    local_minute: float
    sunrise_utc_s: float
    sunset_utc_s: float
    utc_offset_s: float
    trusted: bool


def sky_at(info: SiteInfo, utc_s: float, trusted: bool) -> Sky:
    """Sun and local clock at the site; meant to be asked once a minute.

    utc_s: seconds since 1970-01-01 UTC.  trusted: whether the wall clock is known to be set.
    """
    offset_s = _offset_s(info.timezone, utc_s // _OFFSET_S)
    local_s = floor(utc_s) + offset_s
    ordinal = _EPOCH_DAY + int(local_s // 86400)
    height_deg = sun_height_deg(info.latitude_deg, info.longitude_deg, utc_s)
    sunrise_utc_s, sunset_utc_s = _sun_times(info, ordinal)
    return Sky(
        height_deg,
        height_deg > HORIZON_DEG,
        ordinal,
        local_s % 86400 / 60,
        sunrise_utc_s,
        sunset_utc_s,
        offset_s,
        trusted,
    )


def is_within(start: time, end: time, local_minute: float) -> bool:
    """Whether a local clock time lies in [start, end); across midnight when end is earlier.

    start equal to end means the whole day.  local_minute: minutes after local midnight.
    """
    first = start.hour * 60 + start.minute + start.second / 60
    last = end.hour * 60 + end.minute + end.second / 60
    if first < last:
        return first <= local_minute < last
    return local_minute >= first or local_minute < last


def latest_due_utc_s(
    entry: MistTime, info: SiteInfo, day_number: int, last_utc_s: float, now_utc_s: float
) -> float | None:
    """The latest instant in (last, now] at which `entry` wants a burst, or None.

    day_number: local date now.  last_utc_s: instant last served, -inf when none was.
    A local time that the spring change skips falls due at the next minute that exists; one that
    the autumn change repeats falls due once, the first time. Intervals count real minutes from
    the start of their window. Nothing due more than MISSED_LATEST_S ago is returned, so that a gap
    brings one burst at most.
    Raises ValueError for a time that cannot be read; see config.daytimes.
    """
    after_utc_s = max(last_utc_s, now_utc_s - MISSED_LATEST_S)
    best: float | None = None
    for day in (day_number - 1, day_number, day_number + 1):
        for due_utc_s in _due_on(entry, info, day, now_utc_s):
            if after_utc_s < due_utc_s <= now_utc_s and (best is None or due_utc_s > best):
                best = due_utc_s
    return best


def sun_height_deg(latitude_deg: float, longitude_deg: float, utc_s: float) -> float:
    """Height of the sun's centre above the level horizon, degrees, without refraction.

    Declination and equation of time are worked out for the start and end of the UTC day, with a
    straight line between them, which is within 0.002 degrees.
    """
    day, of_day_s = divmod(utc_s, 86400.0)
    declination, declination_end, eq_min, eq_min_end = _sun_of_day(day)
    share = of_day_s / 86400.0
    declination += share * (declination_end - declination)
    eq_min += share * (eq_min_end - eq_min)
    latitude = radians(latitude_deg)
    hour_angle = radians(of_day_s / 240.0 + eq_min / 4.0 + longitude_deg - 180.0)
    height = sin(latitude) * sin(declination)
    height += cos(latitude) * cos(declination) * cos(hour_angle)
    return degrees(asin(max(-1.0, min(1.0, height))))


def _due_on(entry: MistTime, info: SiteInfo, day: int, now_utc_s: float) -> list[float]:
    """Instants of one local day at which the entry is due; of an interval only the latest."""
    due = [_mark_utc_s(_read(text), info, day) for text in entry.at]
    if entry.every_min is None:
        return due
    start_utc_s, end_utc_s = _window(entry, info, day)
    if start_utc_s <= now_utc_s and start_utc_s < end_utc_s:
        every_s = entry.every_min * 60
        count = floor((now_utc_s - start_utc_s) / every_s)
        if start_utc_s + count * every_s >= end_utc_s:
            count = floor((end_utc_s - start_utc_s) / every_s)
            count -= start_utc_s + count * every_s >= end_utc_s
        due.append(start_utc_s + count * every_s)
    return due


def _window(entry: MistTime, info: SiteInfo, day: int) -> tuple[float, float]:
    """Start and end of an interval entry's window that starts on local day `day`, UTC seconds."""
    start, end = _read(entry.start), _read(entry.end)
    start_utc_s = _mark_utc_s(start, info, day, midnight_sun=True)
    end_utc_s = _mark_utc_s(end, info, day, midnight_sun=True)
    if end_utc_s <= start_utc_s:
        end_utc_s = _mark_utc_s(end, info, day + 1, midnight_sun=True)
    return start_utc_s, end_utc_s


def _mark_utc_s(mark: DayTime, info: SiteInfo, day: int, midnight_sun: bool = False) -> float:
    """Instant of a written time on a local day; NaN where the sun neither rises nor sets.

    midnight_sun: where the sun stays up all day, take the local day's own start and end instead.
    """
    if mark.event == "clock":
        return _local_utc_s(info.timezone, day, mark.minutes)
    rise_utc_s, set_utc_s = _sun_times(info, day)
    if isnan(rise_utc_s) and midnight_sun and _sun_is_up_all(info, day):
        return _local_utc_s(info.timezone, day, 0 if mark.event == "sunrise" else _DAY_MIN)
    return (rise_utc_s if mark.event == "sunrise" else set_utc_s) + mark.minutes * 60


# The caches below only remember results of pure functions; they change no answer.


_read = lru_cache(maxsize=256)(day_time)


@lru_cache(maxsize=64)
def _sun_of_day(day: float) -> tuple[float, float, float, float]:
    """Declination (radians) at the start and end of a UTC day, then equation of time (minutes)."""
    start, end = _century(day * 86400.0), _century((day + 1.0) * 86400.0)
    return (
        radians(sun_declination(start)),
        radians(sun_declination(end)),
        eq_of_time(start),
        eq_of_time(end),
    )


@lru_cache(maxsize=64)
def _offset_s(timezone: str, quarter: float) -> float:
    """Local minus UTC, seconds, in a quarter of an hour; clocks change only between two of them."""
    offset = datetime.fromtimestamp(quarter * _OFFSET_S, ZoneInfo(timezone)).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


@lru_cache(maxsize=1024)
def _local_utc_s(timezone: str, day: int, minute: int) -> float:
    """Instant of `minute` after midnight on a local day; a skipped minute gives the next valid."""
    zone = ZoneInfo(timezone)
    wall = datetime.combine(date.fromordinal(day), time()) + timedelta(minutes=minute)
    for _ in range(2 * _DAY_MIN):
        utc_s = wall.replace(tzinfo=zone).timestamp()
        if datetime.fromtimestamp(utc_s, zone).replace(tzinfo=None) == wall:
            return utc_s
        wall += timedelta(minutes=1)
    return nan


def _sun_times(info: SiteInfo, day: int) -> tuple[float, float]:
    return sun_times_utc_s(info.latitude_deg, info.longitude_deg, info.timezone, day)


def _sun_is_up_all(info: SiteInfo, day: int) -> bool:
    noon_utc_s = _local_utc_s(info.timezone, day, _DAY_MIN // 2)
    return sun_height_deg(info.latitude_deg, info.longitude_deg, noon_utc_s) > HORIZON_DEG


@lru_cache(maxsize=64)
def sun_times_utc_s(
    latitude_deg: float, longitude_deg: float, timezone: str, day: int
) -> tuple[float, float]:
    """Sunrise and sunset around the solar noon of a local date, UTC seconds.

    day: local date as date.toordinal gives it.  Both NaN where the sun stays up or stays down.
    Sunset may fall after local midnight; it is always the one that ends this day's light.
    """
    noon_utc_s = _local_utc_s(timezone, day, _DAY_MIN // 2)
    for _ in range(_EVENT_ROUNDS):
        noon_utc_s -= 240 * _hour_angle_deg(
            longitude_deg, noon_utc_s, eq_of_time(_century(noon_utc_s))
        )
    rise_utc_s = _crossing_utc_s(latitude_deg, longitude_deg, noon_utc_s, -1)
    set_utc_s = _crossing_utc_s(latitude_deg, longitude_deg, noon_utc_s, 1)
    if isnan(rise_utc_s) or isnan(set_utc_s):
        return nan, nan
    return rise_utc_s, set_utc_s


def _crossing_utc_s(
    latitude_deg: float, longitude_deg: float, noon_utc_s: float, side: int
) -> float:
    """When the sun crosses the horizon before (side -1) or after (side 1) a solar noon, or NaN."""
    latitude = radians(latitude_deg)
    utc_s = noon_utc_s
    for _ in range(_EVENT_ROUNDS):
        century = _century(utc_s)
        declination = radians(sun_declination(century))
        cosine = sin(radians(HORIZON_DEG)) - sin(latitude) * sin(declination)
        cosine /= cos(latitude) * cos(declination)
        if not -1.0 <= cosine <= 1.0:
            return nan
        wanted_deg = side * degrees(acos(cosine))
        there_deg = _hour_angle_deg(longitude_deg, utc_s, eq_of_time(century))
        utc_s += 240 * _wrapped_deg(wanted_deg - there_deg)
    return utc_s


def _century(utc_s: float) -> float:
    """Julian centuries since J2000 (JD 2451545.0); 1970-01-01T00:00Z is JD 2440587.5."""
    return (utc_s / 86400 - 10957.5) / 36525


def _hour_angle_deg(longitude_deg: float, utc_s: float, eq_of_time_min: float) -> float:
    """Sun's hour angle, -180..180 degrees, 0 at solar noon, positive after it."""
    return _wrapped_deg((utc_s % 86400) / 240 + eq_of_time_min / 4 + longitude_deg - 180)


def _wrapped_deg(angle_deg: float) -> float:
    return (angle_deg + 180) % 360 - 180
