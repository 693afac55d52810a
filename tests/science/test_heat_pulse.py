"""How a probe over a mat answers, beside conduction worked out by another way."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.review.heat_pulse import C_J_M3K, K_W_MK, expected_rise_k, time_to_rise_s


def conducted(flux_w_m2, height_mm, t_s, depth_m=0.30, layers=300):
    """One-dimensional conduction by the method of lines (scipy), cells centred between faces."""
    dx = depth_m / layers

    def rates(_, c):
        flow = np.empty(layers + 1)
        flow[0] = flux_w_m2
        flow[1:-1] = -K_W_MK * np.diff(c) / dx
        flow[-1] = 0.0
        return (flow[:-1] - flow[1:]) / (C_J_M3K * dx)

    done = solve_ivp(rates, (0.0, t_s), np.zeros(layers), method="BDF", rtol=1e-6, atol=1e-8)
    heights = (np.arange(layers) + 0.5) * dx
    return float(np.interp(height_mm / 1000.0, heights, done.y[:, -1]))


@pytest.mark.parametrize("minutes", [10, 22, 45, 75])
@pytest.mark.parametrize("height_mm", [15.0, 25.0, 40.0])
def test_rise_is_that_of_conduction(minutes, height_mm):
    found = expected_rise_k(100.0, height_mm, 60.0 * minutes)
    assert found == pytest.approx(conducted(100.0, height_mm, 60.0 * minutes), abs=0.005, rel=0.01)


@pytest.mark.parametrize(
    ("flux_w_m2", "third_min", "one_min"), [(80, 22, 45), (120, 18, 34), (160, 16, 29)]
)
def test_times_to_a_third_of_a_kelvin_and_to_one(flux_w_m2, third_min, one_min):
    """Through a mat of some mass, one-dimensional, worked out apart from this program: there the
    mat itself warms first, which takes about a minute."""
    assert time_to_rise_s(flux_w_m2, 25.0, 0.3) / 60 == pytest.approx(third_min - 1, abs=1.0)
    assert time_to_rise_s(flux_w_m2, 25.0, 1.0) / 60 == pytest.approx(one_min - 1, abs=1.0)


def test_nothing_before_the_pulse_and_more_the_longer_it_lasts():
    assert expected_rise_k(100.0, 25.0, 0.0) == expected_rise_k(100.0, 25.0, -5.0) == 0.0
    rises = [expected_rise_k(100.0, 25.0, 60.0 * minutes) for minutes in range(1, 120)]
    assert all(later > earlier for earlier, later in pairwise(rises))
