"""What a batch was exposed to, against figures worked out by hand."""

import numpy as np
import pytest

from config.recipes import recipe_for
from controller.review.exposure import exposure_of, sky_mj
from controller.review.summary import Climate, Hole
from sensors.moist_air import vpd_kpa

T0 = 1_772_409_600
HOUR, DAY = 3600, 86400
RECIPE = recipe_for("softwood")  # slow below 18, harmful at 10 and 33, hot above 28, top hot 30
NOTHING = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool))


def series(values, t_s=None):
    times = T0 + 60 * np.arange(len(values)) if t_s is None else t_s
    return times, np.round(np.array(values) * 1000).astype(np.int64), np.ones(len(values), bool)


def hours(*parts):
    """Minutes from (hours, value) one after another."""
    return [value for length, value in parts for _ in range(int(length * 60))]


def exposure(base, *, top=None, rh=None, light=None, callus_s=None, gaps=(), limit=0.4, days=None):
    climate = Climate(
        series(base) if isinstance(base, list) else base,
        NOTHING if top is None else series(top),
        NOTHING if rh is None else series(rh),
    )
    span_s = 60 * len(climate.base[0]) if days is None else days * DAY
    return exposure_of(
        climate,
        NOTHING if light is None else series(light),
        RECIPE,
        from_s=T0,
        until_s=T0 + span_s,
        limits=[(float(T0), limit)],
        callus_s=callus_s,
        gaps=gaps,
        latitude_deg=53.3,
    )


def test_cold_and_hot_hours_are_counted_from_the_recipes_limits():
    seen = exposure(hours((10, 21.0), (5, 17.0), (3, 9.0), (2, 29.0), (1, 34.0)))
    assert seen.cold_share == pytest.approx(8 / 21, abs=0.001)
    assert seen.cold_run_h == pytest.approx(3.0, abs=0.02)
    assert seen.hot_h == pytest.approx(3.0, abs=0.02)
    assert seen.harmful_hot_h == pytest.approx(1.0, abs=0.02)
    assert seen.known_share == pytest.approx(1.0, abs=0.001)


def test_two_cold_runs_are_not_one():
    seen = exposure(hours((4, 9.0), (1, 20.0), (5, 9.0)))
    assert seen.cold_run_h == pytest.approx(5.0, abs=0.02)


def test_the_driest_day_is_found_wherever_it_starts():
    vpd = vpd_kpa(25.0, 50.0)  # about 1.58 kPa
    seen = exposure(
        hours((72, 21.0)),
        top=hours((20, 20.0), (10, 25.0), (42, 20.0)),  # across midnight
        rh=hours((20, 95.0), (10, 50.0), (42, 95.0)),
    )
    # 0.5 is the least that counts, as for the dry-air alarm, though the phase wants 0.4.
    assert seen.dry_day_kpa_h == pytest.approx(10 * (vpd - 0.5), rel=0.01)


def test_days_without_a_drying_count_from_callus_on_and_end_with_one():
    wet, dry = (24, 99.5), ((22, 99.5), (2, 70.0))
    rh = hours(wet, wet, wet, wet, *dry, *dry, wet, wet)
    top = hours((24 * 8, 18.0))
    assert exposure(hours((24 * 8, 21.0)), top=top, rh=rh).damp_days is None
    late = exposure(hours((24 * 8, 21.0)), top=top, rh=rh, callus_s=T0 + DAY)
    # 22 wet hours of 24 are still no drying of four hours: all seven days are damp.
    assert late.damp_days == 7
    rh = hours(wet, wet, wet, wet, (19, 99.5), (5, 70.0), wet, wet, wet)
    assert exposure(hours((24 * 8, 21.0)), top=top, rh=rh, callus_s=T0 + DAY).damp_days == 3


def test_light_is_summed_to_a_day():
    # 50 W/m2 for 12 h is 2.16 MJ; at 2.02 mol/MJ that is 4.36 mol/m2.
    day = [*hours((12, 50.0)), *hours((12, 0.0))]
    seen = exposure(hours((48, 21.0)), light=day * 2)
    assert seen.light_mol == pytest.approx(4.36, rel=0.01)
    assert exposure(hours((48, 21.0))).light_mol is None


@pytest.mark.parametrize(
    ("utc_s", "latitude_deg", "megajoules"),
    # FAO Irrigation and Drainage Paper 56, example 8: 3 September at 20 degrees south, 32.2 MJ/m2.
    # Its Annex 2, table 2.6, mid-month at 50 degrees north: June 41.9, December 8.2, from memory
    # and so loosely.
    [
        (1_788_436_800, -20.0, 32.2),
        (1_781_524_800, 50.0, 41.7),
        (1_797_336_000, 50.0, 8.0),
    ],
)
def test_sunshine_above_the_air(utc_s, latitude_deg, megajoules):
    assert sky_mj(utc_s, latitude_deg) == pytest.approx(megajoules, abs=0.7)


def test_light_by_the_date_is_poor_in_a_northern_december_and_ample_in_june():
    seen = {
        month: exposure_of(
            Climate(NOTHING, NOTHING, NOTHING), NOTHING, RECIPE, from_s=from_s,
            until_s=from_s + 30 * DAY, limits=[], callus_s=None, gaps=(), latitude_deg=53.3,
        ).sky_mol
        for month, from_s in (("december", 1_796_083_200), ("june", 1_780_272_000))
    }  # fmt: skip
    assert seen["december"] < 3.0 < 10.0 < seen["june"]


def test_a_gap_is_told_with_the_fall_of_the_base_and_only_when_the_record_goes_on():
    times = np.concatenate((T0 + 60 * np.arange(600), T0 + 30 * HOUR + 60 * np.arange(600)))
    base = series(hours((10, 21.0), (10, 12.0)), times)
    gap = Hole(T0 + 10 * HOUR, T0 + 30 * HOUR, "power")
    seen = exposure(base, gaps=(gap,), days=40 / 24)
    assert seen.gap_h == pytest.approx(20.0)
    assert seen.gap_fall_k == pytest.approx(9.0)
    assert seen.known_share == pytest.approx(0.5, abs=0.01)
    never = Hole(T0 + 10 * HOUR, T0 + 40 * HOUR, "stopped")
    assert exposure(base, gaps=(never,), days=40 / 24).gap_h == 0.0


def test_nothing_on_record_is_not_known_rather_than_nil():
    seen = exposure(NOTHING, days=20)
    assert seen.known_share == 0.0
    assert seen.cold_share is seen.hot_h is seen.dry_day_kpa_h is seen.damp_days is None
