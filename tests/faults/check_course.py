"""Invariants of the course of a run: alarms due, ticks in time, nothing growing, back to normal."""

from collections.abc import Iterator
from itertools import pairwise
from math import inf
from typing import Final

import numpy as np
from evidence import Evidence

NEAR_K: Final = 1.0
FLAT_SHARE: Final = 0.05
"""RSS may seem to grow by so much in 30 days, or by a slope that is not beyond chance."""
FLAT_KB: Final = 4096.0


def raised(run: Evidence) -> list[tuple[float, str, str]]:
    """(true time, alarm, place) of each time an alarm came, shown or not."""
    rows = run.asked(
        "SELECT at_ms / 1000.0, alarm, place, was, state FROM alarm_change ORDER BY id"
    )
    found = []
    look = 0
    for at_s, alarm, place, was, state in rows:
        # Rows are in true order, so that a clock that was set back is no puzzle.
        while look < len(run.looks) and abs(run.looks[look].utc_s - at_s) > 0.5 * run.tick_s:
            look += 1
        t_s = run.looks[look].t_s if look < len(run.looks) else at_s - run.utc0_s
        if look == len(run.looks):
            look = 0
        if was in ("NORM", "RTNUN") and state in ("UNACK", "LATCH_UNACK", "DSUPR"):
            found.append((t_s, alarm, place))
    return found


def i6(run: Evidence) -> Iterator[str]:
    """Every alarm that is due comes in time, and no other."""
    came = raised(run)
    late_s = 2.0 * run.tick_s
    for due in run.dues:
        mine = [t for t, alarm, place in came if (alarm, place) == (due.alarm, due.place)]
        timely = [t for t in mine if due.from_s - late_s <= t <= due.by_s + late_s]
        if not timely:
            yield (
                f"{due.alarm} at {due.place} is due by {due.by_s:.0f} s, "
                f"{f'came at {mine[0]:.0f}' if mine else 'and never came'}"
            )
    known = {due.alarm for due in run.dues} | run.allowed
    for t_s, alarm, place in came:
        if alarm not in known:
            yield f"{alarm} at {place} came at {t_s:.0f} s without cause"


def i9(run: Evidence) -> Iterator[str]:
    """No cycle later than two periods."""
    for first, last in pairwise(run.looks):
        if last.t_s - first.t_s > 2.0 * run.tick_s and not run.gone(first.t_s, last.t_s):
            yield f"{last.t_s - first.t_s:.0f} s without a decision at {first.t_s:.0f} s"
    slow = [look for look in run.looks if look.took_s > 2.0 * run.tick_s]
    for look in slow[:1]:
        yield f"the tick at {look.t_s:.0f} s took {look.took_s:.1f} s"


def i10(run: Evidence) -> Iterator[str]:
    """Memory, files and threads are flat. The first third is warming up and does not count."""
    kept = run.usage[len(run.usage) // 3 :]
    if len(kept) < 6:
        return
    days = np.array([one.days for one in kept])
    rss = np.array([one.rss_kb for one in kept])
    slope, level = np.polyfit(days, rss, 1)
    rest = rss - (slope * days + level)
    error = np.sqrt((rest**2).sum() / (len(days) - 2) / ((days - days.mean()) ** 2).sum())
    grown_kb = 30.0 * (slope - 2.0 * error)
    if grown_kb > max(FLAT_SHARE * rss.mean(), FLAT_KB):
        yield f"RSS grows by {30 * slope:.0f} kB in 30 days, give or take {60 * error:.0f}"
    files = [one.files for one in kept]
    if max(files[len(files) // 2 :]) > max(files[: len(files) // 2]):
        yield f"open files grow: {files[0]} to {files[-1]}"
    lost = kept[0].threads - kept[-1].threads
    if lost:
        yield f"threads have ended: {', '.join(sorted(lost))}"


def i12(run: Evidence) -> Iterator[str]:
    """After the fault the normal state returns without a person, unless latched."""
    if run.returns_s == inf:
        return
    after = [look for look in run.looks if look.t_s >= run.returns_s]
    if not after:
        yield f"nothing is known of the time after {run.returns_s:.0f} s"
        return
    for place in after[0].modes:
        odd = [look for look in after if look.modes[place] != "normal"]
        if odd:
            yield f"{place} is in mode {odd[0].modes[place]} at {odd[0].t_s:.0f} s"
        faulty = [look for look in after if "fault" in look.codes[place]]
        if faulty:
            yield f"{place} is off for a fault at {faulty[0].t_s:.0f} s"
    rows = run.asked("SELECT alarm, place, state FROM alarm_change ORDER BY id")
    for (alarm, place), state in {(a, p): s for a, p, s in rows}.items():
        if state in ("UNACK", "ACKED", "DSUPR") and alarm not in run.latched:
            yield f"{alarm} at {place} still stands ({state}) at the end"
