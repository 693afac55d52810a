"""Which probe answered which mat, on courses made up of conduction, drift, steps and noise."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.review.heat_pulse import (
    Pulse,
    Trace,
    answers,
    expected_rise_k,
    longest_s,
    time_to_rise_s,
)
from controller.review.mat_verdicts import clear, judge, rising_alone, swaps

ON = Pulse("north.left", 600.0, inf, 100.0)


def trace(name, bay, share=0.0, height_mm=25.0, drift_k_h=0.0, seed=1, end_s=3000.0, pulse=ON):
    """A DS18B20 over a mat: steps of 1/16 K over noise of 0.03 K, every ten seconds."""
    times_s = np.arange(0.0, end_s, 10.0)
    rise = [
        expected_rise_k(100.0, height_mm, t - pulse.from_s)
        - expected_rise_k(100.0, height_mm, t - pulse.to_s)
        for t in times_s
    ]
    noise = np.random.default_rng(seed).normal(0.0, 0.03, len(times_s))
    values_c = 18.0 + share * np.array(rise) + drift_k_h / 3600.0 * times_s + noise
    return Trace(name, bay, 25.0, times_s, np.round(values_c * 16.0) / 16.0)


@given(
    share=st.floats(0.5, 1.2), height_mm=st.floats(16.0, 40.0), drift_k_h=st.floats(-2.0, 2.0),
    seed=st.integers(0, 1000),
)  # fmt: skip
def test_the_rise_is_found_under_any_drift_and_in_any_compost(share, height_mm, drift_k_h, seed):
    """3600 s from the start: 50 minutes of heat. To a fifth, for the pace is one of five."""
    warm = trace("a", "north.left", share, height_mm, drift_k_h, seed, 3600.0)
    (found,) = answers([warm], [ON])
    true_k = share * expected_rise_k(100.0, height_mm, 2990.0)
    assert found.rise_k == pytest.approx(true_k, abs=0.15 + 0.2 * true_k)
    (cold,) = answers([trace("a", "north.left", 0.0, 25.0, drift_k_h, seed, 3600.0)], [ON])
    assert abs(cold.rise_k) < 0.15
    assert not cold.warmed


def two(left=0.0, right=0.0, **more):
    return answers(
        [trace("l", "north.left", left, seed=1, **more), trace("r", "north.right", right, **more)],
        [ON],
    )


@pytest.mark.parametrize(
    ("left", "right", "found"),
    [(1.0, 0.0, "right"), (0.0, 1.0, "swapped"), (0.0, 0.0, "dead"), (1.0, 0.9, "unclear")],
)
def test_verdicts(left, right, found):
    told = judge("north.left", two(left, right), 1.2)
    assert told.found == found, told.text


def test_part_of_a_mat_is_told_from_a_whole_one():
    told = judge("north.left", two(0.35, 0.0, end_s=4200.0), 1.2)
    assert (told.found, "part of the mat is dead" in told.text) == ("weak", True), told.text
    assert judge("north.left", two(0.5, 0.0, end_s=4200.0), 1.2).found == "right"


def test_a_pulse_too_short_for_an_answer_accuses_no_mat():
    told = judge("north.left", two(end_s=1200.0), 0.4)
    assert (told.found, "too short to tell" in told.text) == ("unclear", True), told.text


def test_weather_that_bends_all_courses_alike_is_no_answer():
    warm = [trace(n, f"north.{n}", seed=k) for k, n in enumerate(("left", "right"))]
    bent = [one._replace(values_c=one.values_c - 5e-8 * one.times_s**2) for one in warm]
    assert judge("north.left", answers(bent, [ON]), 1.2).found == "dead"
    lifted = [one._replace(values_c=one.values_c + 8e-8 * one.times_s**2) for one in warm]
    told = judge("north.left", answers(lifted, [ON]), 1.2)
    assert (told.found, "Do it again after dark" in told.text) == ("unclear", True)


def test_a_jump_that_no_mat_makes_is_not_its_answer():
    cold = trace("l", "north.left", end_s=1200.0)
    jumped = cold._replace(values_c=cold.values_c + 3.0 * (cold.times_s > 700.0))
    (found,) = answers([jumped], [ON])
    assert found.rise_k > found.most_k
    assert not found.warmed
    assert not clear([found])


def test_a_noisy_probe_does_not_invent_a_warm_mat():
    cold = trace("l", "north.left", end_s=1500.0)
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0.0, 1.5, len(cold.times_s))
        (found,) = answers([cold._replace(values_c=cold.values_c + noise)], [ON])
        assert not found.warmed, seed


def test_too_few_samples_are_no_answer():
    (found,) = answers([trace("l", "north.left", 1.0, end_s=620.0)], [ON])
    assert (found.rise_k, found.error_k) == (0.0, inf)
    assert judge("north.left", [found], 0.05).found == "unclear"


def test_pulse_ends_when_one_bay_has_answered_and_only_then():
    assert clear(two(1.0, 0.0))
    assert clear(two(0.0, 1.0))
    assert not clear(two(0.0, 0.0))
    assert not clear(two(1.0, 0.9))
    assert not clear(two(1.0, 0.0, end_s=1500.0)), "15 minutes are not enough"
    assert not clear([])


def test_pairs_that_answer_for_each_other_are_told_once():
    other = Pulse("north.right", 600.0, inf, 100.0)
    there = judge("north.left", two(0.0, 1.0), 1.2)
    back = judge(
        "north.right",
        answers([trace("l", "north.left", 1.0), trace("r", "north.right")], [other]),
        1.2,
    )
    (told,) = swaps([there, back])
    assert "probe named north.left warms when the mat named north.right is on" in told
    assert swaps([there]) == []


def test_a_base_that_rises_with_all_mats_off_is_named_unless_all_do():
    still, rising = trace("r", "north.right", end_s=600.0), trace(
        "l", "north.left", drift_k_h=2.5, end_s=600.0
    )  # fmt: skip
    assert [one.probe for one in rising_alone([still, rising], 0.0)] == ["l"]
    both = [rising, rising._replace(probe="r", bay="north.right")]
    assert rising_alone(both, 0.0) == []
    assert rising_alone([still], 0.0) == []


def test_time_on_is_bounded_and_shorter_for_a_stronger_mat():
    assert longest_s(160.0, 25.0) < longest_s(80.0, 25.0) <= 75 * 60.0
    assert longest_s(10.0, 60.0) == 75 * 60.0
    assert expected_rise_k(100.0, 25.0, time_to_rise_s(100.0, 25.0, 0.8)) == pytest.approx(0.8)
