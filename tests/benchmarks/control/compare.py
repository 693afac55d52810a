"""Warmfoot beside what a grower would otherwise have, on the simulated benches.

.venv/bin/python tests/benchmarks/control/compare.py --quick
"""

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Final

import faulted
import settings
from course import STARTS, Case
from figures import Figures, Result, Verdict, verdicts
from timers import mist_verdicts
from trials import HEATERS, MISTERS, fopdt_of, textbook_gains, trial

BENCHES: Final = ("propagator", "bench", "bay")
THRIFT_WEATHERS: Final = ("winter_dull", "spring_mixed")
MARKS: Final = {True: "pass", False: "MISS", None: "-"}
Column = tuple[str, Callable[[Figures], str]]
HEAT_COLUMNS: Final[tuple[Column, ...]] = (
    ("under", lambda f: f"{f.under:.0f}"),
    ("over", lambda f: f"{f.over:.0f}"),
    ("in band %", lambda f: f"{100 * f.reach_share:.1f}"),
    ("best %", lambda f: f"{100 * f.best_share:.1f}"),
    ("error K", lambda f: f"{f.mae_k:.3f}"),
    ("held K", lambda f: f"{f.held_mae_k:.3f}"),
    ("oversh K", lambda f: f"{f.overshoot_k:.2f}"),
    ("kWh", lambda f: f"{f.kwh:.2f}"),
    ("starts/d", lambda f: f"{f.starts_day:.0f}"),
    ("warmth/d", lambda f: f"{f.warmth_kh_day:.0f}"),
    (">23C", lambda f: f"{f.hot_base:.0f}"),
    ("top>base", lambda f: f"{f.hot_top:.0f}"),
)
MIST_COLUMNS: Final[tuple[Column, ...]] = (
    (">1.0kPa", lambda f: f"{f.dry_1_0:.0f}"),
    (">1.5kPa", lambda f: f"{f.dry_1_5:.0f}"),
    ("wet", lambda f: f"{f.wet:.0f}"),
    ("wet night", lambda f: f"{f.wet_night:.0f}"),
    ("litres", lambda f: f"{f.litres:.2f}"),
)
LEGEND: Final = """\
under, over: minutes outside 18..21 C in which perfect foresight, holding 20 C, is inside; in band
%: of foresight's minutes in the band; best %: of those of a foresight that cares for the band alone
and keeps the bench at 18 C before sun.  error: mean distance from 20 C after the warm-up; held: the
same in the minutes in which foresight holds 20 C to 0.1 K.  oversh: above the target within 12 h of
first reaching it, less foresight's.  kWh +: over the least for the same target and mist.  starts/d:
relay starts a day.  warmth/d: degree-hours over 10 C.  >23C, top>base: minutes.  >1.0kPa: minutes
of leaf-to-air deficit on dry leaves.  wet, wet night: minutes of wet leaves, and by night.
Mist verdicts: a timer is set once, for all weathers; the fairest gives the least water at no more
dry minutes than Warmfoot's, the usual one 6 s every 15 min by day.
Warmfoot's mist is replayed to every heat rival, Warmfoot's heat to every mist rival. The last six
hours are left out everywhere; all temperatures are true ones."""


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Columns of text, the first to the left, the others to the right."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )


def bench_table(bench: str, results: Sequence[Result]) -> str:
    """All weathers and rivals of one bench."""
    head = ["weather, control", *(name for name, _ in HEAT_COLUMNS), "kWh +"]
    rows: list[list[str]] = []
    for result in results:
        for name in ("Warmfoot", *HEATERS, "foresight"):
            run = result.run(name)
            more = f"{run.kwh - result.least_kwh:+.2f}"
            cells = [show(run) for _, show in HEAT_COLUMNS]
            rows.append([f"{result.case.weather}, {name}", *cells, more])
    mist_head = ["weather, mist", *(name for name, _ in MIST_COLUMNS)]
    mist_rows = [
        [f"{result.case.weather}, {name}", *(show(result.run(name)) for _, show in MIST_COLUMNS)]
        for result in results
        for name in ("Warmfoot", *MISTERS)
    ]
    plant, gains = fopdt_of(bench), textbook_gains(bench)
    textbook = (
        f"SIMC PI of this bench: {plant.gain:.1f} K, tau {plant.tau_s / 3600:.2f} h, theta "
        f"{plant.theta_s / 60:.0f} min; gain {gains.gain:.2f} per K, integral "
        f"{gains.integral_s / 3600:.2f} h"
    )
    return "\n".join(
        [f"== {bench} ==", table(head, rows), "", table(mist_head, mist_rows), textbook]
    )


def mist_table(bench: str, results: Sequence[Result]) -> str:
    """The mist verdicts of one bench, over all weathers."""
    verdicts = mist_verdicts([r for r in results if r.case.bench == bench])
    return "\n".join(
        [f"== {bench}, mist over all weathers =="]
        + [f"{MARKS[v.met]}  {v.what}: {v.got}; wanted {v.wanted}" for v in verdicts]
    )


def trust(results: Sequence[Result]) -> str:
    """How far the linear program can be believed."""
    head = ["foresight's model", "one step K", "24 h K", "of a move of K", "program K",
            "least kWh", "at 18 C kWh", "possible in band %", "Warmfoot lowered min",
            "to own target K", "warmth error %"]  # fmt: skip
    rows = [
        [
            f"{r.case.bench}, {r.case.weather}",
            f"{r.check.one_step:.4f}",
            f"{r.check.day:.3f}",
            f"{r.check.day_move:.2f}",
            f"{r.left_k:.4f}",
            f"{r.least_kwh:.2f}",
            f"{r.floor_kwh:.2f}",
            f"{100 * r.possible_share:.1f}",
            f"{r.lowered_min:.0f}",
            f"{r.own_mae_k:.3f}",
            f"{100 * r.warmth_error:+.3f}",
        ]
        for r in results
    ]
    words = """\
Perfect foresight is a linear program over 10-minute heat, linearised about a played run: base =
that run's base + a three-mode answer to the change in heat, found from the simulated step response.
one step, 24 h: RMS error of that answer under chance heat in the case's own weather and mist,
beside the RMS move of the base that it had to foretell. The program's heat is played on the real
simulated bench and solved again; program: largest difference left. Every figure of foresight comes
from such a play."""
    return f"{words}\n{table(head, rows)}"


def summary(results: Sequence[Result]) -> str:
    """Every target, how often it was met, and the cases that missed it."""
    by_name: dict[str, list[tuple[Result, Verdict]]] = {}
    for result in results:
        for verdict in verdicts(result):
            by_name.setdefault(verdict.what, []).append((result, verdict))
    lines = []
    for what, found in by_name.items():
        asked = [(r, v) for r, v in found if v.met is not None]
        met = sum(v.met is True for _, v in asked)
        mark = "pass" if met == len(asked) else "MISS"
        lines.append(f"{mark}  {what} {found[0][1].wanted}: {met} of {len(asked)}")
        missed = [(r.case, v) for r, v in asked if not v.met]
        lines += [f"        {case.bench}, {case.weather}: {v.got}" for case, v in missed]
    return "\n".join(lines)


def curves(bench: str, weather: str, days: float) -> str:
    """Relay starts against error."""
    found = [settings.timing(bench, weather, days, *given) for given in settings.TIMINGS]
    first = table(
        ["window/shortest s", "starts/d", "error K", "ripple K", "kWh"],
        [
            [f"{t.window_s:.0f}/{t.shortest_s:.0f}", f"{t.starts_day:.1f}", f"{t.error_k:.3f}",
             f"{t.ripple_k:.3f}", f"{t.kwh:.2f}"]
            for t in found
        ],
    )  # fmt: skip
    where = f"{bench}, {weather}, from the second of {days:g} days"
    return f"Relay timing: {where}\n{first}"


def thrift_table(bench: str, weather: str, days: float) -> str:
    """What the rides cost, and what dear hours cost with and without stored warmth."""
    where = f"{bench}, {weather}, from the second of {days:g} days"
    rides = table(
        ["ride", "mean C", "warmth/d", "kWh/d", "saved %", "said kWh/d", "over band min/d",
         "days to root", "kWh a batch"],
        [
            [r.ride, f"{r.mean_c:.2f}", f"{r.warmth_kh_day:.1f}", f"{r.kwh_day:.3f}",
             f"{100 * r.saved:.1f}", "-" if r.said_kwh is None else f"{r.said_kwh:+.3f}",
             f"{r.hot_min:.0f}", f"{r.rooting_days:.1f}", f"{r.kwh_rooted:.1f}"]
            for r in settings.rides(bench, weather, days)
        ],
    )  # fmt: skip
    found = [settings.dear(bench, weather, days, name) for name in settings.TARIFFS]
    dear = table(
        ["tariff", "flat kWh/d", "met kWh/d", "flat EUR/d", "met EUR/d", "saved %", "said %",
         "give or take", "out of band min, flat", "met", "mean base K"],
        [
            [d.tariff, *(f"{kwh:.3f}" for kwh in d.kwh_day), *(f"{c:.3f}" for c in d.cost_day),
             f"{100 * d.saved:.2f}", "-" if d.said is None else f"{100 * d.said:.2f}",
             "-" if d.error is None else f"{100 * d.error:.2f}", *(f"{m}" for m in d.out_min),
             f"{d.mean_k:+.3f}"]
            for d in found
        ],
    )  # fmt: skip
    return f"Ride: {where}\n{rides}\n\nDear hours: {where}\n{dear}"


def fault_table(bench: str, days: float) -> str:
    rows = [[v.what, MARKS[v.met], v.wanted, v.got] for v in faulted.all_faults(bench, days)]
    widths = [max(len(row[i]) for row in rows) for i in range(3)]
    lines = [
        "  ".join([*(c.ljust(w) for c, w in zip(row[:3], widths, strict=True)), row[3]])
        for row in rows
    ]
    return "\n".join([f"== {bench}, faults ==", *lines])


def main(given: Sequence[str] | None = None) -> list[Result]:
    """Run it all and print it. Gives the results of the weathers."""
    asked = _arguments(given)
    cases = [
        Case(bench=bench, weather=weather, days=asked.days + 0.25, seed=asked.seed)
        for bench in asked.benches
        for weather in asked.weathers
    ]
    with ProcessPoolExecutor(asked.jobs) as pool:
        results, lost = [], []
        for case, future in [(case, pool.submit(trial, case)) for case in cases]:
            name = f"{case.bench}, {case.weather}"
            try:
                results.append(future.result())
            except Exception as problem:  # one case lost must not take hours of others with it
                lost.append(f"{name}: {problem!r}")
            done = f"{len(results) + len(lost)} of {len(cases)}: {name}"
            print(done, file=sys.stderr, flush=True)
        print(LEGEND)
        if lost:
            print("\n" + "\n".join(["== NOT MEASURED ==", *lost]))
        for bench in asked.benches:
            print("\n" + bench_table(bench, [r for r in results if r.case.bench == bench]))
        print("\n" + trust(results))
        print("\n== targets ==\n" + summary(results), flush=True)
        for bench in asked.benches:
            print("\n" + mist_table(bench, results), flush=True)
        if asked.settings:
            days = min(asked.days, 6.0) + 0.25
            print("\n" + curves("bench", "winter_dull", days), flush=True)
            asks = [(bench, weather) for bench in asked.benches for weather in THRIFT_WEATHERS]
            benches, weathers = zip(*asks, strict=True)
            for text in pool.map(thrift_table, benches, weathers, [days] * len(asks)):
                print("\n" + text, flush=True)
        if asked.faults:
            days = 60.0 if not asked.quick else 10.0
            for text in pool.map(fault_table, asked.benches, [days] * len(asked.benches)):
                print("\n" + text, flush=True)
    return results


def _arguments(given: Sequence[str] | None) -> Any:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=21.0, help="judged days of each weather")
    parser.add_argument("--quick", action="store_true", help="three days, and a short quiet run")
    parser.add_argument("--weathers", nargs="+", choices=STARTS, default=list(STARTS))
    parser.add_argument("--benches", nargs="+", choices=BENCHES, default=list(BENCHES))
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--faults", action="store_true", help="the fault cases too")
    parser.add_argument(
        "--settings", action="store_true", help="relay timing, rides and dear hours too"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes side by side")
    asked = parser.parse_args(given)
    if asked.quick:
        asked.days = min(asked.days, 3.0)
    return asked


if __name__ == "__main__":
    main()
