"""A hot top: mist where that helps, and otherwise what only a person can do."""

from typing import Final

from config.bounds import MIST_HOUR_SHARE
from controller.decide.aims import MistAims
from controller.decide.leaf import climate_known
from controller.decide.mist_meter import waterless
from controller.decide.state import MistState
from sensors.readings import BenchView

COOLING_LEAST_K: Final = 1.0
"""Least wet-bulb depression at which mist is worth giving against a hot top; own choice."""
UNANSWERED: Final = 3
"""From here on the mister is taken to wet nothing."""
HELPED_SHARE: Final = 1.0 / 3.0
"""How much slower a hot top that mist can cool is told; own choice."""
HOT_AFTER_S: Final = 600.0

WORDS: Final = {
    "": "mist is cooling it and is not enough",
    "none": "no mister here to cool it",
    "rest": "no mist is wanted here",
    "night": "no mist by night",
    "unknown": "humidity is not known, so mist is not used against it",
    "damp": "air too damp for mist to cool it",
    "held": "mist is held by hand",
    "stuck": "the mister is locked off",
    "blocked": "mist has no effect",
    "spent": "the water budget is spent",
}
"""What stands in the way of mist, in words."""


def no_cooling(aims: MistAims, bench: BenchView, day: bool) -> str:
    """Why mist is no means against a hot top here and now: a key of WORDS, "" when it is."""
    if not aims.relay:
        return "none"
    if aims.resting or not (aims.cool_top and aims.leafy) or aims.dose_kpa_min is None:
        return "rest"
    if not day:
        return "night"
    if not climate_known(bench):
        return "unknown"
    if not bench.top_c - bench.wet_bulb_c >= COOLING_LEAST_K:
        return "damp"
    return ""


def hindrance(
    aims: MistAims, held: MistState, bench: BenchView, day: bool, hour_used_s: float
) -> str:
    """The same, with what has become of the mister. hour_used_s: mist of the last hour."""
    found = no_cooling(aims, bench, day)
    if found:
        return found
    if held.stuck:
        return "stuck"
    if held.hold == "off":
        return "held"
    if held.unanswered >= UNANSWERED or waterless(held):
        return "blocked"
    hour_s = min(aims.hour_budget_s, 3600.0 * MIST_HOUR_SHARE)
    if hour_used_s + aims.burst_s > hour_s or held.day_used_s + aims.burst_s > aims.day_budget_s:
        return "spent"
    return ""


def hot_s(before_s: float, top_c: float, limit_c: float, hindered: str, dt_s: float) -> float:
    """Seconds of a hot top, those in which mist can cool it counted to a third.

    Gone once the top is a kelvin below its limit; as it was while the top is not known.
    """
    if top_c > limit_c:
        return before_s + dt_s * (1.0 if hindered else HELPED_SHARE)
    return 0.0 if top_c <= limit_c - 1.0 else before_s
