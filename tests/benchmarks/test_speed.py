"""How fast the rehearsal and the controller are. Ratios are taken side by side in one run."""

import gc
import math
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from config.load import loads
from config.model import Site
from controller.app import build
from sensors.lines import encode
from sensors.links.memory_link import MemoryLink
from simulator.bench_params import PRESETS
from simulator.clock import VirtualClock
from simulator.rig import Rig
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(900)]
Tell = Callable[[str, str, str], None]
DAYS = 7
TICK_S = 10.0


def test_rehearsal_against_real_time_and_bare_physics(
    tell: Tell, demo: Site, demo_text: str, tmp_path: Path
) -> None:
    scenario = load_scenario("alder_lane")
    rehearsal = Rehearsal(
        demo, scenario, journal_path=tmp_path / "j.db", days=DAYS, site_text=demo_text
    )
    with rehearsal:
        begun_s = time.perf_counter()
        truth = rehearsal.run()
        whole_s = time.perf_counter() - begun_s
    start_s = datetime.fromisoformat("2026-03-02T07:00+00:00").timestamp()
    rig = Rig(
        rehearsal.site,
        scenario.sky(rehearsal.site),
        start_s,
        params=PRESETS[scenario.preset],
        seed=scenario.seed,
    )
    begun_s = time.perf_counter()
    for tick in range(truth.ticks):
        rig.advance(TICK_S, start_s + tick * TICK_S)
    physics_s = time.perf_counter() - begun_s
    tell(
        "rehearsal, 10 s ticks, journal on disk", f"{truth.span_s / whole_s:,.0f} x", ">= 90,000 x"
    )
    tell("one tick of all that", f"{whole_s / truth.ticks * 1e6:.0f} us", "")
    tell("against the bare physics", f"{whole_s / physics_s:.1f} x slower", "<= 4 x")


@pytest.mark.parametrize("count", [1, 10, 100, 1000])
def test_ticks_against_number_of_benches(
    tell: Tell, many_benches: Callable[[int], str], tmp_path: Path, count: int
) -> None:
    """A thousand benches of six probes, all changing, are kept at 5 s ticks by one core."""
    text = many_benches(count)
    site = loads(text, "many")
    clock = VirtualClock(datetime.fromisoformat("2026-03-02T07:00+00:00").timestamp())
    link = MemoryLink("board", clock, history=10)
    channels = [
        f"{name}{i}" for i in range(count) for name in ("p", "q", "r", "air", "rh", "house")
    ]
    controller = build(
        site, clock=clock, journal=tmp_path / "j.db", links={"board": link}, durable=False
    )
    ticks = max(20, 2000 // count)
    with controller:
        spent_s = 0.0
        for tick in range(ticks + 5):
            fed = _lines(channels, tick)
            gc.collect()
            begun_s = time.perf_counter()
            for line in fed:
                link.feed(line, clock.now().mono_s)
            controller.tick()
            if tick >= 5:
                spent_s += time.perf_counter() - begun_s
            clock.advance(5.0)
    each_us = spent_s / ticks / count * 1e6
    tell(f"{count} benches", f"{each_us:.0f} us per bench and tick", "<= 5000 us; linear")


def _lines(channels: list[str], tick: int) -> list[str]:
    """Readings of all channels, in lines of eight, each a little other than the last."""
    seq = tick * 1000
    lines = []
    for start in range(0, len(channels), 8):
        fields = {
            name: f"{(80 if name.startswith('rh') else 20) + math.sin(tick + start):.2f}"
            for name in channels[start : start + 8]
        }
        lines.append(encode("probe", (seq + start // 8) % 65536, fields))
    return lines
