"""The slow windows of one bay's base: what its mat gives, judged by the heat balance.

Once a minute. Everything kept is a length of time, a temperature or a share, never a clock time.
"""

from math import isfinite, isnan, nan
from typing import Final

from controller.decide import balance, learn
from controller.decide.aims import Aims, BayAims
from controller.decide.state import BayState
from controller.decide.tuning import bounded
from controller.decide.watch_felt import Felt, Minute, jolted

DRIVEN_DUTY: Final = 0.8
"""From this duty on a healthy mat must show in the base."""
PATIENCE_S: Final = 4 * 3600.0
"""As long as a bay's own delay is not known, a deep tray may answer as late as this."""
WARM_UP_LONGEST_S: Final = 4 * 3600.0
RISE_LEFT_LEAST: Final = 0.15
"""Of the full rate, what losses leave of it at the least in a warm-up that is waited for."""
TIME_CONSTANT_H: Final = 16.0
"""Slowest cooling seen of an unheated tray; a base that falls faster than this has no heat."""
LIFTED_K: Final = 3.0
"""A base this far above the air was warmed by the mat."""
SHORT_K: Final = 0.4
DEAD_SHARE: Final = 0.25
"""A mat that gives less than this of what it was asked for is dead, one that gives more is weak."""
STUCK_OFF_S: Final = 4500.0
STUCK_SHARE: Final = 0.4
STUCK_HELD_SHARE: Final = 0.6
REPEATED_K: Final = 1e-3
"""A base whose minutes' means differ by less in an hour is rather that of a frozen probe."""

# 0 driven_s, 1 warm_left_s, 2 warm_age_s, 3 target_c, 4 usual duty per K, 5 mat_dead,
# 6 mat_at_limit, 7 duty against usual, 8 mat_stuck_on, 9 spread explained by height, K,
# 10 probes drifted apart, 11 number of frozen probes.
FRESH_BASE: Final = (0.0, 0.0, 0.0, nan, nan, -1.0, -1.0, nan, -1.0, 0.0, -1.0, 0.0)


def base(
    old: tuple[float, ...], feels: Felt, at: Minute, drifted: float, frozen: int
) -> tuple[float, ...]:
    """The windows a minute later. old: as in FRESH_BASE.  feels: of this minute.

    drifted: above 0 when two base probes of the bay have drifted apart.  frozen: how many are.
    """
    held = at.held
    driven = held.duty >= DRIVEN_DUTY
    driven_s = old[0] + at.dt_s if driven and not at.anew else 0.0
    warm_left_s, warm_age_s = _warm_up(old, at)
    ready = warm_left_s <= 0.0 and driven_s >= answered_s(held)
    usual, times = feels.need_per_k, feels.times_usual
    dead, limit, asked = _mat(at, usual, feels.duty, driven_s, ready)
    return (
        driven_s,
        warm_left_s,
        warm_age_s,
        at.target_c,
        usual,
        dead,
        limit,
        asked if times != times or asked > times else times,
        _stuck(at, usual, feels.sun_w_m2),
        _height_spread(at.aims, at.bay) * max(held.duty, _mean(at.duty_past)),
        drifted,
        float(frozen),
    )


def _warm_up(old: tuple[float, ...], at: Minute) -> tuple[float, float]:
    """(seconds of warm-up still granted, seconds since it began).

    It begins at a start, when a resting bay is wanted warm, and when the target goes up by a kelvin
    or more. It ends when the base is near its target, or when an hour has brought no 0.2 K although
    the heat must have come through.
    """
    target_c = at.target_c
    left_s, age_s = old[1] - at.dt_s, old[2] + at.dt_s
    begins = at.anew or not old[3] >= target_c - 1.0
    if begins and target_c == target_c:
        left_s, age_s = _expected_s(at, target_c - at.base_c), 0.0
    near = at.base_c >= target_c - 1.0
    stalled = age_s >= 3600.0 + learn.delay_s(at.bay, at.held) and not at.rise_k >= 0.2
    if near or stalled or target_c != target_c:
        left_s = 0.0
    return max(0.0, left_s), age_s


def _expected_s(at: Minute, lift_k: float) -> float:
    """Time the mat needs to lift the base by so much over its losses, an hour for the lag added."""
    if lift_k != lift_k:
        return WARM_UP_LONGEST_S
    over_k = at.hour_lift_k + lift_k / 2.0
    lost = 0.0 if isnan(over_k) else learn.duty_per_k(at.bay, at.held) * over_k
    rate_k_s = learn.rate_k_s(at.bay, at.held) * bounded(1.0 - lost, RISE_LEFT_LEAST, 1.0)
    return min(
        WARM_UP_LONGEST_S, 3600.0 + learn.delay_s(at.bay, at.held) + max(0.0, lift_k) / rate_k_s
    )


def _mat(
    at: Minute, usual: float, felt_duty: float, driven_s: float, ready: bool
) -> tuple[float, float, float]:
    """(mat_dead, mat_at_limit, duty asked for as a multiple of what the base shows of it).

    Judged only while the base is short of its target in spite of the mat. Where the usual duty is
    known, the heat balance tells a mat that gives too little from a night that takes too much;
    before that, only how the base stands to the air. ready: past the warm-up, and driven for so
    long that it must show.
    """
    short_k, rise_k, lift_k = at.target_c - at.base_c, at.rise_k, at.hour_lift_k
    if rise_k != rise_k or short_k != short_k:
        unknown = nan if driven_s >= 3600.0 else -1.0
        return unknown, unknown, nan
    if not ready or short_k < SHORT_K or jolted(at.base_past):
        return -1.0, -1.0, nan
    asked, very_short = nan, short_k >= 1.0
    if usual > 0.0 and lift_k == lift_k:
        share = balance.heat_share(at.bay, at.held, usual, rise_k / 3600.0, lift_k) / felt_duty
        asked = 1.0 / max(share, 0.1)
        dead = very_short and rise_k < 0.3 and share < DEAD_SHARE
    else:
        dead = very_short and rise_k < 0.3 and _unlifted(at)
    limit = very_short and rise_k < 0.1 and driven_s >= 7200.0 and at.base_c < at.bay.good_low_c
    return 1.0 if dead else -1.0, 1.0 if limit else -1.0, asked


def answered_s(held: BayState) -> float:
    """Time after which a mat driven hard must show in the base, for good."""
    return 2700.0 + 1.2 * held.delay_s if isfinite(held.delay_s) else PATIENCE_S


def _unlifted(at: Minute) -> bool:
    """Whether the base stands to the coolest air of the last hour as if there were no mat.

    The coolest, because the base has not yet followed what came after it.
    """
    known_c = [c for c in at.top_past[-13:] if c == c]
    if not known_c:
        return at.rise_k < -0.3
    apart_k = at.base_c - min(known_c)
    return apart_k <= LIFTED_K or at.rise_k < -apart_k / TIME_CONSTANT_H


def _spent_s(held: BayState) -> float:
    """Time after which heat stored in mat and tray has passed the probe, with half an hour more."""
    if not isfinite(held.delay_s):
        return PATIENCE_S
    return max(STUCK_OFF_S, 1800.0 + 1.5 * held.delay_s)


def _stuck(at: Minute, usual: float, sun_w_m2: float) -> float:
    """Beyond when a base that is ordered unheated shows heat that no sun or air can have brought.

    Either it rises - by 0.3 K over the highest of the 30 to 75 min before, so that the recovery
    from a cold watering is no rise, and in both halves of the last half hour, so that warm water
    is none - or, where the usual duty is known, it holds still far above the air. What the sun may
    have brought is asked for on top, so by day it may take until dusk. NaN without an air or house
    probe: nothing could then be told from a relay.
    """
    held, base_past = at.held, at.base_past
    if held.on or at.now_s - held.since_s < _spent_s(held):
        return -1.0
    before = base_past[:10]
    air_c = at.top_c if at.top_c == at.top_c else at.house_c
    if any(c != c for c in base_past) or air_c != air_c or at.base_c != at.base_c:
        return nan
    lift_k, rise_k = at.base_c - air_c, at.base_c - base_past[-7]
    sun_share = balance.sun_heat_share(at.bay, held, sun_w_m2)
    need = usual if usual > 0.0 else 0.0
    share = balance.heat_share(at.bay, held, need, rise_k / 1800.0, lift_k)
    rises = (
        at.base_c - max(before) >= 0.3 - 1e-9
        and min(at.base_c - base_past[-4], base_past[-4] - base_past[-7]) >= 0.1 - 1e-9
    )
    if rises and lift_k >= 0.5 and not at.top_c - at.top_past[-7] >= rise_k:
        return 1.0 if share >= STUCK_SHARE + sun_share else -1.0
    return _held_up(at, need, sun_share)


def _held_up(at: Minute, need: float, sun_share: float) -> float:
    """Beyond when for an hour an unheated base held out against its losses, in still air."""
    lift_k, air_rise_k = at.hour_lift_k, at.top_c - at.top_past[-13]
    spent = at.now_s - at.held.since_s >= _spent_s(at.held) + 1800.0
    if not (spent and need > 0.0 and lift_k >= LIFTED_K and air_rise_k < 0.5):
        return -1.0
    if max(at.base_past[-13:]) - min(at.base_past[-13:]) < REPEATED_K:
        return -1.0
    share = balance.heat_share(at.bay, at.held, need, at.rise_k / 3600.0, lift_k)
    held_up = share >= max(STUCK_HELD_SHARE, 0.75 * need * lift_k) + sun_share
    return 1.0 if held_up and not jolted(at.base_past) else -1.0


def _height_spread(aims: Aims, bay: BayAims) -> float:
    """Kelvin by which probes at different heights may differ at full duty.

    0.24 K/mm at most, as measured on an independent bench model; real benches will differ.
    """
    probes = aims.site.benches[bay.bench].bays[bay.bay].probes
    heights_mm = [p.height_mm for p in probes if p.height_mm is not None]
    return 0.24 * (max(heights_mm) - min(heights_mm)) if len(heights_mm) > 1 else 0.0


def _mean(values: tuple[float, ...]) -> float:
    known = [v for v in values if v == v]
    return sum(known) / len(known) if known else 0.0
