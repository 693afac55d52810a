"""What every bay and bench should aim at now: bench file, recipes and batches made into numbers.

Built when one of those changes (and once a minute, because phases and day parts move with time);
the step itself only reads it.
"""

from dataclasses import dataclass, field

from config.model import Site


@dataclass(frozen=True, slots=True)
class BayAims:
    """One bay. resting: nothing asks for warmth; then target_c is NaN.

    target_c, good_low_c, good_high_c, slow_below_c, hot_above_c: degC.  ceiling_c, trip_c: hard.
    difference_c: wanted base minus top.  top_hot_c: top above which the target yields.
    gain_duty_per_k, integral_s, derivative_s: PID.  window_s, shortest_s: relay timing.
    stagger: 0..1, this bay's place in the window, so that bays do not start together.
    has_cutout: an independent cut-out is declared.  leased: something drops the relay when orders
    stop.  why: short words for where the target comes from, "batch 3 Buxus", "bench file".
    tuned: the PID settings are the bench file's own, so nothing learned replaces them.
    rate_k_s, delay_s: expected rise at full duty and its delay.  place: "north.left".
    """

    bench: str
    bay: str
    relay: str
    power_w: float
    resting: bool
    target_c: float
    good_low_c: float
    good_high_c: float
    slow_below_c: float
    hot_above_c: float
    ceiling_c: float
    trip_c: float
    difference_c: float
    top_hot_c: float
    gain_duty_per_k: float
    integral_s: float
    derivative_s: float
    window_s: float
    shortest_s: float
    stagger: float
    has_cutout: bool
    leased: bool
    why: str
    tuned: bool = False
    rate_k_s: float = 5.3e-4
    delay_s: float = 1500.0
    place: str = ""


@dataclass(frozen=True, slots=True)
class MistAims:
    """One bench's mister. relay: "" when it has none.

    leafy: leaves that can dry stand on the bench.  unrooted: youngest batch has no roots yet.
    must_dry: one full drying a day is wanted (from callus on).  night_mist: allowed by night.
    age_days: of the youngest open batch.
    """

    bench: str
    relay: str
    resting: bool
    leafy: bool
    unrooted: bool
    phase: str
    age_days: float
    vpd_low_kpa: float
    vpd_high_kpa: float
    dose_kpa_min: float | None
    burst_s: float
    night_mist: bool
    must_dry: bool
    shortest_gap_s: float
    hour_budget_s: float
    day_budget_s: float
    survival_every_s: float
    survival_burst_s: float
    cool_top: bool
    top_hot_c: float
    leased: bool
    why: str


@dataclass(frozen=True, slots=True)
class Aims:
    """All of it. site: the bench file itself, for names, places and alarm changes."""

    site: Site
    bays: dict[tuple[str, str], BayAims] = field(default_factory=dict)
    mist: dict[str, MistAims] = field(default_factory=dict)
