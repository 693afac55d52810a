"""The simulated bench against books of heat and water, hand calculation and general solvers.

Film evaporation: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, Eq. 3 with no surface
resistance. Thermal network and time course: solved independently with numpy and scipy.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulator.bench import BenchModel
from simulator.bench_params import BENCH, PRESETS, BayParams
from simulator.bench_parts import AIR_J_M3K, LATENT_J_KG, VAPOUR_KG_M3_KPA
from simulator.film import (
    air_density_kg_m3,
    free_film_mm_h,
    latent_heat_j_kg,
    psychrometric_kpa_k,
    saturation_kpa,
    slope_kpa_k,
)
from simulator.weather import Weather, WeatherSource

NO_WATER = 1e12
"""A resistance that stops evaporation, s/m."""


# -- FAO-56 -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_c", "kpa"),  # FAO-56 Annex 2 Table 2.3
    [(1.0, 0.657), (10.0, 1.228), (20.0, 2.338), (25.0, 3.168), (30.0, 4.243), (40.0, 7.376)],
)
def test_saturation_is_that_of_the_fao_table(temp_c, kpa):
    assert saturation_kpa(temp_c) == pytest.approx(kpa, abs=0.0006)


@pytest.mark.parametrize(
    ("temp_c", "kpa_k"),  # FAO-56 Annex 2 Table 2.4
    [(1.0, 0.047), (10.0, 0.082), (20.0, 0.145), (30.0, 0.243), (40.0, 0.393)],
)
def test_slope_is_that_of_the_fao_table(temp_c, kpa_k):
    assert slope_kpa_k(temp_c) == pytest.approx(kpa_k, abs=0.0006)


def test_latent_heat_and_psychrometric_constant_are_those_of_fao_56():
    assert latent_heat_j_kg(20.0) / 1e6 == pytest.approx(2.45, abs=0.005)  # Eq. 3-1
    assert psychrometric_kpa_k(20.0) == pytest.approx(0.0673, abs=0.0003)  # Eq. 3-10
    watts = LATENT_J_KG / 86400
    assert watts == pytest.approx(28.356, rel=0.003)  # Annex 1: 1 mm a day


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "net_w_m2", "mm_h"),
    # Computed from FAO-56 Eq. 3, 11, 13, 3-1, 3-5, 3-6, 3-10 at 101.325 kPa and 50 s/m.
    [(20, 60, 0, 0.1572), (20, 60, 100, 0.2574), (25, 80, 0, 0.0867), (30, 40, 300, 0.6317)],
)
def test_free_film_evaporates_as_penman_monteith_says(temp_c, rh_pct, net_w_m2, mm_h):
    assert free_film_mm_h(temp_c, rh_pct, net_w_m2, 50.0) == pytest.approx(mm_h, rel=0.01)


@pytest.mark.parametrize("sides", [1.0, 2.0])
@pytest.mark.parametrize("sun_w_m2", [0.0, 150.0])
def test_a_wet_leaf_on_the_bench_evaporates_as_the_formula_says(sun_w_m2, sides):
    """A leaf that trades heat with the air alone, always fully wet: the bench's own equations must
    come to the Penman-Monteith rate at the air's temperature and humidity, with heat passing at one
    side of the leaf (the formula as it is) or at both."""
    params = replace(
        BENCH,
        leaf_sides=sides,
        leaf_cover_w_m2k=0.0,
        surface_leaf_w_m2k=0.0,
        film_kg_m2=50.0,
        caught=1.0,
        surface_s_m=NO_WATER,
        mist_water_c=18.0,
    )
    model = BenchModel(params, 20.0)
    house = Weather(20.0, 0.6 * saturation_kpa(20.0), sun_w_m2)
    full_ml = params.film_kg_m2 * params.leaf_area * 1000.0 * params.area_m2
    model.advance(10.0, (0.0,), full_ml, house)
    for _ in range(6 * 360):
        model.advance(10.0, (0.0,), 0.0, house)
    before_kg = model.film_kg_m2
    model.advance(10.0, (0.0,), 0.0, house)
    mm_h = (before_kg - model.film_kg_m2) / params.leaf_area * 360.0
    net_w_m2 = params.sun_leaf * sun_w_m2 / params.leaf_area
    expected = free_film_mm_h(
        model.air_c, model.rh_pct, net_w_m2, params.leaf_air_s_m, sides=params.leaf_sides
    )
    assert mm_h == pytest.approx(expected, rel=0.03)
    assert mm_h > 0.005


@pytest.mark.parametrize("vpd_kpa", [0.3, 0.5, 1.0])
def test_a_full_film_dries_in_twice_its_mass_over_the_free_rate(vpd_kpa):
    """Wet share is the root of the film's share, so d(film)/dt = -rate * sqrt(film / full), whose
    solution from a full film is 2 * full / rate; the rate by FAO-56 as above. No long-wave
    exchange, no sun; the air renewed so fast that it stays as it is in the house."""
    params = replace(
        BENCH,
        lid_m_s=3.0,
        surface_s_m=NO_WATER,
        leaf_s_m=NO_WATER,
        leaf_cover_w_m2k=0.0,
        surface_leaf_w_m2k=0.0,
        leaf_j_m2k=50.0,
        mist_water_c=20.0,
    )
    house = Weather(20.0, saturation_kpa(20.0) - vpd_kpa, 0.0)
    model = BenchModel(params, 20.0)
    model.lid_open = True
    model.advance(2.0, (0.0,), 500.0, house)
    minutes = 0.0
    while model.film_kg_m2 > 0.0:
        model.advance(2.0, (0.0,), 0.0, house)
        minutes += 2 / 60
    rh_pct = 100.0 * house.house_kpa / saturation_kpa(20.0)
    rate_kg_h = free_film_mm_h(20.0, rh_pct, 0.0, params.leaf_air_s_m, sides=params.leaf_sides)
    # A leaf that is part wet is warmer than its film would be, so it dries up to 1.7 times faster.
    longest_min = 2.0 * params.film_kg_m2 / rate_kg_h * 60.0
    assert 0.55 * longest_min < minutes < 1.03 * longest_min


@pytest.mark.parametrize(
    ("sun_w_m2", "rh_pct", "low_min", "high_min"),
    # Intervals between bursts of about 30 mL/m2: 5-20 min on a bright day, 20-60 on a dull one
    # (common practice, no source).
    [(150.0, 70.0, 4.0, 20.0), (30.0, 85.0, 12.0, 70.0)],
)
def test_a_burst_dries_in_the_interval_that_growers_give_it(sun_w_m2, rh_pct, low_min, high_min):
    model = BenchModel(BENCH, 20.0)
    house = Weather(20.0, rh_pct / 100.0 * saturation_kpa(20.0), sun_w_m2)
    for _ in range(6 * 360):
        model.advance(10.0, (0.2,), 0.0, house)
    model.advance(10.0, (0.2,), 30.0 * BENCH.area_m2, house)
    minutes = 0.0
    while model.film_kg_m2 > 0.01 * BENCH.film_kg_m2:
        model.advance(10.0, (0.2,), 0.0, house)
        minutes += 1 / 6
    assert low_min <= minutes <= high_min


# -- books ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(PRESETS))
@pytest.mark.parametrize(("weather", "utc_s"), [("frost", 1.768e9), ("hot_spell", 1.7834e9)])
def test_heat_and_water_books_close(name, weather, utc_s):
    params = replace(PRESETS[name], bays=(*PRESETS[name].bays, BayParams(0.5, 40.0)))
    model = BenchModel(params)
    source = WeatherSource(weather, 9)
    heat_before_j, water_before_kg = model.stored_j(), model.stored_kg()
    for step in range(3 * 8640):
        model.lid_open = step % 3000 > 2700
        if step == 10000:
            model.water(5.0, 9.0)
        mist_ml = 40.0 * params.area_m2 if step % 120 == 0 else 0.0
        shares = (float(step % 5 < 2), 0.3)
        model.advance(10.0, shares, mist_ml, source.at(utc_s + 10.0 * step))
    books = model.balance
    heat_in_j = books.mat_j + books.sun_j + books.water_j
    heat_out_j = books.lost_j + LATENT_J_KG * books.vented_kg
    turnover_j = books.mat_j + books.sun_j
    assert turnover_j > 1e6
    heat_left_j = model.stored_j() - heat_before_j
    assert abs(heat_in_j - heat_out_j - heat_left_j) < 1e-6 * turnover_j
    water_left_kg = model.stored_kg() - water_before_kg
    assert books.given_kg > 10.0
    assert abs(books.given_kg - books.vented_kg - books.drained_kg - water_left_kg) < 1e-9


# -- a dry bench against general solvers ------------------------------------------------------

DRY = replace(BENCH, surface_s_m=NO_WATER, leaf_s_m=NO_WATER, cover_air_w_m2k=4.0)
HOUSE = Weather(10.0, 0.6 * saturation_kpa(10.0), 0.0)


def dry_network(params):
    """Conductance matrix (W/m2K), link to the house and capacities of a bench without water.

    Order: mat, layers from below, leaf, air, cover. Written here anew from the parameters.
    """
    n = params.layers
    size = n + 4
    leaf, air, cover = n + 1, n + 2, n + 3
    top = n
    matrix = np.zeros((size, size))
    house = np.zeros(size)
    layer_m = params.depth_m / n

    def join(a, b, w_m2k):
        matrix[a, a] += w_m2k
        matrix[b, b] += w_m2k
        matrix[a, b] -= w_m2k
        matrix[b, a] -= w_m2k

    join(0, 1, 1.0 / (1.0 / params.contact_w_m2k + layer_m / 2.0 / params.compost_w_mk))
    for layer in range(1, n):
        join(layer, layer + 1, params.compost_w_mk / layer_m)
    join(top, air, params.surface_air_w_m2k)
    join(top, cover, params.surface_cover_w_m2k)
    join(top, leaf, params.surface_leaf_w_m2k)
    join(leaf, air, params.leaf_sides * AIR_J_M3K * params.leaf_area / params.leaf_air_s_m)
    join(leaf, cover, params.leaf_cover_w_m2k)
    join(air, cover, params.cover_air_w_m2k)
    house[0] = params.below_w_m2k
    house[1 : n + 1] = params.bays[0].edge_w_m2k / n
    house[air] = AIR_J_M3K * params.vent_m_s
    house[cover] = params.cover_out_w_m2k
    capacity = np.array(
        [params.mat_j_m2k]
        + [params.compost_j_m3k * layer_m] * n
        + [params.leaf_j_m2k * params.leaf_area, AIR_J_M3K * params.air_m, params.cover_j_m2k]
    )
    return matrix, house, capacity


def temperatures(model):
    bay = model.bays[0]
    return np.array([bay.mat_c, *bay.layers_c, model.leaf_c, model.air_c, model.cover_c])


def test_dry_steady_state_is_that_of_the_thermal_network():
    matrix, house, _ = dry_network(DRY)
    heat = np.zeros(len(house))
    heat[0] = 100.0
    expected = np.linalg.solve(matrix + np.diag(house), heat + house * HOUSE.house_c)
    model = BenchModel(DRY, 10.0, 60.0)
    for _ in range(12 * 8640):
        model.advance(10.0, (1.0,), 0.0, HOUSE)
    assert temperatures(model) == pytest.approx(expected, abs=0.01)


def test_dry_steady_state_agrees_with_a_hand_calculation():
    """All resistances in a row, mat to house: 100 W/m2 that cannot go sideways or down."""
    params = replace(
        DRY,
        below_w_m2k=0.0,
        bays=(BayParams(1.2, 120.0, edge_w_m2k=0.0),),
        surface_cover_w_m2k=0.0,
        surface_leaf_w_m2k=0.0,
        leaf_cover_w_m2k=0.0,
        vent_m_s=0.0,
    )
    row_m2k_w = 1 / 60.0 + 0.060 / 0.40 - 0.006 / 0.40 + 1 / 5.0 + 1 / 4.0 + 1 / 10.0
    model = BenchModel(params, 20.0, 60.0)
    for _ in range(40 * 2880):
        model.advance(30.0, (1.0,), 0.0, HOUSE)
    assert model.bays[0].mat_c == pytest.approx(10.0 + 100.0 * row_m2k_w, abs=0.02)


def test_dry_heat_up_follows_the_ode_solver():
    matrix, house, capacity = dry_network(DRY)

    def slope(_t, temps):
        heat = house * (HOUSE.house_c - temps) - matrix @ temps
        heat[0] += 100.0
        return heat / capacity

    hours = np.array([0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
    solved = solve_ivp(
        slope, (0.0, 16 * 3600.0), np.full(len(house), 10.0), "LSODA", hours * 3600.0, rtol=1e-8
    )
    model = BenchModel(DRY, 10.0, 60.0)
    step = 0
    for hour, expected in zip(hours, solved.y.T, strict=True):
        while step < hour * 360:
            model.advance(10.0, (1.0,), 0.0, HOUSE)
            step += 1
        assert temperatures(model) == pytest.approx(expected, abs=0.06)


def test_wet_bench_follows_the_ode_solver():
    """With evaporation from the compost and vapour in the air; leaves and cover left out of it."""
    params = replace(BENCH, leaf_s_m=NO_WATER, surface_s_m=200.0, dry_s_m=0.0)
    house = Weather(18.0, 0.5 * saturation_kpa(18.0), 0.0)
    matrix, to_house, capacity = dry_network(params)
    n, size = params.layers, params.layers + 4
    wet_kg = VAPOUR_KG_M3_KPA / (AIR_J_M3K / params.surface_air_w_m2k + params.surface_s_m)
    vent_kg = VAPOUR_KG_M3_KPA * params.vent_m_s
    room_kg = VAPOUR_KG_M3_KPA * params.air_m

    def slope(_t, state):
        temps, vapour = state[:size], state[size]
        heat = to_house * (house.house_c - temps) - matrix @ temps
        heat[0] += 60.0
        off_kg_s = wet_kg * (saturation_kpa(temps[n]) - vapour)
        heat[n] -= LATENT_J_KG * off_kg_s
        damp = (off_kg_s + vent_kg * (house.house_kpa - vapour)) / room_kg
        return np.append(heat / capacity, damp)

    start = np.append(np.full(size, 18.0), 0.5 * saturation_kpa(18.0))
    hours = np.array([0.5, 2.0, 6.0, 12.0])
    solved = solve_ivp(slope, (0.0, 12 * 3600.0), start, "LSODA", hours * 3600.0, rtol=1e-8)
    model = BenchModel(params, 18.0, 50.0)
    step = 0
    for hour, expected in zip(hours, solved.y.T, strict=True):
        while step < hour * 360:
            model.advance(10.0, (0.6,), 0.0, house)
            step += 1
        assert model.vapour_kpa < saturation_kpa(model.cover_c)  # no dew: the solver has none
        assert temperatures(model) == pytest.approx(expected[:size], abs=0.06)
        assert model.vapour_kpa == pytest.approx(expected[size], abs=0.006)


# -- against planning figures of the trade -----------------------------------------------------


def test_a_dead_mat_lets_the_base_fall_in_the_hours_that_growers_know():
    """50-60 mm of wet compost at 21 degC in 10 degC air lose 1 K in half an hour to one and a half,
    3 K in one and a half to five hours (common practice, no source)."""
    house = Weather(10.0, 0.8 * saturation_kpa(10.0), 0.0)
    model = BenchModel(BENCH, 10.0)
    place = model.at_height(25)
    for _ in range(3 * 8640):
        model.advance(10.0, (float(model.base_c(0, place) < 21.0),), 0.0, house)
    fell_min = {}
    for minute in range(1, 600):
        for _ in range(6):
            model.advance(10.0, (0.0,), 0.0, house)
        for kelvin in (1, 3):
            if kelvin not in fell_min and model.base_c(0, place) < 21.0 - kelvin:
                fell_min[kelvin] = minute
    assert 25 <= fell_min[1] <= 90
    assert 80 <= fell_min[3] <= 300


def test_wet_compost_stores_heat_as_reckoned():
    """100 W/m2 into 60 mm of wet medium, nothing lost, lifts it by about 2 K an hour: 3.0 MJ/m3K
    and 0.06 m (arithmetic)."""
    params = replace(
        DRY,
        below_w_m2k=0.0,
        surface_air_w_m2k=1e-9,
        surface_cover_w_m2k=0.0,
        surface_leaf_w_m2k=0.0,
        bays=(BayParams(1.2, 120.0, edge_w_m2k=0.0),),
        mat_j_m2k=2000.0,
    )
    model = BenchModel(params, 10.0)
    for _ in range(2 * 360):
        model.advance(10.0, (1.0,), 0.0, HOUSE)
    mean_before = sum(model.bays[0].layers_c) / 5
    for _ in range(360):
        model.advance(10.0, (1.0,), 0.0, HOUSE)
    rise_k = sum(model.bays[0].layers_c) / 5 - mean_before
    assert rise_k == pytest.approx(100 * 3600 / (3.0e6 * 0.06 + 2000.0), rel=0.01)


def test_moist_air_is_as_dense_as_the_fao_formula_says():
    """FAO-56 Eq. 3-5: dry air at 20 degC and 101.3 kPa weighs 1.20 kg/m3."""
    assert air_density_kg_m3(20.0, 0.0) == pytest.approx(1.205, abs=0.003)
    assert air_density_kg_m3(20.0, 2.3) < air_density_kg_m3(20.0, 0.0)
