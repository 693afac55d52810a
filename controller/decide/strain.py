"""Strain of leaves without roots: dryness beyond what their phase bears, summed while they are dry.

A dry minute harms nobody, and neither does dry air over wet leaves: what wilts a cutting is the
water that it lost faster than its base took it up. So the leaf-to-air deficit counts only beyond
the band that the phase bears, and only on leaves that are dry; in damper air, and while they are
wet, they recover.
"""

from typing import Final

from controller.decide.leaf import climate_known, leaf_deficit_kpa
from controller.decide.schedule import Sky
from controller.decide.state import MistState
from sensors.readings import BenchView

RECOVERS_MIN: Final = 30.0
"""Time in which most of the strain is gone in air that asks for nothing; own choice."""
UNWETTED: Final = 2
"""From so many bursts without answer on, a burst is not taken to have wetted anything."""
MOST_KPA_MIN: Final = 400.0


def strained(
    strain_kpa_min: float, band_kpa: float, held: MistState, view: BenchView, sky: Sky | None,
    dt_s: float,
) -> float:  # fmt: skip
    """The strain `dt_s` seconds later, kPa min; as it was while the climate is not known.

    band_kpa: deficit that is borne without end; inf where no leaf can dry, which ends the strain.
    """
    if band_kpa > MOST_KPA_MIN:
        return 0.0
    if not climate_known(view):
        return strain_kpa_min
    wet = held.film_kpa_min > 0.0 and max(held.unanswered, held.metered.missed) < UNWETTED
    beyond_kpa = (0.0 if wet else leaf_deficit_kpa(view, sky)) - band_kpa
    dt_min = dt_s / 60.0
    if beyond_kpa < 0.0:
        strain_kpa_min -= strain_kpa_min * min(1.0, dt_min / RECOVERS_MIN)
    return min(MOST_KPA_MIN, max(0.0, strain_kpa_min + beyond_kpa * dt_min))
