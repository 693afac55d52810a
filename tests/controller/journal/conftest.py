"""A small site and an open journal for the journal's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from config.load import loads
from config.model import Site
from controller.journal.writer import Journal
from sensors.clock import Now

T0 = 1_772_409_600  # 2026-03-02T00:00Z

BENCH = """
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5

[links.board]
kind = "serial"
port = "/dev/ttyACM0"

[benches.north.air]
probes = [
  {link = "board", channel = "air", kind = "air_temperature"},
  {link = "board", channel = "rh", kind = "humidity"},
]

[benches.north.bays.left]
probes = [{link = "board", channel = "base1", kind = "base_temperature"}]
mat = {link = "board", channel = "mat1", power_w = 90.0}

[benches.north.bays.right]
probes = [
  {link = "board", channel = "base2", kind = "base_temperature"},
  {link = "board", channel = "base3", kind = "base_temperature"},
]
mat = {link = "board", channel = "mat2", power_w = 200.0}

[benches.north.mister]
link = "board"
channel = "mist"
flow_ml_per_s = 12.0

[tariff]
price_per_kwh = 0.30
windows = [{start = 23:00:00, end = 08:00:00, price_per_kwh = 0.10}]
"""


@pytest.fixture(scope="session")
def bench_text() -> str:
    return BENCH


@pytest.fixture(scope="session")
def site() -> Site:
    return loads(BENCH, "bench.toml")


@pytest.fixture
def t0() -> int:
    return T0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def now() -> Now:
    return Now(float(T0), 1000.0)


@pytest.fixture
def journal(path: Path, site: Site, now: Now, bench_text: str) -> Iterator[Journal]:
    with Journal.open(path, site=site, now=now) as opened:
        opened.begin_run(now, version="1.0", site_text=bench_text, boot_id="boot-a")
        yield opened
