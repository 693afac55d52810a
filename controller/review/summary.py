"""A batch's record in figures: climate, warmth, water, energy, gaps, worst spells."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from config.model import Tariff
from config.recipes import Recipe
from controller.records import Batch, Warmth
from controller.review.warmth import (
    BANDS,
    GOOD,
    Bools,
    Bounds,
    Ints,
    bands_of,
    clipped_sum2,
    joined,
    warmth_of,
)

Floats = NDArray[np.float64]

SPELL_LEAST_S: Final = 1800
"""Shorter spells outside the good band are not listed."""
SPELLS_MOST: Final = 5
J_PER_KWH: Final = 3_600_000.0


class Spell(NamedTuple):
    """A stretch outside the good band. kind: as in warmth.BANDS.  from_s, to_s: UTC s.

    worst_c: the base farthest out.  beyond_kh: degree-hours beyond the edge of the band.
    """

    kind: str
    from_s: int
    to_s: int
    worst_c: float
    beyond_kh: float


class Hole(NamedTuple):
    """A stretch without records, UTC s, and its cause as far as known."""

    from_s: float
    to_s: float
    cause: str


class Energy(NamedTuple):
    """Energy and its cost. price is per kWh, so cost = sum of kWh x price, interval by interval.

    priced: (price, kWh), cheapest first.
    """

    kwh: float
    cost: float | None
    currency: str
    on_s: float
    priced: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Climate:
    """Minutes while the batch stood there; arrays as warmth.bay_base gives them.

    base: (t_s, base milli degC, usable).  top: the same of the air.  rh: the same, milli %.
    """

    base: tuple[Ints, Ints, Bools]
    top: tuple[Ints, Ints, Bools]
    rh: tuple[Ints, Ints, Bools]


@dataclass(frozen=True, slots=True)
class BatchSummary:
    """All that a review says of a batch. Hours are of time measured; None means not known.

    until_s: UTC s up to which it looks.  known_share: 0..1 of the time since sticking for which
    warmth is known.  dry_h: hours with VPD above the phase's band, of dry_known_h hours measured.
    mean_difference_k: base minus top, where both are known.  bay_share: 0..1, this batch's share of
    the cuttings in its bay; heat is of the whole bay, batch_kwh and batch_cost are its share.
    free_kh: degree-hours gained in hours in which the mat was never on.
    """

    batch: Batch
    until_s: float
    warmth: Warmth
    known_share: float
    harmful_cold_h: float
    slow_h: float
    good_h: float
    warm_h: float
    harmful_hot_h: float
    mean_base_c: float | None
    mean_top_c: float | None
    mean_difference_k: float | None
    dry_h: float
    dry_known_h: float
    heat: Energy
    bay_share: float
    free_kh: float
    mist_s: float
    mist_bursts: int
    litres: float | None
    gaps: tuple[Hole, ...]
    spells: tuple[Spell, ...]

    @property
    def batch_kwh(self) -> float:
        return self.heat.kwh * self.bay_share

    @property
    def batch_cost(self) -> float | None:
        return None if self.heat.cost is None else self.heat.cost * self.bay_share


def energy(
    t_s: Ints, on_ms: Ints, power_w: float, tariff: Tariff | None, zone: ZoneInfo
) -> Energy:  # fmt: skip
    """Energy of a relay's load, and what it cost.

    t_s: (n,) UTC seconds at which each row began.  on_ms: (n,) milliseconds on.  power_w: of the
    load.  Each row is priced by the local time at which it began; the first window that fits
    counts, outside every window the tariff's own price.
    """
    joules = on_ms.sum() / 1000 * power_w
    on_s = int(on_ms.sum()) / 1000
    if tariff is None:
        return Energy(joules / J_PER_KWH, None, "", on_s)
    minute = local_minutes(t_s, zone)
    minutes, which = np.unique(minute, return_inverse=True)
    price = np.array([tariff.price_at(int(each)) for each in minutes])[which]
    priced = tuple(
        (float(each), int(on_ms[price == each].sum()) / 1000 * power_w / J_PER_KWH)
        for each in np.unique(price)
    )
    cost = sum(kwh * each for each, kwh in priced)
    return Energy(joules / J_PER_KWH, float(cost), tariff.currency, on_s, priced)


def local_minutes(t_s: Ints, zone: ZoneInfo) -> Ints:
    """Minute of the local day, 0..1439, of each UTC second; right on clock-change days."""
    quarters, which = np.unique(t_s // 900, return_inverse=True)
    offsets = np.array([_offset_s(int(q) * 900, zone) for q in quarters], dtype=np.int64)
    return (t_s + offsets[which]) % 86400 // 60 if len(t_s) else t_s


@lru_cache(maxsize=2**15)  # most of a year of quarters
def _offset_s(t_s: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(t_s, UTC).astimezone(zone).utcoffset()
    return int(offset.total_seconds()) if offset else 0


def vpd_kpa(temp_c: Floats, rh_pct: Floats) -> Floats:
    """VPD of the air, kPa, array by array. Source: FAO-56 (1998) Eq. 11, one temperature."""
    saturated = 0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3))
    missing: Floats = saturated * (1.0 - np.clip(rh_pct, 0.0, 100.0) / 100.0)
    return missing


def dry_hours(
    climate: Climate, limits: Sequence[tuple[float, float]], max_gap_s: int = 600
) -> tuple[float, float]:
    """(hours with VPD above the limit, hours for which VPD is known).

    limits: (from UTC s, highest wanted VPD kPa), in order of time, one per phase lived through.
    """
    t_s, top, rh = _both(climate.top, climate.rh)
    if len(t_s) < 2:
        return 0.0, 0.0
    dry = vpd_kpa(top / 1000, rh / 1000) > _limit_at(t_s, limits)
    dt_s = joined(t_s, np.ones(len(t_s), dtype=bool), max_gap_s)
    return float(dt_s[dry[:-1]].sum()) / 3600, float(dt_s.sum()) / 3600


def _limit_at(t_s: Ints, limits: Sequence[tuple[float, float]]) -> Floats:
    starts = np.array([start for start, _ in limits])
    values = np.array([value for _, value in limits])
    return values[np.clip(np.searchsorted(starts, t_s, side="right") - 1, 0, len(limits) - 1)]


def _both(
    one: tuple[Ints, Ints, Bools], other: tuple[Ints, Ints, Bools]
) -> tuple[Ints, Ints, Ints]:
    """Minutes in which both are usable: (t_s, one's values, other's values)."""
    t_s, here, there = np.intersect1d(
        one[0][one[2]], other[0][other[2]], assume_unique=True, return_indices=True
    )
    return t_s, one[1][one[2]][here], other[1][other[2]][there]


def spells(base: tuple[Ints, Ints, Bools], recipe: Recipe) -> tuple[Spell, ...]:
    """The worst stretches outside the good band, worst first, at most SPELLS_MOST.

    A spell ends at a gap. Worst is most degree-hours beyond the edge of the good band.
    """
    t_s, base_mc, usable = base
    if len(t_s) < 2:
        return ()
    bounds = Bounds.of(recipe)
    dt_s = joined(t_s, usable)
    band = bands_of(base_mc[:-1], bounds)
    side = np.where(dt_s > 0, np.sign(band - GOOD), 0)
    beyond = np.where(side < 0, bounds.slow - base_mc[:-1], base_mc[:-1] - bounds.hot) * dt_s
    edges = np.flatnonzero(np.diff(side)) + 1
    found = []
    for start, end in zip([0, *edges], [*edges, len(side)], strict=True):
        if side[start] == 0 or t_s[end] - t_s[start] < SPELL_LEAST_S:
            continue
        stretch = base_mc[start:end]
        cold = side[start] < 0
        worst = int(stretch.min() if cold else stretch.max())
        kind = BANDS[int(band[start:end].min() if cold else band[start:end].max())]
        sum_kh = float(beyond[start:end].sum()) / 3_600_000
        found.append(Spell(kind, int(t_s[start]), int(t_s[end]), worst / 1000, sum_kh))
    found.sort(key=lambda spell: -spell.beyond_kh)
    return tuple(found[:SPELLS_MOST])


def free_warmth_kh(
    base: tuple[Ints, Ints, Bools], mat_t_s: Ints, mat_on_ms: Ints, recipe: Recipe
) -> float:
    """Degree-hours gained in clock hours without any heat from the mat: sun, house, stored heat."""
    t_s, base_mc, usable = base
    if len(t_s) < 2:
        return 0.0
    bounds = Bounds.of(recipe)
    heated = np.unique(mat_t_s[mat_on_ms > 0] // 3600)
    dt_s = np.where(np.isin(t_s[:-1] // 3600, heated), 0, joined(t_s, usable))
    return clipped_sum2(dt_s, base_mc, bounds.floor, bounds.cap) / 2 / 1000 / 3600


def summarise(
    batch: Batch,
    recipe: Recipe,
    climate: Climate,
    *,
    until_s: float,
    mat: tuple[Ints, Ints],
    heat: Energy,
    bay_share: float,
    mist_on_ms: int,
    mist_bursts: int,
    flow_ml_per_s: float | None,
    limits: Sequence[tuple[float, float]],
    gaps: Sequence[Hole],
) -> BatchSummary:
    """Put a batch's figures together.

    until_s: UTC s, now or when it was closed.  mat: (t_s, on_ms) rows of the mats it stood on.
    mist_on_ms, mist_bursts: of its bench while it stood there.  limits: as for `dry_hours`.
    """
    warmth = warmth_of(*climate.base, recipe, batch.stuck_s)
    span_s = max(until_s - batch.stuck_s, 1.0)
    cold_h, slow_h, good_h, warm_h, hot_h = (seconds / 3600 for seconds in warmth.bands_s)
    _, base_mc, top_mc = _both(climate.base, climate.top)
    dry_h, dry_known_h = dry_hours(climate, limits)
    litres = None if flow_ml_per_s is None else mist_on_ms / 1e6 * flow_ml_per_s
    return BatchSummary(
        batch,
        until_s,
        warmth,
        min(1.0, warmth.covered_s / span_s),
        cold_h,
        slow_h,
        good_h,
        warm_h,
        hot_h,
        mean_base_c=_mean(climate.base[1][climate.base[2]]),
        mean_top_c=_mean(climate.top[1][climate.top[2]]),
        mean_difference_k=_mean(base_mc - top_mc),
        dry_h=dry_h,
        dry_known_h=dry_known_h,
        heat=heat,
        bay_share=bay_share,
        free_kh=free_warmth_kh(climate.base, *mat, recipe),
        mist_s=mist_on_ms / 1000,
        mist_bursts=mist_bursts,
        litres=litres,
        gaps=tuple(gaps),
        spells=spells(climate.base, recipe),
    )


def _mean(milli_values: Ints) -> float | None:
    return int(milli_values.sum()) / len(milli_values) / 1000 if len(milli_values) else None


def add_energy(parts: Sequence[Energy]) -> Energy:
    """The sum of several; the cost is unknown when any part's is."""
    costs = [part.cost for part in parts]
    cost = None if None in costs or not parts else sum(c for c in costs if c is not None)
    currency = next((part.currency for part in parts if part.currency), "")
    sums: dict[float, float] = {}
    for price, kwh in (each for part in parts for each in part.priced):
        sums[price] = sums.get(price, 0.0) + kwh
    return Energy(
        sum(part.kwh for part in parts),
        cost,
        currency,
        sum(part.on_s for part in parts),
        tuple(sorted(sums.items())),
    )


def phase_limits(
    recipe: Recipe, lived: Sequence[tuple[float, str]]
) -> list[tuple[float, float]]:  # fmt: skip
    """Limits for `dry_hours` from (UTC s since when, phase name), in order of time."""
    high: Mapping[str, float] = {phase.name: phase.vpd_high_kpa for phase in recipe.phases}
    return [(since_s, high[name]) for since_s, name in lived if name in high]
