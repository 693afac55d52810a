"""A batch's history as outlook and comparison see it: its tests, its result, the warmth it got."""

from collections.abc import Sequence
from math import inf
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.recipes import Recipe
from controller.entries import left, number_of
from controller.records import Batch, Entry, EntryKind
from controller.review.warmth import Bools, Bounds, Ints, bands_of

Floats = NDArray[np.float64]

DAY_S: Final = 86400.0
HALF: Final = 0.5
"""A batch counts as rooted when half of those tested have roots; common practice, no source."""
TESTED_LEAST: Final = 3
"""A test of fewer tells too little to call a batch rooted; own choice."""
HELD_S: Final = 2 * 3600
"""A sample of the base stands for the time to the next, up to here; a longer gap is not known."""
LATELY_DAYS: Final = 7.0


HALF_ROOTED: Final = "half_rooted"
"""Key of an entry "looked" that says, yes or no, whether half had roots."""


class Look(NamedTuple):
    """One count of roots. at_s: UTC s.  tested, rooted: cuttings; at closing all that live.

    said: whether half had roots, where the grower noted that and no count; None for a count.
    """

    at_s: float
    tested: int
    rooted: int
    said: bool | None = None

    @property
    def half(self) -> bool:
        if self.said is not None:
            return self.said
        return self.rooted >= HALF * self.tested and self.rooted > 0


class Got(NamedTuple):
    """What the base gave a batch, from samples. None: nothing on record.

    known_share: 0..1 of the time.  pace: warmth beside that of the recipe's target held all the
    time, 1 for equal.  cold_h, hot_h: below the slow limit, above the hot one.
    """

    known_share: float
    mean_base_c: float | None
    pace: float | None
    warmth_kh_day: float | None
    cold_h: float
    hot_h: float


class WarmClock(NamedTuple):
    """Days since sticking against warm days: days that the target held would have taken.

    days, warm: (n,) both rising from 0.  lately: warm days a day of the last week on record, or of
    all there is; None while less than a day is known.
    """

    days: Floats
    warm: Floats
    lately: float | None

    def warm_at(self, days: float, ahead: float = 1.0) -> float:
        """Warm days at `days` since sticking; beyond the record at `ahead` warm days a day."""
        last = float(self.days[-1])
        inside = float(np.interp(days, self.days, self.warm))
        return inside + max(0.0, days - last) * ahead

    def days_at(self, warm: float, ahead: float = 1.0) -> float:
        """Days since sticking at which so many warm days are full; inverse of `warm_at`."""
        last = float(self.warm[-1])
        inside = float(np.interp(warm, self.warm, self.days))
        return inside + max(0.0, warm - last) / ahead


class History(NamedTuple):
    """One batch. place: bay it stood in longest.  until_s: UTC s, its closing or now.

    rooted: at closing; None while it is open.  looks: oldest first, closing included.
    potted: cuttings potted on.
    """

    batch: Batch
    recipe: Recipe
    place: str
    until_s: float
    rooted: int | None
    looks: tuple[Look, ...]
    clock: WarmClock
    got: Got
    potted: int = 0

    @property
    def number(self) -> int:
        return self.batch.number

    def rooting(self, at_s: float = inf) -> tuple[float, float] | None:
        """(after, by) UTC s between which half had roots, as known at `at_s`; by is inf: not yet.

        None for a batch closed without: it never came so far.
        """
        return rooting(self.batch.stuck_s, self.looks, self.closed_by(at_s), at_s)

    @property
    def dated(self) -> bool:
        """Whether more than its closing tells when it rooted, or that it did not."""
        return not self.batch.from_notebook or any(look.said is not None for look in self.looks)

    def closed_by(self, at_s: float) -> bool:
        closed_s = self.batch.closed_s
        return closed_s is not None and closed_s <= at_s

    def days(self, utc_s: float) -> float:
        return (utc_s - self.batch.stuck_s) / DAY_S


def is_like(one: History, other: History) -> int:
    """2: the same plant and kind; 1: another plant under the same plant's recipe; 0: unlike."""
    if one.batch.kind != other.batch.kind or one.number == other.number:
        return 0
    if one.batch.plant.strip().lower() == other.batch.plant.strip().lower():
        return 2
    return int(one.recipe.plant is not None and one.recipe.name == other.recipe.name)


def looks_of(batch: Batch, entries: Sequence[Entry]) -> tuple[Look, ...]:
    """Tests, and the count at closing as one of all that live. entries: those that stand."""
    found = []
    for entry in entries:
        tested = number_of(entry.values, "tested")
        said = entry.values.get(HALF_ROOTED)
        if entry.kind == EntryKind.LOOKED and said in ("yes", "no"):
            found.append(Look(entry.at_s, 0, 0, said == "yes"))
            continue
        if entry.kind == EntryKind.CLOSED:
            tested = left(batch, entries)
        elif entry.kind != EntryKind.TESTED:
            continue
        if tested > 0:
            rooted = min(tested, number_of(entry.values, "rooted"))
            found.append(Look(entry.at_s, tested, rooted))
    return tuple(found)


def rooting(
    stuck_s: float, looks: Sequence[Look], closed: bool, at_s: float = inf
) -> tuple[float, float] | None:  # fmt: skip
    """As `History.rooting`. The first test in which half had roots counts, whatever later ones say.

    It lies between that test and the one before; a test of fewer than TESTED_LEAST says nothing.
    """
    after = stuck_s
    for look in looks:
        if look.at_s > at_s or (look.said is None and look.tested < TESTED_LEAST):
            continue
        if look.half and look.at_s > after:
            return after, look.at_s
        after = max(after, look.at_s)
    return None if closed else (after, inf)


def warm_clock(
    t_s: Ints, base_mc: Ints, usable: Bools, recipe: Recipe, stuck_s: float, until_s: float
) -> WarmClock:
    """The clock of a batch from samples of its base.

    t_s: UTC s.  base_mc: milli degC.  Warm days are the warmth sum over that of the target held,
    so a base at its target makes one a day; what is not known counts as one a day too.
    """
    rate, dt_s, known = _rates(t_s, base_mc, usable, recipe, stuck_s, until_s)
    span = max(until_s - stuck_s, 1.0) / DAY_S
    days = np.concatenate([[0.0], np.cumsum(dt_s) / DAY_S])
    warm = np.concatenate([[0.0], np.cumsum(rate * dt_s) / DAY_S])
    if days[-1] < span:
        warm = np.append(warm, warm[-1] + span - days[-1])
        days = np.append(days, span)
    # A base at the floor stands still; the inverse wants it to rise.
    warm += 1e-9 * np.arange(len(warm))
    recent = known & (days[1 : len(dt_s) + 1] > span - LATELY_DAYS)
    seconds = float(dt_s[recent].sum())
    lately = float((rate * dt_s)[recent].sum()) / seconds if seconds >= DAY_S else None
    return WarmClock(days, warm, lately)


def got_of(
    t_s: Ints, base_mc: Ints, usable: Bools, recipe: Recipe, stuck_s: float, until_s: float
) -> Got:
    """What the base gave; as `warm_clock`."""
    rate, dt_s, known = _rates(t_s, base_mc, usable, recipe, stuck_s, until_s)
    seconds = dt_s[known]
    total = float(seconds.sum())
    share = min(1.0, total / max(until_s - stuck_s, 1.0))
    if total <= 0.0:
        return Got(share, None, None, None, 0.0, 0.0)
    inside = (t_s >= stuck_s) & (t_s < until_s) & usable
    base = base_mc[inside]
    bands = bands_of(base, Bounds.of(recipe))
    hours = total / 3600 / len(base)
    pace = float((rate[known] * seconds).sum()) / total
    return Got(
        share,
        float(base.mean()) / 1000,
        pace,
        pace * _warmth_k(recipe) * 24.0,
        float((bands < 2).sum()) * hours,
        float((bands > 2).sum()) * hours,
    )


def _warmth_k(recipe: Recipe) -> float:
    """Warmth of the target, K above the floor; at least 1."""
    return max(1.0, min(recipe.base_target_c, recipe.warmth_cap_c) - recipe.warmth_floor_c)


def _rates(
    t_s: Ints, base_mc: Ints, usable: Bools, recipe: Recipe, stuck_s: float, until_s: float
) -> tuple[Floats, Floats, Bools]:
    """(warm days a day, seconds, known) of each stretch from sticking on."""
    inside = (t_s >= stuck_s) & (t_s < until_s) & usable
    bounds = Bounds.of(recipe)
    gained = (np.clip(base_mc[inside], bounds.floor, bounds.cap) - bounds.floor) / 1000
    edges = np.concatenate([[stuck_s], t_s[inside].astype(float), [until_s]])
    dt_s = np.maximum(0.0, np.diff(edges))
    rate = np.concatenate([[1.0], gained / _warmth_k(recipe)])
    known = dt_s <= HELD_S
    known[0] = False
    return np.where(known, rate, 1.0), dt_s, known
