"""What a grower's own choices cost: relay starts, where in the band to ride, meeting dear hours."""

import tempfile
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from course import HIGH_C, LOW_C, PLACE, TARGET_C, TICK_S, Case, Course, Watched, warmth_kh

from controller.journal.reader import open_reader
from controller.review.summary import energy
from controller.saving import Saving, saving_of
from simulator.cuttings import NATURES, rate

TIMINGS: Final = (
    (600.0, 30.0), (900.0, 60.0), (1200.0, 60.0), (1800.0, 60.0), (2200.0, 60.0), (3000.0, 60.0),
    (3600.0, 60.0), (3600.0, 300.0),
)  # fmt: skip
"""(window_s, shortest_s)."""
RIDES: Final = ("low", "target", "high")
KIND: Final = "semi_ripe"
FIRST_S: Final = 86400.0
"""The day of the warm-up is not judged."""
TARIFFS: Final = {
    "dear evening": 'price_per_kwh = 0.32\nwindows = [{ start = "17:00", end = "19:00", '
    "price_per_kwh = 0.48 }]",
    "cheap night": 'price_per_kwh = 0.32\nwindows = [{ start = "23:00", end = "08:00", '
    "price_per_kwh = 0.17 }]",
    "both": 'price_per_kwh = 0.32\nwindows = [{ start = "23:00", end = "08:00", '
    'price_per_kwh = 0.17 }, { start = "17:00", end = "19:00", price_per_kwh = 0.41 }]',
}
"""Invented, of a usual shape."""


class Timing(NamedTuple):
    """Relay settings and what they gave after the first day. error_k: mean; ripple_k: 5..95 %."""

    window_s: float
    shortest_s: float
    starts_day: float
    error_k: float
    ripple_k: float
    kwh: float


class Ride(NamedTuple):
    """A place in the band and what it gave a day. rooting_days: median, of the simulated kind.

    hot_min: minutes a day above the good band.  saved: share of the heat that the target takes.
    said_kwh: saved a day beside the flat target as the review says it, None where it does not.
    """

    ride: str
    mean_c: float
    warmth_kh_day: float
    kwh_day: float
    saved: float
    hot_min: float
    rooting_days: float
    kwh_rooted: float
    said_kwh: float | None


class Dear(NamedTuple):
    """A tariff met with stored warmth, beside the same target held flat.

    kwh_day, cost_day: (flat, met).  saved, said: share of the flat cost, in truth and as the review
    says it; error: its own doubt.  out_min: minutes outside the good band, (flat, met).
    mean_k: mean of the base over the flat one's.
    """

    tariff: str
    kwh_day: tuple[float, float]
    cost_day: tuple[float, float]
    saved: float
    said: float | None
    error: float | None
    out_min: tuple[int, int]
    mean_k: float


def played(case: Case) -> tuple[Course, Saving | None]:
    """The real controller through the wire, and what a review of its journal says of thrift."""
    site = case.site()
    begin_s = case.begin_utc_s()
    with tempfile.TemporaryDirectory() as folder:
        watched = Watched(case, Path(folder))
        with watched.rehearsal:
            for _ in range(case.ticks):
                watched.step()
        with open_reader(watched.rehearsal.journal_path) as reader:
            said = saving_of(reader, site, PLACE, begin_s + FIRST_S, begin_s + case.days * 86400.0)
    return watched.log.course(), said


def timing(bench: str, weather: str, days: float, window_s: float, shortest_s: float) -> Timing:
    case = Case(bench=bench, weather=weather, days=days)
    heat = f"{case.heat}, window_s = {window_s}, shortest_s = {shortest_s}"
    course, _ = played(Case(bench=bench, weather=weather, days=days, heat=heat))
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
        _kwh(course),
    )


def rides(bench: str, weather: str, days: float) -> list[Ride]:
    """The rides of the kind's own band, from the second day on."""
    runs = {
        place: played(Case(bench=bench, weather=weather, days=days, heat=f'ride = "{place}"'))
        for place in RIDES
    }
    target_kwh = _kwh(runs["target"][0])
    nature = NATURES[KIND]
    found = []
    for place, (course, said) in runs.items():
        base_c, _ = _after_first_day(course)
        span_days = len(base_c) / 1440.0
        kwh = _kwh(course)
        speed = float(np.mean([rate(float(c), nature) for c in base_c[::10]]))
        days_rooting = nature.days / speed
        found.append(
            Ride(
                place,
                float(base_c.mean()),
                warmth_kh(base_c) / span_days,
                kwh / span_days,
                1.0 - kwh / target_kwh,
                float((base_c > HIGH_C).sum()) / span_days,
                days_rooting,
                kwh / span_days * days_rooting,
                None if said is None else said.kwh / span_days,
            )
        )
    return found


def dear(bench: str, weather: str, days: float, tariff: str) -> Dear:
    """A bay that meets dear hours with stored warmth, and its twin that does not."""
    runs = [
        played(
            Case(
                bench=bench,
                weather=weather,
                days=days,
                heat=f"{Case.heat}, warm_early = {early}",
                tariff=TARIFFS[tariff],
            )
        )
        for early in ("false", "true")
    ]
    (flat, _), (met, said) = runs
    flat_c, met_c = _after_first_day(flat)[0], _after_first_day(met)[0]
    span_days = len(flat_c) / 1440.0
    costs = _cost(flat), _cost(met)
    flat_cost = None if said is None else said.flat.cost
    return Dear(
        tariff,
        (_kwh(flat) / span_days, _kwh(met) / span_days),
        (costs[0] / span_days, costs[1] / span_days),
        1.0 - costs[1] / costs[0],
        None if said is None or not flat_cost or said.cost is None else said.cost / flat_cost,
        None if said is None or not flat_cost else (said.error_cost or 0.0) / flat_cost,
        (_outside(flat_c), _outside(met_c)),
        float(met_c.mean() - flat_c.mean()),
    )


def _outside(base_c: np.ndarray) -> int:
    return int(((base_c < LOW_C) | (base_c > HIGH_C)).sum())


def _kwh(course: Course) -> float:
    _, share = _after_first_day(course)
    return float(share.sum()) * TICK_S * course.case.mat_w / 3.6e6


def _cost(course: Course) -> float:
    """Money by the tariff of its case."""
    _, share = _after_first_day(course)
    site = course.case.site()
    begin_s = course.case.begin_utc_s() + FIRST_S
    t_s = (begin_s + TICK_S * np.arange(len(share))).astype(np.int64)
    on_ms = np.round(share * TICK_S * 1000.0).astype(np.int64)
    return energy(t_s, on_ms, course.case.mat_w, site.tariff, site.site.zone).cost or 0.0


def _after_first_day(course: Course) -> tuple[np.ndarray, np.ndarray]:
    return course.base_c[1440:], course.share[8640:]
