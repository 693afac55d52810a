"""The example bench files and the service unit that are shipped."""

from configparser import ConfigParser
from importlib.resources import files
from pathlib import Path

import pytest

from config.load import load
from config.model import MqttLink, SerialLink
from config.recipes import recipe_for

FOLDER = Path(str(files("config").joinpath("examples")))
EXAMPLES = sorted(FOLDER.glob("*.toml"))


def test_the_three_examples_are_there() -> None:
    names = {path.name for path in EXAMPLES}
    assert names >= {"alder_lane.toml", "one_tray_serial.toml", "two_benches_mqtt.toml"}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_is_sound(path: Path) -> None:
    site = load(path)
    for bench in site.benches.values():
        assert recipe_for(bench.recipe or "").name == bench.recipe


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_example_names_the_usual_cautions(path: Path) -> None:
    text = " ".join(path.read_text(encoding="utf-8").replace("#", " ").split())
    site = load(path)
    for words in ("electrician", "RCD", "cut-out"):
        assert words in text
    if any(bench.mister for bench in site.benches.values()):
        assert "Legionella" in text


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_no_example_holds_a_secret(path: Path) -> None:
    text = path.read_text(encoding="utf-8").lower()
    assert "://" not in text
    assert "password =" not in text


def test_demo_nursery_has_one_bay_with_a_cutout_and_a_mister() -> None:
    site = load(FOLDER / "alder_lane.toml")
    assert site.site.name == "Alder Lane Nursery"
    assert isinstance(site.links["board"], SerialLink)
    bench = site.benches["north"]
    assert list(bench.bays) == ["left"]
    assert bench.bays["left"].mat.cutout == "declared"
    assert [probe.channel for probe in bench.bays["left"].probes] == ["base1", "base2"]
    assert bench.recipe == "semi_ripe"
    assert bench.mister is not None
    assert site.tariff is not None
    assert site.tariff.windows


def test_demo_probes_are_read_often_enough_to_see_a_burst_answered() -> None:
    """A burst is judged within 300 s. A 12-bit DS18B20 takes up to 0.75 s (its data sheet)."""
    bench = load(FOLDER / "alder_lane.toml").benches["north"]
    probes = [*bench.air.probes, *bench.bays["left"].probes]
    assert {probe.every_s for probe in probes} == {30.0}


def test_demo_mat_is_no_stronger_than_benches_need() -> None:
    """47 to 95 W/m2 of root-zone heat (Bartok, UConn); common practice stops near 100."""
    mat = load(FOLDER / "alder_lane.toml").benches["north"].bays["left"].mat
    assert mat.area_m2 is not None
    assert 47 <= mat.power_w / mat.area_m2 <= 101


def test_one_tray_needs_ten_lines_at_most() -> None:
    lines = (FOLDER / "one_tray_serial.toml").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 10


def test_broker_example_shows_each_kind_of_address() -> None:
    site = load(FOLDER / "two_benches_mqtt.toml")
    assert isinstance(site.links["broker"], MqttLink)
    bays = [bay for bench in site.benches.values() for bay in bench.bays.values()]
    assert (len(site.benches), len(bays)) == (2, 3)
    probes = [probe for bench in site.benches.values() for probe in bench.air.probes]
    assert any(probe.topic and probe.pointer for probe in probes)
    assert any(probe.node and probe.channel for probe in probes)
    assert any(bay.mat.topic and bay.mat.lease == "auto_off" for bay in bays)
    assert site.publish == "broker"
    assert site.alerts.routes


@pytest.fixture(scope="module")
def unit() -> ConfigParser:
    parser = ConfigParser(strict=False, interpolation=None, delimiters=("=",))
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string(files("config").joinpath("warmfoot.service").read_text(encoding="utf-8"))
    return parser


def test_service_is_watched_and_never_given_up(unit: ConfigParser) -> None:
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["WatchdogSec"] == "30"
    assert service["Restart"] == "always"
    assert service["RestartSec"] == "5"
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert service["ExecStart"] == "/opt/warmfoot/bin/warmfoot run /etc/warmfoot/bench.toml"
    assert service["ExecReload"] == "/bin/kill -HUP $MAINPID"


def test_service_starts_without_a_network(unit: ConfigParser) -> None:
    assert "network" not in " ".join(unit["Unit"].values())


def test_service_is_shut_in(unit: ConfigParser) -> None:
    service = unit["Service"]
    for key in ("NoNewPrivileges", "ProtectHome", "PrivateTmp"):
        assert service[key] == "yes"
    assert service["ProtectSystem"] == "strict"
    assert service["DevicePolicy"] == "closed"
    assert service["CapabilityBoundingSet"] == ""
    assert service["StateDirectory"] == service["RuntimeDirectory"] == "warmfoot"
    assert service["SupplementaryGroups"] == "dialout"
