"""What a grower's own choices cost: relay starts against error, and where in the band to ride."""

from typing import Final, NamedTuple

import numpy as np
from course import TARGET_C, Case, Course, play_warmfoot, warmth_kh

from simulator.cuttings import NATURES, rate

TIMINGS: Final = (
    (600.0, 30.0), (900.0, 60.0), (1200.0, 60.0), (1800.0, 60.0), (2200.0, 60.0), (3000.0, 60.0),
    (3600.0, 60.0), (3600.0, 300.0),
)  # fmt: skip
"""(window_s, shortest_s)."""
RIDES: Final = ("low", "target", "high")
KIND: Final = "semi_ripe"


class Timing(NamedTuple):
    """Relay settings and what they gave after the first day. error_k: mean; ripple_k: 5..95 %."""

    window_s: float
    shortest_s: float
    starts_day: float
    error_k: float
    ripple_k: float
    kwh: float


class Ride(NamedTuple):
    """A place in the band and what it gave a day. rooting_days: median, of the simulated kind."""

    ride: str
    mean_c: float
    warmth_kh_day: float
    kwh_day: float
    rooting_days: float
    kwh_rooted: float


def timing(bench: str, weather: str, days: float, window_s: float, shortest_s: float) -> Timing:
    case = Case(bench=bench, weather=weather, days=days)
    heat = f"{case.heat}, window_s = {window_s}, shortest_s = {shortest_s}"
    course = play_warmfoot(Case(bench=bench, weather=weather, days=days, heat=heat))
    base_c, share = _after_first_day(course)
    on = share > 0.0
    starts = int((~on[:-1] & on[1:]).sum())
    span_days = len(base_c) / 1440.0
    low, high = np.percentile(base_c, (5.0, 95.0))
    return Timing(
        window_s,
        shortest_s,
        starts / span_days,
        float(np.abs(base_c - TARGET_C).mean()),
        float(high - low),
        float(share.sum()) * 10.0 * case.mat_w / 3.6e6,
    )


def ride(bench: str, weather: str, days: float, place: str) -> Ride:
    """A ride of the kind's own band, from the second day on."""
    case = Case(bench=bench, weather=weather, days=days, heat=f'ride = "{place}"')
    base_c, share = _after_first_day(play_warmfoot(case))
    span_days = len(base_c) / 1440.0
    nature = NATURES[KIND]
    speed = float(np.mean([rate(float(c), nature) for c in base_c[::10]]))
    kwh_day = float(share.sum()) * 10.0 * case.mat_w / 3.6e6 / span_days
    days_rooting = nature.days / speed
    return Ride(
        place,
        float(base_c.mean()),
        warmth_kh(base_c) / span_days,
        kwh_day,
        days_rooting,
        kwh_day * days_rooting,
    )


def _after_first_day(course: Course) -> tuple[np.ndarray, np.ndarray]:
    return course.base_c[1440:], course.share[8640:]
