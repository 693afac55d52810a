"""Targets per kind of cutting and per plant, each with its source."""

from typing import Literal

from pydantic import Field

from config.model import Record

PhaseName = Literal["stick", "callus", "root", "wean", "wean_late"]
PHASES: tuple[PhaseName, ...] = ("stick", "callus", "root", "wean", "wean_late")


class Phase(Record):
    """One phase of a batch's life.

    usual_days: days from sticking at which this phase usually begins; a reminder, never an order.
    base_shift_c: added to the base target.  vpd_low_kpa..vpd_high_kpa: the wanted band.
    dose_kpa_min: dryness that earns a burst, on the phase's first day; it grows by
    `dose_growth` (factor per day).  night_mist: whether the mister may work by night.
    survival: whether leaves need water even when nothing is known (unrooted leafy cuttings).
    """

    name: PhaseName
    usual_days: float
    base_shift_c: float = 0.0
    vpd_low_kpa: float
    vpd_high_kpa: float
    dose_kpa_min: float | None
    dose_growth: float = 1.0
    burst_s: float = 5.0
    night_mist: bool = False
    survival: bool = True


class Recipe(Record):
    """Targets for one kind of cutting, or for one plant of a kind.

    Temperatures degC; usual_days (soonest, latest) to usable roots; usual_strike (low, high) 0..1;
    window: months (1..12, northern) in which the wood is usually right, () for any.
    difference_c: wanted base minus top.  warmth_floor_c, warmth_cap_c: bounds of the warmth sum;
    warmth_proven False when the floor is a labelled guess.
    """

    name: str
    title: str
    kind: str
    plant: str | None = None
    leafy: bool
    base_target_c: float
    good_low_c: float
    good_high_c: float
    slow_below_c: float
    hot_above_c: float
    harmful_low_c: float
    harmful_high_c: float
    top_day_c: tuple[float, float]
    top_night_c: tuple[float, float]
    top_hot_c: float
    difference_c: float
    usual_days: tuple[float, float]
    usual_strike: tuple[float, float]
    window: tuple[int, ...]
    warmth_floor_c: float
    warmth_cap_c: float
    warmth_proven: bool = False
    phases: tuple[Phase, ...] = Field(min_length=1)
    sources: dict[str, str]
    """Field name -> public source, or 'common practice, no source', or 'from memory: ...'."""

    def phase(self, name: str) -> Phase:
        """The phase of that name. Raises KeyError for one this recipe does not have."""
        for phase in self.phases:
            if phase.name == name:
                return phase
        raise KeyError(name)
