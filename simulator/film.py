"""Water leaving a wet surface: the formulas the bench and its tests share.

All from Allen, Pereira, Raes and Smith (1998), FAO Irrigation and Drainage Paper 56: saturation
vapour pressure Eq. 11, its slope Eq. 13, latent heat Eq. 3-1, psychrometric constant Eq. 3-10,
density of moist air Eq. 3-5 and 3-6, and the Penman-Monteith structure of Eq. 3.
"""

from math import exp

PRESSURE_KPA = 101.325
AIR_CP_J_KG_K = 1013.0
"""Specific heat of moist air, FAO-56 Eq. 8."""


def saturation_kpa(temp_c: float) -> float:
    """Vapour pressure of saturated air at `temp_c` degC, kPa."""
    return 0.6108 * exp(17.27 * temp_c / (temp_c + 237.3))


def slope_kpa_k(temp_c: float) -> float:
    """Slope of the saturation curve at `temp_c` degC, kPa/K."""
    return 4098.0 * saturation_kpa(temp_c) / (temp_c + 237.3) ** 2


def latent_heat_j_kg(temp_c: float) -> float:
    """Heat that evaporates one kilogram of water at `temp_c` degC, J/kg."""
    return 2.501e6 - 2361.0 * temp_c


def psychrometric_kpa_k(temp_c: float, pressure_kpa: float = PRESSURE_KPA) -> float:
    """Psychrometric constant, kPa/K."""
    return AIR_CP_J_KG_K * pressure_kpa / (0.622 * latent_heat_j_kg(temp_c))


def air_density_kg_m3(
    temp_c: float, vapour_kpa: float, pressure_kpa: float = PRESSURE_KPA
) -> float:
    """Density of moist air by its virtual temperature, kg/m3."""
    virtual_k = (temp_c + 273.16) / (1.0 - 0.378 * vapour_kpa / pressure_kpa)
    return 3.486 * pressure_kpa / virtual_k


def free_film_mm_h(
    temp_c: float,
    rh_pct: float,
    net_w_m2: float,
    resistance_s_m: float,
    pressure_kpa: float = PRESSURE_KPA,
    sides: float = 1.0,
) -> float:
    """Evaporation of a free water film: Penman-Monteith with no surface resistance.

    temp_c, rh_pct (0..100): of the air.  net_w_m2: net radiation taken up per m2 of film.
    resistance_s_m: of the air layer at one side, > 0.  sides: that trade heat with the air, while
    the film lies on one; 1 is Penman-Monteith itself, 2 a thin leaf: heat then passes `sides` times
    as easily, so that the psychrometric constant counts `sides` times (Monteith and Unsworth,
    Principles of Environmental Physics, from memory).  Returns mm/h, which is kg/m2 per hour.
    """
    saturated_kpa = saturation_kpa(temp_c)
    vapour_kpa = saturated_kpa * rh_pct / 100.0
    slope = slope_kpa_k(temp_c)
    density = air_density_kg_m3(temp_c, vapour_kpa, pressure_kpa)
    drying = density * AIR_CP_J_KG_K * (saturated_kpa - vapour_kpa) / resistance_s_m
    sensible_kpa_k = sides * psychrometric_kpa_k(temp_c, pressure_kpa)
    heat_w_m2 = (slope * net_w_m2 + sides * drying) / (slope + sensible_kpa_k)
    return heat_w_m2 / latent_heat_j_kg(temp_c) * 3600.0
