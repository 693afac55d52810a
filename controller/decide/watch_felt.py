"""What the mat is felt to give, and what a bay teaches about its losses, once a minute.

Everything kept is a length of time, a temperature or a share, never a clock time.
"""

from itertools import pairwise
from math import nan
from typing import Final, NamedTuple

from controller.decide import balance, learn
from controller.decide.aims import Aims, BayAims
from controller.decide.state import BayState
from controller.decide.tuning import bounded

TAUGHT_S: Final = 6 * 3600.0
"""The usual duty per kelvin counts as known after so long in the dark over cooler air."""
USUAL_S: Final = 4 * 86400.0
LATELY_S: Final = 6 * 3600.0
"""The usual and the present duty per kelvin are means over about so much of such time."""
SUSPICIOUS: Final = 1.3
"""The usual does not follow a present one that is more times itself."""
NEED_LOW_PER_K: Final = 0.002
NEED_HIGH_PER_K: Final = 0.5
TEACHING_LIFT_K: Final = 2.0
DARK_SHARE: Final = 0.1
"""So little of the mat's power is what sun may bring when it counts as dark."""
JOLT_K: Final = 0.35
"""A base that moves by more within five minutes was watered, or its probe was moved."""


class Minute(NamedTuple):
    """What a bay's base is judged by, once a minute.

    base_c, top_c, house_c, target_c: degC, NaN when not known.  *_past: samples five minutes apart,
    newest last.  sun_w_m2: most that may shine now.  dt_s: since the last, 0 after a gap.
    anew: nothing before this minute is known.
    """

    aims: Aims
    bay: BayAims
    held: BayState
    base_c: float
    top_c: float
    house_c: float
    target_c: float
    base_past: tuple[float, ...]
    duty_past: tuple[float, ...]
    top_past: tuple[float, ...]
    sun_w_m2: float
    now_s: float
    dt_s: float
    anew: bool

    @property
    def hour_lift_k(self) -> float:
        """Mean base minus air of the last hour; NaN when any of it is missing."""
        pairs = zip(self.base_past[-13:], self.top_past[-13:], strict=True)
        return sum(base_c - top_c for base_c, top_c in pairs) / 13.0

    @property
    def rise_k(self) -> float:
        return self.base_c - self.base_past[-13]


class Felt(NamedTuple):
    """What the probe feels of the mat, and what the bay has taught about its losses.

    stage, duty: two lags of the duty, 0..1; the second is what is felt.  sun_w_m2: the brightest of
    late.  usual_per_k, lately_per_k: duty that holds a kelvin of base over air, over days and of
    late.  taught_s: for how long that was learned.
    """

    stage: float = 0.0
    duty: float = 0.0
    sun_w_m2: float = nan
    usual_per_k: float = nan
    lately_per_k: float = nan
    taught_s: float = 0.0

    @property
    def need_per_k(self) -> float:
        """The usual duty per kelvin, NaN until it is known."""
        return self.usual_per_k if self.taught_s >= TAUGHT_S else nan

    @property
    def times_usual(self) -> float:
        return self.lately_per_k / self.need_per_k


FRESH_FELT: Final = Felt()


def felt(old: Felt, at: Minute) -> Felt:
    """What is felt, and what has been learned, a minute later."""
    duty, dt_s = at.held.duty, at.dt_s
    sun_w_m2 = balance.sun_remembered(old.sun_w_m2, at.sun_w_m2, dt_s)
    if at.anew:
        return Felt(duty, duty, sun_w_m2, *old[3:])
    lag_s = balance.delay_s(at.bay, at.held)
    stage, second = balance.felt((old.stage, old.duty), duty, lag_s, dt_s)
    return _taught(Felt(stage, second, sun_w_m2, *old[3:]), at)


def _taught(feels: Felt, at: Minute) -> Felt:
    """Learn the duty per kelvin from the balance of the last hour, in the dark over cooler air.

    Taken from what is felt and how the base moves, it is right however the duty swings. The usual
    follows over days, and not at all towards a value that is already suspicious.
    """
    lift_k, rise_k, dt_s = at.hour_lift_k, at.rise_k, at.dt_s
    dark = balance.sun_heat_share(at.bay, at.held, feels.sun_w_m2) < DARK_SHARE
    if not (dark and lift_k >= TEACHING_LIFT_K and rise_k == rise_k) or jolted(at.base_past):
        return feels
    gained = rise_k / 3600.0 / learn.rate_k_s(at.bay, at.held)
    seen = bounded((feels.duty - gained) / lift_k, NEED_LOW_PER_K, NEED_HIGH_PER_K)
    if feels.usual_per_k != feels.usual_per_k:
        return feels._replace(usual_per_k=seen, lately_per_k=seen)
    taught_s = min(feels.taught_s + dt_s, USUAL_S)
    lately = feels.lately_per_k + (seen - feels.lately_per_k) * dt_s / min(taught_s, LATELY_S)
    usual = feels.usual_per_k
    if taught_s < TAUGHT_S or lately < SUSPICIOUS * usual:
        usual += (seen - usual) * dt_s / taught_s
    return feels._replace(usual_per_k=usual, lately_per_k=lately, taught_s=taught_s)


def jolted(base_past: tuple[float, ...]) -> bool:
    """Whether the base jumped within the last hour."""
    hour = base_past[-13:]
    return any(abs(later - sooner) > JOLT_K for sooner, later in pairwise(hour))
