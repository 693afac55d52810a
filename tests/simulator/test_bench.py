"""The simulated bench keeps its books, keeps its head at any step, and moves the right way."""

import time
from dataclasses import replace

import pytest

from simulator.bench import BenchModel
from simulator.bench_params import (
    BAY,
    BENCH,
    PRESETS,
    PROPAGATOR,
    BayParams,
    BenchParamsError,
    fitted,
)
from simulator.film import saturation_kpa
from simulator.inverse import symmetric_inverse
from simulator.weather import Weather, WeatherSource

COOL = Weather(house_c=12.0, house_kpa=0.75 * saturation_kpa(12.0), sun_w_m2=0.0)


def played(model, hours, *, share=0.0, dt_s=10.0, weather=COOL, mist_ml=0.0, every_s=1800.0):
    shares = (share,) * len(model.bays)
    for step in range(round(hours * 3600 / dt_s)):
        burst = mist_ml if mist_ml and (step * dt_s) % every_s < dt_s else 0.0
        model.advance(dt_s, shares, burst, weather)
    return model


def warm(model, bay=0, height_mm=25):
    return model.base_c(bay, model.at_height(height_mm))


@pytest.mark.parametrize("params", PRESETS.values(), ids=lambda p: p.name)
def test_mat_on_lifts_the_base_by_about_fourteen_kelvin_per_100_w_m2(params):
    height_mm = 60 if params is BAY else 20
    mist_ml = 12.0 * params.area_m2
    cold = played(BenchModel(params), 120, mist_ml=mist_ml)
    hot = played(BenchModel(params), 120, share=1.0, mist_ml=mist_ml)
    density_w_m2 = params.bays[0].mat_w / params.bays[0].area_m2
    lift_k = (warm(hot, 0, height_mm) - warm(cold, 0, height_mm)) / density_w_m2 * 100.0
    assert lift_k == pytest.approx(14.0, abs=2.5)


@pytest.mark.parametrize(
    ("params", "low_h", "high_h"), [(PROPAGATOR, 3.5, 6.0), (BENCH, 5.0, 8.5), (BAY, 11.0, 17.0)]
)
def test_time_constants_run_from_a_few_hours_to_most_of_a_day(params, low_h, high_h):
    height_mm = 60 if params is BAY else 20
    settled = warm(played(BenchModel(params), 150, share=1.0), 0, height_mm)
    model = BenchModel(params)
    start_c = warm(model, 0, height_mm)
    hours = 0.0
    while warm(model, 0, height_mm) < start_c + 0.632 * (settled - start_c):
        played(model, 0.25, share=1.0)
        hours += 0.25
    assert low_h <= hours <= high_h


@pytest.mark.parametrize("dt_s", [2.0, 30.0])
def test_step_length_hardly_changes_the_course(dt_s):
    source = WeatherSource("spring_bright", 4)
    courses = []
    for step_s in (10.0, dt_s):
        model = BenchModel(BENCH)
        utc_s = 1.774e9
        for step in range(round(36 * 3600 / step_s)):
            mist = 36.0 if (step * step_s) % 1800 < step_s else 0.0
            model.advance(step_s, (0.6,), mist, source.at(utc_s))
            utc_s += step_s
        courses.append((warm(model), model.air_c, model.rh_pct))
    assert courses[1] == pytest.approx(courses[0], abs=0.35)


def test_hard_use_at_thirty_second_steps_stays_within_nature():
    source = WeatherSource("hot_spell", 2)
    model = BenchModel(replace(BENCH, mist_water_c=4.0))
    for step in range(3 * 2880):
        model.lid_open = step % 700 > 600
        mist = 400.0 if step % 40 == 0 else 0.0
        model.advance(30.0, (float(step % 3 == 0),), mist, source.at(1.7834e9 + 30 * step))
        assert 0.0 < model.leaf_c < 60.0
        assert 0.0 < model.air_c < 60.0
        assert 0.0 < model.vapour_kpa < 12.0
        assert model.film_kg_m2 >= 0.0


def test_deeper_probe_hears_of_the_heat_later():
    model = BenchModel(BENCH)
    heard = {}
    for minute in range(240):
        played(model, 1 / 60, share=1.0)
        for height_mm in (10, 25, 50):
            if height_mm not in heard and warm(model, 0, height_mm) > 12.3:
                heard[height_mm] = minute
    assert heard[10] < heard[25] < heard[50]
    assert heard[50] - heard[10] > 15


def test_cold_watering_drops_every_layer_and_most_the_top():
    model = played(BenchModel(BENCH), 40, share=0.6)
    before = list(model.bays[0].layers_c)
    model.water(4.0, 8.0)
    drops = [b - a for b, a in zip(before, model.bays[0].layers_c, strict=True)]
    assert all(drop > 0 for drop in drops)
    assert drops[-1] == max(drops)
    assert drops[-1] > 1.5


def test_lifting_the_lid_dries_and_cools_the_air():
    shut = played(BenchModel(BENCH), 24, share=0.6, mist_ml=30)
    open_ = played(BenchModel(BENCH), 24, share=0.6, mist_ml=30)
    open_.lid_open = True
    played(shut, 1, share=0.6)
    played(open_, 1, share=0.6)
    assert open_.air_c < shut.air_c - 0.5
    assert open_.vapour_kpa < shut.vapour_kpa - 0.1


def test_mist_wets_leaves_and_cools_them_below_the_air():
    dry_air = Weather(24.0, 0.4 * saturation_kpa(24.0), 0.0)
    model = played(BenchModel(BENCH), 12, weather=dry_air)
    assert model.film_kg_m2 == 0.0
    played(model, 0.1, weather=dry_air, mist_ml=60)
    assert model.film_kg_m2 > 0.01
    assert model.leaf_c < model.air_c - 0.5
    assert model.wet_s > 300


def test_sun_warms_leaves_above_the_air():
    model = played(BenchModel(BENCH), 2, weather=Weather(18.0, 1.2, 250.0))
    assert model.leaf_c > model.air_c + 0.5
    assert model.air_c > 18.5


def test_bays_of_one_bench_go_their_own_ways():
    params = replace(BENCH, bays=(BayParams(1.2, 120.0), BayParams(0.6, 60.0)))
    model = BenchModel(params)
    for _ in range(24 * 360):
        model.advance(10.0, (1.0, 0.0), 0.0, COOL)
    assert warm(model, 0) > warm(model, 1) + 8.0


def test_mats_of_a_bench_file_are_fitted():
    params = fitted(BENCH, [(90.0, None), (120.0, 1.5)])
    assert [bay.area_m2 for bay in params.bays] == [0.9, 1.5]
    with pytest.raises(BenchParamsError, match="above zero"):
        fitted(BENCH, [(90.0, 0.0)])
    with pytest.raises(BenchParamsError, match="5 or more"):
        replace(BENCH, layers=3)


def test_inverse_times_matrix_is_the_unit_matrix():
    i11, i22, i33, i12, i13, i23 = symmetric_inverse(4.0, 5.0, 6.0, -1.0, -0.5, -2.0)
    assert 4 * i11 - 1 * i12 - 0.5 * i13 == pytest.approx(1.0)
    assert 4 * i12 - 1 * i22 - 0.5 * i23 == pytest.approx(0.0)
    assert -0.5 * i13 - 2 * i23 + 6 * i33 == pytest.approx(1.0)


@pytest.mark.benchmark
def test_one_bay_takes_at_most_22_microseconds_a_step():
    source = WeatherSource("spring_mixed", 1)
    model = BenchModel(BENCH)
    best_us = 1e9
    for _ in range(5):
        began_s = time.perf_counter()
        for step in range(5000):
            model.advance(10.0, (0.5,), 0.0, source.at(1.772e9 + 10 * step))
        best_us = min(best_us, (time.perf_counter() - began_s) / 5000 * 1e6)
    print(f"\nbench step: {best_us:.1f} us")
    assert best_us <= 22.0
