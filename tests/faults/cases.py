"""The form of a row of the matrix, and how one is played."""

from collections.abc import Generator
from math import inf
from pathlib import Path
from typing import NamedTuple

from check_relays import spans
from checker import Violation, judge
from evidence import Due, Evidence
from watched import Script, Watched, bench_text

from simulator.faults import parse_fault

BASE1, BASE2 = "north.left.base1", "north.left.base2"
BAY, BENCH, LINK, SITE = "north.left", "north", "board", "site"
COLD = frozenset({"base_cold", "base_very_cold", "mat_at_limit"})
DRY = frozenset({"air_dry", "air_very_dry", "top_hot"})


class Case(NamedTuple):
    """One fault.

    number: of the row, "c" for combined ones.  how: where it is put in.  expected: in words.
    faults: as `warmfoot rehearse --fault` takes them.  hours: played.  dues: (alarm, place, after,
    by) in minutes after the first fault.  allowed: alarms that the fault may also bring.  latched:
    those that wait for a person.  back_min: minutes after the last fault by which all is normal.
    script: plays it instead; it yields hours to be played and asserts what the row alone expects.
    held_by: the test that holds this row, which is then only run by it.
    """

    number: str
    area: str
    fault: str
    how: str
    expected: str
    faults: tuple[str, ...] = ()
    hours: float = 6.0
    dues: tuple[tuple[str, str, float, float], ...] = ()
    allowed: frozenset[str] = frozenset()
    latched: frozenset[str] = frozenset()
    back_min: float = inf
    start: str = "2026-03-02T12:00"
    weather: str = "spring_mixed"
    text: str = ""
    script: Script | None = None
    held_by: str = ""
    tick_s: float = 10.0
    warm_h: float = 48.0

    @property
    def name(self) -> str:
        return f"{self.number} {self.fault}"


class Outcome(NamedTuple):
    """How a case went. seen: what happened, in words."""

    seen: str
    broken: list[Violation]


def play(case: Case, folder: Path) -> Outcome:
    """Play a case and judge it. A script's own claim that fails counts as a violation."""
    text = case.text or bench_text()
    faults = tuple(parse_fault(fault) for fault in case.faults)
    watched = Watched(
        folder,
        text=text,
        start=case.start,
        weather=case.weather,
        faults=faults,
        tick_s=case.tick_s,
        warm_h=case.warm_h,
    )
    first_s = min((f.at_s for f in faults), default=0.0)
    last_s = max((f.until_s for f in faults), default=0.0)
    returns_s = last_s + 60.0 * case.back_min
    broken = []
    watched.start()
    watched.stick()
    try:
        for hours in (case.script or _plain(case.hours))(watched):
            watched.play(hours)
    except AssertionError as error:
        broken.append(Violation("row", str(error).partition("\n")[0] or "its own claim"))
    finally:
        dues = tuple(Due(a, p, first_s + 60 * b, first_s + 60 * e) for a, p, b, e in case.dues)
        run = watched.finish(dues, returns_s)
    run.allowed |= case.allowed
    run.latched |= case.latched
    return Outcome(_seen(run), broken + judge(run))


def _plain(hours: float) -> Script:
    def script(_: Watched) -> Generator[float, None, None]:
        yield hours

    return script


def _seen(run: Evidence) -> str:
    came = run.asked(
        "SELECT alarm, min(at_ms) / 1000.0 FROM alarm_change WHERE state IN ('UNACK', "
        "'LATCH_UNACK') GROUP BY alarm ORDER BY 2"
    )
    alarms = ", ".join(f"{a} at {(at_s - run.utc0_s) / 3600:.1f} h" for a, at_s in came)
    modes = sorted({m for look in run.looks for m in look.modes.values()} - {"normal"})
    hottest_c = max((max(look.true_c.values()) for look in run.looks), default=0.0)
    heated_h = sum(s.to_s - s.from_s for s in spans(run) if s.relay.endswith("mat")) / 3600
    parts = [alarms or "no alarm", *modes, f"most {hottest_c:.1f} °C", f"heat {heated_h:.1f} h"]
    return "; ".join(parts)
