"""Moist air against FAO-56, psychrolib and CoolProp.

FAO-56: Allen, Pereira, Raes, Smith (1998), Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56. Tolerances are set by the rounding of the printed figure. psychrolib is built on the
ASHRAE Handbook Fundamentals 2017; CoolProp on its own equations of state for moist air.
"""

import math
from collections.abc import Callable

import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from sensors.moist_air import (
    absolute_humidity_g_per_m3,
    dew_point_c,
    latent_heat_mj_per_kg,
    leaf_vpd_kpa,
    moist_air,
    pressure_kpa,
    svp_kpa,
    vpd_kpa,
    wet_bulb_c,
)

psychrolib.SetUnitSystem(psychrolib.SI)

SEA_LEVEL_KPA = 101.325
# FAO-56, Annex 2, Table 2.3 (p. 215): degC, kPa.
FAO_TABLE_2_3 = [
    (1.0, 0.657), (5.0, 0.872), (8.0, 1.073), (10.0, 1.228), (12.0, 1.403), (13.0, 1.498),
    (15.0, 1.705), (18.0, 2.064), (19.5, 2.267), (20.0, 2.338), (21.0, 2.487), (22.0, 2.644),
    (24.0, 2.984), (25.0, 3.168), (28.0, 3.780), (30.0, 4.243), (32.0, 4.755), (35.0, 5.623),
    (40.0, 7.376), (45.0, 9.582),
]  # fmt: skip
# degC and % that a propagation house sees, and a little beyond.
CLIMATES = [
    (5, 60), (8, 95), (10, 80), (12, 50), (15, 70), (18, 85), (20, 50), (20, 95), (22, 90),
    (24, 65), (25, 80), (28, 75), (30, 40), (35, 60), (40, 30),
]  # fmt: skip


@pytest.mark.parametrize(("temp_c", "printed_kpa"), FAO_TABLE_2_3)
def test_saturation_pressure_is_that_of_fao_table_2_3(temp_c: float, printed_kpa: float) -> None:
    assert svp_kpa(temp_c) == pytest.approx(printed_kpa, abs=0.0006)


@pytest.mark.parametrize(
    ("temp_c", "printed_kpa"), [(24.5, 3.075), (15.0, 1.705), (38.0, 6.625), (28.0, 3.780)]
)
def test_saturation_pressure_is_that_of_fao_examples_3_and_19(
    temp_c: float, printed_kpa: float
) -> None:
    assert svp_kpa(temp_c) == pytest.approx(printed_kpa, abs=0.0006)


@pytest.mark.parametrize("temp_c", range(5, 41, 5))
def test_saturation_pressure_is_near_the_libraries(temp_c: int) -> None:
    """FAO Eq. 11 is a fit: within 0.13 % of psychrolib's from 5 to 40 degC."""
    assert svp_kpa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c) / 1000, rel=0.0013)


@pytest.mark.parametrize(
    ("elevation_m", "printed_kpa"),
    # FAO-56, Annex 2, Table 2.1 (p. 213); 1800 m and 1200 m are Examples 2 and 4.
    [(0, 101.3), (100, 100.1), (500, 95.5), (1000, 90.0), (1200, 87.9), (1800, 81.8), (2000, 79.8)],
)
def test_pressure_is_that_of_fao_table_2_1(elevation_m: float, printed_kpa: float) -> None:
    assert pressure_kpa(elevation_m) == pytest.approx(printed_kpa, abs=0.06)


def test_fao_example_4_wet_bulb_of_a_psychrometer() -> None:
    """Example 4 (p. 38): dry 25.6, wet 19.5 degC at 1200 m give 1.91 kPa of vapour.

    Turned round: from that vapour the wet bulb comes back, within the gap between an aspirated
    psychrometer and the thermodynamic wet bulb and the rounding of 1.91.
    """
    rh_pct = 100 * 1.91 / svp_kpa(25.6)
    assert wet_bulb_c(25.6, rh_pct, pressure_kpa(1200)) == pytest.approx(19.5, abs=0.1)


def test_fao_examples_5_and_6_vapour_and_deficit() -> None:
    """Examples 5 and 6 (p. 39): 18 degC 82 %, 25 degC 54 %: vapour 1.70 and deficit 0.91 kPa."""
    night_kpa = svp_kpa(18) - vpd_kpa(18, 82)
    day_kpa = svp_kpa(25) - vpd_kpa(25, 54)
    assert (night_kpa + day_kpa) / 2 == pytest.approx(1.70, abs=0.005)
    saturated_kpa = (svp_kpa(18) + svp_kpa(25)) / 2
    assert saturated_kpa - (night_kpa + day_kpa) / 2 == pytest.approx(0.91, abs=0.005)


def test_fao_example_20_vapour_at_the_dew_point() -> None:
    """Example 20 (p. 77): dew point 14.8 degC is 1.68 kPa of vapour."""
    assert svp_kpa(14.8) == pytest.approx(1.68, abs=0.005)
    assert dew_point_c(25.0, 100 * svp_kpa(14.8) / svp_kpa(25.0)) == pytest.approx(14.8, abs=1e-6)


@pytest.mark.parametrize(("temp_c", "rh_pct"), CLIMATES)
def test_vpd_agrees_with_psychrolib_and_coolprop(temp_c: float, rh_pct: float) -> None:
    by_psychrolib = psychrolib.GetVaporPressureDeficit(
        temp_c,
        psychrolib.GetHumRatioFromRelHum(temp_c, rh_pct / 100, SEA_LEVEL_KPA * 1000),
        SEA_LEVEL_KPA * 1000,
    )
    assert vpd_kpa(temp_c, rh_pct) == pytest.approx(by_psychrolib / 1000, rel=0.002)
    vapour_pa = _coolprop("P_w", temp_c, rh_pct)
    # CoolProp's vapour pressure carries the enhancement factor: 0.4 to 0.7 % more.
    by_coolprop = vapour_pa * (100 / rh_pct - 1) / 1000
    assert vpd_kpa(temp_c, rh_pct) == pytest.approx(by_coolprop, rel=0.007)


# Below 0 degC, as at 5 degC and 60 %, the libraries give the frost point over ice.
@pytest.mark.parametrize(("temp_c", "rh_pct"), CLIMATES[1:])
def test_dew_point_agrees_with_psychrolib_and_coolprop(temp_c: float, rh_pct: float) -> None:
    ours = dew_point_c(temp_c, rh_pct)
    assert ours == pytest.approx(psychrolib.GetTDewPointFromRelHum(temp_c, rh_pct / 100), abs=0.02)
    assert ours == pytest.approx(_coolprop("D", temp_c, rh_pct) - 273.15, abs=0.03)


def test_dew_point_below_zero_is_over_water() -> None:
    """FAO-56 Eq. 11 turned round by hand: 5 degC and 60 % are -2.103 degC over water."""
    assert dew_point_c(5.0, 60.0) == pytest.approx(-2.103, abs=0.001)


def test_dew_point_of_the_psychrolib_manual() -> None:
    """The manual's own example: 25 degC, 80 %: 21.309 degC."""
    assert dew_point_c(25.0, 80.0) == pytest.approx(21.309, abs=0.01)


# Near and below a wet bulb of 0 degC the libraries turn to ice; leaves stay wet.
WET_BULB_CASES = [
    (temp_c, rh_pct)
    for temp_c in range(5, 41, 5)
    for rh_pct in range(20, 101, 10)
    if temp_c > 9 or rh_pct > 50
]


@pytest.mark.parametrize("elevation_m", [0, 1500])
@pytest.mark.parametrize(("temp_c", "rh_pct"), WET_BULB_CASES)
def test_wet_bulb_agrees_with_psychrolib_and_coolprop(
    temp_c: int, rh_pct: int, elevation_m: int
) -> None:
    place_kpa = pressure_kpa(elevation_m)
    by_psychrolib = psychrolib.GetTWetBulbFromRelHum(temp_c, rh_pct / 100, place_kpa * 1000)
    ours = wet_bulb_c(temp_c, rh_pct, place_kpa)
    assert ours == pytest.approx(by_psychrolib, abs=0.01)
    by_coolprop = _coolprop("B", temp_c, rh_pct, place_kpa) - 273.15
    assert ours == pytest.approx(by_coolprop, abs=0.02)


def test_wet_bulb_of_the_ashrae_example() -> None:
    """ASHRAE Handbook Fundamentals 2017, chapter 1, Example 1: 40 degC, wet bulb 20: 14 %."""
    assert wet_bulb_c(40.0, 14.0, SEA_LEVEL_KPA) == pytest.approx(20.0, abs=0.1)


def test_wet_bulb_of_the_stull_example() -> None:
    """Stull, J. Appl. Meteor. Climatol. 50 (2011) 2267: 20 degC and 50 % give 13.7 degC.

    His formula is a fit that strays by up to 1 K, here by 0.1.
    """
    assert wet_bulb_c(20.0, 50.0, SEA_LEVEL_KPA) == pytest.approx(13.7, abs=0.1)


def test_wet_bulb_lies_between_dew_point_and_air() -> None:
    for temp_c in range(-40, 60, 4):
        for rh_pct in range(5, 100, 5):
            wet_c = wet_bulb_c(temp_c, rh_pct)
            assert dew_point_c(temp_c, rh_pct) < wet_c < temp_c
        assert wet_bulb_c(temp_c, 100.0) == pytest.approx(temp_c, abs=0.001)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [*CLIMATES, (-5, 70), (20, 100)])
def test_all_three_at_once_are_what_each_is_alone(temp_c: float, rh_pct: float) -> None:
    alone = (vpd_kpa(temp_c, rh_pct), dew_point_c(temp_c, rh_pct), wet_bulb_c(temp_c, rh_pct, 95.0))
    assert moist_air(temp_c, rh_pct, 95.0) == alone


def test_all_three_of_bone_dry_air_are_known_but_the_dew_point() -> None:
    vpd, dew_c, wet_c = moist_air(20.0, 0.0)
    assert (vpd, wet_c) == (vpd_kpa(20.0, 0.0), wet_bulb_c(20.0, 0.0))
    assert math.isnan(dew_c)


def test_leaf_vpd_by_hand() -> None:
    """From FAO-56 Eq. 11 by hand: a cool leaf is nearly safe where a sunlit one loses fast."""
    assert leaf_vpd_kpa(22.0, 25.0, 80.0) == pytest.approx(0.1097, abs=0.0005)
    assert leaf_vpd_kpa(28.0, 25.0, 80.0) == pytest.approx(1.2457, abs=0.0005)
    assert leaf_vpd_kpa(18.0, 25.0, 80.0) < 0


@pytest.mark.parametrize("temp_c", [5, 10, 15, 20, 25, 30, 40])
def test_latent_heat_agrees_with_coolprop(temp_c: float) -> None:
    from CoolProp.CoolProp import PropsSI

    kelvin = temp_c + 273.15
    joules = PropsSI("H", "T", kelvin, "Q", 1, "Water") - PropsSI("H", "T", kelvin, "Q", 0, "Water")
    assert latent_heat_mj_per_kg(temp_c) == pytest.approx(joules / 1e6, abs=0.001)


def test_latent_heat_at_20_is_that_of_fao() -> None:
    """FAO-56 Annex 3, Eq. 3-1 (p. 223): 2.45 MJ/kg at 20 degC."""
    assert latent_heat_mj_per_kg(20.0) == pytest.approx(2.45, abs=0.005)


@pytest.mark.parametrize(("temp_c", "rh_pct", "grams"), [(20, 50, 8.642), (25, 80, 18.418)])
def test_absolute_humidity_by_the_gas_law(temp_c: float, rh_pct: float, grams: float) -> None:
    """By hand from FAO-56 Eq. 11 and 461.5 J/(kg K); CoolProp's real gas is within 0.7 %."""
    ours = absolute_humidity_g_per_m3(temp_c, rh_pct)
    assert ours == pytest.approx(grams, abs=0.02)
    by_coolprop = 1000 * _coolprop("W", temp_c, rh_pct) / _coolprop("Vda", temp_c, rh_pct)
    assert ours == pytest.approx(by_coolprop, rel=0.007)


@pytest.mark.parametrize(
    "call",
    [
        lambda: svp_kpa(math.nan),
        lambda: svp_kpa(math.inf),
        lambda: vpd_kpa(20.0, 100.5),
        lambda: vpd_kpa(20.0, math.nan),
        lambda: leaf_vpd_kpa(20.0, 20.0, -1.0),
        lambda: dew_point_c(20.0, 0.0),
        lambda: dew_point_c(99.0, 50.0),
        lambda: wet_bulb_c(20.0, 50.0, 1013.25),
        lambda: wet_bulb_c(80.0, 100.0, 60.0),
        lambda: pressure_kpa(6000.0),
        lambda: latent_heat_mj_per_kg(-90.0),
        lambda: absolute_humidity_g_per_m3(20.0, 120.0),
    ],
)
def test_numbers_out_of_range_are_refused(call: Callable[[], float]) -> None:
    with pytest.raises(ValueError, match="is outside"):
        call()


def test_a_refusal_names_the_value_and_the_limits() -> None:
    with pytest.raises(ValueError, match=r"relative humidity 104.2 % is outside 0\.\.100 %"):
        vpd_kpa(20.0, 104.2)


def _coolprop(what: str, temp_c: float, rh_pct: float, place_kpa: float = SEA_LEVEL_KPA) -> float:
    kelvin, pascal = temp_c + 273.15, place_kpa * 1000
    return float(HAPropsSI(what, "T", kelvin, "R", rh_pct / 100, "P", pascal))
