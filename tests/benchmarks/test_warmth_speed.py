"""Degree-hours over six weeks of minutes, from disk, against plain sqlite3 and numpy."""

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from config.load import loads
from config.recipes import recipe_for
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import MinuteRow
from controller.review.warmth import bay_base, warmth_of
from sensors.clock import Now

pytestmark = pytest.mark.benchmark
Tell = Callable[[str, str, str], None]
START_S = 1_772_409_600
MINUTES = 6 * 7 * 1440
PROBE = "tray.only.base1"
TEXT = """
site = { name = "Tray", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.tray.bays.only]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 25 }
"""


def _best_s(work: Callable[[], object], times: int = 7) -> float:
    found = []
    for _ in range(times):
        begun_s = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun_s)
    return min(found)


def test_six_weeks_of_warmth_from_disk(tell: Tell, tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    with Journal.open(path, site=loads(TEXT, "test"), durable=False) as journal:
        journal.begin_run(Now(START_S, 0.0), version="1", site_text=TEXT, boot_id="b")
        wave = 20 + 3 * np.sin(np.arange(MINUTES) / 1440 * 2 * np.pi)
        journal.write(
            [
                MinuteRow(START_S + 60 * i, PROBE, float(c), float(c) - 0.1, float(c) + 0.1, 6, 1)
                for i, c in enumerate(wave)
            ]
        )
    recipe = recipe_for("semi_ripe")

    def ours() -> float:
        with open_reader(path) as reader:
            series = list(reader.means([PROBE], START_S, START_S + MINUTES * 60).values())
        return warmth_of(*bay_base(series), recipe, START_S).degree_hours

    def plain() -> float:
        conn = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        rows = conn.execute(
            "SELECT t, mean FROM minute WHERE probe = (SELECT id FROM probe WHERE name = ?) "
            "AND t >= ? AND t < ? ORDER BY t",
            (PROBE, START_S, START_S + MINUTES * 60),
        ).fetchall()
        conn.close()
        found = np.array(rows, dtype=np.float64)
        above = np.clip(found[:, 1] / 1000, recipe.warmth_floor_c, recipe.warmth_cap_c)
        return float(np.trapezoid(above - recipe.warmth_floor_c, found[:, 0]) / 3600)

    assert ours() == pytest.approx(plain(), rel=1e-6)
    ours_s, plain_s = _best_s(ours), _best_s(plain)
    tell("six weeks of warmth from disk", f"{ours_s * 1000:.1f} ms", "")
    tell("against plain sqlite3 + numpy", f"{ours_s / plain_s:.2f} x", "<= 1.5 x")
