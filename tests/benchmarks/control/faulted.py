"""What becomes of a bench when parts fail, and whether it is named in time."""

import tempfile
from copy import deepcopy
from math import isnan, nan
from pathlib import Path
from typing import Final

import numpy as np
from course import (
    BENCH,
    HOT_C,
    LOW_C,
    MAT,
    TARGET_C,
    TICK_S,
    TICKS,
    Case,
    Course,
    Watched,
    play_warmfoot,
)  # fmt: skip
from figures import Verdict

from simulator.faults import make_fault
from simulator.scenario import WeatherSpell

HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0
CLOSE_K: Final = 0.5
HOTTEST_C: Final = 25.0
NAMED_H: Final = 3.0
FROZEN_H: Final = 24.0
QUIET: Final = ("mat_", "relay_", "probe")
QUIET_TOO: Final = ("mist_no_answer", "mister_stuck", "air_dry", "air_very_dry")
"""Alarms so named, or whose names so begin, must not be raised when nothing is wrong."""


def all_faults(bench: str, quiet_days: float) -> list[Verdict]:
    """Every fault case on one bench."""
    return [
        *power_cut(bench),
        *probe_cases(bench),
        *mat_half(bench),
        named(bench, "mat_dead", "mat_dead", hour=6.0),
        welded(bench, "winter_dull"),
        welded(bench, "autumn_damp"),
        named(bench, "mister_blocked", "mist_no_answer", hour=13.0, weather="spring_bright"),
        quiet(bench, quiet_days),
    ]


def _hours(since_s: float, until_s: float) -> float:
    return (until_s - since_s) / HOUR_S


def _said(hours: float) -> str:
    if isnan(hours):
        return "never"
    return f"after {hours:.1f} h" if hours >= 0.0 else f"{-hours:.1f} h before"


def power_cut(bench: str) -> list[Verdict]:
    """Four hours without power by night: time back, beside full power from the first second."""
    cut = make_fault("power_cut", 2 * DAY_S + 6 * HOUR_S, hours=4.0)
    case = Case(bench=bench, weather="winter_dull", days=3.25, faults=(cut,))
    with tempfile.TemporaryDirectory() as folder:
        watched = Watched(case, Path(folder))
        fastest_s: dict[float, float] = {}
        marks = (LOW_C, TARGET_C - CLOSE_K)
        with watched.rehearsal:
            while watched.rehearsal.elapsed_s < case.days * DAY_S:
                watched.step()
                if not fastest_s and watched.rehearsal.elapsed_s >= cut.until_s:
                    fastest_s = {mark: _full_power_s(watched, mark) for mark in marks}
        course = watched.log.course()
    after_c = course.base_c[int(cut.until_s // 60) :]
    found = []
    for mark in marks:
        taken = np.flatnonzero(after_c >= mark)
        took_h = nan if not len(taken) else float(taken[0]) / 60.0
        fast_h = fastest_s[mark] / HOUR_S
        got = f"{took_h:.1f} h (full power {fast_h:.1f} h; fell to {after_c[:30].min():.1f} C)"
        wanted = "full power's + a tenth + 15 min"
        found.append(
            Verdict(f"power cut, back at {mark:g} C", wanted, got, took_h <= 1.1 * fast_h + 0.25)
        )
    return found


def _full_power_s(watched: Watched, mark_c: float) -> float:
    """Seconds in which full power lifts the bench, as it is now, to a base."""
    model = deepcopy(watched.model)
    rehearsal = watched.rehearsal
    place = rehearsal.rig.benches[BENCH].place
    sky, begin_s = watched.case.sky(), watched.case.begin_utc_s() + rehearsal.elapsed_s
    for tick in range(round(2 * DAY_S / TICK_S)):
        if model.base_c(0, place) >= mark_c:
            return tick * TICK_S
        model.advance(TICK_S, (1.0,), 0.0, sky.at(begin_s + (tick + 1) * TICK_S))
    return nan


def probe_cases(bench: str) -> list[Verdict]:
    """A base probe frozen for two days, and one that drifts to 2 K too low and stays there."""
    at_s = 2 * DAY_S
    frozen = (make_fault("probe_frozen", at_s, hours=48.0),)
    drifting = (
        make_fault("probe_drift", at_s, hours=20.0, size=-0.1),
        make_fault("probe_offset", at_s + 20 * HOUR_S, hours=28.0, size=-2.0),
    )
    found = []
    for probes in (1, 2):
        for what, faults, alarm in (
            ("frozen", frozen, "probe_frozen"),
            ("drifts 2 K", drifting, "probes_disagree"),
        ):
            case = Case(
                bench=bench, weather="winter_dull", days=4.5, faults=faults, base_probes=probes
            )
            course = play_warmfoot(case)
            during_c = _minutes(course, at_s, at_s + 48 * HOUR_S)
            low, high = during_c.min(), during_c.max()
            named_h = _hours(at_s, course.raised(alarm, at_s))
            got = f"{low:.1f} to {high:.1f} C; {alarm} {_said(named_h)}"
            wanted, met = "true base <= 25 C", bool(high <= HOTTEST_C)
            if what == "frozen":
                wanted += f", named within {FROZEN_H:g} h"
                met = met and bool(named_h <= FROZEN_H)
            found.append(Verdict(f"probe {what}, 1 of {probes}", wanted, got, met))
    return found


def _minutes(course: Course, from_s: float, until_s: float) -> np.ndarray:
    return course.base_c[int(from_s // 60) : int(until_s // 60)]


def mat_half(bench: str) -> list[Verdict]:
    """Half of the mat fails at noon of the fourth day, in weather that the whole mat can hold."""
    at_s = 3 * DAY_S + 18 * HOUR_S
    dead = make_fault("mat_half", at_s, hours=80.0, target=MAT)
    case = Case(bench=bench, weather="autumn_damp", days=7.0, faults=(dead,))
    course = play_warmfoot(case)
    since_c = course.base_c[int(at_s // 60) :]
    under = np.flatnonzero(since_c < TARGET_C - CLOSE_K)
    wanted = "within 3 h of 0.5 K under"
    if not len(under):
        return [Verdict("mat half dead", wanted, "it holds all the same", None)]
    lost_s = at_s + 60.0 * float(under[0])
    weak_h, limit_h = (
        _hours(lost_s, course.raised(alarm, at_s)) for alarm in ("mat_weak", "mat_at_limit")
    )
    got = f"mat_weak {_said(weak_h)}, mat_at_limit {_said(limit_h)}; lowest {since_c.min():.1f} C"
    early_s = course.raised("mat_weak")
    if early_s < at_s:
        got += f"; but mat_weak was raised for nothing at {early_s / HOUR_S:.0f} h"
    met = bool(weak_h <= NAMED_H) and not early_s < at_s
    return [Verdict("mat half dead", wanted, got, met)]


def named(bench: str, fault: str, alarm: str, hour: float, weather: str = "winter_dull") -> Verdict:
    """Whether a fault that begins at an hour of the fourth day is named in time."""
    at_s = 3 * DAY_S + hour * HOUR_S
    case = Case(bench=bench, weather=weather, days=4.5, faults=(make_fault(fault, at_s, 24.0),))
    course = play_warmfoot(case)
    named_h = _hours(at_s, course.raised(alarm, at_s))
    got = f"{alarm} {_said(named_h)}"
    return Verdict(fault.replace("_", " "), f"named within {NAMED_H:g} h", got, named_h <= NAMED_H)


def welded(bench: str, weather: str) -> Verdict:
    """A relay that stays on: software can only say so. Not judged where the base stays harmless."""
    at_s = 3 * DAY_S + 6 * HOUR_S
    fault = make_fault("relay_welded", at_s, 12.0, MAT)
    course = play_warmfoot(Case(bench=bench, weather=weather, days=4.0, faults=(fault,)))
    named_s = course.raised("mat_stuck_on", at_s)
    named_h = _hours(at_s, named_s)
    highest_c = _minutes(course, at_s, fault.until_s).max()
    got = f"mat_stuck_on {_said(named_h)}"
    if not isnan(named_s):
        got += f", base then {course.base_c[int(named_s // 60)]:.1f} C"
    got += f"; {highest_c:.1f} C at most"
    harmless = not named_h <= NAMED_H and highest_c <= HOT_C
    met = None if harmless else bool(named_h <= NAMED_H)
    return Verdict(f"relay welded, {weather}", f"named within {NAMED_H:g} h", got, met)


def quiet_case(bench: str, days: float) -> Case:
    """Weeks in which nothing is wrong: other weather every few days, watering, lid lifting."""
    turns = ("spring_bright", "autumn_gales", "summer_mild", "winter_dull", "autumn_damp")
    spells = tuple(
        WeatherSpell(turns[i % len(turns)], day * DAY_S, (day + 2.0) * DAY_S, 0.0)
        for i, day in enumerate(np.arange(3.0, days, 5.0).tolist())
    )
    waterings = [
        make_fault("watering", (day + 0.7) * DAY_S, target=BENCH)
        for day in np.arange(2.0, days, 4.0).tolist()
    ]
    lids = [
        make_fault("lid_open", (day + 0.8) * DAY_S, hours=0.5, target=BENCH)
        for day in np.arange(1.0, days, 1.0).tolist()
    ]
    return Case(
        bench=bench, weather="spring_mixed", days=days, faults=(*waterings, *lids), spells=spells
    )


def quiet(bench: str, days: float) -> Verdict:
    """No fault alarm when there is no fault; a mat truly at its limit may be called so."""
    course = play_warmfoot(quiet_case(bench, days))
    raised = [
        (at_s, change.alarm)
        for at_s, change in course.alarms
        if change.state == "UNACK"
        and (change.alarm.startswith(QUIET) or change.alarm in QUIET_TOO)
        and not (change.alarm == "mat_at_limit" and _at_limit(course, at_s))
    ]
    got = ", ".join(f"{alarm} on day {at_s / DAY_S:.1f}" for at_s, alarm in raised[:6]) or "none"
    what = f"{days:g} days without a fault"
    return Verdict(what, "no alarm of mat, relay, base probe, mist or dry air", got, not raised)


def _at_limit(course: Course, at_s: float) -> bool:
    """Whether two hours of full heat had truly left the base cold and not rising."""
    end = int(at_s // 60)
    full = course.share[(end - 120) * TICKS : end * TICKS].min() > 0.99
    base_c = course.base_c[end - 60 : end]
    return bool(full and base_c.max() < TARGET_C - 0.9 and base_c[-1] - base_c[0] < 0.15)
