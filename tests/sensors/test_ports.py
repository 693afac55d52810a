"""Ports found, named as they stay."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from sensors.links import ports


def port(device: Path, vid: int | None, hwid: str = "n/a") -> SimpleNamespace:
    return SimpleNamespace(device=str(device), vid=vid, hwid=hwid, description=f"at {device.name}")


def test_usb_comes_first_under_the_name_that_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("ttyS0", "ttyS9", "ttyACM0", "ttyUSB0"):
        (tmp_path / name).touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-board-if00").symlink_to(tmp_path / "ttyACM0")
    found = [
        port(tmp_path / "ttyS0", None, "PNP0501"),
        port(tmp_path / "ttyS9", None),
        port(tmp_path / "ttyACM0", 0x2E8A, "USB VID:PID=2E8A:0005"),
        port(tmp_path / "ttyUSB0", 0x0403, "USB VID:PID=0403:6001"),
    ]
    monkeypatch.setattr(ports.list_ports, "comports", lambda: found)
    assert ports.ports_found(by_id) == [
        str(by_id / "usb-board-if00"),
        str(tmp_path / "ttyUSB0"),
        str(tmp_path / "ttyS0"),
    ]
    assert ports.serial_ports(by_id)[0] == (
        str(by_id / "usb-board-if00"), str(tmp_path / "ttyACM0"), "at ttyACM0",
    )  # fmt: skip
    assert ports.ports_found(tmp_path / "none")[0] == str(tmp_path / "ttyACM0")


def test_a_machine_without_ports_has_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports.list_ports, "comports", list)
    assert ports.ports_found() == []
