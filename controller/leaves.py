"""What leaves went through, worked out from a batch's minutes: nobody measured it.

The deficit, the water on the leaves and their strain are not kept in the journal; the decisions
held them from tick to tick. Here they are worked out again, minute by minute, with the very
functions of the decisions, from air, humidity, light (or the height of the sun) and mist.
"""

from collections.abc import Sequence
from math import isnan, nan
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.model import Site
from config.recipes import Recipe
from controller.decide.aims import DRY_LEAST_KPA
from controller.decide.leaf import (
    FILM_USUAL_KPA_MIN_S,
    climate_known,
    film_after_burst,
    film_kpa_min_s,
    leaf_deficit_kpa,
)
from controller.decide.schedule import Sky, sun_height_deg
from controller.decide.state import MistState
from controller.decide.strain import strained
from controller.gather import Series, Stay, climate_of, light_of, mist_of
from controller.journal.reader import Reader
from sensors.readings import BenchView

Floats = NDArray[np.float64]

SUN_EVERY_S: Final = 600
FORGET_S: Final = 3600.0
"""After an unknown stretch of this length the leaves are taken to be dry and unstrained."""
UNROOTED: Final = ("stick", "callus", "root")


class Leaves(NamedTuple):
    """Minutes at which air and humidity are known; every array (n,).

    t_s: UTC s.  deficit_kpa: leaf to air.  film_kpa_min: water on the leaves, as the dryness that
    takes it away.  strain_kpa_min: dryness beyond what the phase bears, NaN once rooted.
    light_measured: by a light probe; else sunshine is guessed from the height of the sun.
    """

    t_s: Floats
    deficit_kpa: Floats
    film_kpa_min: Floats
    strain_kpa_min: Floats
    light_measured: bool


def leaves_of(
    reader: Reader, site: Site, recipe: Recipe, stood: Sequence[Stay],
    lived: Sequence[tuple[float, str]],
) -> Leaves:  # fmt: skip
    """The leaves of a batch over its stays, `lived` as gather.lived_phases. Raises JournalError."""
    climate = climate_of(reader, stood)
    t_s, air_c, rh_pct = _both(climate.top, climate.rh)
    light = _at(t_s, light_of(reader, stood))
    mist_ms = _mist(t_s, *mist_of(reader, stood))
    per_s = np.array([_per_s(site, place) for place, _, _ in stood] or [1.0])
    bench = np.searchsorted([since_s for _, since_s, _ in stood[1:]], t_s, "right")
    info = site.site
    coarse = np.arange(t_s[0], t_s[-1] + SUN_EVERY_S, SUN_EVERY_S) if len(t_s) else t_s
    heights = [sun_height_deg(info.latitude_deg, info.longitude_deg, at) for at in coarse]
    sun = np.interp(t_s, coarse, heights) if len(t_s) else t_s
    bands = [_band(recipe, phase) for _, phase in lived]
    since = np.searchsorted([since_s for since_s, _ in lived[1:]], t_s, "right")

    made = np.full((3, len(t_s)), nan)
    view = BenchView(nan, nan, nan, nan, nan, nan, nan, {}, ())
    sky = Sky(0.0, True, 0, 0.0, nan, nan, 0.0, True)
    film = strain = 0.0
    last_s = -FORGET_S
    for i, at_s in enumerate(t_s):
        dt_s = at_s - last_s
        last_s = at_s
        if dt_s >= FORGET_S:
            film = strain = 0.0
            dt_s = 60.0
        view = view._replace(top_c=air_c[i], rh_pct=rh_pct[i], light=light[i])
        if not climate_known(view):
            continue
        sky = sky._replace(sun_height_deg=sun[i])
        deficit_kpa = leaf_deficit_kpa(view, sky)
        if mist_ms[i]:
            film = film_after_burst(film, mist_ms[i] / 1000, per_s[bench[i]])
        held = MistState(film_kpa_min=film)
        band = bands[since[i]]
        strain = 0.0 if isnan(band) else strained(strain, band, held, view, sky, dt_s)
        film = max(0.0, film - deficit_kpa * dt_s / 60)
        made[:, i] = deficit_kpa, film, nan if isnan(band) else strain
    return Leaves(t_s, made[0], made[1], made[2], bool(np.isfinite(light).any()))


def _both(top: Series, rh: Series) -> tuple[Floats, Floats, Floats]:
    """Minutes in which both are usable, in degC and %."""
    t_s, here, there = np.intersect1d(
        top[0][top[2]], rh[0][rh[2]], assume_unique=True, return_indices=True
    )
    air_c, rh_pct = top[1][top[2]][here] / 1000, rh[1][rh[2]][there] / 1000
    return t_s.astype(np.float64), air_c, rh_pct


def _at(t_s: Floats, series: Series) -> Floats:
    """The series in its unit at these minutes; NaN where it has none."""
    known_s = series[0][series[2]]
    found = np.full(len(t_s), nan)
    inside = np.isin(t_s, known_s)
    found[inside] = series[1][series[2]][np.searchsorted(known_s, t_s[inside])] / 1000
    return found


def _mist(t_s: Floats, row_s: NDArray[np.int64], on_ms: NDArray[np.int64]) -> Floats:
    """Milliseconds of mist in each of these minutes."""
    found = np.zeros(len(t_s))
    place = np.searchsorted(t_s, row_s)
    near = place < len(t_s)
    near[near] = t_s[place[near]] - row_s[near] < 60.0
    np.add.at(found, place[near], on_ms[near])
    return found


def _per_s(site: Site, place: str) -> float:
    """What a second of mist leaves on the leaves there, kPa min."""
    bench = site.benches.get(place.split(".", 1)[0])
    if bench is None or bench.mister is None:
        return FILM_USUAL_KPA_MIN_S
    return film_kpa_min_s(bench.mister.flow_ml_per_s, bench.mister.area_m2)


def _band(recipe: Recipe, phase: str) -> float:
    """Deficit that leaves bear without end in a phase, kPa; NaN once there are roots."""
    if phase not in UNROOTED:
        return nan
    return max(DRY_LEAST_KPA, recipe.phase(phase).vpd_high_kpa)
