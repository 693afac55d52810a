"""What is beyond its limit now - as a rule nothing, which is to cost a few comparisons a place.

Each place is first asked whether it is calm; only one that is not has its conditions worked out in
full. To call a calm place not calm costs time; to call another calm would lose an alarm, so every
test here is that of `watch` itself, and NaN, not known, is beyond nothing.
"""

from collections.abc import Mapping
from math import inf
from typing import Final

from controller.decide.aims import Aims, BayPlan, BenchPlan
from controller.decide.state import BayState, MistState, State
from controller.decide.watch import (
    BASE_SPAN_LEAST_K,
    BAY_ALARMS,
    BENCH_ALARMS,
    CHILL_C,
    DISK_FREE_LEAST_PCT,
    LEAK_MOST_ML,
    LINK_QUIET_S,
    PROBE_ALARMS,
    REJECT_SHARE_MOST,
    SITE_ALARMS,
    SITE_PLACE,
    UNANSWERED_MOST,
    Excess,
    air_probe_excess,
    base_probe_excess,
    bay_excess,
    bench_excess,
    due,
    link_excess,
    restart_excess,
    since_start,
    site_excess,
)
from controller.decide.watch_base import FRESH_BASE
from controller.decide.watch_slow import AWAY, AWAY_S, FRESH_AIR, STANDS_S, Watch
from controller.records import BayDecision
from sensors.clock import Now
from sensors.readings import BayView, Flag, RelayReport, Snapshot

Key = tuple[str, str]
Beyond = Mapping[Key, float]

_NEVER: Final = (0.0, 0.0)
_PASS: Final = Flag.PASS


def beyond(
    aims: Aims,
    after: State,
    watch: Watch,
    snapshot: Snapshot,
    bays: tuple[BayDecision, ...],
    service: Mapping[str, float],
    now: Now,
) -> dict[Key, float]:
    """How far each alarm that is beyond its limit is beyond it. Arguments: see `watch.scan`."""
    found: dict[Key, float] = {}
    now_s = now.mono_s
    relays = snapshot.relays
    for decision, plan in zip(bays, aims.bay_plans, strict=True):
        key = plan.key
        view = snapshot.benches[key[0]]
        bay_view = view.bays[key[1]]
        slow = watch.get(plan.slow_key, FRESH_BASE)
        held = after.bays[key]
        top_c, target_c = view.top_c, decision.target_c
        report = relays.get(plan.aims.relay)
        if not _bay_is_calm(plan, held, bay_view, top_c, target_c, slow, report):
            excess = bay_excess(plan, held, bay_view, top_c, target_c, slow, report, now_s)
            _add(found, BAY_ALARMS, plan.place, excess)
        for standing in plan.standing:
            found[standing] = 1.0
        frozen = slow[11]
        for probe in bay_view.probes:
            reading, _, _, _, share, run, _, span_3h = probe
            if (
                span_3h < BASE_SPAN_LEAST_K
                or frozen
                or run
                or reading[6] != _PASS
                or share > REJECT_SHARE_MOST
            ):
                excess = base_probe_excess(probe, bay_view, ("frozen", reading[0]) in watch)
                excess = due(aims.site, probe, excess, since_start(after, now_s))
                _add(found, PROBE_ALARMS, reading[0], excess)
    for bench in aims.bench_plans:
        name = bench.name
        view = snapshot.benches[name]
        slow = watch.get(bench.slow_key, FRESH_AIR)
        mist = after.mist[name]
        report = relays.get(bench.aims.relay)
        if not _bench_is_calm(bench, mist, view.top_c, slow, report):
            excess = bench_excess(bench, mist, view, slow, report, now_s)
            _add(found, BENCH_ALARMS, name, excess)
        for standing in bench.standing:
            found[standing] = 1.0
        for probe, least, kind in zip(view.air, bench.spans, bench.kinds, strict=False):
            reading, _, _, _, share, run, span_1h, _ = probe
            if span_1h < least or run or reading[6] != _PASS or share > REJECT_SHARE_MOST:
                excess = air_probe_excess(probe, kind, view)
                excess = due(aims.site, probe, excess, since_start(after, now_s))
                _add(found, PROBE_ALARMS, reading[0], excess)
    for name, link in snapshot.links.items():
        if link[1] > LINK_QUIET_S or not link[0].up:
            far = link_excess(aims.site, name, link, since_start(after, now_s))
            if far > 0.0:
                found["link_lost", name] = far
        if link[2] or link[0].reopened:
            often = restart_excess(watch, name)
            if often > 0.0:
                found["board_restarting", name] = often
    if not _site_is_calm(watch, service, now):
        excess = site_excess(watch, service, now, since_start(after, now_s))
        _add(found, SITE_ALARMS, SITE_PLACE, excess)
    return found


def _add(found: dict[Key, float], names: tuple[str, ...], place: str, excess: Excess) -> None:
    for name, x in zip(names, excess, strict=True):
        if x > 0.0:
            found[name, place] = x


def _bay_is_calm(
    plan: BayPlan,
    held: BayState,
    view: BayView,
    top_c: float,
    target_c: float,
    slow: tuple[float, ...],
    report: RelayReport | None,
) -> bool:
    """True when no alarm of the bay is beyond, those apart that stand whatever is measured."""
    base_c, _, spread_k, _, _, _ = view
    _, aims, _, _, _, _, _, limits, hot_c, _, _ = plan
    _, warm_left_s, _, _, _, dead, at_limit, times_usual, stuck, spread_most_k, apart, _ = slow
    very_cold_c = target_c - limits.base_very_cold
    slow_below_c = aims.slow_below_c
    if very_cold_c > slow_below_c:
        very_cold_c = slow_below_c
    if warm_left_s > 0.0:
        if base_c < CHILL_C and base_c < very_cold_c:
            return False
    elif base_c < target_c - limits.base_cold or base_c < very_cold_c:
        return False
    return not (
        base_c > hot_c
        or (base_c < slow_below_c and top_c - base_c > limits.cold_base_hot_top)
        or spread_k - limits.probes_disagree - spread_most_k > 0.0
        or apart > 0.0
        or dead > 0.0
        or at_limit > 0.0
        or times_usual > limits.mat_weak
        or stuck > 0.0
        or held.tripped
        or held.sunned
        or held.hold
        or (report is not None and report[0] is not held.on)
    )


def _bench_is_calm(
    plan: BenchPlan,
    held: MistState,
    top_c: float,
    slow: tuple[float, ...],
    report: RelayReport | None,
) -> bool:
    """True when no alarm of the bench is beyond, those apart that stand whatever is measured."""
    aims = plan.aims
    return not (
        top_c > plan.top_hot_c
        or slow[3] > plan.dry_most
        or slow[0] / 3600.0 - plan.saturated_h > 0.0
        or held.unanswered > UNANSWERED_MOST
        or held.metered.missed
        or slow[5] > LEAK_MOST_ML
        or slow[7] > 0.0
        or slow[2] - aims.hour_budget_s + 1e-6 > 0.0
        or held.day_used_s - aims.day_budget_s + 1e-6 > 0.0
        or held.stuck
        or held.hold
        or (report is not None and report[0])
    )


def _site_is_calm(watch: Watch, service: Mapping[str, float], now: Now) -> bool:
    """True when no alarm of the site is beyond."""
    get = service.get
    _, mono_s, trusted = now
    away_s, ended_s = watch.get(AWAY, _NEVER)
    return trusted and not (
        get("away_s", 0.0) > AWAY_S
        or mono_s - get("clock_step_at_s", -inf) < STANDS_S
        or get("journal_failed_s", 0.0) > 30.0
        or DISK_FREE_LEAST_PCT - 100.0 * get("disk_free_share", 1.0) > 0.0
        or get("route_failed_s", 0.0) > 0.0
        or (away_s > AWAY_S and mono_s - ended_s < STANDS_S)
    )
