"""Slow windows behind some alarm conditions, brought up to date once a minute.

Everything kept is a length of time or a temperature, no clock time except that of the last sample,
so that it stays meaningful after a restart: windows with a gap in them start anew.
"""

from math import inf, isfinite, nan
from typing import Final

from controller.decide import balance, vapour, watch_base, watch_probes
from controller.decide.aims import Aims, BenchPlan
from controller.decide.cooling import hindrance, hot_s
from controller.decide.mist_meter import leaked
from controller.decide.schedule import Sky
from controller.decide.state import BayState, MistState, State
from controller.decide.strain import strained
from controller.decide.watch_base import FRESH_BASE
from controller.decide.watch_felt import FRESH_FELT, Felt, Minute, felt
from controller.records import BayDecision
from sensors.clock import Now
from sensors.readings import BenchView, LinkView, Snapshot

EVERY_S: Final = 60.0
PAST_EVERY_S: Final = 300.0
PAST: Final = 16
"""Samples of the past kept, newest last: 75 minutes."""
GAP_S: Final = 600.0
AWAY_S: Final = 900.0
"""A gap from here on is told."""
STANDS_S: Final = 600.0
"""What happened once is shown as standing for this long."""
Watch = dict[tuple[str, str], tuple[float, ...]]
MINUTE: Final = ("minute", "site")
AWAY: Final = ("away", "site")

# air: 0 saturated_s, 1 dry_s, 2 mist seconds of the last hour, 3 strain of the leaves, kPa min,
# 4 seconds of a hot top, 5 ml that ran unasked of late, 6 seconds since the last of it,
# 7 vapour pressure before a fall that is not believed, kPa, 0 for none.
FRESH_AIR: Final = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
# restarts: 0 restarts and 1 openings of the wire as last counted, then of each the last hour's, in
# twelve parts of five minutes, oldest first.
HOUR_PARTS: Final = 12
FRESH_RESTARTS: Final = (0.0,) * (2 + 2 * HOUR_PARTS)
_NEVER: Final = (-inf, -inf)
_NO_PAST: Final = (nan,) * PAST


def remember(
    aims: Aims,
    watch: Watch,
    after: State,
    snapshot: Snapshot,
    bays: tuple[BayDecision, ...],
    now: Now,
) -> Watch:
    """The windows a minute later; the same object before the minute is over."""
    now_s = now.mono_s
    sampled_s, past_s = found if len(found := watch.get(MINUTE, _NEVER)) == 2 else _NEVER
    if 0.0 <= now_s - sampled_s < EVERY_S and not sampled_s < after.started_s:
        return watch
    gap = not (0.0 <= now_s - sampled_s <= GAP_S) or sampled_s < _started(after)
    dt_s = 0.0 if gap else now_s - sampled_s
    turn = gap or now_s - past_s >= PAST_EVERY_S
    day = is_day(after)
    new: Watch = {MINUTE: (now_s, now_s if turn else past_s)}
    gap_s = now_s - sampled_s if sampled_s >= _started(after) else 0.0
    new[AWAY] = (gap_s, now_s) if AWAY_S < gap_s < inf else _sound(watch, AWAY, (0.0, -inf))
    for name, link in snapshot.links.items():
        key = ("restarts", name)
        new[key] = _restarts(_sound(watch, key, FRESH_RESTARTS), link, gap, turn)
    for plan in aims.bench_plans:
        view = snapshot.benches[plan.name]
        past_c = _past(new, watch, ("top_past", plan.name), view.top_c, gap, turn)
        vapour_kpa = vapour.vapour_kpa(view)
        past_kpa = _past(new, watch, ("vapour_past", plan.name), vapour_kpa, gap, turn)
        old_air = _sound(watch, plan.slow_key, FRESH_AIR)
        doubted_kpa = vapour.doubted_kpa(old_air[7], vapour_kpa, past_kpa, past_c, view)
        new[plan.slow_key] = _air(
            old_air,
            plan,
            after.mist[plan.name],
            view,
            after.sky,
            day,
            doubted_kpa,
            _started(after),
            now_s,
            dt_s,
        )
    for decision in bays:
        key = decision.bench, decision.bay
        place = decision.bench + "." + decision.bay
        view = snapshot.benches[decision.bench]
        bay_view = view.bays[decision.bay]
        held = after.bays[key]
        base_c = _believed_c(held, bay_view.base_c)
        air_c = view.top_c if view.top_c == view.top_c else view.house_c
        anew = gap or ("base", place) not in watch
        old = _sound(watch, ("base", place), FRESH_BASE)
        minute = Minute(
            aims, aims.bays[key], held, base_c, view.top_c, view.house_c, decision.target_c,
            _past(new, watch, ("base_past", place), base_c, gap, turn),
            _past(new, watch, ("duty_past", place), held.duty, gap, turn),
            new.get(("top_past", decision.bench), _NO_PAST),
            balance.brightest_w_m2(after.sky, view.light), now_s, dt_s, anew,
        )  # fmt: skip
        remembered = _sound(watch, ("felt", place), FRESH_FELT)
        feels = felt(Felt(*remembered), minute)
        bay = watch_probes.Bay(
            aims.bays[key], held, bay_view, feels.need_per_k, feels.duty, air_c,
            balance.sun_k_s(feels.sun_w_m2), not day, dt_s,
        )  # fmt: skip
        windows, apart, frozen = watch_probes.probes(watch, bay)
        new.update(windows)
        new["felt", place] = feels
        new["base", place] = watch_base.base(old, feels, minute, apart, frozen)
    return new


def is_day(after: State) -> bool:
    """By the sun; an unknown sky counts as day, when leaves lose most."""
    return after.sky is None or after.sky.is_day


def _believed_c(held: BayState, base_c: float) -> float:
    """The base as control had it in the last minute, which is less noisy; NaN while it is lost."""
    if held.lost_since_s != inf:
        return nan
    return held.mean_c if held.mean_c == held.mean_c else base_c


def usual_duty_per_k(watch: Watch, slow_key: tuple[str, str]) -> float:
    """Duty that usually holds one kelvin of a bay's base over the air; NaN until it is known."""
    return _sound(watch, slow_key, FRESH_BASE)[4]


def _started(after: State) -> float:
    return after.started_s if isfinite(after.started_s) else -inf


def _sound(watch: Watch, key: tuple[str, str], fresh: tuple[float, ...]) -> tuple[float, ...]:
    """What is remembered, unless it has not the shape of `fresh`, as after another version."""
    found = watch.get(key, fresh)
    return found if len(found) == len(fresh) else fresh


def _past(
    new: Watch, watch: Watch, key: tuple[str, str], value: float, gap: bool, turn: bool
) -> tuple[float, ...]:
    """Keep the past of one value: shifted every five minutes, forgotten over a gap."""
    past = _NO_PAST if gap else _sound(watch, key, _NO_PAST)
    if turn:
        past = (*past[1:], value)
    new[key] = past
    return past


def restarts_of_hour(watch: Watch, link: str) -> float:
    """Times within the hour that a board of this link started anew, or its wire was opened again.

    The more frequent of the two: a board that loses power takes its USB port along.
    """
    parts = _sound(watch, ("restarts", link), FRESH_RESTARTS)[2:]
    return max(sum(parts[:HOUR_PARTS]), sum(parts[HOUR_PARTS:]))


def _restarts(old: tuple[float, ...], link: LinkView, gap: bool, turn: bool) -> tuple[float, ...]:
    counts = (float(link.restarts), float(link.health.reopened))
    if gap:
        return (*counts, *FRESH_RESTARTS[2:])
    new: list[float] = []
    for index, count in enumerate(counts):
        parts = old[2 + index * HOUR_PARTS : 2 + (index + 1) * HOUR_PARTS]
        if turn:
            parts = (*parts[1:], 0.0)
        new += (*parts[:-1], parts[-1] + max(0.0, count - old[index]))
    return (*counts, *new)


def _air(
    old: tuple[float, ...],
    plan: BenchPlan,
    held: MistState,
    view: BenchView,
    sky: Sky | None,
    day: bool,
    doubted_kpa: float,
    started_s: float,
    now_s: float,
    dt_s: float,
) -> tuple[float, ...]:
    """Time spent saturated, which only an hour of dry air in one piece takes back, and the rest."""
    saturated_s, dry_s, _, strain, top_hot_s, leak_ml, no_leak_s, _ = old
    if view.vpd_kpa > 0.2:
        dry_s += dt_s
        if dry_s >= 3600.0:
            saturated_s = 0.0
    elif view.vpd_kpa <= 0.2:
        dry_s = 0.0
        if view.vpd_kpa < 0.1 and view.top_c >= 15.0:
            saturated_s += dt_s
    bursts_s = held.bursts_s if plan.aims.relay else ()
    used_s = sum(length_s for start_s, length_s in bursts_s if start_s > now_s - 3600.0)
    strain = strained(strain, plan.dry_kpa, held, view, sky, dt_s)
    hot = view.top_c > plan.top_hot_c
    hindered = hindrance(plan.aims, held, view, day, used_s) if hot else ""
    return (
        saturated_s,
        dry_s,
        used_s,
        strain,
        hot_s(top_hot_s, view.top_c, plan.top_hot_c, hindered, dt_s),
        *leaked(leak_ml, no_leak_s, plan, held, view, started_s, now_s, dt_s),
        doubted_kpa,
    )
