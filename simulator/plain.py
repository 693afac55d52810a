"""A bay's climate in one sweep, for when thousands of days are wanted: three equations, no control.

It is not the bench of `bench.py`, and no part of Warmfoot keeps it. The base is one store of heat
over the house, with an ideal thermostat and a mat of limited power; the air under the cover lies
between house and base, warmed by sun; its vapour lies between the house's and saturation by how wet
leaves and mix are. House weather and light are those of `weather.py`. Time constant of the base:
5.5 h, for 60 mm of wet mix over open air, by its heat capacity; the other figures are invented,
plausible.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.weather import WeatherSource

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP_S: Final = 600
DAY_S: Final = 86400
PER_DAY: Final = DAY_S // STEP_S
LONGEST_DAYS: Final = 60
BASE_S: Final = 5.5 * 3600
SUN_BASE_K: Final = 0.012
"""Lift of the base per W/m2 at the bench."""
SUN_AIR_K: Final = 0.020
WELDED_K: Final = 24.0
"""Lift of a mat that is on without end."""


class Trouble(NamedTuple):
    """Something that goes wrong. kind: see `KINDS`.  from_day, until_day: since the start.

    size: of a weak mat, the share that is left; of light, the share that gets through.
    """

    kind: str
    from_day: float
    until_day: float
    size: float = 0.0


KINDS: Final = (
    "mat",          # gives `size` of its heat
    "mat_night",    # the same, by night alone
    "welded",       # on without end
    "no_mist",      # the nozzles pass nothing
    "dry_day",      # cover open, and nothing wets the leaves from 10 to 18 solar time
    "leak",         # leaves stay wet without end
    "power",        # no heat, no mist, no record
    "record",       # no record; the bench is kept all the same
    "shade",        # `size` of the light gets through
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlainClimate:
    """Ten-minute steps, (n,) each. wet_share 0..1; deficit_kpa: leaf to air; seen: on record."""

    t_s: NDArray[np.int64]
    base_c: Floats
    top_c: Floats
    rh_pct: Floats
    light_w_m2: Floats
    wet_share: Floats
    deficit_kpa: Floats
    seen: Bools


@lru_cache(maxsize=256)
def outside(
    kind: str, seed: int, from_s: int, latitude_deg: float, shift_k: float
) -> tuple[Floats, Floats, Floats]:
    """(house degC, vapour kPa, light W/m2 at the bench) of each step of `LONGEST_DAYS`."""
    source = WeatherSource(kind, seed, latitude_deg, shift_k=shift_k)
    table = np.array([source.at(from_s + STEP_S * i) for i in range(LONGEST_DAYS * PER_DAY)])
    return table[:, 0], table[:, 1], table[:, 2]


def saturated(temp_c: Floats) -> Floats:
    """Saturation vapour pressure, kPa: FAO-56 Eq. 11."""
    pressure: Floats = 0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3))
    return pressure


def plain_climate(
    weather: tuple[str, int, float],
    from_s: int,
    days: float,
    *,
    target_c: float,
    lift_k: float = 13.0,
    callus_day: float,
    root_day: float,
    troubles: tuple[Trouble, ...] = (),
    latitude_deg: float = 53.3,
) -> PlainClimate:
    """The climate of one bay.

    weather: kind, seed and shift in K of `WeatherSource`.  from_s: UTC s, when a batch is stuck.
    target_c: base wanted.  lift_k: base over air with the mat always on.  callus_day, root_day:
    from when mist is less, and less again.
    """
    kind, seed, shift_k = weather
    count = min(LONGEST_DAYS, ceil(days)) * PER_DAY
    house, vapour, light = (
        one[:count] for one in outside(kind, seed, from_s, latitude_deg, shift_k)
    )
    t_s = from_s + STEP_S * np.arange(count)
    day = np.arange(count) / PER_DAY
    hour = (t_s % DAY_S) / 3600.0
    night = (hour < 7.0) | (hour > 19.0)
    mat = np.ones(count)
    welded, leak, dry, seen = (np.zeros(count, dtype=bool) for _ in range(4))
    light = light.copy()
    mist = np.ones(count)
    for trouble in troubles:
        there = (day >= trouble.from_day) & (day < trouble.until_day)
        if trouble.kind in ("mat", "power"):
            mat[there] = trouble.size
        if trouble.kind == "mat_night":
            mat[there & night] = trouble.size
        if trouble.kind in ("no_mist", "power"):
            mist[there] = 0.0
        if trouble.kind == "dry_day":
            dry |= there & (hour >= 10.0) & (hour < 18.0)
        if trouble.kind in ("power", "record"):
            seen |= there
        if trouble.kind == "shade":
            light[there] *= trouble.size
        welded |= there & (trouble.kind == "welded")
        leak |= there & (trouble.kind == "leak")
    base = _base(house, light, target_c, lift_k * mat, welded)
    sun_k = np.where(dry, 2.5, 1.0) * SUN_AIR_K * light
    top = house + 0.2 * np.maximum(0.0, base - house) + sun_k
    wanted = np.where(day < callus_day, 0.85, np.where(day < root_day, 0.5, 0.25))
    wet = np.where(night, np.where(day < callus_day, 0.7, 0.05), wanted) * mist
    wet = np.where(leak, 1.0, np.where(dry, 0.0, wet))
    share = np.where(leak, 0.985, np.where(dry, 0.05, 0.45 + 0.5 * wet))
    full = saturated(top)
    pressure = np.minimum(vapour + share * np.maximum(0.0, full - vapour), full)
    leaf_c = top + 3.0 * light / 250.0
    return PlainClimate(
        t_s, base, top, 100.0 * pressure / full, light, wet,
        np.maximum(0.0, saturated(leaf_c) - pressure), ~seen,
    )  # fmt: skip


def _base(
    house: Floats, light: Floats, target_c: float, lift_k: Floats, welded: Bools
) -> Floats:  # fmt: skip
    share = STEP_S / BASE_S
    made = np.empty(len(house))
    free = house + SUN_BASE_K * light
    now = min(target_c, free[0] + lift_k[0])
    for i, rest in enumerate(free):
        if welded[i]:
            lift = WELDED_K
        else:
            lift = min(lift_k[i], max(0.0, target_c - rest + 4.0 * (target_c - now)))
        now += share * (rest + lift - now)
        made[i] = now
    return made
