"""Water vapour in air: how strongly air dries a leaf, and how far water can cool it.

Everything is over liquid water, below 0 degC too, because leaves and wicks stay wet a little below.
FAO-56 is Allen, Pereira, Raes, Smith (1998), Crop evapotranspiration, FAO Irrigation and Drainage
Paper 56. All functions are plain arithmetic on floats and raise ValueError for a number outside the
stated range, NaN included.
"""

from math import exp, log, nan
from typing import Final

TEMP_LOW_C: Final = -45.0
TEMP_HIGH_C: Final = 80.0
_RATIO: Final = 0.621945
"""Molar mass of water over that of dry air (ASHRAE Handbook Fundamentals 2017, chapter 1)."""


def svp_kpa(temp_c: float) -> float:
    """Saturation vapour pressure, kPa.

    temp_c: -45..80 degC.  Source: FAO-56 Eq. 11.
    """
    if not TEMP_LOW_C <= temp_c <= TEMP_HIGH_C:
        raise _outside("temperature", temp_c, TEMP_LOW_C, TEMP_HIGH_C, "degC")
    return 0.6108 * exp(17.27 * temp_c / (temp_c + 237.3))


def vpd_kpa(temp_c: float, rh_pct: float) -> float:
    """Vapour pressure deficit of the air, kPa: what is missing to saturation.

    temp_c: -45..80 degC.  rh_pct: 0..100 %.  Source: FAO-56 Eq. 11 and Eq. 17 with one temperature.
    """
    if not 0.0 <= rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, 0, 100, "%")
    return svp_kpa(temp_c) * (1.0 - rh_pct * 0.01)


def leaf_vpd_kpa(leaf_c: float, air_c: float, rh_pct: float) -> float:
    """Leaf-to-air vapour pressure deficit, kPa: saturation at the leaf minus the air's vapour.

    leaf_c, air_c: -45..80 degC.  rh_pct: of the air, 0..100 %.
    Negative when dew forms on the leaf.  Source: FAO-56 Eq. 11 for both pressures.
    """
    if not 0.0 <= rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, 0, 100, "%")
    return svp_kpa(leaf_c) - svp_kpa(air_c) * rh_pct * 0.01


def dew_point_c(temp_c: float, rh_pct: float) -> float:
    """Temperature to which air must cool for dew to form, degC.

    temp_c: -45..80 degC.  rh_pct: above 0, up to 100 %.  Source: FAO-56 Eq. 11 turned round.
    """
    if not 0.0 < rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, "above 0", 100, "%")
    if not TEMP_LOW_C <= temp_c <= TEMP_HIGH_C:
        raise _outside("temperature", temp_c, TEMP_LOW_C, TEMP_HIGH_C, "degC")
    exponent = 17.27 * temp_c / (temp_c + 237.3) + log(rh_pct * 0.01)
    return 237.3 * exponent / (17.27 - exponent)


def wet_bulb_c(temp_c: float, rh_pct: float, pressure_kpa: float = 101.325) -> float:
    """Thermodynamic wet-bulb temperature, degC: the coldest that evaporating water can make air.

    temp_c: -45..80 degC.  rh_pct: 0..100 %.  pressure_kpa: 50..110, of the place, not of sea level.
    Source: the energy balance of the adiabatic saturation process, ASHRAE Handbook Fundamentals
    2017, chapter 1, Eq. 33, solved by Newton's method with FAO-56 Eq. 11 for saturation.
    """
    if not 50.0 <= pressure_kpa <= 110.0:
        raise _outside("air pressure", pressure_kpa, 50, 110, "kPa")
    if not 0.0 <= rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, 0, 100, "%")
    return _wet_bulb_c(temp_c, rh_pct, pressure_kpa, svp_kpa(temp_c))


def moist_air(
    temp_c: float, rh_pct: float, pressure_kpa: float = 101.325
) -> tuple[float, float, float]:
    """What `vpd_kpa`, `dew_point_c` and `wet_bulb_c` give, in less time than all three take.

    The dew point of bone-dry air is NaN here.
    """
    if not 50.0 <= pressure_kpa <= 110.0:
        raise _outside("air pressure", pressure_kpa, 50, 110, "kPa")
    if not 0.0 <= rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, 0, 100, "%")
    if not TEMP_LOW_C <= temp_c <= TEMP_HIGH_C:
        raise _outside("temperature", temp_c, TEMP_LOW_C, TEMP_HIGH_C, "degC")
    exponent = 17.27 * temp_c / (temp_c + 237.3)
    full_kpa = 0.6108 * exp(exponent)
    dew_c = nan
    if rh_pct > 0.0:
        exponent += log(rh_pct * 0.01)
        dew_c = 237.3 * exponent / (17.27 - exponent)
    wet_c = _wet_bulb_c(temp_c, rh_pct, pressure_kpa, full_kpa)
    return full_kpa * (1.0 - rh_pct * 0.01), dew_c, wet_c


def _wet_bulb_c(temp_c: float, rh_pct: float, pressure_kpa: float, air_svp_kpa: float) -> float:
    """`wet_bulb_c` of figures in range. air_svp_kpa: saturation vapour pressure at `temp_c`."""
    vapour_kpa = air_svp_kpa * rh_pct * 0.01
    if vapour_kpa >= pressure_kpa * 0.5:
        raise _outside("vapour pressure", vapour_kpa, 0, pressure_kpa * 0.5, "kPa")
    water = _RATIO * vapour_kpa / (pressure_kpa - vapour_kpa)
    heat = 2501.0 + 1.86 * temp_c
    wet_c = temp_c - (temp_c + 20.0) * (100.0 - rh_pct) * 0.003 if temp_c > -20.0 else temp_c
    for _ in range(12):
        kelvin_like = wet_c + 237.3
        full_kpa = 0.6108 * exp(17.27 * wet_c / kelvin_like)
        dry_kpa = pressure_kpa - full_kpa
        full = _RATIO * full_kpa / dry_kpa
        latent = 2501.0 - 2.326 * wet_c
        error = latent * full - 1.006 * (temp_c - wet_c) - water * (heat - 4.186 * wet_c)
        slope = (
            latent * full * pressure_kpa / dry_kpa * 4098.0 / (kelvin_like * kelvin_like)
            - 2.326 * full
            + 1.006
            + 4.186 * water
        )
        step_k = error / slope
        wet_c -= step_k
        # Newton's error falls with the square of the step, so the next one would be invisible.
        if -0.1 < step_k < 0.1:
            break
    return wet_c if wet_c < temp_c else temp_c


def pressure_kpa(elevation_m: float) -> float:
    """Usual air pressure at a height above the sea, kPa.

    elevation_m: -430..5000 m.  Source: FAO-56 Eq. 7 (20 degC at sea level).
    """
    if not -430.0 <= elevation_m <= 5000.0:
        raise _outside("elevation", elevation_m, -430, 5000, "m")
    return 101.3 * float(((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26)


def latent_heat_mj_per_kg(temp_c: float) -> float:
    """Heat taken up by evaporating one kilogram of water, MJ/kg.

    temp_c: of the water, -45..80 degC.  Source: FAO-56 Eq. 3-1.
    """
    if not TEMP_LOW_C <= temp_c <= TEMP_HIGH_C:
        raise _outside("temperature", temp_c, TEMP_LOW_C, TEMP_HIGH_C, "degC")
    return 2.501 - 0.002361 * temp_c


def absolute_humidity_g_per_m3(temp_c: float, rh_pct: float) -> float:
    """Water vapour in a cubic metre of air, g/m3.

    temp_c: -45..80 degC.  rh_pct: 0..100 %.
    Source: FAO-56 Eq. 11 and the gas law with 461.5 J/(kg K), the gas constant of water vapour.
    """
    if not 0.0 <= rh_pct <= 100.0:
        raise _outside("relative humidity", rh_pct, 0, 100, "%")
    return svp_kpa(temp_c) * rh_pct * 1e4 / (461.5 * (temp_c + 273.15))


def _outside(what: str, value: float, low: object, high: object, unit: str) -> ValueError:
    return ValueError(f"{what} {value} {unit} is outside {low}..{high} {unit}")
