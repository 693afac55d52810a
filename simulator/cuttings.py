"""Cuttings that callus, root, wilt or rot from the climate they get.

Rooting advances at a rate that follows base temperature by a beta curve: nothing at or below a
lower limit, fastest at an optimum, nothing at or above an upper limit (shape after Yan and Hunt,
1999, Annals of Botany 84: 607-614, from memory). Cardinal temperatures: poinsettia 20/28/32 after
Wilkerson et al. (2005), J. Amer. Soc. Hort. Sci. 130(3): 302-307, with the lower one let down
because rooting was slow, not nil, at 20; the others, and all rates of dying, are invented,
plausible. So is what the material itself does (`MATERIALS`): that it does harm is what the trade
says, by how much is invented. A day at or below 10 or at 35 degC harms beyond the event (from
memory: Carpenter, Hansen & Carlson 1973, geranium and poinsettia); by how much is invented.
Cuttings differ: each has its place in a spread, by rank, with no chance in it.
"""

from bisect import bisect_right
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
    day beyond it.  chill_c, scorch_c: base at or below and above which cuttings without roots are
    harmed for good.  light_mol: daily light below which rooting is slower, mol/m2; 0 for leafless.
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
    rot_day: float = 0.03
    chill_c: float = 10.0
    scorch_c: float = 32.0
    light_mol: float = 3.0


NATURES: Final = {
    "softwood": Nature(days=21.0, strike=0.90),
    "greenwood": Nature(days=28.0, strike=0.88, wilt_kpa_h=16.0),
    "semi_ripe": Nature(low_c=6.0, best_c=22.0, days=42.0, strike=0.78, wilt_kpa_h=25.0),
    "hardwood": Nature(
        low_c=4.0, best_c=21.0, days=35.0, strike=0.70, wilt_kpa_h=150.0, chill_c=0.0, light_mol=0.0
    ),
    "evergreen": Nature(
        low_c=4.0, best_c=20.0, high_c=29.0, days=90.0, strike=0.65, wilt_kpa_h=40.0, chill_c=4.0
    ),
    "herbaceous": Nature(low_c=10.0, best_c=24.0, days=13.0, strike=0.95, wilt_kpa_h=9.0),
    "tropical": Nature(low_c=15.0, best_c=27.0, high_c=35.0, days=28.0, wilt_kpa_h=10.0),
    "leaf_bud": Nature(days=35.0, strike=0.80),
    "root": Nature(
        low_c=4.0,
        best_c=16.0,
        high_c=28.0,
        days=50.0,
        strike=0.80,
        wilt_kpa_h=500.0,
        chill_c=0.0,
        light_mol=0.0,
    ),
    "poinsettia": Nature(low_c=17.0, best_c=28.0, high_c=32.0, days=14.0, wilt_kpa_h=8.0),
    "poplar": Nature(
        low_c=6.0, best_c=22.0, days=13.0, strike=0.85, wilt_kpa_h=150.0, chill_c=0.0, light_mol=0.0
    ),
}


@dataclass(frozen=True, slots=True)
class Material:
    """How the cuttings themselves were, beside sound ones. All figures invented.

    able: factor on the share able to root.  pace: factor on the days it takes.  wilt: factor on the
    dryness they bear.  rot_day, sick_day: share lost a day to rot and to disease, from the fourth
    day on.
    """

    able: float = 1.0
    pace: float = 1.0
    wilt: float = 1.0
    rot_day: float = 0.0
    sick_day: float = 0.0


SOUND: Final = Material()
MATERIALS: Final = {
    "sound": SOUND,
    "flowering": Material(able=0.40, pace=1.3),
    "old_wood": Material(able=0.35, pace=1.5),
    "off_season": Material(able=0.40, pace=1.4),
    "few_leaves": Material(able=0.40, pace=1.4),
    "close_mix": Material(able=0.75, rot_day=0.030),
    "disease": Material(able=0.85, rot_day=0.008, sick_day=0.030),
    "long_wait": Material(able=0.50, wilt=0.04),
    "unseen": Material(able=0.25, pace=1.1),
}
"""Flaws by name. "unseen" is one that nobody can see or log, such as a spent hormone."""
FLAW_FROM_S: Final = 3 * 86400.0
_WILTED: Final = NormalDist(0.0, 0.3)


def rate(base_c: float, nature: Nature) -> float:
    """Speed of rooting at a base temperature, 0..1 of the fastest."""
    low, best, high = nature.low_c, nature.best_c, nature.high_c
    if not low < base_c < high:
        return 0.0
    power: float = ((base_c - low) / (best - low)) ** ((best - low) / (high - best))
    return (high - base_c) / (high - best) * power


class Tally(NamedTuple):
    """A lot at one time. callused: alive with callus and no usable roots yet.

    diseased: lost to disease or pest, not among the rotted.
    """

    alive: int
    callused: int
    rooted: int
    dried: int
    rotted: int
    diseased: int = 0


class Lot:
    """All cuttings of one batch. Advance it by the hour, or by any span up to a few hours."""

    __slots__ = (
        "_age_s", "_alive", "_dried_share", "_dryness", "_harm", "_lost", "_needs", "_ready",
        "_rooted", "_soak_s", "_worst", "count", "material", "nature", "progress",
    )  # fmt: skip

    def __init__(self, count: int, nature: Nature, material: Material = SOUND) -> None:
        """Raises ValueError for a count below 1."""
        if count < 1:
            raise ValueError(f"a lot of {count} cuttings; give 1 or more")
        self.count = count
        self.nature = nature
        self.material = material
        able = min(count, round(count * nature.strike * material.able))
        spread = NormalDist(0.0, nature.spread)
        ranks = [(i + 0.5) / able for i in range(able)]
        self._needs = [exp(spread.inv_cdf(rank)) * material.pace for rank in ranks]
        self.progress = 0.0
        self._age_s = self._harm = 0.0
        self._ready = 0  # cuttings whose time has come, roots or not
        self._rooted = 0.0  # of them with roots, before losses: harm spares those that have any
        self._dryness = self._worst = 0.0
        self._dried_share = 0.0
        self._soak_s = 0.0
        self._alive = 1.0
        self._lost = [0.0, 0.0, 0.0]  # dried, rotted, diseased: shares of those stuck

    def advance(
        self,
        dt_s: float,
        base_c: float,
        wet_share: float,
        deficit_kpa: float,
        light_mol: float | None = None,
    ) -> None:
        """Live through `dt_s` seconds.

        base_c: mean base.  wet_share: share of the span with leaves wet, 0..1.  deficit_kpa:
        mean leaf-to-air vapour pressure deficit.  light_mol: light of these days, mol/m2 a day;
        None for enough.
        """
        nature = self.nature
        days = dt_s / 86400.0
        speed = rate(base_c, nature)
        if light_mol is not None and light_mol < nature.light_mol:
            speed *= max(0.1, light_mol / nature.light_mol)
        self.progress += days / nature.days * speed
        hours = dt_s / HOUR_S
        bare = 1.0 - wet_share
        ready = bisect_right(self._needs, self.progress)
        self._rooted += (ready - self._ready) * exp(-self._harm)
        self._ready = ready
        unrooted = 1.0 - ready / self.count
        self._dryness += hours * bare * max(0.0, deficit_kpa - 0.25) * unrooted
        self._dryness *= 1.0 - min(1.0, 0.25 * hours * wet_share)
        below_k, above_k = nature.chill_c - base_c, base_c - nature.scorch_c
        if below_k >= 0.0 or above_k > 0.0:
            self._harm += days * unrooted * (0.4 + 0.1 * max(below_k, 2.0 * above_k))
        if self._dryness > self._worst:
            self._worst = self._dryness
            bears = nature.wilt_kpa_h * self.material.wilt
            before, self._dried_share = self._dried_share, _WILTED.cdf(self._worst / bears - 1.0)
            self._lose(0, (self._dried_share - before) / max(1e-9, 1.0 - before))
        self._age_s += dt_s
        if self._age_s > FLAW_FROM_S:
            self._lose(1, self.material.rot_day * days * unrooted)
            self._lose(2, self.material.sick_day * days * unrooted)
        if wet_share > 0.98 and self.progress > nature.callus_share:
            self._soak_s += dt_s
            if self._soak_s > nature.soak_h * HOUR_S:
                self._lose(1, nature.rot_day * days)
        elif wet_share < 0.9:
            self._soak_s = 0.0

    def _lose(self, cause: int, share: float) -> None:
        """Lose a share, 0..1, of those alive."""
        gone = self._alive * min(1.0, max(0.0, share))
        self._lost[cause] += gone
        self._alive -= gone

    def tally(self) -> Tally:
        """The lot now. The same past gives the same tally; losses never become fewer."""
        dried, rotted, diseased = (int(self.count * share + 1e-9) for share in self._lost)
        alive = self.count - dried - rotted - diseased
        kept = alive / self.count
        progress = self.progress
        rooted = round(kept * self._rooted)
        callus = self.nature.callus_share
        shown = round(kept * bisect_right(self._needs, progress / callus))
        return Tally(alive, max(0, shown - rooted), rooted, dried, rotted, diseased)

    def sample(self, tested: int) -> tuple[int, int]:
        """(rooted, callused) among `tested` cuttings lifted with care, in the lot's proportions."""
        now = self.tally()
        if now.alive == 0:
            return 0, 0
        tested = min(tested, now.alive)
        rooted = round(tested * now.rooted / now.alive)
        return rooted, min(tested - rooted, round(tested * now.callused / now.alive))
