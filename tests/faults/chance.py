"""Faults by lot: two to five at random hours, one over the other, and the controller killed too.

Which alarms are due nobody has worked out here, so I6 is left aside, and what still stands at the
end (I12) too; everything else must hold whatever comes.
"""

import random
from collections.abc import Generator
from pathlib import Path
from typing import Final

from cases import Case, Outcome, play
from watched import Watched, bench_text

from controller.records import ActKind
from simulator.faults import KINDS

CUTOUT: Final = 'cutout = "declared"\ncutout_c = 35\n'
TEXTS: Final = (
    bench_text(),
    bench_text(second=""),
    bench_text().replace(CUTOUT, ""),
    bench_text(second="").replace(CUTOUT, ""),
    bench_text(bench="mist = { day_budget_s = 60, hour_budget_s = 20 }"),
)
ASIDE: Final = frozenset({"I6", "I12"})
HOURS: Final = 14.0
TARGETS: Final = {
    "probe": ("north.left.base1", "north.left.base2", "north.air", "north.rh", "north.house"),
    "humidity": ("north.rh",),
}
WEATHERS: Final = ("winter_clear", "frost", "spring_mixed", "spring_bright", "hot_spell",
                   "autumn_damp")  # fmt: skip


def drawn(seed: int) -> Case:
    """The case of a seed."""
    lot = random.Random(seed)
    text = lot.choice(TEXTS)
    probes = [p for p in TARGETS["probe"] if p.rpartition(".")[2] in text]
    faults = []
    for _ in range(lot.randint(2, 5)):
        kind = lot.choice(sorted(KINDS))
        row = KINDS[kind]
        target = lot.choice(probes if row.on == "probe" else TARGETS.get(row.on, ("",)))
        hours = min(row.hours, lot.uniform(0.1, 6.0))
        name = f"{kind}:{target}" if target else kind
        size = ""
        if kind == "clock_step":
            size = f"={lot.choice((-86400, -7200, 90, 7200, 400_000))}"
        faults.append(f"{name}@1+{lot.uniform(0.2, 10.0):.3f}/{hours:.3f}{size}")
    kills = sorted(lot.uniform(0.5, 12.0) for _ in range(lot.randint(0, 3)))
    acts = [(lot.uniform(0.5, 12.0), lot.choice(sorted(ActKind))) for _ in range(lot.randint(0, 5))]
    return Case(
        number=f"r{seed}",
        area="by lot",
        fault=", ".join(faults),
        how="simulator",
        expected="all but I6 and I12 hold",
        faults=tuple(faults),
        start=f"2026-{lot.randint(1, 12):02d}-11T{lot.randint(0, 23):02d}:00",
        weather=lot.choice(WEATHERS),
        text=text,
        tick_s=lot.choice((5.0, 10.0, 20.0)),
        script=lambda watched: _course(watched, kills, acts, lot),
    )


def _course(
    play: Watched, kills: list[float], acts: list[tuple[float, str]], lot: random.Random
) -> Generator[float, None, None]:
    events = sorted([(at_h, "kill") for at_h in kills] + acts)
    for at_h, what in events:
        ahead_h = at_h - play.elapsed_s / 3600.0
        if ahead_h > 0:
            yield ahead_h
        if play.controller is None:  # without power just now
            continue
        if what == "kill":
            play.kill()
            yield lot.uniform(0.01, 0.5)
            if play.controller is None and play.rig.powered:
                play.restart()
        else:
            _ask(play, what, lot)
    yield max(0.1, HOURS - play.elapsed_s / 3600.0)
    if play.controller is None and play.rig.powered:
        play.restart()
        yield 0.2


def _ask(play: Watched, kind: str, lot: random.Random) -> None:
    """An act of somebody who does not think."""
    names = [key for key, alarm in play.kept.state.alarms.items() if alarm.state != "NORM"]
    alarm, place = lot.choice(names) if names else ("base_cold", "north.left")
    if kind in (ActKind.HOLD_MIST, ActKind.BURST):
        alarm, place = "", "north"
    elif kind in (ActKind.HOLD_HEAT, ActKind.RELEASE):
        alarm, place = "", "north.left"
    span_s = lot.choice((1.0, 30.0, 3600.0, 90_000.0))
    play.ask(kind, place, alarm=alarm, span_s=span_s, value=lot.choice(("on", "off")), note="x")


def play_drawn(seed: int, folder: Path) -> Outcome:
    """Play the case of a seed; the violations that count."""
    outcome = play(drawn(seed), folder)
    return outcome._replace(broken=[v for v in outcome.broken if v.invariant not in ASIDE])
