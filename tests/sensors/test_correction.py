"""Offset and gain from known values; what is not believed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.calibrate import Calibration
from sensors.correction import CalibrationRefused, Point, correction, shift_at, together
from sensors.fixed_points import ICE_U_K, SALTS, FixedPointError, over_salt
from sensors.kinds import KINDS

BASE = KINDS["base_temperature"]


@given(
    gain=st.floats(0.97, 1.03), offset=st.floats(-0.8, 0.8), cool=st.floats(-1, 3),
    warm=st.floats(22, 33),
)  # fmt: skip
def test_two_points_give_back_the_gain_and_offset_of_a_probe_that_is_wrong_by_them(
    gain, offset, cool, warm
):
    points = [Point(known, (known - offset) / gain, 0.05) for known in (cool, warm)]
    found = correction(points, "degC").calibration
    for known, point in zip((cool, warm), points, strict=True):
        assert found.correct(BASE, point.raw) == pytest.approx(known, abs=0.005)


def test_one_point_is_an_offset_and_keeps_the_gain_in_force():
    assert correction([Point(0.0, 0.44, ICE_U_K)], "degC").calibration == (1.0, -0.44)
    kept = correction([Point(25.0, 24.0, 0.1)], "degC", gain=1.02).calibration
    assert kept.gain == 1.02
    assert kept.correct(BASE, 24.0) == pytest.approx(25.0)


def test_uncertainty_is_the_root_of_the_squares_times_two():
    """JCGM 100:2008, 5.1.2 and 6.2.1, by hand: 2 * sqrt(0.03^2 + 0.0625^2/12 + 0.04^2)."""
    found = correction([Point(0.0, 0.2, 0.03, 0.04)], "degC")
    assert found.u == pytest.approx(0.1063, abs=1e-4)
    assert found.worst == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("points", "unit", "words"),
    [
        ([Point(0.0, 2.4, 0.05)], "degC", "2.4 K off"),
        ([Point(75.4, 60.0, 0.5)], "%", "15.4 % RH off"),
        ([Point(0.0, 0.2, 0.05), Point(9.0, 9.1, 0.05)], "degC", "9.0 K apart"),
        ([Point(0.0, 1.0, 0.05), Point(20.0, 19.0, 0.05)], "degC", "a gain of 1.111"),
        ([Point(0.0, 0.0, 0.5), Point(20.0, 20.0, 0.5)], "degC", "too unsure"),
        ([], "degC", "0 points"),
        ([Point(500.0, 500.0, 5.0)], "W/m2", "only probes of temperature and humidity"),
    ],
)
def test_what_is_not_believed_is_refused_in_words(points, unit, words):
    with pytest.raises(CalibrationRefused, match=words):
        correction(points, unit)


def test_a_stuck_probe_is_told_from_a_bad_gain():
    with pytest.raises(CalibrationRefused, match="does not move"):
        correction([Point(43.0, 53.0, 0.5), Point(63.0, 53.0, 0.5)], "%")


def test_shift_is_told_at_the_usual_value():
    assert shift_at(Calibration(1.01, -0.3), "degC") == pytest.approx(-0.1)
    assert shift_at(Calibration(1.0, 2.0), "%") == pytest.approx(2.0)


# Greenspan 1977 (see fixed_points.py), written down from memory: % RH at 20 and 25 degC.
GREENSPAN = {
    "magnesium": (33.07, 32.78),
    "carbonate": (43.16, 43.16),
    "table": (75.47, 75.29),
    "potassium": (85.11, 84.34),
}


@pytest.mark.parametrize("salt", SALTS)
def test_salts_stand_at_their_published_humidity(salt):
    at_20, at_25 = GREENSPAN[salt]
    assert over_salt(salt, 20.0) == at_20
    assert over_salt(salt, 25.0) == at_25
    assert over_salt(salt, 22.5) == pytest.approx((at_20 + at_25) / 2)


def test_salts_are_not_used_far_from_where_they_are_known():
    with pytest.raises(FixedPointError, match="20 to 25"):
        over_salt("table", 8.0)
    with pytest.raises(FixedPointError, match="there are magnesium"):
        over_salt("sugar", 20.0)


def test_in_one_bucket_the_odd_one_stands_out():
    found = together({"a": 18.1, "b": 18.2, "c": 19.3, "d": 18.0}, "degC")
    assert (found[0].probe, found[0].odd) == ("c", True)
    assert sum(one.odd for one in found) == 1
    assert found[0].off == pytest.approx(1.15)


def test_of_two_that_differ_nothing_tells_which_is_wrong():
    assert all(one.odd for one in together({"a": 18.0, "b": 18.8}, "degC"))
    assert not any(one.odd for one in together({"a": 18.0, "b": 18.4}, "degC"))
    with pytest.raises(CalibrationRefused, match="two probes"):
        together({"a": 18.0}, "degC")
