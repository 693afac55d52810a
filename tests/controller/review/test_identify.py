"""A fitted bay against known plants, the published two-point method and scipy's curve_fit."""

import re
from collections.abc import Callable

import numpy as np
import pytest
from scipy import optimize

from controller.review import identify
from controller.review.identify import Fit, doubts, fit, two_point
from controller.review.trial import LEAD_S, Trial, flaws, trial_of

MINUTE_S = 60
LEAD = LEAD_S // MINUTE_S


def answer(t_s, gain, tau_s, theta_s):
    """Unit step answer of a first-order plant with dead time (closed form)."""
    past_s = np.maximum(0.0, np.asarray(t_s) - theta_s)
    return gain * (1.0 - np.exp(-past_s / tau_s))


def trial(
    gain=14.0,
    tau_s=3.0 * 3600,
    theta_s=900.0,
    *,
    hours=4.0,
    duty: Callable[[np.ndarray], np.ndarray] | None = None,
    rest_c=12.0,
    noise=0.01,
    top: Callable[[np.ndarray], np.ndarray] | None = None,
    top_share=0.0,
    seed=1,
):
    """Minutes of a bay whose plant is known, by one-second steps; rest_c is where it began."""
    count = LEAD + round(hours * 60)
    t_s = np.arange(count * MINUTE_S) - LEAD_S
    share = (t_s >= 1800).astype(float) if duty is None else duty(t_s)
    top_c = np.full(len(t_s), 12.0) if top is None else top(t_s)
    air_k = top_c - top_c[LEAD_S:].mean()
    late = np.concatenate([np.full(round(theta_s), share[0]), share])[: len(share)]
    base = np.empty(len(t_s))
    held = rest_c + gain * share[0]
    for i in range(len(t_s)):
        base[i] = held
        held += (rest_c + gain * late[i] + top_share * air_k[i] - held) / tau_s
    jitter = np.random.default_rng(seed).normal(0.0, noise, count)
    minutes = base.reshape(-1, MINUTE_S).mean(axis=1) + jitter
    return Trial(
        0,
        minutes,
        top_c.reshape(-1, MINUTE_S).mean(axis=1),
        share.reshape(-1, MINUTE_S).mean(axis=1),
        LEAD,
    )


def changed(given, **parts):
    """A trial with some of its arrays replaced by what a function makes of them."""
    made = {name: make(getattr(given, name).copy()) for name, make in parts.items()}
    return given._replace(**made)


def windows(t_s):
    """A relay in windows of 37 min: a third of the time on, then off, then on throughout."""
    share = np.where(t_s < 3600, (t_s % 2200) < 730, t_s > 7200)
    return share.astype(float)


@pytest.mark.parametrize(
    ("gain", "tau_s", "theta_s"),
    [(14.0, 3 * 3600, 900.0), (30.0, 3600.0, 300.0), (9.0, 2 * 3600, 2500.0)],
)
@pytest.mark.parametrize("duty", [None, windows])
def test_known_plant_is_found_again(gain, tau_s, theta_s, duty):
    found = fit(trial(gain, tau_s, theta_s, duty=duty))
    assert found.gain_k == pytest.approx(gain, rel=0.05)
    assert found.tau_s == pytest.approx(tau_s, rel=0.05)
    assert found.theta_s == pytest.approx(theta_s, abs=45.0)
    assert found.rate_k_s == pytest.approx(gain / tau_s, rel=0.02)
    assert found.rms_k == pytest.approx(0.01, rel=0.2)
    assert found.noise_k == pytest.approx(0.01, rel=0.25)
    assert found.explained > 0.999
    assert doubts(found) == []


def test_fit_agrees_with_scipy_on_the_same_noisy_step():
    """scipy.optimize.curve_fit (Levenberg-Marquardt) is the reference."""
    given = trial(noise=0.03, seed=7)
    t_s = given.t_s[LEAD:]

    def model(t_s, gain, tau_s, theta_s, rest_c):
        return rest_c + answer(t_s - 1800.0, gain, tau_s, theta_s)

    kept, spread = optimize.curve_fit(
        model, t_s, given.base_c[LEAD:], p0=(10.0, 7200.0, 600.0, 11.0)
    )
    errors = np.sqrt(np.diag(spread))
    found = fit(given)
    assert found.gain_k == pytest.approx(kept[0], rel=0.02)
    assert found.tau_s == pytest.approx(kept[1], rel=0.02)
    assert found.theta_s == pytest.approx(kept[2], abs=20.0)
    assert found.theta_error_s == pytest.approx(errors[2], rel=0.7)
    assert found.rate_k_s == pytest.approx(kept[0] / kept[1], rel=0.01)


@pytest.mark.parametrize(
    ("plant", "t28_s", "t63_s"),
    [((2.0, 100.0, 20.0), 53.3333, 120.0), ((30.0, 3600.0, 300.0), 1500.0, 3900.0)],
)
def test_two_point_method_gives_the_published_values(plant, t28_s, t63_s):
    """C. L. Smith, Digital Computer Process Control, 1972 (second-hand): tau = 1.5 (t63 - t28)."""
    _, tau_s, theta_s = plant
    t_s = np.linspace(0.0, theta_s + 20.0 * tau_s, 200_001)
    found = two_point(t_s, answer(t_s, *plant))
    assert found == pytest.approx(plant, rel=1e-3)
    assert 1.5 * (t63_s - t28_s) == pytest.approx(found[1], rel=1e-3)
    assert t63_s - tau_s == pytest.approx(found[2], rel=2e-3)


def test_two_point_and_fit_agree_on_a_settled_step():
    given = trial(14.0, 3600.0, 900.0, hours=12.0, noise=0.0)
    rise = given.base_c[LEAD + 30 :] - given.base_c[LEAD]
    gain, tau_s, theta_s = two_point(60.0 * np.arange(len(rise)) + 30.0, rise)
    found = fit(given)
    assert found.gain_k == pytest.approx(gain, rel=0.01)
    assert found.tau_s == pytest.approx(tau_s, rel=0.02)
    assert found.theta_s == pytest.approx(theta_s, abs=45.0)


def test_top_that_drifts_is_not_taken_for_the_mat():
    def falling(t_s):
        return 14.0 - 1.8 * np.clip(t_s, 0, None) / (4 * 3600)

    given = trial(top=falling, top_share=0.8)
    with_top = fit(given)
    without = fit(changed(given, top_c=lambda top: top * np.nan))
    assert with_top.rate_k_s == pytest.approx(14.0 / (3 * 3600), rel=0.03)
    assert with_top.top_share == pytest.approx(0.8, abs=0.15)
    assert abs(without.gain_k - 14.0) > abs(with_top.gain_k - 14.0)
    assert without.top_share == 0.0


def test_heat_that_was_on_its_way_before_the_trial_is_counted():
    """The lead: a mat that was on until just before still warms the base after."""

    def duty(t_s):
        return ((t_s > -5400) & (t_s < -60) | (t_s > 7200)).astype(float)

    found = fit(trial(theta_s=2400.0, duty=duty))
    assert found.theta_s == pytest.approx(2400.0, abs=60.0)
    assert found.rate_k_s == pytest.approx(14.0 / (3 * 3600), rel=0.03)


def test_slow_plant_looks_straight_and_its_rate_is_told_all_the_same():
    found = fit(trial(60.0, 40 * 3600.0, 1500.0))
    assert found.straight
    assert found.rate_k_s == pytest.approx(60.0 / (40 * 3600.0), rel=0.05)
    assert found.theta_s == pytest.approx(1500.0, abs=90.0)
    assert doubts(found) == []


def test_errors_grow_with_the_noise():
    calm, wild = fit(trial(noise=0.01)), fit(trial(noise=0.1))
    assert wild.rate_error > 4 * calm.rate_error
    assert wild.theta_error_s > 4 * calm.theta_error_s


def test_error_stated_holds_the_truth():
    """In seventeen of twenty trials, or more, the true rate lies within two stated errors."""
    inside = 0
    for seed in range(20):
        found = fit(trial(noise=0.05, seed=seed, hours=3.0))
        off = abs(found.rate_k_s / (14.0 / (3 * 3600)) - 1.0)
        inside += off <= 2.0 * found.rate_error
    assert inside >= 17


# -- poor data --------------------------------------------------------------------------------


def _set(values, where, to):
    values[where] = to
    return values


POOR = [
    (lambda: trial(hours=1.0), "60 minutes, 60 of them with a reading"),
    (lambda: trial(hours=25.0), "longer than a day"),
    (
        lambda: changed(trial(), base_c=lambda base: _set(base, slice(0, LEAD), np.nan)),
        "the hour before is not on record",
    ),
    (lambda: trial(gain=1.0), r"moved by 0\.\d+ K only"),
    (lambda: trial(noise=1.0), "readings jitter by"),
    (
        lambda: changed(
            trial(), base_c=lambda base: _set(base, slice(LEAD + 90, LEAD + 115), np.nan)
        ),
        "25 minutes without a reading",
    ),
    (
        lambda: changed(
            trial(),
            base_c=lambda base: _set(base, slice(LEAD + 120, None), base[LEAD + 120 :] - 2.0),
        ),
        r"jumped by -\d\.\d K within 5 minutes",
    ),
    (
        lambda: changed(trial(), duty=lambda duty: _set(duty, slice(None), 1.0)),
        "at its limit all the time",
    ),
    (
        lambda: changed(trial(), duty=lambda duty: _set(duty, slice(None), 0.2)),
        "no step to see the answer to",
    ),
    (
        lambda: trial(gain=4.0, top=lambda t_s: 12.0 + 3.0 * (t_s > 7200)),
        "air at the leaves moved by 3.0 K",
    ),
]


@pytest.mark.parametrize(("make", "words"), POOR)
def test_each_kind_of_poor_data_is_refused_with_its_words(make, words):
    said = flaws(make())
    assert len(said) == 1
    assert re.search(words, said[0])


def test_sound_trials_have_no_flaw():
    assert flaws(trial()) == []
    assert flaws(trial(duty=windows)) == []
    # In a warm-up the mat itself moves the air under the cover.
    warm = trial(top=lambda t_s: 12.0 + 3.0 * (t_s > 1800))
    assert flaws(warm) == []


def test_base_that_goes_down_with_the_mat_is_refused():
    found = fit(changed(trial(), base_c=lambda base: 40.0 - base))
    (said,) = doubts(found)
    assert "did not get warmer with the mat" in said


GOOD = fit(trial())


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"rms_k": 0.9}, "the model misses the base by 0.90 K"),
        ({"explained": 0.8}, "explains 80 %"),
        ({"theta_s": identify.THETA_HIGH_S}, "no answer to the mat within 3 hours"),
        ({"theta_s": 0.0}, "answer to the mat at once"),
        ({"theta_error_s": 500.0}, "the delay can't be told well enough: 15 min, give or take 8"),
        ({"rate_error": 0.3}, "the rate can't be told well enough: give or take 30 %"),
    ],
)
def test_each_doubt_has_its_words(parts, words):
    assert doubts(GOOD) == []
    (said,) = doubts(GOOD._replace(**parts))
    assert words in said


def test_sun_that_nobody_measured_makes_the_fit_doubtful():
    def warmed(base):
        minutes = np.arange(len(base)) - LEAD
        return base + 1.5 * np.sin(2 * np.pi * minutes / 60.0)

    assert doubts(fit(changed(trial(gain=6.0), base_c=warmed)))


def test_dead_mat_and_drift_give_no_settings():
    """The mat was ordered on, but the base only drifted with the night."""
    given = trial(gain=0.0, rest_c=20.0)

    def drifting(base):
        return base - 1.5 * np.arange(len(base)) / len(base)

    said = changed(given, base_c=drifting)
    assert flaws(said) or doubts(fit(said))


# -- records to a trial -----------------------------------------------------------------------


def ints(*values):
    return np.array(values, dtype=np.int64)


def test_records_fall_into_their_minutes():
    from_s = 1_772_452_800
    base = (ints(from_s, from_s + 120), ints(20_000, 20_250))
    mat = (ints(from_s - 60, from_s + 60), ints(60_000, 30_000))
    made = trial_of(base, (ints(), ints()), mat, from_s, from_s + 180)
    assert made.begin_s == from_s - LEAD_S
    assert made.minutes == 3
    assert made.base_c[LEAD:].tolist() == pytest.approx([20.0, np.nan, 20.25], nan_ok=True)
    assert made.duty[LEAD - 1 :].tolist() == [1.0, 0.0, 0.5, 0.0]
    assert np.isnan(made.top_c).all()
    assert made.t_s[LEAD] == 30.0


def test_stretch_that_ends_before_it_began_is_refused():
    with pytest.raises(ValueError, match="ends after it began"):
        trial_of((ints(), ints()), (ints(), ints()), (ints(), ints()), 600.0, 600.0)


def test_nothing_on_record_is_said_not_raised():
    made = trial_of((ints(), ints()), (ints(), ints()), (ints(), ints()), 0.0, 7200.0)
    assert "0 of them with a reading" in flaws(made)[0]
    with pytest.raises(ValueError, match="no base"):
        fit(made)


def test_fit_is_plain_numbers():
    assert isinstance(GOOD, Fit)
    assert all(type(value) is float for value in GOOD)
