"""Whether humidity answered a burst, on courses with noise and drift."""

import numpy as np
import pytest

from controller.review.mist_pulse import judge_mist

AT_S = 600.0


def samples(before=75.0, rise=0.0, drift_pct_h=0.0, noise=0.25, seed=1, every_s=10.0):
    rng = np.random.default_rng(seed)
    times_s = np.arange(0.0, 900.0, every_s)
    values = before + drift_pct_h / 3600.0 * times_s + rise * (times_s > AT_S + 10.0)
    return [(float(t), float(v)) for t, v in
            zip(times_s, values + rng.normal(0.0, noise, len(times_s)), strict=True)]  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("drift_pct_h", [-10.0, 0.0, 10.0])
def test_an_answer_is_told_from_drift_and_noise(seed, drift_pct_h):
    dry = samples(rise=4.0, drift_pct_h=drift_pct_h, seed=seed)
    assert judge_mist(dry, AT_S).found == "answered"
    silent = judge_mist(samples(drift_pct_h=drift_pct_h, seed=seed), AT_S)
    assert silent.found == "silent"
    assert "blocked nozzle" in silent.text


def test_in_damp_air_silence_tells_nothing_but_an_answer_does():
    assert judge_mist(samples(before=95.0), AT_S).found == "damp"
    assert judge_mist(samples(before=95.0, rise=2.5), AT_S).found == "answered"


def test_a_noisy_probe_does_not_invent_an_answer():
    assert all(
        judge_mist(samples(noise=noise, seed=seed), AT_S).found != "answered"
        for noise in (1.0, 2.0, 3.0)
        for seed in range(60)
    )


@pytest.mark.parametrize("seed", range(8))
def test_air_that_grows_damp_fast_by_itself_is_no_answer(seed):
    assert judge_mist(samples(drift_pct_h=40.0, seed=seed), AT_S).found == "silent"


def test_too_few_samples_tell_nothing():
    assert judge_mist(samples(every_s=120.0), AT_S).found == "unclear"
    assert judge_mist([], AT_S).found == "unclear"
    whole, few = samples(), samples(every_s=120.0)
    for first, then in ((few, whole), (whole, few)):
        half = [s for s in first if s[0] <= AT_S] + [s for s in then if s[0] > AT_S]
        assert judge_mist(half, AT_S).found == "unclear"
