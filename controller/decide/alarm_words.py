"""What an alarm says when it changes, and how much it weighs now."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite, nan
from typing import Final

from controller.decide.aims import Aims
from controller.decide.alarm_table import Row
from controller.decide.cooling import WORDS, hindrance
from controller.decide.mist_meter import waterless
from controller.decide.state import State
from controller.decide.watch import away_s, find_probe, since_start
from controller.decide.watch_base import FRESH_BASE
from controller.decide.watch_slow import FRESH_AIR, Watch, restarts_of_hour
from sensors.readings import BayView, BenchView, ProbeView, Snapshot


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a value or a priority may be taken from, at one tick."""

    aims: Aims
    after: State
    snapshot: Snapshot
    watch: Watch
    service: Mapping[str, float]
    day: bool
    now_s: float

    def bench(self, place: str) -> BenchView | None:
        return self.snapshot.benches.get(place.partition(".")[0])

    def bay(self, place: str) -> BayView | None:
        bench = self.bench(place)
        return bench.bays.get(place.split(".")[1]) if bench and "." in place else None

    def probe(self, place: str) -> ProbeView | None:
        bench = self.bench(place)
        if bench is None:
            return None
        bay = self.bay(place)
        for view in (*bench.air, *(bay.probes if bay else ())):
            if view.reading.probe == place:
                return view
        return None


def _of_bay(field: str) -> Callable[[Scene, str], float]:
    return lambda scene, place: getattr(scene.bay(place), field, nan)


def _of_bench(field: str) -> Callable[[Scene, str], float]:
    return lambda scene, place: getattr(scene.bench(place), field, nan)


def _of_service(key: str, per: float) -> Callable[[Scene, str], float]:
    return lambda scene, _place: abs(scene.service.get(key, nan)) / per


def _age_min(scene: Scene, place: str) -> float:
    view = scene.probe(place)
    return view.age_s / 60.0 if view else nan


def _value(scene: Scene, place: str) -> float:
    view = scene.probe(place)
    return view.reading.value if view else nan


def _refused_pct(scene: Scene, place: str) -> float:
    view = scene.probe(place)
    return 100.0 * view.reject_share if view else nan


def _quiet_min(scene: Scene, place: str) -> float:
    link = scene.snapshot.links.get(place)
    return link.quiet_s / 60.0 if link else nan


def _top_minus_base_k(scene: Scene, place: str) -> float:
    bench, bay = scene.bench(place), scene.bay(place)
    return bench.top_c - bay.base_c if bench and bay else nan


def _bursts(scene: Scene, place: str) -> float:
    held = scene.after.mist.get(place)
    return float(max(held.unanswered, held.metered.missed)) if held is not None else nan


def _away_s(scene: Scene) -> float:
    return away_s(scene.watch, scene.service, scene.now_s, since_start(scene.after, scene.now_s))


MEASURES: Final[dict[str, Callable[[Scene, str], float]]] = {
    "none": lambda _scene, _place: nan,
    "base_c": _of_bay("base_c"),
    "hottest_c": _of_bay("hottest_c"),
    "spread_k": _of_bay("spread_k"),
    "top_c": _of_bench("top_c"),
    "rh_pct": _of_bench("rh_pct"),
    "flow_ml_s": _of_bench("flow_ml_s"),
    "vpd_kpa": _of_bench("vpd_kpa"),
    "top_minus_base_k": _top_minus_base_k,
    "times_usual": lambda scene, place: scene.watch.get(("base", place), FRESH_BASE)[7],
    "strain_kpa_min": lambda scene, place: scene.watch.get(("air", place), FRESH_AIR)[3],
    "saturated_h": lambda scene, place: scene.watch.get(("air", place), FRESH_AIR)[0] / 3600.0,
    "bursts": _bursts,
    "age_min": _age_min,
    "value": _value,
    "refused_pct": _refused_pct,
    "quiet_min": _quiet_min,
    "restarts_h": lambda scene, place: restarts_of_hour(scene.watch, place),
    "away_min": lambda scene, _place: _away_s(scene) / 60.0,
    "step_s": _of_service("clock_step_s", 1.0),
    "journal_failed_min": _of_service("journal_failed_s", 60.0),
    "disk_free_pct": _of_service("disk_free_share", 0.01),
    "route_failed_min": _of_service("route_failed_s", 60.0),
}


def measured(row: Row, place: str, scene: Scene) -> float:
    """The value that goes with an alarm, in its unit; NaN when there is none."""
    return MEASURES[row.measure](scene, place)


def noted(row: Row, place: str, scene: Scene) -> str:
    """What else a person must know at once: what stands in the way, how dry it is now."""
    note = _NOTES.get(row.name)
    text = "" if note is None else note(scene, place)
    return f"; {text}" if text else ""


def said(row: Row, value: float, excess: float) -> str:
    """One line: what it is, the value, and the limit it crossed."""
    if not isfinite(value):
        return row.title
    form = ".2f" if row.unit in ("kPa", "times") else ".0f" if row.unit in _WHOLE else ".1f"
    text = f"{row.title}: {value:{form}} {row.unit}".rstrip()
    if row.bare or not row.threshold or not isfinite(excess):
        return text
    limit = value - excess if row.above else value + excess
    return f"{text}, limit {limit:{form}} {row.unit}"


_WHOLE: Final = frozenset({"bursts", "within the hour", "min", "s", "% refused"})


def over(row: Row, value: float) -> str:
    """One line for the return to normal."""
    if not isfinite(value):
        return f"{row.title}: over"
    form = ".2f" if row.unit in ("kPa", "times") else ".0f" if row.unit in _WHOLE else ".1f"
    return f"{row.title}: over, now {value:{form}} {row.unit}".rstrip()


def weigh(row: Row, place: str, scene: Scene) -> int:
    """Priority of an alarm at this place now, 1 (highest) to 3."""
    priority = row.priority
    if not scene.day and row.night_priority is not None:
        priority = row.night_priority
    if row.worse is not None and row.worse < priority and _WORSE[row.name](scene, place):
        priority = row.worse
    return priority


def _dry_too(scene: Scene, place: str) -> bool:
    plan = next((plan for plan in scene.aims.bench_plans if plan.name == place), None)
    return plan is not None and scene.watch.get(plan.slow_key, FRESH_AIR)[3] > plan.dry_most / 2.0


def _last_of_its_kind(scene: Scene, place: str) -> bool:
    bay, bench = scene.bay(place), scene.bench(place)
    if bay is not None:
        return bay.usable == 0
    plan = find_probe(scene.aims.site, place)
    if plan is None or bench is None:
        return False
    lost = {"humidity": bench.rh_pct, "air_temperature": bench.top_c}.get(plan.kind, 0.0)
    return lost != lost


def _all_frozen(scene: Scene, place: str) -> bool:
    """Whether no base probe of the bay is left that moves."""
    bay = scene.bay(place)
    if bay is None:
        return False
    return all(
        ("frozen", probe.reading.probe) in scene.watch
        for probe in bay.probes
        if probe.reading.usable
    )


def _away_long(scene: Scene, _place: str) -> bool:
    return _away_s(scene) > 3600.0


def _not_cooled(scene: Scene, place: str) -> str:
    """What keeps mist from cooling a hot top, and what a person can do about it."""
    aims, bench = scene.aims.mist.get(place), scene.bench(place)
    if aims is None or bench is None:
        return WORDS["none"]
    used_s = scene.watch.get(("air", place), FRESH_AIR)[2]
    found = hindrance(aims, scene.after.mist[place], bench, scene.day, used_s)
    floor = "" if found == "damp" else ", damp the floor"
    return f"{WORDS[found]}: shade, vent{floor}"


def _dry_now(scene: Scene, place: str) -> str:
    bench = scene.bench(place)
    vpd_kpa = nan if bench is None else bench.vpd_kpa
    return f"VPD now {vpd_kpa:.2f} kPa" if isfinite(vpd_kpa) else "VPD not known now"


def _by_the_meter(scene: Scene, place: str) -> str:
    """What a water meter says to mist without answer, "" without one that says anything."""
    held = scene.after.mist.get(place)
    if held is None or not held.metered.known:
        return ""
    if waterless(held):
        return "the meter counts no water: tank, valve, pump"
    if held.metered.missed:
        return ""
    return "the meter counts water: nozzles, or the humidity probe"


_NOTES: Final[dict[str, Callable[[Scene, str], str]]] = {
    "top_hot": _not_cooled,
    "mist_no_answer": _by_the_meter,
    "air_dry": _dry_now,
    "air_very_dry": _dry_now,
}
_WORSE: Final[dict[str, Callable[[Scene, str], bool]]] = {
    "top_hot": _dry_too,
    "probe_silent": _last_of_its_kind,
    "probe_frozen": _all_frozen,
    "probe_implausible": _last_of_its_kind,
    "controller_away": _away_long,
}
