"""Slow windows behind some alarm conditions, brought up to date once a minute.

Everything kept is a length of time or a temperature, no clock time except that of the last sample,
so that it stays meaningful after a restart: windows with a gap in them start anew.
"""

from math import inf, isfinite, nan
from typing import Final

from controller.decide.aims import Aims, BayAims, BenchPlan
from controller.decide.cooling import hindrance, hot_s
from controller.decide.schedule import Sky
from controller.decide.state import BayState, MistState, State
from controller.decide.strain import strained
from controller.records import BayDecision
from sensors.clock import Now
from sensors.readings import BenchView, Snapshot

EVERY_S: Final = 60.0
PAST_EVERY_S: Final = 300.0
PAST: Final = 16
"""Samples of the past kept, newest last: 75 minutes."""
GAP_S: Final = 600.0
AWAY_S: Final = 900.0
"""A gap from here on is told."""
STANDS_S: Final = 600.0
"""What happened once is shown as standing for this long."""
DRIVEN_DUTY: Final = 0.8
"""From this duty on a healthy mat must show in the base within an hour."""
WARM_UP_LONGEST_S: Final = 4 * 3600.0
SLOPE_K_H_PER_W_M2: Final = 0.021
"""Rise of a base probe 25 mm above a mat, per W/m2, one hour into the heating: 1-D conduction
through 50 mm of wet compost (0.4 W/m K, 3.0 MJ/m3 K). This program's own estimate."""
SETTLED_S: Final = 43_200.0
"""What holds a bay is learned over some six hours, and low at first: its usual duty is taken once
this much of the last day has been seen, 17 h after the first start."""
TIME_CONSTANT_H: Final = 16.0
"""Slowest cooling seen of an unheated tray; a base that falls faster than this has no heat."""

Watch = dict[tuple[str, str], tuple[float, ...]]
MINUTE: Final = ("minute", "site")
AWAY: Final = ("away", "site")

# base: 0 driven_s, 1 warm_left_s, 2 warm_age_s, 3 target_c, 4 usual duty per K, 5 mat_dead,
# 6 mat_at_limit, 7 duty per K against usual, 8 mat_stuck_on, 9 spread explained by height, K,
# 10 should have moved.
FRESH_BASE: Final = (0.0, 0.0, 0.0, nan, nan, -1.0, -1.0, nan, -1.0, 0.0, -1.0)
# air: 0 saturated_s, 1 dry_s, 2 mist seconds of the last hour, 3 strain of the leaves, kPa min,
# 4 seconds of a hot top.
FRESH_AIR: Final = (0.0, 0.0, 0.0, 0.0, 0.0)
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
    for plan in aims.bench_plans:
        view = snapshot.benches[plan.name]
        _past(new, watch, ("top_past", plan.name), view.top_c, gap, turn)
        old_air = _sound(watch, plan.slow_key, FRESH_AIR)
        new[plan.slow_key] = _air(
            old_air, plan, after.mist[plan.name], view, after.sky, day, now_s, dt_s
        )
    for decision in bays:
        key = decision.bench, decision.bay
        place = decision.bench + "." + decision.bay
        view = snapshot.benches[decision.bench]
        held = after.bays[key]
        base_past = _past(
            new, watch, ("base_past", place), view.bays[decision.bay].base_c, gap, turn
        )
        duty_past = _past(new, watch, ("duty_past", place), held.duty, gap, turn)
        top_past = new.get(("top_past", decision.bench), _NO_PAST)
        old = _sound(watch, ("base", place), FRESH_BASE)
        new["base", place] = _base(
            old, aims, aims.bays[key], held, view, decision.target_c,
            base_past, duty_past, top_past, day, now_s, dt_s, gap or ("base", place) not in watch,
        )  # fmt: skip
    return new


def is_day(after: State) -> bool:
    """By the sun; an unknown sky counts as day, when leaves lose most."""
    return after.sky is None or after.sky.is_day


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


def _air(
    old: tuple[float, ...],
    plan: BenchPlan,
    held: MistState,
    view: BenchView,
    sky: Sky | None,
    day: bool,
    now_s: float,
    dt_s: float,
) -> tuple[float, ...]:
    """Time spent saturated, which only an hour of dry air in one piece takes back, and the rest."""
    saturated_s, dry_s, _, strain, top_hot_s = old
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
    )


def _base(
    old: tuple[float, ...],
    aims: Aims,
    bay: BayAims,
    held: BayState,
    view: BenchView,
    target_c: float,
    base_past: tuple[float, ...],
    duty_past: tuple[float, ...],
    top_past: tuple[float, ...],
    day: bool,
    now_s: float,
    dt_s: float,
    anew: bool,
) -> tuple[float, ...]:
    base_c = view.bays[bay.bay].base_c
    rise_k = base_c - base_past[-13]
    driven = held.duty >= DRIVEN_DUTY
    driven_s = old[0] + dt_s if driven and not anew else 0.0
    warm_left_s, warm_age_s = _warm_up(old, aims, bay, base_c, target_c, rise_k, dt_s, anew)
    settled = held.seen_24h_s >= SETTLED_S
    usual, against_usual = _usual_duty(old[4], held.holding_duty_per_k if settled else nan, dt_s)
    dead, limit = -1.0, -1.0
    if driven_s >= 3600.0 and warm_left_s <= 0.0:
        dead, limit = _no_rise(base_c, target_c, top_past[-13:], rise_k)
    return (
        driven_s,
        warm_left_s,
        warm_age_s,
        target_c,
        usual,
        dead,
        limit,
        against_usual,
        _stuck(held, base_c, base_past, top_past, view, day, now_s),
        _height_spread(aims, bay) * max(held.duty, _mean(duty_past)),
        _should_move(held, base_c, view.top_c, duty_past, top_past, now_s),
    )


def _warm_up(
    old: tuple[float, ...],
    aims: Aims,
    bay: BayAims,
    base_c: float,
    target_c: float,
    rise_k: float,
    dt_s: float,
    anew: bool,
) -> tuple[float, float]:
    """(seconds of warm-up still granted, seconds since it began).

    It begins at a start, when a resting bay is wanted warm, and when the target goes up by a kelvin
    or more. It ends when the base is near its target, or when an hour has brought no 0.2 K.
    """
    left_s, age_s = old[1] - dt_s, old[2] + dt_s
    begins = anew or not old[3] >= target_c - 1.0
    if begins and target_c == target_c:
        left_s, age_s = _expected_s(aims, bay, target_c - base_c), 0.0
    near = base_c >= target_c - 1.0
    stalled = age_s >= 3600.0 and not rise_k >= 0.2
    if near or stalled or target_c != target_c:
        left_s = 0.0
    return max(0.0, left_s), age_s


def _expected_s(aims: Aims, bay: BayAims, lift_k: float) -> float:
    """Time a mat of this power per area needs to lift the base, with an hour for the lag."""
    area_m2 = aims.site.benches[bay.bench].bays[bay.bay].mat.area_m2
    if area_m2 is None or lift_k != lift_k:
        return WARM_UP_LONGEST_S
    slope_k_h = SLOPE_K_H_PER_W_M2 * bay.power_w / area_m2
    return min(WARM_UP_LONGEST_S, 3600.0 * (1.0 + max(0.0, lift_k) / slope_k_h))


def _usual_duty(usual: float, learned: float, dt_s: float) -> tuple[float, float]:
    """(usual holding duty per kelvin, the present one as a multiple of it).

    The usual follows over three weeks, and not at all towards a value that is already suspicious.
    """
    if not learned > 0.0:
        return usual, nan
    if not usual > 0.0:
        return learned, 1.0
    ratio = learned / usual
    if ratio < 1.3:
        usual += (learned - usual) * dt_s / (21 * 86400.0)
    return usual, ratio


def _no_rise(
    base_c: float, target_c: float, top_hour_c: tuple[float, ...], rise_k: float
) -> tuple[float, float]:
    """(mat_dead, mat_at_limit) after an hour of driving, from how the base stands to the air.

    The coolest air of the last hour counts: the base has not yet followed what came after it.
    """
    if rise_k != rise_k or base_c != base_c or target_c != target_c:
        return nan, nan
    if base_c >= target_c - 1.0 or rise_k >= 0.3:
        return -1.0, -1.0
    known_c = [c for c in top_hour_c if c == c]
    if not known_c:
        cooling = rise_k < -0.3
    else:
        apart_k = base_c - min(known_c)
        cooling = apart_k <= 5.0 or rise_k < -apart_k / TIME_CONSTANT_H
    return (1.0, -1.0) if cooling else (-1.0, 1.0)


def _stuck(
    held: BayState,
    base_c: float,
    base_past: tuple[float, ...],
    top_past: tuple[float, ...],
    view: BenchView,
    day: bool,
    now_s: float,
) -> float:
    """Beyond when an unheated base climbs with nothing else to warm it.

    It is compared with the highest base of the 30 to 75 min before, so that the recovery from a
    cold watering is no rise. Air that climbs as fast as the base explains it, and so does air as
    warm as the base; by day, when sun may fall on the compost, twice the rise is asked for, and a
    base well above the air. NaN without an air or house probe: sun could not be told from a relay.
    """
    if held.on or now_s - held.since_s < 4500.0:
        return -1.0
    before = base_past[: PAST - 6]
    air_c = view.top_c if view.top_c == view.top_c else view.house_c
    if any(c != c for c in before) or air_c != air_c or base_c != base_c:
        return nan
    apart_k, least_k = (3.0, 0.6) if day else (0.5, 0.3)
    air_rise_k = view.top_c - top_past[-7]
    if base_c - air_c < apart_k or air_rise_k >= base_c - base_past[-7]:
        return -1.0
    return base_c - max(before) - least_k + 1e-9


def _height_spread(aims: Aims, bay: BayAims) -> float:
    """Kelvin by which probes at different heights may differ at full duty.

    0.24 K/mm at most, as measured on an independent bench model; real benches will differ.
    """
    probes = aims.site.benches[bay.bench].bays[bay.bay].probes
    heights_mm = [p.height_mm for p in probes if p.height_mm is not None]
    return 0.24 * (max(heights_mm) - min(heights_mm)) if len(heights_mm) > 1 else 0.0


def _should_move(
    held: BayState,
    base_c: float,
    top_c: float,
    duty_past: tuple[float, ...],
    top_past: tuple[float, ...],
    now_s: float,
) -> float:
    """Above 0 when the mat says that the base must have moved by half a kelvin.

    Either the duty swept over the last hour while the air stood still, or the mat has been off for
    two hours under a base well above the air.
    """
    off_long = not held.on and now_s - held.since_s > 7200.0 and base_c - top_c > 3.0
    duty, top = duty_past[-13:], top_past[-13:]
    swept = max(duty) - min(duty) >= 0.3 and max(top) - min(top) < 1.0
    known = duty[0] == duty[0] and top[0] == top[0]
    return 1.0 if off_long or (swept and known) else -1.0


def _mean(values: tuple[float, ...]) -> float:
    known = [v for v in values if v == v]
    return sum(known) / len(known) if known else 0.0
