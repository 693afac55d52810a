"""Time zone of the machine, and the town that names it."""

from pathlib import Path

import pytest

from config.where import machine_zone, town_of


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "etc").mkdir()
    return tmp_path


def test_zone_comes_from_the_first_place_that_names_a_known_one(root: Path) -> None:
    assert machine_zone(root, {}) is None
    (root / "etc/timezone").write_text("Europe/Oslo\n")
    assert machine_zone(root, {}) == "Europe/Oslo"
    (root / "etc/localtime").symlink_to("/usr/share/zoneinfo/Europe/Dublin")
    assert machine_zone(root, {}) == "Europe/Dublin"
    assert machine_zone(root, {"TZ": "America/Halifax"}) == "America/Halifax"
    assert machine_zone(root, {"TZ": ":/usr/share/zoneinfo/Asia/Tokyo"}) == "Asia/Tokyo"


@pytest.mark.parametrize(
    "odd", ["", "IST-1GMT0,M10.5.0,M3.5.0/1", "Nowhere/Town", "../../etc/passwd"]
)
def test_a_name_that_is_not_known_is_passed_over(root: Path, odd: str) -> None:
    (root / "etc/timezone").write_bytes(b"\xff\xfe")
    (root / "etc/localtime").write_text("a copy, not a link")
    assert machine_zone(root, {"TZ": odd}) is None


@pytest.mark.parametrize(
    ("zone", "latitude", "longitude"),
    [  # zone.tab of the IANA time zone database, in degrees and minutes
        ("Europe/Dublin", 53 + 20 / 60, -(6 + 15 / 60)),
        ("Australia/Sydney", -(33 + 52 / 60), 151 + 13 / 60),
        ("America/New_York", 40 + 42 / 60, -(74 + 0 / 60)),  # 404251: seconds are left out
    ],
)
def test_town_of_a_zone(zone: str, latitude: float, longitude: float) -> None:
    assert town_of(zone) == pytest.approx((latitude, longitude))


@pytest.mark.parametrize("zone", ["UTC", "Etc/GMT+3", "Nowhere/Town", ""])
def test_zone_of_no_place_has_no_town(zone: str) -> None:
    assert town_of(zone) is None
