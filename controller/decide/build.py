"""From the bench file and the open batches to what every bay and bench should aim at now."""

from collections.abc import Sequence
from datetime import UTC, datetime, time
from math import inf, nan
from typing import Final, NamedTuple

from config.bounds import (
    BASE_CEILING_C,
    BASE_CEILING_NO_CUTOUT_C,
    BASE_TRIP_C,
    BASE_TRIP_NO_CUTOUT_C,
)
from config.model import Bay, Bench, HeatPlan, MistPlan, Site, mat_id, mister_id
from controller.decide.aims import Aims, BayAims, MistAims
from controller.decide.leaf import FILM_USUAL_KPA_MIN_S, film_kpa_min_s
from controller.decide.lots import Lot, held_at, leader, lots_of, needier
from controller.decide.prices import Prices, prices_at
from controller.decide.tuning import (
    Gains,
    bench_gains,
    bounded,
    expected_delay_s,
    expected_lift_k,
    expected_rate_k_s,
)
from controller.records import Batch
from sensors.clock import Now

DIFFERENCE_C: Final = 3.0
"""Wanted base minus top without a recipe (common practice: 3 to 6 K, no one source)."""
TOP_HOT_C: Final = 28.0
"""Top limit without a recipe (common practice, no source)."""
BAND_K: Final = 2.0
"""Half the good band around an explicit target without a recipe."""
SLOW_K: Final = 4.0
HOT_K: Final = 4.0
FROST_GUARD: Final = "frost guard, no batch is stuck"
"""Where the target of an empty bay comes from that only frost is kept off."""
VPD_RESTING_KPA: Final = (0.1, 1.0)
BURST_S: Final = 5.0
BURST_LEAST_S: Final = 3.0
"""Shortest usual burst; shorter ones go into filling the line. Common practice, no source."""
FILM_OVER: Final = 1.5
"""Water given for what dries between two bursts, as some leaves catch less; own choice."""


def build_aims(site: Site, batches: Sequence[Batch], now: Now) -> Aims:
    """What to aim at now. Every few minutes, and whenever bench file or batches change.

    batches: open ones; closed ones and those of places not in the bench file are passed over.
    Raises what an unreadable frozen recipe raises (pydantic's ValidationError).
    """
    bays: dict[tuple[str, str], BayAims] = {}
    mist: dict[str, MistAims] = {}
    minute = _local_minute(site, now)
    prices = prices_at(site.tariff, site.site.timezone, now.utc_s) if now.trusted else None
    for bench_name, bench in site.benches.items():
        on_bench: list[Lot] = []
        for index, (bay_name, bay) in enumerate(bench.bays.items()):
            lots = lots_of(batches, bench_name, bay_name, now)
            on_bench += lots
            if not lots and bench.recipe is not None:
                lots = [held_at(bench.recipe)]
            stagger = index / len(bench.bays)
            bays[bench_name, bay_name] = _bay_aims(
                bench_name, bay_name, bay, bench.heat_for(bay_name), lots, minute, stagger, prices
            )
        mist[bench_name] = _mist_aims(bench_name, bench, on_bench)
    return Aims(site, bays, mist)


def _local_minute(site: Site, now: Now) -> int | None:
    """Minutes since local midnight; None while the clock is not to be trusted."""
    if not now.trusted:
        return None
    local = datetime.fromtimestamp(now.utc_s, UTC).astimezone(site.site.zone)
    return local.hour * 60 + local.minute


# -- heat -------------------------------------------------------------------------------------


class _Band(NamedTuple):
    target_c: float
    low_c: float
    high_c: float
    slow_c: float
    hot_c: float
    why: str


def _bay_aims(
    bench: str,
    name: str,
    bay: Bay,
    plan: HeatPlan,
    lots: list[Lot],
    minute: int | None,
    stagger: float,
    prices: Prices | None,
) -> BayAims:
    mat = bay.mat
    declared = mat.cutout == "declared"
    ceiling_c = BASE_CEILING_C if declared else BASE_CEILING_NO_CUTOUT_C
    trip_c = BASE_TRIP_C if declared else BASE_TRIP_NO_CUTOUT_C
    band = _band(plan, lots, minute, trip_c - 1.0)
    rate_k_s = expected_rate_k_s(mat.power_w, mat.area_m2)
    heights = [probe.height_mm for probe in bay.probes if probe.height_mm is not None]
    delay_s = expected_delay_s(sum(heights) / len(heights) if heights else None)
    given = (plan.gain_duty_per_k, plan.integral_s, plan.derivative_s)
    gains = _gains(given, bench_gains(rate_k_s, delay_s, plan.window_s))
    resting = band is None
    guarding = band is not None and band.why == FROST_GUARD
    if band is None:
        band = _Band(nan, nan, nan, nan, nan, "no batch is stuck and no target is set")
    return BayAims(
        bench=bench,
        bay=name,
        relay=mat_id(bench, name),
        power_w=mat.power_w,
        resting=resting,
        target_c=band.target_c,
        good_low_c=band.low_c,
        good_high_c=band.high_c,
        slow_below_c=band.slow_c,
        hot_above_c=band.hot_c,
        ceiling_c=ceiling_c,
        trip_c=trip_c,
        difference_c=_difference_c(plan, lots),
        top_hot_c=min((lot.recipe.top_hot_c for lot in lots), default=TOP_HOT_C),
        gain_duty_per_k=gains.gain,
        integral_s=gains.integral_s,
        derivative_s=gains.derivative_s,
        window_s=plan.window_s,
        shortest_s=plan.shortest_s,
        stagger=stagger,
        has_cutout=declared,
        leased=mat.lease != "none",
        why=band.why,
        tuned=any(value is not None for value in given),
        rate_k_s=rate_k_s,
        delay_s=delay_s,
        lift_k=expected_lift_k(mat.power_w, mat.area_m2),
        prices=prices if plan.warm_early and not plan.parts and not guarding else None,
        place=f"{bench}.{name}",
    )


def _gains(given: tuple[float | None, float | None, float | None], usual: Gains) -> Gains:
    """The bench file's settings where it gives them."""
    gain, integral_s, derivative_s = given
    return Gains(
        usual.gain if gain is None else gain,
        usual.integral_s if integral_s is None else integral_s,
        usual.derivative_s if derivative_s is None else derivative_s,
    )


def _difference_c(plan: HeatPlan, lots: list[Lot]) -> float:
    if plan.difference_c is not None:
        return plan.difference_c
    return max((lot.recipe.difference_c for lot in lots), default=DIFFERENCE_C)


def _band(plan: HeatPlan, lots: list[Lot], minute: int | None, most_c: float) -> _Band | None:
    """Target and limits of a bay; None when nothing asks for warmth.

    most_c: no target comes closer to the trip than this.
    """
    if not lots and plan.target_c is None:
        return None if plan.frost_c is None else _frost_guard(plan.frost_c, most_c)
    if lots:
        lead = leader(lots)
        band = _common_band(lots, lead)
    else:
        target_c = plan.target_c or nan
        band = _Band(
            target_c, target_c - BAND_K, target_c + BAND_K, target_c - SLOW_K, target_c + HOT_K,
            "bench file",
        )  # fmt: skip
    low_c = band.low_c if plan.good_low_c is None else plan.good_low_c
    high_c = band.high_c if plan.good_high_c is None else plan.good_high_c
    hot_c = band.hot_c if plan.hot_above_c is None else plan.hot_above_c
    target_c, why = _asked(plan, band, low_c, high_c, minute)
    target_c = min(target_c, most_c)
    low_c = min(low_c, target_c)
    high_c = max(min(high_c, most_c + 1.0), target_c)
    slow_c = min(band.slow_c, low_c)
    return _Band(target_c, low_c, high_c, slow_c, max(hot_c, high_c), why)


def _frost_guard(frost_c: float, most_c: float) -> _Band:
    """An empty bay that is only kept from freezing: any warmth above that is as good."""
    high_c = most_c + 1.0
    return _Band(frost_c, frost_c, high_c, frost_c, high_c, FROST_GUARD)


def _common_band(lots: list[Lot], lead: Lot) -> _Band:
    """The leader's target within the bands of all; where those do not meet, the leader's own."""
    shifts = [min(0.0, lot.phase.base_shift_c) for lot in lots]
    low_c = max(lot.recipe.good_low_c + shift for lot, shift in zip(lots, shifts, strict=True))
    high_c = min(lot.recipe.good_high_c for lot in lots)
    if low_c > high_c:
        low_c = lead.recipe.good_low_c + min(0.0, lead.phase.base_shift_c)
        high_c = lead.recipe.good_high_c
    return _Band(
        bounded(lead.base_c, low_c, high_c),
        low_c,
        high_c,
        lead.recipe.slow_below_c + min(0.0, lead.phase.base_shift_c),
        min(lot.recipe.hot_above_c for lot in lots),
        lead.why,
    )


def _asked(
    plan: HeatPlan, band: _Band, low_c: float, high_c: float, minute: int | None
) -> tuple[float, str]:
    """The target: day part first, then the bench file's, then where in the band to ride."""
    if minute is not None:
        for part in plan.parts:
            if _within(part.start, part.end, minute):
                return part.target_c, f"bench file, {part.start:%H:%M} to {part.end:%H:%M}"
    if plan.target_c is not None:
        return plan.target_c, "bench file"
    if plan.ride == "low":
        return (low_c + band.target_c) / 2.0, band.why
    if plan.ride == "high":
        return (high_c + band.target_c) / 2.0, band.why
    return bounded(band.target_c, low_c, high_c), band.why


def _within(start: time, end: time, minute: int) -> bool:
    """Whether a local minute lies in start..end, over midnight when end is not after start."""
    first, last = start.hour * 60 + start.minute, end.hour * 60 + end.minute
    if first < last:
        return first <= minute < last
    return minute >= first or minute < last


# -- mist -------------------------------------------------------------------------------------


def _mist_aims(bench: str, plan: Bench, lots: list[Lot]) -> MistAims:
    """Mist of a bench; the batch that needs it most leads among those with leaves."""
    empty = not lots
    if not lots and plan.recipe is not None:
        lots = [held_at(plan.recipe)]
    mist, mister = plan.mist, plan.mister
    leaves = [lot for lot in lots if lot.recipe.leafy]
    # A dose or clock times written into the bench file ask for mist without any batch.
    asked = not lots and (mist.dose_kpa_min is not None or bool(mist.schedule))
    lead = needier(leaves or lots) if lots else None
    low_kpa, high_kpa = VPD_RESTING_KPA
    phase = lead.phase if lead is not None else None
    fresh = [lot for lot in leaves if lot.unrooted]
    if phase is not None:
        low_kpa = phase.vpd_low_kpa
        high_kpa = min((lot.phase.vpd_high_kpa for lot in fresh), default=phase.vpd_high_kpa)
    dose = _dose(mist, lead)
    film = FILM_USUAL_KPA_MIN_S
    if mister is not None:
        film = film_kpa_min_s(mister.flow_ml_per_s, mister.area_m2)
    return MistAims(
        bench=bench,
        relay="" if mister is None else mister_id(bench),
        resting=mister is None or not (leaves or asked),
        leafy=bool(leaves) or asked,
        unrooted=asked or bool(fresh),
        phase="" if phase is None else phase.name,
        age_days=min((lot.age_days for lot in fresh or lots), default=0.0),
        vpd_low_kpa=low_kpa,
        vpd_high_kpa=high_kpa,
        dose_kpa_min=dose,
        burst_s=mist.burst_s or _burst_s(BURST_S if phase is None else phase.burst_s, dose, film),
        night_mist=phase is not None and phase.night_mist,
        must_dry=phase is not None and phase.name != "stick",
        shortest_gap_s=mist.shortest_gap_s,
        hour_budget_s=mist.hour_budget_s,
        day_budget_s=mist.day_budget_s,
        survival_every_s=mist.survival_every_min * 60.0,
        survival_burst_s=mist.survival_burst_s,
        cool_top=mist.cool_top,
        top_hot_c=min((lot.recipe.top_hot_c for lot in lots), default=TOP_HOT_C),
        leased=mister is None or mister.lease != "none",
        why=lead.why if lead is not None else "bench file" if asked else "no batch is stuck",
        film_kpa_min_s=film,
        empty=empty,
    )


def _burst_s(usual_s: float, dose: float | None, film: float) -> float:
    """The phase's burst, shortened to what the leaves lose between two: more would only run off."""
    if dose is None:
        return usual_s
    return min(usual_s, max(BURST_LEAST_S, FILM_OVER * dose / film))


def _dose(plan: MistPlan, lead: Lot | None) -> float | None:
    """The phase's dose of today. The bench file's, if it gives one, takes the first day's place.

    It grows like the phase's, and no further than to the next phase's first dose.
    """
    own = plan.dose_kpa_min
    if lead is None:
        return own
    dose = lead.dose_kpa_min
    if own is None or dose is None or lead.phase.dose_kpa_min is None:
        return dose
    highest = lead.recipe.dose_kpa_min(lead.phase.name, inf)
    grown = own * dose / lead.phase.dose_kpa_min
    return own if highest is None else min(grown, max(own, highest))
