"""How long a burst keeps leaves wet: the controller's estimate beside Penman-Monteith.

A free film loses water by FAO-56 Eq. 3 without surface resistance. How much of a burst the leaves
catch, and that drops cover a third of the leaf or more and dry from the edge (water over wetted
area ever thicker: 2 to 3.5 times as long), is this program's own estimate.
"""

from math import sqrt

import pytest

from controller.decide.leaf import (
    FILM_MOST_KPA_MIN,
    FILM_USUAL_KPA_MIN_S,
    FLOW_USUAL_ML_S_M2,
    film_after_burst,
    film_kpa_min_s,
)
from simulator.film import free_film_mm_h, saturation_kpa

CAUGHT, LEAF_M2_M2, STILL_AIR_S_M = 0.6, 1.5, 80.0


def lost_g_m2_per_kpa_min(temp_c: float, rh_pct: float) -> float:
    deficit_kpa = saturation_kpa(temp_c) * (1.0 - rh_pct / 100.0)
    per_h = free_film_mm_h(temp_c, rh_pct, 0.0, STILL_AIR_S_M, sides=2.0)
    return per_h * 1000.0 / 60.0 / deficit_kpa


def test_a_free_film_loses_what_the_estimate_says():
    assert lost_g_m2_per_kpa_min(20.0, 70.0) == pytest.approx(2.7, abs=0.1)


@pytest.mark.parametrize(("temp_c", "rh_pct"), [(15.0, 80.0), (20.0, 70.0), (28.0, 55.0)])
def test_a_second_of_mist_lasts_as_long_as_drops_of_it_would(temp_c: float, rh_pct: float):
    caught_g_m2 = FLOW_USUAL_ML_S_M2 * CAUGHT / LEAF_M2_M2
    sheet_kpa_min = caught_g_m2 / lost_g_m2_per_kpa_min(temp_c, rh_pct)
    # Wetted share as the square root of the water: from the whole leaf, or a third of its water.
    shortest, longest = (2.0 / sqrt(share) * sheet_kpa_min for share in (1.0, 1.0 / 3.0))
    assert shortest < FILM_USUAL_KPA_MIN_S < longest


def test_what_stays_on_a_leaf_is_bounded_by_what_it_holds():
    thin, thick = (2.0 * g_m2 / lost_g_m2_per_kpa_min(20.0, 70.0) for g_m2 in (30.0, 80.0))
    assert thin < FILM_MOST_KPA_MIN < thick
    assert film_after_burst(20.0, 60.0, FILM_USUAL_KPA_MIN_S) == FILM_MOST_KPA_MIN


def test_the_flow_of_the_bench_file_counts():
    assert film_kpa_min_s(None, 1.2) == FILM_USUAL_KPA_MIN_S
    assert film_kpa_min_s(7.2, 1.2) == FILM_USUAL_KPA_MIN_S
    assert film_kpa_min_s(3.6, 1.2) == FILM_USUAL_KPA_MIN_S / 2
    assert film_kpa_min_s(900.0, 0.1) == 9.0
