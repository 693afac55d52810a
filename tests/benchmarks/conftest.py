"""What all speed measurements share. Run them with: pytest -m benchmark -s"""

import os
import platform
import sqlite3
from collections.abc import Callable, Iterator
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest

from config.load import loads
from config.model import Site

Row = tuple[str, str, str]


@pytest.fixture(scope="session", autouse=True)
def machine() -> None:
    """Say what is measured on."""
    processor = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        names = [line for line in cpuinfo.read_text().splitlines() if line.startswith("model name")]
        processor = names[0].partition(":")[2].strip() if names else processor
    print(
        f"\n{processor}, {os.cpu_count()} cores; Python {platform.python_version()}, "
        f"numpy {np.__version__}, SQLite {sqlite3.sqlite_version}, "
        f"pydantic {version('pydantic')}, simple-pid {version('simple-pid')}"
    )


@pytest.fixture
def tell() -> Iterator[Callable[[str, str, str], None]]:
    """Takes (what, measured, wanted) and prints them at the end of the test."""
    rows: list[Row] = []
    yield lambda what, measured, wanted: rows.append((what, measured, wanted))
    widths = [max(len(row[i]) for row in rows) for i in range(3)] if rows else [0, 0, 0]
    print()
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))


@pytest.fixture
def demo_text() -> str:
    return (Path("config") / "examples" / "alder_lane.toml").read_text(encoding="utf-8")


@pytest.fixture
def demo(demo_text: str) -> Site:
    return loads(demo_text, "alder_lane.toml")


@pytest.fixture
def many_benches() -> Callable[[int], str]:
    """Text of a bench file with n benches of six probes each, on one memory link."""

    def text(count: int) -> str:
        parts = [
            'site = { name = "Many", timezone = "Europe/Dublin", latitude_deg = 53.3, '
            "longitude_deg = -6.5, tick_s = 5 }",
            'links.board = { kind = "memory" }',
        ]
        for i in range(count):
            parts.append(
                f"""
[benches.b{i}]
recipe = "semi_ripe"
[benches.b{i}.air]
probes = [
    {{ link = "board", channel = "air{i}", kind = "air_temperature" }},
    {{ link = "board", channel = "rh{i}", kind = "humidity" }},
    {{ link = "board", channel = "house{i}", kind = "house_temperature" }},
]
[benches.b{i}.bays.only]
probes = [
    {{ link = "board", channel = "p{i}", kind = "base_temperature" }},
    {{ link = "board", channel = "q{i}", kind = "base_temperature" }},
    {{ link = "board", channel = "r{i}", kind = "base_temperature" }},
]
mat = {{ link = "board", channel = "mat{i}", power_w = 100, area_m2 = 1.0 }}
[benches.b{i}.mister]
link = "board"
channel = "mist{i}"
"""
            )
        return "\n".join(parts)

    return text
