"""When a probe counts as at rest."""

import pytest

from sensors.steadiness import RESTS, Rest, steadiness

REST = Rest(180.0, 0.06, 0.2)


def samples(value, seconds=300, every_s=10.0):
    return [(at * every_s, value(at * every_s)) for at in range(int(seconds / every_s) + 1)]


def test_a_value_that_stands_is_steady_and_its_mean_is_given():
    step = 0.0625
    found = steadiness(samples(lambda s: 0.125 + step * (int(s / 10) % 2)), REST)
    assert found.steady
    assert found.mean == pytest.approx(0.156, abs=0.01)
    assert found.scatter == pytest.approx(step / 2, abs=0.002)


def test_one_still_on_its_way_is_not_and_says_which_way():
    found = steadiness(samples(lambda s: 3.0 - 0.002 * s), REST)
    assert not found.steady
    assert found.drift == pytest.approx(-0.36)
    assert "falling" in found.why
    assert "rising" in steadiness(samples(lambda s: 0.002 * s), REST).why


def test_one_that_jumps_about_is_not_though_its_line_is_level():
    found = steadiness(samples(lambda s: 0.3 * (int(s / 10) % 2)), REST)
    assert not found.steady
    assert "unsteady" in found.why


@pytest.mark.parametrize("seconds", [0, 40, 120])
def test_too_short_a_look_is_no_judgement(seconds):
    found = steadiness(samples(lambda _: 5.0, seconds), REST)
    assert not found.steady
    assert "to go" in found.why


def test_slow_probes_are_judged_too_and_nothing_before_the_window_counts():
    slow = [(0.0, 25.0), *((60.0 * n, 0.0) for n in range(1, 40))]
    assert steadiness(slow, RESTS["%"]).steady
    assert steadiness(samples(lambda s: 20.0 if s < 100 else 0.1), REST).steady


def test_exponential_settling_counts_as_rest_only_near_its_end():
    """A probe of 60 s lag put from 20 degC into ice: exp(-t/60), so 0.06 K is left after 350 s."""
    from math import exp

    def into_ice(s):
        return 20.0 * exp(-s / 60.0)

    assert not steadiness(samples(into_ice, 300), REST).steady
    late = steadiness(samples(into_ice, 600), REST)
    assert late.steady
    assert late.mean < 0.05


def test_no_sample_is_an_error():
    with pytest.raises(ValueError, match="no sample"):
        steadiness([], REST)
