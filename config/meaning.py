"""What a bench file means as a whole: checks that no single record can make.

Every check gives all its findings; none stops at the first.
"""

from collections.abc import Iterator, Sequence
from ipaddress import ip_address
from itertools import pairwise
from typing import NamedTuple

from config import bounds
from config.daytimes import day_time, overlap
from config.findings import Finding
from config.meaning_wiring import wiring
from config.model import AlarmChange, Bay, Bench, DayPart, HeatPlan, MistTime, Site, TariffWindow
from config.near import near
from config.positions import Path
from config.recipes import recipes

_HEAT_ORDER = ("good_low_c", "target_c", "good_high_c", "hot_above_c")


class _Limit(NamedTuple):
    trip_c: float
    why: str


def meaning(site: Site) -> Iterator[Finding]:
    """Everything in `site` that is right by itself and wrong beside something else."""
    yield from wiring(site)
    yield from _tariff(site)
    yield from _alerts(site)
    yield from _page(site)
    for name, bench in site.benches.items():
        yield from _bench(("benches", name), bench)


def _bench(path: Path, bench: Bench) -> Iterator[Finding]:
    kinds = recipes()
    if bench.recipe is not None and bench.recipe not in kinds:
        yield Finding(
            (*path, "recipe"),
            f"there is no such recipe{near(bench.recipe, kinds)}; write one of {', '.join(kinds)}",
        )
    yield from _supply(path, bench)
    yield from _bench_heat(path, bench)
    yield from _mist(path, bench)
    for name, change in bench.alarms.items():
        if change == AlarmChange():
            yield Finding(
                (*path, "alarms", name),
                "this changes nothing; write limit, on_delay_s or off_delay_s, or take it out",
            )


def _supply(path: Path, bench: Bench) -> Iterator[Finding]:
    largest = max(bench.bays, key=lambda name: bench.bays[name].mat.power_w)
    power_w = bench.bays[largest].mat.power_w
    if bench.supply_w is not None and bench.supply_w < power_w:
        yield Finding(
            (*path, "supply_w"),
            f"the mat of bay {largest} alone draws {power_w:g} watts; write at least that",
        )


def _bench_heat(path: Path, bench: Bench) -> Iterator[Finding]:
    """A plan shared by several bays is checked once, against the strictest of them."""
    shared = [bay for bay in bench.bays.values() if bay.heat is None]
    if shared:
        yield from _heat((*path, "heat"), bench.heat, min(map(_limit, shared)))
    for name, bay in bench.bays.items():
        place = (*path, "bays", name)
        if bay.heat is not None:
            yield from _heat((*place, "heat"), bay.heat, _limit(bay))
        yield from _cutout((*place, "mat"), bay, bench.heat_for(name))


def _limit(bay: Bay) -> _Limit:
    if bay.mat.cutout == "declared":
        return _Limit(bounds.BASE_TRIP_C, "at which the heat trips")
    return _Limit(
        bounds.BASE_TRIP_NO_CUTOUT_C,
        "at which a mat without a declared independent cut-out trips",
    )


def _cutout(path: Path, bay: Bay, heat: HeatPlan) -> Iterator[Finding]:
    mat = bay.mat
    if mat.cutout == "declared" and mat.cutout_c is None:
        yield Finding(
            path, "a declared cut-out has a set temperature; write cutout_c, as set on the device"
        )
    if mat.cutout == "none" and mat.cutout_c is not None:
        yield Finding(
            (*path, "cutout_c"),
            'no cut-out is declared; write cutout = "declared" once one is fitted, or take it out',
        )
    highest_c = max([heat.target_c or 0.0, *(part.target_c for part in heat.parts)])
    if mat.cutout_c is not None and mat.cutout_c <= highest_c:
        yield Finding(
            (*path, "cutout_c"),
            f"a cut-out set this low would act before the target, {highest_c:g}, is reached; "
            "write what is set on the device, above the target",
        )


def _heat(path: Path, heat: HeatPlan, limit: _Limit) -> Iterator[Finding]:
    given = [(key, getattr(heat, key)) for key in _HEAT_ORDER if getattr(heat, key) is not None]
    for (low_key, low_c), (key, value_c) in pairwise(given):
        if value_c <= low_c:
            yield Finding((*path, key), f"this must lie above {low_key}, which is {low_c:g}")
    for key, value_c in given:
        may_equal = key == "hot_above_c"
        if value_c > limit.trip_c or (value_c == limit.trip_c and not may_equal):
            word = "at most" if may_equal else "below"
            yield Finding(
                (*path, key), f"write a number {word} {limit.trip_c:g} degrees C, {limit.why}"
            )
    if heat.shortest_s * 2 > heat.window_s:
        yield Finding(
            (*path, "shortest_s"),
            f"this leaves no choice within window_s, {heat.window_s:g} seconds; write at most "
            f"{heat.window_s / 2:g}",
        )
    yield from _parts((*path, "parts"), heat, limit)


def _parts(path: Path, heat: HeatPlan, limit: _Limit) -> Iterator[Finding]:
    low_c, high_c = heat.good_low_c, heat.good_high_c
    for number, part in enumerate(heat.parts):
        place = (*path, number, "target_c")
        if part.target_c >= limit.trip_c:
            yield Finding(place, f"write a number below {limit.trip_c:g} degrees C, {limit.why}")
        if low_c is not None and part.target_c < low_c:
            yield Finding(place, f"this lies below good_low_c, which is {low_c:g}")
        if high_c is not None and part.target_c > high_c:
            yield Finding(place, f"this lies above good_high_c, which is {high_c:g}")
    yield from _spans(path, heat.parts)


def _spans(path: Path, spans: Sequence[DayPart | TariffWindow]) -> Iterator[Finding]:
    for number, span in enumerate(spans):
        if span.start == span.end:
            yield Finding((*path, number), "start and end are the same time; make them differ")
    if both := overlap((span.start, span.end) for span in spans):
        first, second = both
        yield Finding((*path, second), f"this shares some time with entry {first + 1} of the list")


def _mist(path: Path, bench: Bench) -> Iterator[Finding]:
    plan, place = bench.mist, (*path, "mist")
    if plan.hour_budget_s > plan.day_budget_s:
        yield Finding(
            (*place, "hour_budget_s"),
            f"this is more than day_budget_s, {plan.day_budget_s:g}; write at most that",
        )
    for key in ("burst_s", "survival_burst_s"):
        burst_s = getattr(plan, key)
        if burst_s is not None and burst_s > plan.hour_budget_s:
            yield Finding(
                (*place, key),
                f"one burst is more than hour_budget_s, {plan.hour_budget_s:g}; write at most that",
            )
    for number, entry in enumerate(plan.schedule):
        yield from _schedule((*place, "schedule", number), entry, plan.shortest_gap_s)


def _schedule(path: Path, entry: MistTime, gap_s: float) -> Iterator[Finding]:
    if bool(entry.at) == (entry.every_min is not None):
        yield Finding(path, "write either at (clock times) or every_min (with start and end)")
    if entry.every_min is not None and entry.every_min * 60 < gap_s:
        yield Finding(
            (*path, "every_min"),
            f"bursts keep shortest_gap_s, {gap_s:g} seconds, apart; write at least {gap_s / 60:g}",
        )
    sound = True
    texts = [(("at", number), text) for number, text in enumerate(entry.at)]
    for key, text in [*texts, (("start",), entry.start), (("end",), entry.end)]:
        try:
            day_time(text)
        except ValueError as error:
            sound = False
            yield Finding((*path, *key), f"this is not a time of day; {error}")
    if sound and day_time(entry.end).about_min() <= day_time(entry.start).about_min():
        yield Finding(
            path,
            "the end comes before the start; for a night write two entries, one up to 23:59 and "
            "one from 00:00",
        )


def _tariff(site: Site) -> Iterator[Finding]:
    if site.tariff is not None:
        yield from _spans(("tariff", "windows"), site.tariff.windows)


def _alerts(site: Site) -> Iterator[Finding]:
    alerts = site.alerts
    if (alerts.quiet_from is None) != (alerts.quiet_until is None):
        yield Finding(("alerts",), "quiet hours need both quiet_from and quiet_until")
    elif alerts.quiet_from is not None and alerts.quiet_from == alerts.quiet_until:
        yield Finding(("alerts", "quiet_until"), "this is the same as quiet_from; make them differ")


def _page(site: Site) -> Iterator[Finding]:
    page = site.page
    if ip_address(page.address).is_unspecified and not page.names:
        yield Finding(
            ("page", "address"),
            "this serves on every address of the machine; write the one of your network, or list "
            'in names what browsers call it, such as names = ["bench.local"]',
        )
    if (page.cert_file is None) != (page.key_file is None):
        yield Finding(("page",), "https needs both cert_file and key_file")
