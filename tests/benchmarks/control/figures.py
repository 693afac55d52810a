"""The figures of one run, and of one case: every rival beside Warmfoot and beside foresight."""

from dataclasses import dataclass
from math import isnan, nan
from typing import Final

import numpy as np
from course import HIGH_C, HOT_C, LOW_C, SUNLESS, TARGET_C, Case, Course, Floats, warmth_kh
from foresight import Best, Check
from numpy.typing import NDArray

TAIL_MIN: Final = 360
"""Left out at the end: foresight lets the bench cool there, because nothing is judged after it."""
SETTLE_MIN: Final = 360
"""From the first time that foresight reaches the target to where "after warm-up" begins."""
NEAR_K: Final = 0.1
OVERSHOOT_MIN: Final = 720
LEAST_ROOM_K: Final = 0.02
LEAST_HOT_MIN: Final = 30.0
"""With less between switch and foresight, or less heat than that, there is nothing to judge."""
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Figures:
    """Of one run. minutes_*: minutes; mae_k: mean distance from the target after the warm-up.

    under, over: minutes outside the band while foresight, which holds the target, is inside it.
    reach_share: of the minutes in which that foresight is in the band, 0..1.  best_share: of those
    in which the foresight is that cares for nothing but the band.  held_mae_k: over the minutes
    after the warm-up in which foresight holds the target to 0.1 K, so that neither power nor sun
    forbid it.  overshoot_k: above the target within 12 h of first reaching it, less foresight's own
    in that time.  warmth_kh_day: degree-hours over 10 degC a day.
    """

    name: str
    under: float
    over: float
    reach_share: float
    best_share: float
    mae_k: float
    held_mae_k: float
    overshoot_k: float
    kwh: float
    starts_day: float
    hot_top: float
    dry_1_0: float
    dry_1_5: float
    wet_night: float
    litres: float
    warmth_kh_day: float
    hot_base: float
    wet: float = nan
    """Minutes of wet leaves."""


def first_reached(base_c: Floats) -> int:
    """Minute in which the base is first at its target, or the last one."""
    reached = np.flatnonzero(base_c >= TARGET_C - NEAR_K)
    return int(reached[0]) if len(reached) else len(base_c)


def judged(course: Course) -> slice:
    return slice(0, max(1, len(course.base_c) - TAIL_MIN))


def figures(name: str, course: Course, best: Best) -> Figures:
    """Of a run beside perfect foresight of the same case and mist."""
    part = judged(course)
    base_c, track_c = course.base_c[part], best.track.base_c[part]
    band_c = best.band.base_c[part]
    days = len(base_c) / 1440.0
    possible, within = in_band(track_c), in_band(base_c)
    after = settled(track_c)
    error_k = np.abs(base_c - TARGET_C)
    deficit = np.where(course.wet[part] < 0.5, course.deficit_kpa[part], 0.0)
    share = course.share[: len(base_c) * 6]
    on = share > 0.0
    starts = int(on[0]) + int((~on[:-1] & on[1:]).sum())
    return Figures(
        name=name,
        under=float((possible & (base_c < LOW_C)).sum()),
        over=float((possible & (base_c > HIGH_C)).sum()),
        reach_share=_mean(within, possible),
        best_share=_mean(within, in_band(band_c)),
        mae_k=_mean(error_k, after),
        held_mae_k=_mean(error_k, held(track_c)),
        overshoot_k=overshoot_k(base_c, track_c),
        kwh=kwh(course),
        starts_day=starts / days,
        hot_top=float((course.top_c[part] > base_c).sum()),
        dry_1_0=float((deficit > 1.0).sum()),
        dry_1_5=float((deficit > 1.5).sum()),
        wet_night=float((course.night[part] & (course.wet[part] >= 0.5)).sum()),
        litres=float(course.mist_ml[: len(share)].sum()) / 1000.0,
        warmth_kh_day=warmth_kh(base_c) / days,
        hot_base=float((base_c > HOT_C).sum()),
        wet=float((course.wet[part] >= 0.5).sum()),
    )


def in_band(base_c: Floats) -> Mask:
    inside: Mask = (base_c >= LOW_C) & (base_c <= HIGH_C)
    return inside


def settled(track_c: Floats) -> Mask:
    """The minutes after the warm-up."""
    return np.arange(len(track_c)) >= first_reached(track_c) + SETTLE_MIN


def held(track_c: Floats) -> Mask:
    """The minutes after the warm-up in which foresight holds the target."""
    near: Mask = settled(track_c) & (np.abs(track_c - TARGET_C) <= NEAR_K)
    return near


def kwh(course: Course) -> float:
    """Of the judged time."""
    minutes = len(course.base_c[judged(course)])
    return float(course.share[: minutes * 6].sum()) * 10.0 * course.case.mat_w / 3.6e6


def overshoot_k(base_c: Floats, track_c: Floats) -> float:
    """Above the target after first reaching it, less foresight's; NaN when never reached."""
    first = first_reached(base_c)
    if first >= len(base_c):
        return nan
    part = slice(first, first + OVERSHOOT_MIN)
    own_k = base_c[part].max() - TARGET_C
    return float(max(0.0, own_k - max(0.0, track_c[part].max() - TARGET_C)))


def _mean(values: NDArray[np.generic], where: Mask) -> float:
    return float(values[where].mean()) if where.any() else nan


@dataclass(frozen=True)
class Result:
    """All of one case. runs: Warmfoot first, then heat rivals, foresight, mist rivals."""

    case: Case
    runs: tuple[Figures, ...]
    least_kwh: float
    """For the same target and mist."""
    floor_kwh: float
    """That keeps only the low end of the band."""
    possible_share: float
    """Of the time that foresight is in the band."""
    warmth_kh: float
    warmth_true_kh: float
    check: Check
    left_k: float
    alarms: tuple[str, ...]
    lowered_min: float
    """Minutes in which Warmfoot itself asked for less than the target."""
    own_mae_k: float
    """Distance from what Warmfoot itself asked for, in the minutes of held_mae_k."""
    cool_min: float
    """Minutes over 23 degC that nothing could avoid."""
    timers: tuple[Figures, ...] = ()
    """Mist timers in every setting of `timers`."""

    def run(self, name: str) -> Figures:
        return next(run for run in self.runs if run.name == name)

    @property
    def warmth_error(self) -> float:
        """Of the logged warmth, as a share of the true."""
        return self.warmth_kh / self.warmth_true_kh - 1.0 if self.warmth_true_kh else nan


@dataclass(frozen=True)
class Verdict:
    """One target beside one figure. met: None where the case does not put it to the test."""

    what: str
    wanted: str
    got: str
    met: bool | None


def verdicts(result: Result) -> list[Verdict]:
    """Warmfoot's figures of one case beside the targets."""
    own, switch = result.run("Warmfoot"), result.run("0.2 K switch")
    least = result.run("foresight")
    sunless = result.case.weather in SUNLESS
    burns = result.least_kwh > 0.05
    error = abs(result.warmth_error)
    return [
        _in_band(own, least),
        _most("error held, cloud", own.held_mae_k if sunless else nan, 0.15, "K"),
        _closing(own.mae_k, switch.mae_k, least.mae_k, sunless),
        _hot(own.hot_base, switch.hot_base, result.cool_min),
        _most("overshoot", own.overshoot_k, 0.5, "K"),
        _most("kWh, times the least", own.kwh / result.least_kwh if burns else nan, 1.02, ""),
        _most("starts a day", own.starts_day, 40.0, ""),
        _most("warmth error", 100.0 * error, 0.3, "%"),
    ]


def _most(what: str, got: float, most: float, unit: str) -> Verdict:
    wanted = f"<= {most:g} {unit}".rstrip()
    if isnan(got):
        return Verdict(what, wanted, "-", None)
    return Verdict(what, wanted, f"{got:.3g} {unit}".rstrip(), got <= most)


def _in_band(own: Figures, least: Figures) -> Verdict:
    share = own.reach_share
    met = None if isnan(share) else share >= 0.995
    best = f"{100.0 * own.best_share:.1f} % of the best possible"
    got = f"{100.0 * share:.1f} % ({best}, foresight itself {100.0 * least.best_share:.1f} %)"
    return Verdict("in band, of foresight's time", ">= 99.5 %", got, met)


def _closing(own_k: float, switch_k: float, least_k: float, sunless: bool) -> Verdict:
    """Share of the way from the switch's error to foresight's, in weather with sun."""
    what, wanted = "error, sun", ">= 50 % of the way"
    room_k = switch_k - least_k
    if sunless or isnan(own_k) or isnan(room_k) or room_k < LEAST_ROOM_K:
        return Verdict(what, wanted, "-", None)
    share = (switch_k - own_k) / room_k
    return Verdict(what, wanted, f"{100.0 * share:.0f} %", share >= 0.5)


def _hot(own: float, switch: float, least: float) -> Verdict:
    """Hot minutes beside the switch's. least: what no heat at all, or only the band's, leaves.

    Where even that is more than 75 % of the switch's, the least with a twentieth is asked for.
    """
    what, wanted = "over 23 C", "<= 75 % of the switch's, or the least possible"
    if switch < LEAST_HOT_MIN:
        return Verdict(what, wanted, "-", None)
    got = f"{100.0 * own / switch:.0f} % (least possible {100.0 * least / switch:.0f} %)"
    return Verdict(what, wanted, got, own <= max(0.75 * switch, 1.05 * least))
