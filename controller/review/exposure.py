"""What a batch was exposed to while it could still fail: the figures that causes are judged by.

Everything is looked at from sticking to the first step of weaning, or to the end of the batch when
it never got so far: what happens to rooted cuttings does not explain why others did not root.
"""

from dataclasses import dataclass
from math import acos, cos, pi, radians, sin, tan
from typing import Final

import numpy as np

from config.recipes import Recipe
from controller.review.summary import Climate, Hole, vpd_kpa
from controller.review.warmth import Bools, Bounds, Ints, bands_of, joined

Series = tuple[Ints, Ints, Bools]

DAMP_KPA: Final = 0.1
DAMP_H: Final = 20.0
"""A day on which VPD stayed below DAMP_KPA for more than DAMP_H hours is one without a drying;
common practice, no source."""
DRY_LEAST_KPA: Final = 0.5
"""Dryness is counted from the phase's highest wanted VPD, and from here where that is lower: as the
dry-air alarm counts it."""
MOL_PER_J: Final = 2.02e-6
"""mol of photosynthetic light per joule of daylight: 4.57 umol/J for sun and sky within 400-700 nm
(Thimijan and Heins 1983, HortScience 18: 818-822, from memory), and 0.442 of daylight's energy
lying there (from memory)."""
SKY_SHARE: Final = 0.4 * 0.5
"""Share of the sunshine above the air that reaches a bench under a usual winter sky: FAO-56 Eq. 35
with its a 0.25, b 0.50 and sun for 30 % of the day; then half for glass and frame. The last two are
own choices."""
DAY_S: Final = 86400


@dataclass(frozen=True, slots=True)
class Exposure:
    """Figures from sticking to weaning. Shares are 0..1 of the hours known; None: not known.

    days: span looked at.  known_share: of it, with a base on record.  cold_share: base below the
    recipe's slow limit.  cold_run_h: longest run at or below harmful cold.  hot_h, harmful_hot_h:
    above the hot limit, at or above the harmful one.  top_hot_h: air above its limit.
    dry_day_kpa_h: VPD beyond the phase's band summed over the driest 24 h.  damp_days: most days on
    end without a drying, from callus on.  light_mol: mean daily light, mol/m2.  sky_mol: the same
    as date and latitude let expect it under glass.  gap_h: longest stretch without record before it
    went on.  gap_fall_k: most that the base had fallen across one.
    """

    days: float
    known_share: float
    cold_share: float | None
    cold_run_h: float | None
    hot_h: float | None
    harmful_hot_h: float | None
    top_hot_h: float | None
    dry_day_kpa_h: float | None
    damp_days: int | None
    light_mol: float | None
    sky_mol: float
    gap_h: float
    gap_fall_k: float


def exposure_of(
    climate: Climate,
    light: Series,
    recipe: Recipe,
    *,
    from_s: float,
    until_s: float,
    limits: list[tuple[float, float]],
    callus_s: float | None,
    gaps: tuple[Hole, ...],
    latitude_deg: float,
) -> Exposure:
    """Put the figures together.

    light: minutes of a light probe in thousandths of W/m2, as `Climate` has them; may be empty.
    from_s, until_s: UTC s, the span looked at.  limits: (since UTC s, highest wanted VPD), as for
    `summary.dry_hours`.  callus_s: since when leaves should dry once a day; None: never yet.
    """
    base, top, rh, sun = (
        _within(one, from_s, until_s) for one in (climate.base, climate.top, climate.rh, light)
    )
    bounds = Bounds.of(recipe)
    span_s = max(until_s - from_s, 60.0)
    dt_s = joined(base[0], base[2])
    known_s = int(dt_s.sum())
    cold_share = cold_run_h = hot_h = harmful_hot_h = None
    if known_s:
        values = base[1][:-1]
        cold_share = float(dt_s[values < bounds.slow].sum() / known_s)
        cold_run_h = _longest_s(dt_s, bands_of(values, bounds) == 0) / 3600
        hot_h = float(dt_s[values > bounds.hot].sum()) / 3600
        harmful_hot_h = float(dt_s[values >= bounds.harm].sum()) / 3600
    air_s = joined(top[0], top[2])
    warm_top = air_s[top[1][:-1] > round(recipe.top_hot_c * 1000)] if len(top[0]) > 1 else air_s
    dry, damp = _moisture(top, rh, limits, callus_s)
    gap_h, fall_k = _gaps(base, from_s, until_s, gaps)
    return Exposure(
        days=span_s / DAY_S,
        known_share=min(1.0, known_s / span_s),
        cold_share=cold_share,
        cold_run_h=cold_run_h,
        hot_h=hot_h,
        harmful_hot_h=harmful_hot_h,
        top_hot_h=float(warm_top.sum()) / 3600 if air_s.sum() else None,
        dry_day_kpa_h=dry,
        damp_days=damp,
        light_mol=_light(sun),
        sky_mol=sky_mj((from_s + until_s) / 2, latitude_deg) * 1e6 * MOL_PER_J * SKY_SHARE,
        gap_h=gap_h,
        gap_fall_k=fall_k,
    )


def sky_mj(utc_s: float, latitude_deg: float) -> float:
    """Sunshine above the air on a date, MJ/m2 a day: FAO Irrigation and Drainage Paper 56, Eq. 21
    and 23-25."""
    angle = 2.0 * pi * ((utc_s / DAY_S + 0.25) % 365.2425 + 1.0) / 365.0
    declination = 0.409 * sin(angle - 1.39)
    latitude = radians(max(-66.0, min(66.0, latitude_deg)))
    sunset = acos(max(-1.0, min(1.0, -tan(latitude) * tan(declination))))
    high = sunset * sin(latitude) * sin(declination)
    level = cos(latitude) * cos(declination) * sin(sunset)
    return 1440.0 / pi * 0.0820 * (1.0 + 0.033 * cos(angle)) * (high + level)


def _within(one: Series, from_s: float, until_s: float) -> Series:
    start, end = np.searchsorted(one[0], [from_s, until_s])
    return one[0][start:end], one[1][start:end], one[2][start:end]


def _longest_s(dt_s: Ints, inside: Bools) -> float:
    """Longest run of seconds that are all inside; a gap ends a run."""
    inside = inside & (dt_s > 0)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    total = np.concatenate(([0], np.cumsum(dt_s)))
    return float(max((total[end] - total[start] for start, end in edges.reshape(-1, 2)), default=0))


def _moisture(
    top: Series, rh: Series, limits: list[tuple[float, float]], callus_s: float | None
) -> tuple[float | None, int | None]:
    """(dryness of the driest 24 h in kPa h, most days on end without a drying)."""
    t_s, here, there = np.intersect1d(
        top[0][top[2]], rh[0][rh[2]], assume_unique=True, return_indices=True
    )
    if len(t_s) < 2 or not limits:
        return None, None
    vpd = vpd_kpa(top[1][top[2]][here] / 1000, rh[1][rh[2]][there] / 1000)
    dt_s = joined(t_s, np.ones(len(t_s), dtype=bool))
    starts = np.array([start for start, _ in limits])
    highest = np.array([max(DRY_LEAST_KPA, value) for _, value in limits])
    which = np.clip(np.searchsorted(starts, t_s, side="right") - 1, 0, len(limits) - 1)
    beyond = np.maximum(0.0, vpd - highest[which])[:-1] * dt_s / 3600
    total = np.concatenate(([0.0], np.cumsum(beyond)))
    day_later = np.minimum(np.searchsorted(t_s, t_s + DAY_S), len(t_s) - 1)
    dry = float((total[day_later] - total).max())
    if callus_s is None:
        return dry, None
    day = (t_s[:-1] - int(callus_s)) // DAY_S
    least = max(0, int(day[-1]) + 1)
    damp_s = np.bincount(
        day[(day >= 0) & (vpd[:-1] < DAMP_KPA)],
        weights=dt_s[(day >= 0) & (vpd[:-1] < DAMP_KPA)],
        minlength=least,
    )
    run = longest = 0
    for seconds in damp_s:
        run = run + 1 if seconds > DAMP_H * 3600 else 0
        longest = max(longest, run)
    return dry, longest


def _light(sun: Series) -> float | None:
    """Mean daily light, mol/m2, from the days known for at least four fifths."""
    if len(sun[0]) < 2:
        return None
    dt_s = joined(sun[0], sun[2])
    known_s = int(dt_s.sum())
    if known_s < 0.8 * max(DAY_S, int(sun[0][-1] - sun[0][0])):
        return None
    joules = float((np.maximum(0, sun[1][:-1]) / 1000 * dt_s).sum())
    return joules * MOL_PER_J / (known_s / DAY_S)


def _gaps(
    base: Series, from_s: float, until_s: float, gaps: tuple[Hole, ...]
) -> tuple[float, float]:
    """(longest stretch without record in hours, most that the base fell across one in kelvin).

    Where the record never went on again there is no end to judge by: that is want of data, no gap.
    """
    longest = fall_k = 0.0
    t_s, values = base[0][base[2]], base[1][base[2]]
    for gap in gaps:
        start, end = max(gap.from_s, from_s), min(gap.to_s, until_s)
        if end <= start or gap.to_s >= until_s:
            continue
        longest = max(longest, (end - start) / 3600)
        before = np.searchsorted(t_s, start, side="right") - 1
        after = np.searchsorted(t_s, end)
        if before >= 0 and after < len(t_s):
            fall_k = max(fall_k, float(values[before] - values[after]) / 1000)
    return longest, fall_k
