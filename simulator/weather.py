"""The house around the bench: temperature, vapour and light, as a pure function of seed and time.

Solar geometry: FAO Irrigation and Drainage Paper 56, Eq. 21-33 (declination, seasonal correction,
hour angle) and Eq. 35/37 (clear sky as a share of what reaches the top of the air). The makings of
each weather (means, swings, cloud) are invented, plausible for a frost-free nursery house.
"""

from dataclasses import dataclass
from math import cos, exp, pi, radians, sin
from random import Random
from typing import Final, NamedTuple

from simulator.film import saturation_kpa

DAY_S: Final = 86400.0
SOLAR_CONSTANT_W_M2: Final = 1367.0
"""0.0820 MJ/m2 a minute, FAO-56."""


class WeatherError(ValueError):
    """A weather that is not in the table: what was asked for, and what there is."""


class Weather(NamedTuple):
    """The house at one instant.

    house_c: air, degC.  house_kpa: vapour pressure.  sun_w_m2: at the bench, under glass and shade.
    """

    house_c: float
    house_kpa: float
    sun_w_m2: float


@dataclass(frozen=True, slots=True)
class Kind:
    """The makings of a weather.

    mean_c: of the house by day and night; swing_k: half the daily wave; front_k: size of the slow
    changes over days; rh_pct: mean humidity; sky: mean share of clear-sky light, 0..1;
    broken: how much passing cloud moves the light, 0..1; sun_k: house warming per 100 W/m2 at the
    bench; through: share of outdoor light that reaches the bench.
    """

    mean_c: float
    swing_k: float
    front_k: float
    rh_pct: float
    sky: float
    broken: float
    sun_k: float
    through: float


KINDS: Final = {
    "winter_clear": Kind(6.5, 3.5, 2.0, 78.0, 0.85, 0.15, 3.0, 0.60),
    "winter_dull": Kind(8.0, 1.5, 1.5, 86.0, 0.25, 0.20, 2.5, 0.60),
    "frost": Kind(3.5, 3.0, 1.5, 80.0, 0.80, 0.20, 3.0, 0.60),
    "spring_mixed": Kind(11.0, 3.5, 2.5, 74.0, 0.55, 0.60, 2.5, 0.45),
    "spring_bright": Kind(13.0, 5.0, 2.0, 65.0, 0.85, 0.30, 2.5, 0.40),
    "summer_mild": Kind(18.0, 4.0, 2.0, 70.0, 0.60, 0.50, 2.0, 0.30),
    "hot_spell": Kind(23.5, 6.0, 1.5, 55.0, 0.95, 0.10, 2.5, 0.30),
    "autumn_damp": Kind(12.0, 2.5, 2.0, 88.0, 0.35, 0.40, 2.5, 0.50),
    "autumn_gales": Kind(11.0, 2.0, 3.5, 80.0, 0.45, 0.70, 2.0, 0.50),
    "steady": Kind(12.0, 0.0, 0.0, 75.0, 0.0, 0.0, 0.0, 0.0),
}


def sun_sine(utc_s: float, latitude_deg: float, longitude_deg: float) -> float:
    """Sine of the sun's height, -1..1 (FAO-56 Eq. 24, 31, 32, 33; solar noon to a minute or so)."""
    year_day = (utc_s / DAY_S + 0.25) % 365.2425 + 1.0
    season = 2.0 * pi * (year_day - 81.0) / 364.0
    correction_h = 0.1645 * sin(2.0 * season) - 0.1255 * cos(season) - 0.025 * sin(season)
    hour = (utc_s % DAY_S) / 3600.0
    angle = pi / 12.0 * (hour + longitude_deg / 15.0 + correction_h - 12.0)
    declination = 0.409 * sin(2.0 * pi * year_day / 365.0 - 1.39)
    latitude = radians(latitude_deg)
    return sin(latitude) * sin(declination) + cos(latitude) * cos(declination) * cos(angle)


class WeatherSource:
    """A weather at a place. `at(utc_s)` depends on kind, seed, place and time alone.

    Raises WeatherError for an unknown kind.
    """

    def __init__(
        self,
        kind: str = "spring_mixed",
        seed: int = 1,
        latitude_deg: float = 53.3,
        longitude_deg: float = -6.5,
        shift_k: float = 0.0,
    ) -> None:
        if kind not in KINDS:
            raise WeatherError(f'no weather is called "{kind}"; there are: {", ".join(KINDS)}')
        self.kind = KINDS[kind]
        self.seed = seed
        self.latitude_deg = latitude_deg
        self.longitude_deg = longitude_deg
        self.shift_k = shift_k
        rng = Random(f"{kind}/{seed}")
        self._fronts = tuple(
            (2.0 * pi / (days * DAY_S), rng.uniform(0.0, 2.0 * pi), share)
            for days, share in ((2.3, 0.25), (4.1, 0.45), (7.7, 0.5))
        )
        self._hour = -1
        self._minutes: tuple[Weather, ...] = ()

    def at(self, utc_s: float) -> Weather:
        """The house at `utc_s`, held for each minute."""
        minute = int(utc_s // 60)
        hour = minute // 60
        if hour != self._hour:
            self._minutes = self._make_hour(hour)
            self._hour = hour
        return self._minutes[minute - hour * 60]

    def _make_hour(self, hour: int) -> tuple[Weather, ...]:
        start_s = hour * 3600.0
        before, after = self._cloud(hour), self._cloud(hour + 1)
        this, following = self._outline(start_s), self._outline(start_s + 3600.0)
        passing = [*self._passing(hour), self._passing(hour + 1)[0]]
        kind = self.kind
        made = []
        for minute in range(60):
            share = minute / 60.0
            slot = minute / 10.0
            low = int(slot)
            cloud = passing[low] + (slot - low) * (passing[low + 1] - passing[low])
            clear = before + share * (after - before)
            utc_s = start_s + 60.0 * minute
            sun = self._sun(utc_s, clear + 0.45 * kind.broken * cloud)
            # The house is slow: it follows the hour's light, not every cloud.
            house_c = this[0] + share * (following[0] - this[0])
            house_c += kind.sun_k * self._sun(utc_s, clear) / 100.0
            house_kpa = this[1] + share * (following[1] - this[1])
            made.append(Weather(house_c, min(house_kpa, 0.97 * saturation_kpa(house_c)), sun))
        return tuple(made)

    def _sun(self, utc_s: float, sky: float) -> float:
        """Light at the bench, W/m2. sky: its clearness; what is left of it is kept to 0.08..1."""
        height = sun_sine(utc_s, self.latitude_deg, self.longitude_deg)
        if height <= 0.0 or self.kind.sky == 0.0:
            return 0.0
        haze = exp(-0.04 / max(height, 0.02))  # a low sun shines through more air; plausible
        return (
            SOLAR_CONSTANT_W_M2
            * height
            * 0.75
            * haze
            * self.kind.through
            * min(1.0, max(0.08, sky))
        )

    def _passing(self, hour: int) -> list[float]:
        """Passing cloud at each ten minutes of an hour, -1..1."""
        rng = Random(f"{self.seed}/passing/{hour}")
        return [rng.uniform(-1.0, 1.0) for _ in range(6)]

    def _cloud(self, hour: int) -> float:
        """Clearness of the sky at the start of an hour, 0..1, day by day and hour by hour."""
        kind = self.kind
        day = Random(f"{self.seed}/day/{hour // 24}").gauss(0.0, 0.5 * kind.broken)
        return kind.sky + 0.6 * day + Random(f"{self.seed}/hour/{hour}").gauss(0.0, 0.15)

    def _outline(self, utc_s: float) -> tuple[float, float]:
        """House temperature without sun, and vapour pressure, at the start of an hour."""
        kind = self.kind
        solar_h = (utc_s / 3600.0 + self.longitude_deg / 15.0) % 24.0
        wave = -kind.swing_k * cos(2.0 * pi * (solar_h - 4.0) / 24.0)
        front = sum(share * sin(rate * utc_s + phase) for rate, phase, share in self._fronts)
        house_c = kind.mean_c + self.shift_k + wave + kind.front_k * front
        mean_c = kind.mean_c + self.shift_k + kind.front_k * front
        rng = Random(f"{self.seed}/damp/{int(utc_s // 3600) // 6}")
        rh_pct = kind.rh_pct + (rng.gauss(0.0, 4.0) if kind.swing_k else 0.0)
        return house_c, saturation_kpa(mean_c) * min(98.0, max(25.0, rh_pct)) / 100.0
