"""Whether to warm the base in cheap hours and to lean on that warmth in dear ones.

A tray is a store of heat: what is put in early is there later, less what has leaked away. What
leaks goes with the mean of the base over its surroundings, so a base that is as warm on the whole,
only earlier, takes no more heat. So each plan is tried on the courses of the last days beside the
target held flat, and must save money, lose no warmth but what is banked, and add nothing outside
the good band. Warmth that came above the target, from sun or from the mat, is what is banked.
"""

from collections.abc import Sequence
from math import exp, inf
from typing import Final, NamedTuple

from controller.decide.ahead import DEAR, EARLY, HOLD, MARGIN_K, Ahead, Want
from controller.decide.drift import SLOT_S, Course, Plant

BANK_MOST_KH: Final = 3.0
BANK_FADE_S: Final = 24 * 3600.0
"""Warmth gained longer ago than this counts for little."""
LONGEST_S: Final = 3600.0
"""Most time that one look adds to the bank."""
BEGINS: Final = (0, 1, 2, 4, 7)
"""Half hours after which warming may begin instead of now."""
LEAD: Final = 12
"""Half hours before the price rises in which warming is thought of."""
LIFTS: Final = (1.0, 0.4)
LIFT_MOST_K: Final = 2.0
"""Shares of the room above the target, and the most that is used of it."""
DEPTHS: Final = (0.0, 0.125, 0.25, 0.5, 1.0)
"""Shares of the room below the target."""
LEAST_SHARE: Final = 0.005
"""Of what holding the target costs, a plan must save so much to be begun."""
OUT_KH: Final = 0.05
"""So much more outside the band is a matter of rounding. (Figures of this file are the program's
own; no published source.)"""
ROOM_LEAST_K: Final = 0.1
_HOURS: Final = SLOT_S / 3600.0


class Played(NamedTuple):
    """full_h: hours of full heat, and what they cost per kW of the mat.  warm_kh: kelvin hours
    over 0 degC.  out_kh: beyond the ends of the band.  end_c: base at the end.
    """

    full_h: float
    cost: float
    warm_kh: float
    out_kh: float
    end_c: float


class Shape(NamedTuple):
    """A course of the target. lift_k above it from slot `begin` up to `rise`, depth_k below it from
    `rise` up to `fall`.
    """

    begin: int = 0
    rise: int = 0
    fall: int = 0
    lift_k: float = 0.0
    depth_k: float = 0.0


FLAT: Final = Shape()


def thrifty(
    before: Ahead,
    looked: Ahead,
    plant: Plant,
    base_c: float,
    heat: float,
    courses: Sequence[Course],
    prices: Sequence[float],
    want: Want,
    may_lift: bool,
) -> Ahead:
    """`looked` with the bank brought up to now and, where no other plan runs, the thriftiest.

    before: as last looked, with when.  heat: on its way to the base, 0..1.  prices: of the running
    half hour and those to come, as many as the courses have; empty where not known.  may_lift:
    the top allows a warmer base.
    """
    bank_kh = banked(before, base_c, want, looked.weighed_s - before.weighed_s)
    looked = looked._replace(bank_kh=bank_kh)
    if looked.plan != HOLD or not courses or len(prices) < len(courses[0]):
        return looked
    held = [played(FLAT, plant, base_c, heat, c, prices, want) for c in courses]
    flat_cost = sum(each.cost for each in held)
    least = LEAST_SHARE * flat_cost
    runs = before.plan in (EARLY, DEAR)
    best, chosen = flat_cost - (0.0 if runs else least), FLAT
    for shape in shapes(prices, want, may_lift, first_sun(courses, want)):
        cost = _cost(shape, held, bank_kh, plant, base_c, heat, courses, prices, want)
        if shape.begin and before.plan == EARLY:
            cost += least  # a little later is no reason to stop what has begun
        if cost < best:
            best, chosen = cost, shape
    if chosen.rise and chosen.begin == 0:
        return looked._replace(plan=EARLY, shift_k=chosen.lift_k)
    if chosen.depth_k and not chosen.rise:
        return looked._replace(plan=DEAR, shift_k=-chosen.depth_k)
    return looked


def banked(before: Ahead, base_c: float, want: Want, dt_s: float) -> float:
    """The bank after `dt_s` at about `base_c`; warmth beyond the good band is not counted."""
    if not 0.0 < dt_s <= LONGEST_S:
        return 0.0
    gained_kh = (min(base_c, want.high_c) - want.target_c) * dt_s / 3600.0
    bank_kh = before.bank_kh * exp(-dt_s / BANK_FADE_S) + gained_kh
    return min(BANK_MOST_KH, max(0.0, bank_kh))


def first_sun(courses: Sequence[Course], want: Want) -> int:
    """First half hour in which, on one of the days, sun or house alone would uphold the target."""
    return min(
        next((k for k, drift_c in enumerate(course) if drift_c > want.target_c), len(course))
        for course in courses
    )


def shapes(prices: Sequence[float], want: Want, may_lift: bool, sun: int) -> list[Shape]:
    """What may be done: lean until the price falls; or warm until it rises, then lean.

    Nothing is stored for hours that come at or after slot `sun`, which warms them for nothing.
    """
    room_up_k = min(LIFT_MOST_K, want.high_c - MARGIN_K - want.target_c)
    room_down_k = max(0.0, want.target_c - want.low_c - MARGIN_K)
    n = len(prices)
    rise = next((k for k in range(1, n) if prices[k] > prices[k - 1]), n)
    falls = next((k for k in range(n) if prices[k] < prices[0]), n)
    found = []
    if falls < n and room_down_k >= ROOM_LEAST_K:
        found = [Shape(0, 0, falls, 0.0, d * room_down_k) for d in DEPTHS[1:]]
    if may_lift and room_up_k >= ROOM_LEAST_K and rise < min(n, falls, LEAD + 1):
        fall = next((k for k in range(rise, n) if prices[k] < prices[rise]), n)
        if sun < fall:
            return found
        found += [
            Shape(begin, rise, fall, lift * room_up_k, depth * room_down_k)
            for begin in BEGINS
            if begin < rise
            for lift in LIFTS
            for depth in DEPTHS
        ]
    return found


def _cost(
    shape: Shape,
    held: Sequence[Played],
    bank_kh: float,
    plant: Plant,
    base_c: float,
    heat: float,
    courses: Sequence[Course],
    prices: Sequence[float],
    want: Want,
) -> float:
    """Sum over the courses, what is left stored included; inf for a plan that gives up too much.

    Warmth left over is worth the lowest price, warmth missing costs the highest.
    """
    low, high = min(prices), max(prices)
    cost = lost_kh = out_kh = 0.0
    for course, flat in zip(courses, held, strict=True):
        tried = played(shape, plant, base_c, heat, course, prices, want)
        left_h = (tried.end_c - flat.end_c) / plant.rate_k_s / 3600.0
        cost += tried.cost - left_h * (low if left_h > 0.0 else high)
        lost_kh += flat.warm_kh - tried.warm_kh
        out_kh += tried.out_kh - flat.out_kh
    n = len(courses)
    return inf if lost_kh > n * bank_kh or out_kh > n * OUT_KH else cost


def played(
    shape: Shape,
    plant: Plant,
    base_c: float,
    heat: float,
    course: Course,
    prices: Sequence[float],
    want: Want,
) -> Played:
    """How a course would go, half hour by half hour.

    Exact solution of one store of heat under constant heat (lumped capacity, e.g. Incropera &
    DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5, from memory); the heat on its way counts
    as already stored, as in `ahead.tried`.
    """
    kept = exp(-SLOT_S / plant.tau_s)
    full_k = plant.lift_k * (1.0 - kept)
    target_c, low_c, high_c = want
    begin, rise, fall, lift_k, depth_k = shape
    stored_c = base_c + min(plant.rate_k_s * plant.delay_s, 0.6 * full_k) * heat
    full = cost = warm = out = 0.0
    for slot, drift_c in enumerate(course):
        wanted_c = target_c
        if begin <= slot < rise:
            wanted_c += lift_k
        elif rise <= slot < fall:
            wanted_c -= depth_k
        before_c = stored_c
        free_c = drift_c + (stored_c - drift_c) * kept
        duty = (wanted_c - free_c) / full_k
        duty = 0.0 if duty < 0.0 else 1.0 if duty > 1.0 else duty
        stored_c = free_c + full_k * duty
        full += duty
        cost += duty * prices[slot]
        # Mean of an exponential between its ends, from the heat balance of the half hour.
        end_c = drift_c + plant.lift_k * duty
        warm += end_c - (stored_c - before_c) * plant.tau_s / SLOT_S
        if stored_c > high_c:
            out += stored_c - high_c
        elif stored_c < low_c:
            out += low_c - stored_c
    return Played(full * _HOURS, cost * _HOURS, warm * _HOURS, out * _HOURS, stored_c)
