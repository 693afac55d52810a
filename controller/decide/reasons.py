"""Why heat and mist do what they do, in words for growers. {0}, {1} ...: the Reason's values."""

from typing import Final

from controller.decide.mist_reasons import MIST_REASONS
from controller.records import Reason

HEAT_REASONS: Final[dict[str, str]] = {
    "rest": "no heat wanted: {0}",
    "part": "base {0} °C, target {1} °C: on {2} % of the time",
    "full": "base {0} °C, target {1} °C: on all the time until it comes near",
    "warm_enough": "base {0} °C, target {1} °C: warm enough, no heat",
    "cool_top": "base {0} °C, target lowered to {1} °C because the top is warm ({3} °C): "
    "on {2} % of the time",
    "coasting": "base {0} °C, heat kept low ({1} °C): sun as on the last days would lift the base "
    "well above its target: on {2} % of the time",
    "storing": "base {0} °C, lifted to {1} °C ahead of hours in which, going by the last days, the "
    "mat alone will not hold it: on {2} % of the time",
    "warming_early": "base {0} °C, warming to {1} °C before the dear hours: on {2} % of the time",
    "dear_hours": "base {0} °C, dear hours: leaning on warmth banked before, down to {1} °C: on "
    "{2} % of the time",
    "lost": "no base probe can be believed: heat off",
    "lost_by_air": "no base probe can be believed: on {0} % of the time, from the air ({1} °C) and "
    "what usually holds the base, for {2} h more at most",
    "lost_carried": "no base probe can be believed: {0} % of the time as a stopgap, "
    "for {1} h more at most",
    "hold_off": "heat held off by hand",
    "hold_on": "heat held on by hand; the hard limits still hold",
    "ceiling": "base {0} °C is at the ceiling of {1} °C: heat off at once",
    "tripped": "heat tripped: the base stood at {0} °C or more; find the cause, then reset",
    "sunned": "sun has the base at {0} °C or more: heat off until it has cooled; shade the bay",
    "base_overheat": "heat off while the overheating alarm stands; find the cause, then reset",
    "no_rise": "heated in full for {0} h and the base has not risen: heat rests for an hour; look "
    "whether the probe is in the compost and the mat is warm",
    "supply": "waiting its turn: the mats together may not draw more than {0} W",
    "fault": "heat off: a fault in the program ({0}); please report it",
}
GUARD_REASONS: Final[dict[str, str]] = {
    "mist_barred": "mist stopped: the longest burst or a quarter of an hour would be exceeded",
    "mist_fault": "mist off: a fault in the program ({0}); please report it",
}
GUARD_CODES: Final = frozenset(
    ("hold_off", "hold_on", "ceiling", "tripped", "sunned", "base_overheat", "no_rise", "fault")
)
"""Reasons of heat that do not come from the loop; when they end the loop takes over at once."""
REASONS: Final[dict[str, str]] = {**HEAT_REASONS, **MIST_REASONS, **GUARD_REASONS}


def words(reason: Reason) -> str:
    """The reason in plain words; a code without words is shown as it is, with its values."""
    template = REASONS.get(reason.code)
    if template is None:
        return " ".join(str(part) for part in (reason.code, *reason.values))
    try:
        return template.format(*reason.values)
    except IndexError:
        return " ".join((template, *(str(value) for value in reason.values)))
