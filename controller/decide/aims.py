"""What every bay and bench should aim at now: bench file, recipes and batches made into numbers.

Built when one of those changes (and every few minutes, because phases and day parts move with
time); the step itself only reads it. What a tick needs of it again and again is worked out once,
when an `Aims` is made, and kept beside it as its plans.
"""

from dataclasses import dataclass, field
from math import inf, nan
from typing import Final, NamedTuple

from config.bounds import BASE_CEILING_C, BASE_TRIP_C
from config.model import MistTime, Site
from controller.decide.leases import usual_lease_s
from controller.decide.limits import Limits, limits_for, times_new
from controller.decide.prices import Prices
from controller.records import RelayOrder
from sensors.quality import late_after_s

BARS_HEAT: Final = ("base_overheat",)
"""Alarms that keep a bay's heat off while they stand. A mat that heats against its orders is none:
ordering it off stops nothing, and if it was only suspected the cuttings would go cold."""


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
    rate_k_s, delay_s, lift_k: expected rise at full duty, its delay, and what it comes to in the
    end over an unheated base.  prices: of the half hours to come, None where they do not change or
    the bay does not go by them.  place: "north.left".
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
    lift_k: float = 14.0
    prices: Prices | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class MistAims:
    """One bench's mister. relay: "" when it has none.

    leafy: leaves that can dry stand on the bench.  unrooted: youngest batch has no roots yet.
    must_dry: one full drying a day is wanted (from callus on).  night_mist: allowed by night.
    age_days: of the youngest open batch without roots, else of the youngest.
    vpd_high_kpa: air that is too dry for one of those without roots, else for the one that leads.
    film_kpa_min_s: what a second of mist leaves on leaves.  empty: no batch is stuck, so dry, wet
    or hot air harms nothing, whatever the bench is kept ready for.
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
    film_kpa_min_s: float = 2.4
    empty: bool = False


class BayPlan(NamedTuple):
    """One bay, made ready for the tick.

    key, place: ("north", "left") and "north.left".  slow_key: of its slow windows.  off, running:
    its order to be off, and its usual one to be on.  stop_c: from here on the guards look closer.
    hot_c: limit of a hot base.  standing: alarms beyond whatever is measured.  barring: alarms that
    bar heat.
    """

    key: tuple[str, str]
    aims: BayAims
    place: str
    slow_key: tuple[str, str]
    off: RelayOrder
    running: RelayOrder
    stop_c: float
    limits: Limits
    hot_c: float
    standing: tuple[tuple[str, str], ...]
    barring: tuple[tuple[str, str], ...]


class BenchPlan(NamedTuple):
    """One bench's air and mister, made ready for the tick.

    off: None without a mister.  top_hot_c, saturated_h: limits, inf where there is none.
    dry_kpa: deficit that the leaves bear without end, inf where none can dry.  dry_most,
    very_dry_most: limits of what lies beyond it in sum, kPa min.
    spans, kinds: per air probe, the least span in an hour of one that does not stand still, and
    its kind.  meter_late_s: a count of the water meter covers no more than this, NaN without one.
    """

    name: str
    aims: MistAims
    slow_key: tuple[str, str]
    schedule: tuple[MistTime, ...]
    off: RelayOrder | None
    limits: Limits
    top_hot_c: float
    dry_kpa: float
    dry_most: float
    very_dry_most: float
    saturated_h: float
    spans: tuple[float, ...]
    kinds: tuple[str, ...]
    standing: tuple[tuple[str, str], ...]
    meter_late_s: float


@dataclass(frozen=True, slots=True)
class Aims:
    """All of it. site: the bench file itself, for names, places and alarm changes.

    bays, mist: not to be changed afterwards; bay_plans, bench_plans are made of them, in the same
    order.  shares_supply: mats of a bench may have to take turns.
    Raises KeyError for a bay or bench that is not in the bench file.
    """

    site: Site
    bays: dict[tuple[str, str], BayAims] = field(default_factory=dict)
    mist: dict[str, MistAims] = field(default_factory=dict)
    bay_plans: tuple[BayPlan, ...] = field(init=False, repr=False, compare=False)
    bench_plans: tuple[BenchPlan, ...] = field(init=False, repr=False, compare=False)
    shares_supply: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        lease_s = usual_lease_s(self.site.site.tick_s)
        limits = {name: limits_for(bench.alarms) for name, bench in self.site.benches.items()}
        bays = tuple(
            _bay_plan(key, aims, limits[key[0]], lease_s) for key, aims in self.bays.items()
        )
        benches = tuple(
            _bench_plan(self.site, name, aims, limits[name]) for name, aims in self.mist.items()
        )
        object.__setattr__(self, "bay_plans", bays)
        object.__setattr__(self, "bench_plans", benches)
        shares = any(
            bench.supply_w is not None and len(bench.bays) > 1
            for bench in self.site.benches.values()
        )
        object.__setattr__(self, "shares_supply", shares)


def _bay_plan(key: tuple[str, str], aims: BayAims, limits: Limits, lease_s: float) -> BayPlan:
    place = f"{key[0]}.{key[1]}"
    standing = []
    if not aims.has_cutout:
        standing.append(("cutout_missing", place))
    if not aims.leased:
        standing.append(("lease_missing", place))
    return BayPlan(
        key,
        aims,
        place,
        ("base", place),
        RelayOrder(aims.relay, 0.0),
        RelayOrder(aims.relay, lease_s),
        min(aims.trip_c, BASE_TRIP_C, aims.ceiling_c, BASE_CEILING_C),
        limits,
        max(min(aims.hot_above_c, aims.target_c + limits.base_hot), aims.good_high_c),
        tuple(standing),
        tuple((name, place) for name in BARS_HEAT),
    )


DRY_LEAST_KPA: Final = 0.5
"""No phase is taken to ask for damper air than this; own choice."""
AIR_SPAN_LEAST: Final = {"air_temperature": 0.1, "humidity": 0.2}
"""A probe in the air that moves by less in an hour stands still, K and %; others may stand still
by themselves."""


def _bench_plan(site: Site, name: str, aims: MistAims, limits: Limits) -> BenchPlan:
    bench = site.benches[name]
    dry_kpa = saturated_h = inf
    if aims.leafy and not aims.empty:
        saturated_h = limits.air_saturated if aims.must_dry else max(24.0, limits.air_saturated)
        if aims.unrooted:
            dry_kpa = max(DRY_LEAST_KPA, aims.vpd_high_kpa)
    top_hot_c = limits.top_hot if limits.top_hot == limits.top_hot else aims.top_hot_c
    if aims.empty:
        top_hot_c = inf
    times = times_new(aims.age_days)
    meters = [probe for probe in bench.air.probes if probe.kind == "water_meter"]
    meters_late_s = [late_after_s(probe.every_s) for probe in meters]
    return BenchPlan(
        name,
        aims,
        ("air", name),
        bench.mist.schedule,
        RelayOrder(aims.relay, 0.0) if aims.relay else None,
        limits,
        top_hot_c,
        dry_kpa,
        limits.air_dry * times,
        limits.air_very_dry * times,
        saturated_h,
        tuple(AIR_SPAN_LEAST.get(probe.kind, -inf) for probe in bench.air.probes),
        tuple(probe.kind for probe in bench.air.probes),
        (("mist_lease_missing", name),) if aims.relay and not aims.leased else (),
        max(meters_late_s, default=nan),
    )
