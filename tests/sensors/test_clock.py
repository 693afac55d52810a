"""The machine's clock, and when it is to be trusted."""

import time
from pathlib import Path

from sensors.clock import SystemClock, _is_kept


def test_a_clock_chip_is_trusted(tmp_path: Path) -> None:
    (tmp_path / "run/systemd/timesync").mkdir(parents=True)
    (tmp_path / "dev").mkdir()
    assert not _is_kept(tmp_path)
    (tmp_path / "dev/rtc0").touch()
    assert _is_kept(tmp_path)


def test_without_a_clock_chip_the_time_service_must_have_set_it(tmp_path: Path) -> None:
    service = tmp_path / "run/systemd/timesync"
    service.mkdir(parents=True)
    assert not _is_kept(tmp_path)
    (service / "synchronized").touch()
    assert _is_kept(tmp_path)


def test_a_machine_without_that_service_is_believed(tmp_path: Path) -> None:
    assert _is_kept(tmp_path)


def test_monotonic_time_never_goes_back_and_waiting_reaches_its_time() -> None:
    clock = SystemClock()
    first = clock.now()
    clock.wait_until(first.mono_s + 0.01)
    assert clock.now().mono_s >= first.mono_s + 0.01
    clock.wait_until(first.mono_s - 5.0)
    assert abs(first.utc_s - time.time()) < 5.0
