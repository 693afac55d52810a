"""Mist timers beside Warmfoot, and the fairest of them.

A timer is set once, for all the weather that comes. Its fairest setting is the one that gives the
least water while it leaves the leaves no more dry minutes than Warmfoot does.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from course import Case, Course
from figures import Figures, Result, Verdict, figures
from foresight import Best
from rivals import MistTimer, Replay, play

SETTINGS: Final = (
    *((every_min, 3.0) for every_min in (5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 60.0)),
    *((every_min, 6.0) for every_min in (6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 60.0)),
)
"""(interval in minutes, burst in seconds), by day; common practice, no source."""
DRY_SLACK: Final = 1.05
DRY_SLACK_MIN_DAY: Final = 1.0
"""More dry minutes that still count as no more: a twentieth, and a minute a day."""
LEAST_SAVED: Final = 0.0


def timers_of(case: Case, own: Course, foreseen: Best) -> tuple[Figures, ...]:
    """Every setting in the weather of a case, under Warmfoot's own heat, in the order of SETTINGS.

    Like Warmfoot's, a burst begins at a whole tick.
    """
    found = []
    for every_min, burst_s in SETTINGS:
        course = play(case, Replay(own.share), MistTimer(60.0 * every_min, burst_s))
        run = figures("timer", course, foreseen)
        found.append(replace(run, name=f"{burst_s:g} s every {every_min:g} min"))
    return tuple(found)


def together(runs: Sequence[Figures]) -> Figures:
    """The mist figures of one control in several weathers, summed."""
    return replace(
        runs[0],
        **{
            name: sum(getattr(run, name) for run in runs)
            for name in ("dry_1_0", "dry_1_5", "litres", "wet", "wet_night")
        },
    )


def fairest(timers: Sequence[Figures], own: Figures, days: float) -> Figures:
    """The least water of those as moist as `own`; where there is none, the moistest."""
    good = [run for run in timers if is_as_moist(run, own, days)]
    if good:
        return min(good, key=lambda run: run.litres)
    return min(timers, key=lambda run: (run.dry_1_0 + run.dry_1_5, run.litres))


def is_as_moist(run: Figures, beside: Figures, days: float) -> bool:
    """Whether a run has no more dry minutes than another."""
    return all(
        dry <= DRY_SLACK * most + DRY_SLACK_MIN_DAY * days
        for dry, most in ((run.dry_1_0, beside.dry_1_0), (run.dry_1_5, beside.dry_1_5))
    )


def mist_verdicts(results: Sequence[Result]) -> list[Verdict]:
    """Warmfoot's mist on one bench, over all its weathers, beside the fairest timer.

    Dry minutes are held against what a grower usually sets (MISTERS), water and wetness against the
    fairest, which is as moist by choice.
    """
    days = sum(result.case.days for result in results)
    own = together([result.run("Warmfoot") for result in results])
    usual = together([result.run("mist timer") for result in results])
    timers = [together(runs) for runs in zip(*(r.timers for r in results), strict=True)]
    if not timers:
        return []
    fair = fairest(timers, own, days)
    return [
        _drier("dry over 1.0 kPa", own.dry_1_0, usual.dry_1_0, fair.dry_1_0, days),
        _drier("dry over 1.5 kPa", own.dry_1_5, usual.dry_1_5, fair.dry_1_5, days),
        _saved("litres", own.litres, fair.litres, fair.name),
        _saved("wet leaves, h", own.wet / 60.0, fair.wet / 60.0, fair.name),
        _saved("wet leaves by night, h", own.wet_night / 60.0, fair.wet_night / 60.0, fair.name),
    ]


def _drier(what: str, own: float, usual: float, fair: float, days: float) -> Verdict:
    got = f"{own:.0f} min (usual timer {usual:.0f}, fairest {fair:.0f})"
    met = own <= DRY_SLACK * usual + DRY_SLACK_MIN_DAY * days
    return Verdict(what, "no more than the usual timer's", got, met)


def _saved(what: str, own: float, timer: float, name: str) -> Verdict:
    share = 1.0 - own / timer if timer else float(own <= 0.0) - 1.0
    got = f"{own:.1f} of {timer:.1f}: {100.0 * share:.0f} % saved ({name})"
    return Verdict(what, "less than the fairest timer's", got, share > LEAST_SAVED)
