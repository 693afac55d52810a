"""How a bay answers to its mat: a first-order plant with dead time (FOPDT), fitted to a trial.

The model. With duty u (0..1), base T, and air at the leaves A with mean A0,

    tau dT/dt = rest - T + gain * u(t - theta) + top_share * (A - A0)

whose answer, for duty and air known minute by minute, is what the start leaves over plus duty and
air, each passed through a first-order lag L:

    T(t) = rest + (start - rest) exp(-t / tau) + gain * L[u](t - theta) + top_share * L[A - A0](t)

For a given theta and tau this is linear in rest, start, gain and top_share: least squares. theta
and tau are searched on a grid that is drawn closer around the best (separable least squares:
G. Golub and V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432). The duty is taken as it was, so a
relay in windows does as well as a clean step, and so does a warm-up from last night's records.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.shares import percent
from controller.review.trial import (
    MINUTE_S,
    Floats,
    Trial,
    filled,
    noise_k,
    rise_k,
    top_known,
)

THETA_HIGH_S: Final = 3 * 3600.0
THETA_LEAST_S: Final = 60.0
TAU_LOW_S: Final = 600.0
TAU_HIGH_S: Final = 48 * 3600.0
THETA_STEP_S: Final = 360.0
TAU_POINTS: Final = 16
ROUNDS: Final = 8
POINTS: Final = 9
"""Closer grids: so many points each way around the best, half as far apart in every round."""
RMS_MOST: Final = 0.08
"""Largest RMS error as a share of the rise."""
EXPLAINED_LEAST: Final = 0.9
RATE_ERROR_MOST: Final = 0.2
THETA_ERROR_MOST: Final = 0.4
THETA_ERROR_S: Final = 300.0
STRAIGHT: Final = 3.0
"""A time constant beyond this many times the trial's length can't be told from a straight line."""


class Fit(NamedTuple):
    """The fitted plant and how far it can be believed.

    gain_k: lift of the base at full duty, K.  tau_s, theta_s: time constant and dead time.
    rest_c: base with the mat off, degC.  top_share: K of base per K of top, 0..1; 0 when the top is
    not known.  rms_k: of base minus model.  explained: share of the base's variance, at most 1.
    rise_k: highest minus lowest base.  noise_k: jitter of one minute's mean.  rate_error: standard
    error of the rate, as a share of it.  theta_error_s: of the dead time.  span_s: of the trial.
    """

    gain_k: float
    tau_s: float
    theta_s: float
    rest_c: float
    top_share: float
    rms_k: float
    explained: float
    rise_k: float
    noise_k: float
    rate_error: float
    theta_error_s: float
    span_s: float

    @property
    def rate_k_s(self) -> float:
        """Rise at full duty before losses, K/s."""
        return self.gain_k / self.tau_s

    @property
    def straight(self) -> bool:
        """The trial looks like a straight line: only the rate and the dead time can be told."""
        return self.tau_s > STRAIGHT * self.span_s


class _Best(NamedTuple):
    squares: float
    theta_s: float
    tau_s: float
    numbers: Floats
    model_c: Floats


class _Problem(NamedTuple):
    """known: minutes of the trial with a base.  t_s: of all minutes.  top_k: A - A0, or None."""

    trial: Trial
    known: NDArray[np.bool_]
    t_s: Floats
    base_c: Floats
    top_k: Floats | None


def two_point(t_s: Floats, answer: Floats, step: float = 1.0) -> tuple[float, float, float]:
    """(gain, tau_s, theta_s) from a whole, clean step answer that begins at 0 and has settled.

    t_s, answer: (n,), rising.  28.3 % and 63.2 % of the rise: tau = 1.5 (t63 - t28), theta =
    t63 - tau (C. L. Smith, Digital Computer Process Control, 1972; second-hand).
    """
    final = float(answer[-1])
    early_s, late_s = np.interp([1 - np.exp(-1 / 3), 1 - np.exp(-1)], answer / final, t_s)
    tau_s = 1.5 * float(late_s - early_s)
    return final / step, tau_s, float(late_s) - tau_s


def fit(trial: Trial) -> Fit:
    """The plant that fits a trial best. Raises ValueError when no base is known in it.

    Ask `trial.flaws` first; then `doubts` of what comes out.
    """
    problem = _problem(trial)
    best = _search(problem)
    rest_c, _, gain_k = best.numbers[:3]
    base_c = problem.base_c
    spread = float(((base_c - base_c.mean()) ** 2).sum())
    rate_error, theta_error_s = _errors(problem, best)
    return Fit(
        gain_k=float(gain_k),
        tau_s=best.tau_s,
        theta_s=best.theta_s,
        rest_c=float(rest_c),
        top_share=float(best.numbers[3]) if problem.top_k is not None else 0.0,
        rms_k=float(np.sqrt(best.squares / len(base_c))),
        explained=1.0 - best.squares / spread if spread > 0.0 else 0.0,
        rise_k=rise_k(trial),
        noise_k=noise_k(trial),
        rate_error=rate_error,
        theta_error_s=theta_error_s,
        span_s=float(MINUTE_S * trial.minutes),
    )


def doubts(found: Fit) -> list[str]:
    """Why a fit is not to be trusted, in a grower's words; empty when it is."""
    if found.gain_k <= 0.0:
        return [
            "the base did not get warmer with the mat: see that the probes of this bay lie over "
            "this mat (`warmfoot check` with a heat pulse) and that it heats at all"
        ]
    said = []
    if found.rms_k > RMS_MOST * found.rise_k or found.explained < EXPLAINED_LEAST:
        said.append(
            f"the model misses the base by {found.rms_k:.2f} K (explains "
            f"{percent(found.explained)}); at most {RMS_MOST * found.rise_k:.2f} K "
            f"and at least {percent(EXPLAINED_LEAST)} are wanted. "
            "Something else moved the base: sun, a draught, watering"
        )
    if found.theta_s >= THETA_HIGH_S - MINUTE_S:
        said.append(
            f"no answer to the mat within {THETA_HIGH_S / 3600:g} hours; see that the mat heats "
            "and that the probes are this bay's"
        )
    elif found.theta_s < THETA_LEAST_S:
        said.append(
            "the base seems to answer to the mat at once; a probe that lies in compost at cutting "
            "depth takes several minutes. See where it sits"
        )
    elif found.theta_error_s > max(THETA_ERROR_S, THETA_ERROR_MOST * found.theta_s):
        said.append(
            f"the delay can't be told well enough: {found.theta_s / 60:.0f} min, give or take "
            f"{found.theta_error_s / 60:.0f}"
        )
    if found.rate_error > RATE_ERROR_MOST:
        said.append(
            f"the rate can't be told well enough: give or take "
            f"{percent(min(found.rate_error, 9.99))}; {percent(RATE_ERROR_MOST)} is the most"
        )
    return said


def _problem(trial: Trial) -> _Problem:
    t_s = trial.t_s
    known = np.isfinite(trial.base_c) & (t_s >= 0.0)
    if not known.any():
        raise ValueError("no base is known in this trial")
    top_k = None
    if top_known(trial):
        top_c = filled(trial.top_c)
        top_k = top_c - top_c[trial.lead :].mean()
    return _Problem(trial, known, t_s, trial.base_c[known], top_k)


def _lagged(signal: Floats, taus_s: Floats) -> Floats:
    """(k, n): a signal (n,), constant within each minute, behind a lag, at the minutes' middles."""
    keep, half = np.exp(-MINUTE_S / taus_s), np.exp(-MINUTE_S / 2 / taus_s)
    found = np.empty((len(taus_s), len(signal)))
    held = np.full(len(taus_s), signal[0])
    for index, value in enumerate(signal):
        found[:, index] = value + (held - value) * half
        held = value + (held - value) * keep
    return found


def _search(problem: _Problem) -> _Best:
    thetas_s = np.arange(0.0, THETA_HIGH_S + 1.0, THETA_STEP_S)
    taus_s = np.geomspace(TAU_LOW_S, TAU_HIGH_S, TAU_POINTS)
    factor = (TAU_HIGH_S / TAU_LOW_S) ** (1.0 / (TAU_POINTS - 1))
    best: _Best | None = None
    for turn in range(ROUNDS):
        warm = _lagged(problem.trial.duty, taus_s)
        air = None if problem.top_k is None else _lagged(problem.top_k, taus_s)
        for index, tau_s in enumerate(taus_s):
            for theta_s in thetas_s:
                made = _solved(
                    problem, theta_s, tau_s, warm[index], None if air is None else air[index]
                )
                if best is None or made.squares < best.squares:
                    best = made
        assert best is not None
        near, wide = THETA_STEP_S * 0.5**turn, factor ** (0.5**turn)
        thetas_s = np.unique(
            np.clip(best.theta_s + np.linspace(-near, near, POINTS), 0.0, THETA_HIGH_S)
        )
        taus_s = np.unique(
            np.clip(best.tau_s * np.geomspace(1 / wide, wide, POINTS), TAU_LOW_S, TAU_HIGH_S)
        )
    assert best is not None
    return best


def _solved(
    problem: _Problem, theta_s: float, tau_s: float, warm: Floats, air: Floats | None
) -> _Best:
    """The best of the linear numbers (rest, start - rest, gain, top_share) at a theta and tau."""
    columns = _columns(problem, theta_s, tau_s, warm, air)
    numbers = _least_squares(columns, problem.base_c)
    if air is not None and not 0.0 <= numbers[3] <= 1.0:
        # Air can't move the base by more than itself, nor the other way.
        share = float(np.clip(numbers[3], 0.0, 1.0))
        rest = problem.base_c - share * columns[:, 3]
        numbers = np.append(_least_squares(columns[:, :3], rest), share)
    model_c = columns @ numbers
    missed = problem.base_c - model_c
    return _Best(float(missed @ missed), float(theta_s), float(tau_s), numbers, model_c)


def _columns(
    problem: _Problem, theta_s: float, tau_s: float, warm: Floats, air: Floats | None
) -> Floats:
    known, t_s = problem.known, problem.t_s
    delayed = np.interp(t_s[known] - theta_s, t_s, warm)
    columns = [np.ones(len(delayed)), np.exp(-t_s[known] / tau_s), delayed]
    if air is not None:
        columns.append(air[known])
    return np.stack(columns, axis=1)


def _least_squares(columns: Floats, values: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(columns, values, rcond=None)[0], dtype=np.float64)


def _errors(problem: _Problem, best: _Best) -> tuple[float, float]:
    """Standard errors (of the rate as a share, of theta in s), from the curvature at the best.

    What the model misses goes on from one minute to the next, so that the minutes are worth fewer:
    by (1 + r) / (1 - r), r the lag-1 correlation of what is missed (the usual first-order figure).
    """
    tau_s, theta_s = best.tau_s, best.theta_s
    gain_k = float(best.numbers[2])
    if gain_k <= 0.0:
        return np.inf, np.inf

    def columns(theta_s: float, tau_s: float) -> Floats:
        taus_s = np.array([tau_s])
        warm = _lagged(problem.trial.duty, taus_s)[0]
        air = None if problem.top_k is None else _lagged(problem.top_k, taus_s)[0]
        return _columns(problem, theta_s, tau_s, warm, air)

    here = columns(theta_s, tau_s)
    step_s, step = 30.0, 0.02
    by_theta = (columns(theta_s + step_s, tau_s) - here) @ best.numbers / step_s
    # Along ln(tau) with the rate held: the gain goes with tau.
    scaled = best.numbers.copy()
    scaled[2] *= 1.0 + step
    by_tau = (columns(theta_s, tau_s * (1.0 + step)) @ scaled - best.model_c) / step
    slopes = np.column_stack([here, by_theta, by_tau])
    missed = problem.base_c - best.model_c
    spare = max(1, len(missed) - slopes.shape[1])
    along = float(missed[1:] @ missed[:-1]) / max(best.squares, 1e-12)
    along = min(0.98, max(0.0, along))
    variance = best.squares / spare * (1.0 + along) / (1.0 - along)
    spread = variance * np.linalg.pinv(slopes.T @ slopes)
    return float(np.sqrt(spread[2, 2])) / gain_k, float(np.sqrt(spread[-2, -2]))
