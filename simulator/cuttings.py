"""Cuttings that callus, root, wilt or rot from the climate they get.

Rooting advances at a rate that follows base temperature by a beta curve: nothing at or below a
lower limit, fastest at an optimum, nothing at or above an upper limit (shape after Yan and Hunt,
1999, Annals of Botany 84: 607-614, from memory). Cardinal temperatures: poinsettia 20/28/32 after
Wilkerson et al. (2005), J. Amer. Soc. Hort. Sci. 130(3): 302-307, with the lower one let down
because rooting was slow, not nil, at 20; the others, and all rates of dying, are invented,
plausible. Cuttings differ: each has its place in a spread, by rank, with no chance in it.
"""

from dataclasses import dataclass
from math import exp
from statistics import NormalDist
from typing import Final, NamedTuple

HOUR_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Nature:
    """How a kind of cutting behaves.

    low_c, best_c, high_c: cardinal base temperatures.  days: median days to usable roots held at
    best_c.  callus_share: share of that at which callus shows.  spread: standard deviation of the
    logarithm of the days.  strike: share able to root at all.  wilt_kpa_h: dryness of bare,
    unrooted leaves (leaf-to-air deficit summed while not wet) at which half are lost.
    soak_h: hours without one drying, from callus on, after which rot sets in; rot_day: share lost a
    day beyond it.
    """

    low_c: float = 8.0
    best_c: float = 23.0
    high_c: float = 33.0
    days: float = 28.0
    callus_share: float = 0.45
    spread: float = 0.22
    strike: float = 0.85
    wilt_kpa_h: float = 14.0
    soak_h: float = 72.0
    rot_day: float = 0.015


NATURES: Final = {
    "softwood": Nature(days=21.0, strike=0.90),
    "greenwood": Nature(days=28.0, strike=0.88, wilt_kpa_h=16.0),
    "semi_ripe": Nature(low_c=6.0, best_c=22.0, days=42.0, strike=0.78, wilt_kpa_h=25.0),
    "hardwood": Nature(low_c=4.0, best_c=21.0, days=35.0, strike=0.70, wilt_kpa_h=150.0),
    "evergreen": Nature(
        low_c=4.0, best_c=20.0, high_c=29.0, days=90.0, strike=0.65, wilt_kpa_h=40.0
    ),
    "herbaceous": Nature(low_c=10.0, best_c=24.0, days=13.0, strike=0.95, wilt_kpa_h=9.0),
    "tropical": Nature(low_c=15.0, best_c=27.0, high_c=35.0, days=28.0, wilt_kpa_h=10.0),
    "leaf_bud": Nature(days=35.0, strike=0.80),
    "root": Nature(low_c=4.0, best_c=16.0, high_c=28.0, days=50.0, strike=0.80, wilt_kpa_h=500.0),
    "poinsettia": Nature(low_c=17.0, best_c=28.0, high_c=32.0, days=14.0, wilt_kpa_h=8.0),
}


def rate(base_c: float, nature: Nature) -> float:
    """Speed of rooting at a base temperature, 0..1 of the fastest."""
    low, best, high = nature.low_c, nature.best_c, nature.high_c
    if not low < base_c < high:
        return 0.0
    power: float = ((base_c - low) / (best - low)) ** ((best - low) / (high - best))
    return (high - base_c) / (high - best) * power


class Tally(NamedTuple):
    """A lot at one time. callused: alive with callus and no usable roots yet."""

    alive: int
    callused: int
    rooted: int
    dried: int
    rotted: int


class Lot:
    """All cuttings of one batch. Advance it by the hour, or by any span up to a few hours."""

    __slots__ = ("_dryness", "_needs", "_rot", "_soak_s", "_worst", "count", "nature", "progress")

    def __init__(self, count: int, nature: Nature) -> None:
        """Raises ValueError for a count below 1."""
        if count < 1:
            raise ValueError(f"a lot of {count} cuttings; give 1 or more")
        self.count = count
        self.nature = nature
        able = round(count * nature.strike)
        spread = NormalDist(0.0, nature.spread)
        ranks = [(i + 0.5) / able for i in range(able)]
        self._needs = [exp(spread.inv_cdf(rank)) for rank in ranks]
        self.progress = 0.0
        self._dryness = self._worst = 0.0
        self._soak_s = 0.0
        self._rot = 0.0

    def advance(self, dt_s: float, base_c: float, wet_share: float, deficit_kpa: float) -> None:
        """Live through `dt_s` seconds.

        base_c: mean base.  wet_share: share of the span with leaves wet, 0..1.  deficit_kpa:
        mean leaf-to-air vapour pressure deficit.
        """
        nature = self.nature
        self.progress += dt_s / 86400.0 / nature.days * rate(base_c, nature)
        hours = dt_s / HOUR_S
        bare = 1.0 - wet_share
        rooted_share = sum(1 for need in self._needs if self.progress >= need) / self.count
        self._dryness += hours * bare * max(0.0, deficit_kpa - 0.25) * (1.0 - rooted_share)
        self._dryness *= 1.0 - min(1.0, 0.25 * hours * wet_share)
        self._worst = max(self._worst, self._dryness)
        if wet_share > 0.98 and self.progress > nature.callus_share:
            self._soak_s += dt_s
            if self._soak_s > nature.soak_h * HOUR_S:
                self._rot += nature.rot_day * dt_s / 86400.0
        elif wet_share < 0.9:
            self._soak_s = 0.0

    def tally(self) -> Tally:
        """The lot now. The same past gives the same tally."""
        dried_share = NormalDist(0.0, 0.3).cdf(self._worst / self.nature.wilt_kpa_h - 1.0)
        dried = round(self.count * dried_share) if self._worst > 0.0 else 0
        rotted = min(self.count - dried, round(self.count * min(1.0, self._rot)))
        alive = self.count - dried - rotted
        kept = alive / self.count
        progress = self.progress
        rooted = round(kept * sum(1 for need in self._needs if progress >= need))
        callus = self.nature.callus_share
        shown = round(kept * sum(1 for need in self._needs if progress >= need * callus))
        return Tally(alive, shown - rooted, rooted, dried, rotted)

    def sample(self, tested: int) -> tuple[int, int]:
        """(rooted, callused) among `tested` cuttings lifted with care, in the lot's proportions."""
        now = self.tally()
        if now.alive == 0:
            return 0, 0
        tested = min(tested, now.alive)
        rooted = round(tested * now.rooted / now.alive)
        return rooted, min(tested - rooted, round(tested * now.callused / now.alive))
