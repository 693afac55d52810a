"""Warmth of the base: degree-hours in exact whole numbers, live or made again from the journal.

Warmth is the integral over time of min(max(T, floor), cap) - floor, by the trapezoid rule over the
minute means: degree-days with a horizontal upper cut-off (method pages of UC IPM, University of
California Statewide IPM Program), counted by the minute. Nothing is added across a gap longer than
MAX_GAP_S, nor from or to a minute without a usable reading.
"""

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.recipes import Recipe
from controller.records import MinuteRow, Warmth
from controller.scaled import milli, minute_milli

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Series = tuple[Ints, Ints, Ints]
"""Minutes of one probe: UTC seconds, means in thousandths, usable samples; each (n,)."""

MAX_GAP_S: Final = 600
BANDS: Final = ("harmful cold", "slow", "good", "too warm", "harmful hot")
GOOD: Final = 2


class Bounds(NamedTuple):
    """What of a recipe the sum needs, milli degC.

    A minute's base is in harmful cold at or below `cold`, slow below `slow`, harmful hot at or
    above `harm`, too warm above `hot`, else good.
    """

    floor: int
    cap: int
    cold: int
    slow: int
    hot: int
    harm: int

    @classmethod
    def of(cls, recipe: Recipe) -> "Bounds":
        return cls(
            milli(recipe.warmth_floor_c),
            milli(recipe.warmth_cap_c),
            milli(recipe.harmful_low_c),
            milli(recipe.slow_below_c),
            milli(recipe.hot_above_c),
            milli(recipe.harmful_high_c),
        )


def middle(values: Sequence[int]) -> int:
    """Median of whole numbers; of an even count, the mean of the middle two, rounded down.

    Raises IndexError for no values.
    """
    ranked = sorted(values)
    count = len(ranked)
    return (ranked[(count - 1) >> 1] + ranked[count >> 1]) >> 1


def bay_minute(rows: Iterable[MinuteRow]) -> int | None:
    """Base of a bay in one minute, milli degC: median of its probes' means; None without any."""
    means = [minute_milli(row)[0] for row in rows if row.n]
    return middle(means) if means else None


def bay_base(series: Sequence[Series]) -> tuple[Ints, Ints, Bools]:
    """Base of a bay, minute by minute: (t_s, base milli degC, usable), each (n,), in order of time.

    series: one per base probe.  A minute is there when any probe has a row for it, and usable when
    any probe has samples in it; the base of an unusable one is 0.
    """
    kept = [one for one in series if len(one[0])]
    if not kept:
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing, np.zeros(0, dtype=bool)
    if len(kept) == 1:
        t_s, means, n = kept[0]
        return t_s, np.where(n > 0, means, 0), n > 0
    t_s = np.unique(np.concatenate([one[0] for one in kept]))
    absent = np.iinfo(np.int64).max
    table = np.full((len(kept), len(t_s)), absent, dtype=np.int64)
    for row, (times, means, n) in zip(table, kept, strict=True):
        good = n > 0
        row[np.searchsorted(t_s, times[good])] = means[good]
    table.sort(axis=0)
    count = (table != absent).sum(axis=0)
    usable = count > 0
    column = np.arange(len(t_s))
    low = table[np.maximum(count - 1, 0) >> 1, column]
    high = table[np.minimum(count >> 1, len(kept) - 1), column]
    base = np.where(usable, low, 0) + np.where(usable, high, 0)
    return t_s, base >> 1, usable


def joined(t_s: Ints, usable: Bools, max_gap_s: int = MAX_GAP_S) -> Ints:
    """Seconds from each minute to the next, (n - 1,); 0 across a gap or an unusable minute."""
    dt_s = np.diff(t_s)
    counts = usable[:-1] & usable[1:] & (dt_s > 0) & (dt_s <= max_gap_s)
    return np.where(counts, dt_s, 0)


def clipped_sum2(dt_s: Ints, values: Ints, floor: int, cap: int) -> int:
    """Twice the trapezoid sum of min(max(values, floor), cap) - floor, in units of values x s.

    dt_s: (n - 1,) seconds that count between neighbours.  values: (n,), whole numbers.
    """
    gained = np.clip(values, floor, cap) - floor
    return int(((gained[:-1] + gained[1:]) * dt_s).sum())


def bands_of(base_mc: Ints, bounds: Bounds) -> Ints:
    """Band of each value, 0..4, as in BANDS."""
    band = np.full(len(base_mc), GOOD, dtype=np.int64)
    band[base_mc < bounds.slow] = 1
    band[base_mc > bounds.hot] = 3
    band[base_mc >= bounds.harm] = 4
    band[base_mc <= bounds.cold] = 0
    return band


def warmth_of(
    t_s: Ints,
    base_mc: Ints,
    usable: Bools,
    recipe: Recipe,
    stuck_s: float,
    max_gap_s: int = MAX_GAP_S,
) -> Warmth:
    """Warmth from a bay's minutes, as `bay_base` gives them; minutes before sticking are left out.

    t_s: UTC s.  base_mc: milli degC.  The stretch from one minute to the next counts for the band
    of the first.
    """
    inside = t_s >= stuck_s
    t_s, base_mc, usable = t_s[inside], base_mc[inside], usable[inside]
    if not len(t_s):
        return Warmth()
    bounds = Bounds.of(recipe)
    dt_s = joined(t_s, usable, max_gap_s)
    bands = np.bincount(bands_of(base_mc[:-1], bounds), weights=dt_s, minlength=5)
    known = base_mc[usable]
    return Warmth(
        clipped_sum2(dt_s, base_mc, bounds.floor, bounds.cap),
        int(dt_s.sum()),
        int(t_s[-1] - int(stuck_s)),
        (int(bands[0]), int(bands[1]), int(bands[2]), int(bands[3]), int(bands[4])),
        int(known.min()) if len(known) else None,
        int(known.max()) if len(known) else None,
    )


class LiveWarmth:
    """The same sum, one minute at a time; equal to `warmth_of` over the same minutes.

    Minutes that are not later than the last are left out (the wall clock was set back).
    """

    __slots__ = (
        "_bands", "_bounds", "_covered_s", "_gained", "_high", "_last_mc", "_last_s", "_low",
        "_stuck_s", "_sum2",
    )  # fmt: skip

    def __init__(self, recipe: Recipe, stuck_s: float) -> None:
        self._bounds = Bounds.of(recipe)
        self._stuck_s = stuck_s
        self._sum2 = 0
        self._covered_s = 0
        self._bands = [0, 0, 0, 0, 0]
        self._low: int | None = None
        self._high: int | None = None
        self._last_s: int | None = None
        self._last_mc: int | None = None
        self._gained = 0

    @classmethod
    def resumed(
        cls, t_s: Ints, base_mc: Ints, usable: Bools, recipe: Recipe, stuck_s: float
    ) -> "LiveWarmth":
        """Taken up after the minutes so far, as `bay_base` gives them."""
        live = cls(recipe, stuck_s)
        warmth = warmth_of(t_s, base_mc, usable, recipe, stuck_s)
        live._sum2, live._covered_s = warmth.sum2_mk_s, warmth.covered_s
        live._bands = list(warmth.bands_s)
        live._low, live._high = warmth.worst_low_mc, warmth.worst_high_mc
        if len(t_s) and t_s[-1] >= stuck_s:
            live._take(int(t_s[-1]), int(base_mc[-1]) if usable[-1] else None)
        return live

    def _take(self, t_s: int, base_mc: int | None) -> None:
        self._last_s, self._last_mc = t_s, base_mc
        if base_mc is not None:
            bounds = self._bounds
            self._gained = min(max(base_mc, bounds.floor), bounds.cap) - bounds.floor

    def add(self, t_s: int, base_mc: int | None) -> None:
        """Add the minute that began at `t_s` (UTC s); base_mc None when nothing was usable."""
        last_s, last_mc, gained = self._last_s, self._last_mc, self._gained
        if t_s < self._stuck_s or (last_s is not None and t_s <= last_s):
            return
        self._take(t_s, base_mc)
        if base_mc is None:
            return
        if self._low is None or base_mc < self._low:
            self._low = base_mc
        if self._high is None or base_mc > self._high:
            self._high = base_mc
        if last_s is None or last_mc is None:
            return
        dt_s = t_s - last_s
        if dt_s <= MAX_GAP_S:
            self._sum2 += (gained + self._gained) * dt_s
            self._covered_s += dt_s
            self._bands[self._band(last_mc)] += dt_s

    def _band(self, base_mc: int) -> int:
        bounds = self._bounds
        if base_mc <= bounds.cold:
            return 0
        if base_mc >= bounds.harm:
            return 4
        if base_mc > bounds.hot:
            return 3
        return 1 if base_mc < bounds.slow else GOOD

    def warmth(self) -> Warmth:
        """The sum so far."""
        cold, slow, good, warm, hot = self._bands
        span_s = 0 if self._last_s is None else self._last_s - int(self._stuck_s)
        bands = (cold, slow, good, warm, hot)
        return Warmth(self._sum2, self._covered_s, span_s, bands, self._low, self._high)
