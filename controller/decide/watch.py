"""Alarm conditions: how far each one is beyond its limit, at every place, every tick.

A number above 0 is beyond the limit; at or below minus the deadband it has come back; NaN means
that it cannot be known now. Slow windows come ready from `watch_slow`. The order of the numbers is
that of the name tuples below. Most ticks only ask `quiet` whether any is beyond at all.
"""

from collections.abc import Container, Mapping
from math import inf, isfinite, nan
from typing import Final

from config.model import Bench, Probe, Site, probe_id
from controller.decide.aims import AIR_SPAN_LEAST, Aims, BayPlan, BenchPlan
from controller.decide.alarm_table import rows
from controller.decide.cooling import HOT_AFTER_S
from controller.decide.mist_meter import WATERLESS
from controller.decide.state import BayState, MistState, State
from controller.decide.watch_base import FRESH_BASE
from controller.decide.watch_slow import (
    AWAY,
    AWAY_S,
    FRESH_AIR,
    STANDS_S,
    Watch,
    restarts_of_hour,
)
from controller.records import BayDecision
from sensors.clock import Now
from sensors.readings import (
    BayView,
    BenchView,
    Flag,
    LinkView,
    ProbeView,
    RelayReport,
    Snapshot,
)

BAY_ALARMS: Final = (
    "base_cold", "base_very_cold", "base_hot", "base_overheat", "base_sun_hot",
    "cold_base_hot_top",
    "probes_disagree", "mat_dead", "mat_at_limit", "mat_weak", "mat_stuck_on",
    "relay_disagrees", "hold_left_on", "cutout_missing", "lease_missing",
)  # fmt: skip
BENCH_ALARMS: Final = (
    "top_hot", "air_dry", "air_very_dry", "air_saturated", "mist_no_answer", "mister_stuck",
    "water_runs", "humidity_doubted", "mist_budget_spent", "mist_hold_left_on",
    "mist_lease_missing",
)  # fmt: skip
PROBE_ALARMS: Final = ("probe_silent", "probe_frozen", "probe_implausible")
LINK_ALARMS: Final = ("link_lost", "board_restarting")
SITE_ALARMS: Final = (
    "controller_away", "clock_stepped", "clock_untrusted", "journal_failing", "journal_filling",
    "alert_route_failing",
)  # fmt: skip

REPORT_FRESH_S: Final = 30.0
"""An older report of a relay says nothing about now."""
REPORT_LAG_S: Final = 10.0
"""A board must follow an order within this."""
CHILL_C: Final = 5.0
"""A base below this is told even while it warms up. Common practice, no source."""
SITE_PLACE: Final = "site"
DISK_FREE_LEAST_PCT: Final = rows()["journal_filling"].threshold

LINK_QUIET_S: Final = 60.0
"""A wire is never called lost before this."""
RESTARTS_MOST: Final = rows()["board_restarting"].threshold - 0.5
REJECT_SHARE_MOST: Final = 0.05
UNANSWERED_MOST: Final = 2.5
LEAK_MOST_ML: Final = 200.0
BASE_SPAN_LEAST_K: Final = 0.1
"""A base probe that moves by less in three hours stands still."""

Excess = tuple[float, ...]
Scan = tuple[tuple[str, ...], str, Excess]
"""One place: the names of its alarms, the place, and in the names' order how far each is beyond."""


def cold_limits(plan: BayPlan, target_c: float, warming: bool) -> tuple[float, float]:
    """(cold, very cold) limits of a base, degC, from the target in force.

    Very cold is below what the recipe calls slow, however high the target. While the bay warms up
    from cold it is only what chills within hours, and it is not known what would be cold: NaN.
    """
    very_cold_c = min(target_c - plan.limits.base_very_cold, plan.aims.slow_below_c)
    if warming:
        return nan, min(very_cold_c, CHILL_C)
    return target_c - plan.limits.base_cold, very_cold_c


def bay_excess(
    plan: BayPlan,
    held: BayState,
    view: BayView,
    top_c: float,
    target_c: float,
    slow: tuple[float, ...],
    report: RelayReport | None,
    now_s: float,
) -> Excess:
    """Conditions of one bay, in the order of BAY_ALARMS."""
    aims, limits = plan.aims, plan.limits
    base_c = view.base_c
    cold_c, very_cold_c = cold_limits(plan, target_c, slow[1] > 0.0)
    stuck = slow[8]
    disagrees = -1.0
    if report is not None and report.on is not held.on:
        if now_s - report.heard_s > REPORT_FRESH_S:
            disagrees = nan
        elif min(now_s, report.heard_s) - held.since_s > REPORT_LAG_S:
            if report.on:
                stuck = 1.0
            else:
                disagrees = 1.0
    overheat = -9.0
    if held.tripped:
        # Unknown counts as hot here: a trip is never let go for want of a reading.
        overheat = -9.0 if view.hottest_c <= aims.trip_c - 2.0 else 1.0
    return (
        cold_c - base_c,
        very_cold_c - base_c,
        base_c - plan.hot_c,
        overheat,
        1.0 if held.sunned else -1.0,
        _cold_under_hot(base_c, top_c, aims.slow_below_c, limits.cold_base_hot_top),
        max(view.spread_k - limits.probes_disagree - slow[9], slow[10]),
        slow[5],
        slow[6],
        slow[7] - limits.mat_weak,
        stuck,
        disagrees,
        1.0 if held.hold else -1.0,
        -1.0 if aims.has_cutout else 1.0,
        -1.0 if aims.leased else 1.0,
    )


def _cold_under_hot(base_c: float, top_c: float, slow_below_c: float, apart_k: float) -> float:
    below_k = slow_below_c - base_c
    apart = top_c - base_c - apart_k
    if below_k != below_k or apart != apart:
        return nan
    return below_k if below_k < apart else apart


def bench_excess(
    plan: BenchPlan,
    held: MistState,
    view: BenchView,
    slow: tuple[float, ...],
    report: RelayReport | None,
    now_s: float,
) -> Excess:
    """Conditions of one bench, in the order of BENCH_ALARMS."""
    aims = plan.aims
    dry = very_dry = saturated = no_answer = spent = -9.0
    if plan.saturated_h < inf:
        saturated = slow[0] / 3600.0 - plan.saturated_h
    if plan.dry_kpa < inf:
        # Not known how dry it is: the strain stands still, and says nothing.
        strain = slow[3] if view.vpd_kpa == view.vpd_kpa else nan
        dry = strain - plan.dry_most
        very_dry = strain - plan.very_dry_most
    if aims.relay:
        no_answer = max(held.unanswered - UNANSWERED_MOST, held.metered.missed - (WATERLESS - 0.5))
        spent = max(slow[2] - aims.hour_budget_s, held.day_used_s - aims.day_budget_s) + 1e-6
    stuck = held.stuck
    if report is not None and report.on and not stuck:
        heard_s = report.heard_s
        stuck = heard_s - held.on_until_s > REPORT_LAG_S and now_s - heard_s <= REPORT_FRESH_S
    hot_k = view.top_c - plan.top_hot_c
    return (
        # Hot, but not for long enough: neither beyond nor back.
        min(hot_k, 0.0) if slow[4] < HOT_AFTER_S else hot_k,
        dry,
        very_dry,
        saturated,
        no_answer,
        1.0 if stuck else -1.0,
        slow[5] - LEAK_MOST_ML,
        1.0 if slow[7] > 0.0 else -1.0,
        spent,
        1.0 if held.hold else -1.0,
        -1.0 if aims.leased or not aims.relay else 1.0,
    )


_UNKNOWN_PROBE: Final = (nan, nan, nan)


def probe_excess(view: ProbeView, should_have_moved: bool | None) -> Excess:
    """Conditions of one probe, in the order of PROBE_ALARMS.

    should_have_moved: for a probe that stands still; None when it is not known.
    """
    if view.reading.flag == Flag.MISSING:
        return (1.0, nan, nan)
    frozen = -1.0
    if should_have_moved is None:
        frozen = nan
    elif should_have_moved:
        frozen = 1.0
    # Six refused of a hundred, so that a probe's first few samples after a start cannot raise it.
    bad = view.reject_run >= 3 or (view.reject_share > REJECT_SHARE_MOST and view.rejected >= 6)
    return (-1.0, frozen, 1.0 if bad else -1.0)


def base_probe_excess(view: ProbeView, bay: BayView, frozen: bool) -> Excess:
    """Conditions of a base probe. frozen: as `watch_probes` found it."""
    span_k = view.span_3h
    if frozen:
        return probe_excess(view, True)
    if span_k >= BASE_SPAN_LEAST_K:
        return probe_excess(view, False)
    if span_k != span_k:
        return probe_excess(view, None)
    return probe_excess(view, any(other.span_3h >= 0.5 for other in bay.probes))


def air_probe_excess(view: ProbeView, kind: str, bench: BenchView) -> Excess:
    """House and light stand still by themselves; top and humidity are judged by their partners."""
    span = view.span_1h
    least = AIR_SPAN_LEAST.get(kind)
    if least is None or span >= least:
        return probe_excess(view, False)
    if span != span:
        return probe_excess(view, None)
    others = [o for o in bench.air if o is not view and o.reading.unit == "degC"]
    if kind == "humidity" and view.reading.value >= 98.0:
        # Near saturation a sensor rightly stands at its stop; a large swing of the air moves it.
        moved = view.span_3h < 0.2 and any(o.span_3h >= 4.0 for o in others)
    elif others:
        moved = any(o.span_1h >= 0.5 for o in others)
    else:
        moved = view.span_3h < 0.1 and any(
            p.span_3h >= 0.5 for bay in bench.bays.values() for p in bay.probes
        )
    return probe_excess(view, moved)


def find_probe(site: Site, probe: str) -> Probe | None:
    """The bench file's entry for a probe id, or None."""
    bench_name, _, rest = probe.partition(".")
    bench = site.benches.get(bench_name)
    if bench is None:
        return None
    bay_name = rest.partition(".")[0]
    if bay_name in bench.bays:
        for found in bench.bays[bay_name].probes:
            if probe_id(bench_name, bay_name, found) == probe:
                return found
    for found in bench.air.probes:
        if probe_id(bench_name, None, found) == probe:
            return found
    return None


def due(site: Site, view: ProbeView, excess: Excess, since_start_s: float) -> Excess:
    """The conditions as they are, or unknown for a probe that need not have reported yet."""
    if excess[0] < 0.0 or view.age_s != inf:
        return excess
    found = find_probe(site, view.reading.probe)
    if found is not None and since_start_s < max(120.0, 3 * found.every_s):
        return _UNKNOWN_PROBE
    return excess


def link_excess(site: Site, name: str, view: LinkView, since_start_s: float) -> float:
    """Beyond when the wire is closed, or quiet for three intervals of its quickest probe."""
    if not view.health.up:
        return 1.0
    if view.quiet_s <= LINK_QUIET_S:
        return -1.0
    every_s = min(
        (
            p.every_s
            for bench in site.benches.values()
            for p in _all_probes(bench)
            if p.link == name
        ),
        default=inf,
    )
    return min(view.quiet_s, since_start_s) - max(LINK_QUIET_S, 3 * every_s)


def restart_excess(watch: Watch, name: str) -> float:
    """Beyond when a board of the link started anew so often within the hour."""
    return restarts_of_hour(watch, name) - RESTARTS_MOST


def _all_probes(bench: Bench) -> list[Probe]:
    return [*bench.air.probes, *(p for bay in bench.bays.values() for p in bay.probes)]


def away_s(watch: Watch, service: Mapping[str, float], now_s: float, since_start_s: float) -> float:
    """Seconds without control that ended within the last STANDS_S: before the start or since."""
    before_s = service.get("away_s", 0.0) if since_start_s < STANDS_S else 0.0
    gap_s, at_s = watch.get(AWAY, (0.0, -inf))
    return max(before_s, gap_s if now_s - at_s < STANDS_S else 0.0)


def site_excess(
    watch: Watch, service: Mapping[str, float], now: Now, since_start_s: float
) -> Excess:
    """Conditions of the site, in the order of SITE_ALARMS. service: see `alarms`."""
    get = service.get
    step_at_s = get("clock_step_at_s", -inf)
    stepped_s = abs(get("clock_step_s", 0.0)) if now.mono_s - step_at_s < STANDS_S else 0.0
    return (
        away_s(watch, service, now.mono_s, since_start_s) - AWAY_S,
        stepped_s - 60.0,
        -1.0 if now.trusted else 1.0,
        get("journal_failed_s", 0.0) - 30.0,
        DISK_FREE_LEAST_PCT - 100.0 * get("disk_free_share", 1.0),
        get("route_failed_s", 0.0) or -1.0,
    )


def since_start(after: State, now_s: float) -> float:
    """Seconds since this run began; inf where that is not known."""
    return now_s - after.started_s if isfinite(after.started_s) else inf


def scan(
    aims: Aims,
    after: State,
    watch: Watch,
    snapshot: Snapshot,
    bays: tuple[BayDecision, ...],
    service: Mapping[str, float],
    now: Now,
    places: Container[str],
) -> list[Scan]:
    """Every condition at each of `places`. watch: as `watch_slow.remember` left it."""
    now_s = now.mono_s
    since_start_s = since_start(after, now_s)
    relays = snapshot.relays
    site = aims.site
    found: list[Scan] = []
    for decision, bay_plan in zip(bays, aims.bay_plans, strict=True):
        bench, bay = bay_plan.key
        view = snapshot.benches[bench]
        bay_view = view.bays[bay]
        slow = watch.get(bay_plan.slow_key, FRESH_BASE)
        if bay_plan.place in places:
            excess = bay_excess(
                bay_plan, after.bays[bay_plan.key], bay_view, view.top_c, decision.target_c, slow,
                relays.get(bay_plan.aims.relay), now_s,
            )  # fmt: skip
            found.append((BAY_ALARMS, bay_plan.place, excess))
        for probe in bay_view.probes:
            if probe.reading.probe in places:
                frozen = ("frozen", probe.reading.probe) in watch
                excess = base_probe_excess(probe, bay_view, frozen)
                excess = due(site, probe, excess, since_start_s)
                found.append((PROBE_ALARMS, probe.reading.probe, excess))
    for plan in aims.bench_plans:
        view = snapshot.benches[plan.name]
        if plan.name in places:
            excess = bench_excess(
                plan, after.mist[plan.name], view, watch.get(plan.slow_key, FRESH_AIR),
                relays.get(plan.aims.relay), now_s,
            )  # fmt: skip
            found.append((BENCH_ALARMS, plan.name, excess))
        for probe, planned in zip(view.air, site.benches[plan.name].air.probes, strict=False):
            if probe.reading.probe in places:
                excess = air_probe_excess(probe, planned.kind, view)
                excess = due(site, probe, excess, since_start_s)
                found.append((PROBE_ALARMS, probe.reading.probe, excess))
    for name, link in snapshot.links.items():
        if name in places:
            lost = link_excess(site, name, link, since_start_s)
            found.append((LINK_ALARMS, name, (lost, restart_excess(watch, name))))
    if SITE_PLACE in places:
        found.append((SITE_ALARMS, SITE_PLACE, site_excess(watch, service, now, since_start_s)))
    return found
