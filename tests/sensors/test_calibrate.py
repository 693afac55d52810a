"""Calibration."""

import pytest

from config.model import Probe
from sensors.calibrate import Calibration, calibration_of
from sensors.kinds import KINDS


def test_gain_comes_before_offset() -> None:
    calibration = Calibration(gain=1.1, offset=-0.5)
    assert calibration.correct(KINDS["base_temperature"], 20.0) == pytest.approx(21.5)


def test_corrected_humidity_stays_within_0_and_100() -> None:
    assert Calibration(offset=5.0).correct(KINDS["humidity"], 98.0) == 100.0
    assert Calibration(offset=-5.0).correct(KINDS["humidity"], 2.0) == 0.0
    assert Calibration().correct(KINDS["humidity"], 102.4) == 100.0


def test_temperatures_below_zero_stay_below_zero() -> None:
    assert Calibration(offset=-1.0).correct(KINDS["house_temperature"], -3.0) == -4.0


def test_each_kind_takes_its_own_offset() -> None:
    probe = {"link": "board", "channel": "a", "gain": 1.2, "offset_c": 0.3, "offset_pct": -4.0}
    assert calibration_of(Probe(kind="base_temperature", **probe)) == (1.2, 0.3)
    assert calibration_of(Probe(kind="humidity", **probe)) == (1.2, -4.0)
    assert calibration_of(Probe(kind="light", **probe)) == (1.2, 0.0)
