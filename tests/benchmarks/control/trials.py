"""One case from beginning to end: Warmfoot, its rivals, foresight, and their figures."""

from functools import lru_cache
from math import nan
from typing import Final

import numpy as np
from course import HOT_C, TARGET_C, Case, Course, play_warmfoot
from figures import Figures, Result, figures, held, in_band, judged, kwh
from foresight import SLOT_S, Best, Linear, best, check, linear_bench
from rivals import WINDOW_S, HumiditySwitch, Mist, MistTimer, Replay, TextbookPI, Thermostat, play
from scipy import optimize  # type: ignore[import-untyped]
from timers import timers_of

from controller.decide.tuning import Fopdt, Gains, fopdt_step, simc_pi

HEATERS: Final = ("2 K thermostat", "0.2 K switch", "SIMC PI")
MISTERS: Final = ("mist timer", "humidity switch")


@lru_cache
def linear_of(bench: str) -> Linear:
    """The linear model of a preset."""
    return linear_bench(Case(bench=bench))


@lru_cache
def fopdt_of(bench: str) -> Fopdt:
    """First order with dead time, least squares through the step response of the bench."""
    step_k = linear_of(bench).step_k
    times_s = SLOT_S * np.arange(1, len(step_k) + 1)

    def misfit(guess: np.ndarray) -> np.ndarray:
        gain, tau_s, theta_s = guess[0], 3600.0 * guess[1], 3600.0 * guess[2]
        answers = [fopdt_step(float(t), gain, tau_s, theta_s) for t in times_s]
        return np.array(answers) - step_k

    gain, tau_h, theta_h = optimize.least_squares(
        misfit, (float(step_k[-1]), 6.0, 0.4), bounds=((0.1, 0.2, 0.01), (200.0, 60.0, 6.0))
    ).x
    return Fopdt(float(gain), 3600.0 * float(tau_h), 3600.0 * float(theta_h))


def textbook_gains(bench: str) -> Gains:
    """SIMC with tau_c = theta; theta is at least the mean wait for the relay's window."""
    plant = fopdt_of(bench)
    theta_s = max(plant.theta_s, WINDOW_S / 2.0)
    return simc_pi(plant.gain, plant.tau_s, theta_s, theta_s)


def heat_rival(name: str, bench: str) -> Thermostat | TextbookPI:
    if name == "SIMC PI":
        gains = textbook_gains(bench)
        return TextbookPI(gains.gain, gains.integral_s)
    return Thermostat(2.0 if name == "2 K thermostat" else 0.2)


def trial(case: Case) -> Result:
    """All figures of a case."""
    own = play_warmfoot(case)
    foreseen = best(case, linear_of(case.bench), own)
    runs = [figures("Warmfoot", own, foreseen)]
    runs += [
        figures(name, play(case, heat_rival(name, case.bench), own.mist_ml), foreseen)
        for name in HEATERS
    ]
    runs.append(figures("foresight", foreseen.track, foreseen))
    runs += _mist_runs(case, own, foreseen)
    return Result(
        case=case,
        runs=tuple(runs),
        least_kwh=kwh(foreseen.track),
        floor_kwh=kwh(foreseen.floor),
        possible_share=_possible(foreseen),
        warmth_kh=own.warmth_kh,
        warmth_true_kh=own.warmth_true_kh,
        check=check(case, linear_of(case.bench), own.mist_ml),
        left_k=foreseen.left_k,
        alarms=tuple(dict.fromkeys(c.alarm for _, c in own.alarms if c.state == "UNACK")),
        lowered_min=float((own.target_c < TARGET_C - 0.05).sum()),
        own_mae_k=_own_mae_k(own, foreseen),
        timers=timers_of(case, own, foreseen),
        cool_min=float((foreseen.cool.base_c[judged(own)] > HOT_C).sum()),
    )


def _mist_runs(case: Case, own: Course, foreseen: Best) -> list[Figures]:
    rivals: tuple[Mist, ...] = (MistTimer(), HumiditySwitch())
    return [
        figures(name, play(case, Replay(own.share), rival), foreseen)
        for name, rival in zip(MISTERS, rivals, strict=True)
    ]


def _own_mae_k(own: Course, foreseen: Best) -> float:
    part = judged(own)
    track_c = foreseen.track.base_c[part]
    where = held(track_c)
    if not where.any():
        return nan
    return float(np.nanmean(np.abs(own.base_c[part] - own.target_c[part])[where]))


def _possible(foreseen: Best) -> float:
    return float(in_band(foreseen.band.base_c[judged(foreseen.band)]).mean())
