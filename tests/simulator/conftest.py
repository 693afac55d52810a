"""Two small sites, and a controller that is not there."""

from importlib.resources import files

import pytest

from config.load import loads

TWO_BAYS = """
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5

[links.board]
kind = "serial"
port = "/dev/ttyACM0"

[benches.north]
[benches.north.air]
probes = [
    { link = "board", channel = "air", kind = "air_temperature" },
    { link = "board", channel = "rh", kind = "humidity" },
    { link = "board", channel = "house", kind = "house_temperature" },
]
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature", offset_c = -0.5 }]
mat = { link = "board", channel = "mat1", power_w = 120, area_m2 = 1.2 }
heat = { target_c = 21 }
[benches.north.bays.right]
probes = [{ link = "board", channel = "base2", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 60 }
heat = { target_c = 21 }
[benches.north.mister]
link = "board"
channel = "mist"
flow_ml_per_s = 12.0
"""


@pytest.fixture(scope="session")
def site():
    return loads(TWO_BAYS, "two_bays.toml")


@pytest.fixture(scope="session")
def demo_text():
    return files("config").joinpath("examples", "alder_lane.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def demo(demo_text):
    return loads(demo_text, "alder_lane.toml")


@pytest.fixture(scope="session")
def broker_site():
    text = files("config").joinpath("examples", "two_benches_mqtt.toml").read_text("utf-8")
    return loads(text, "two_benches_mqtt.toml")
