"""Numbers for the heat loop from how a bench answers to its mat.

SIMC rules and half rule: S. Skogestad, "Simple analytic rules for model reduction and PID
controller tuning", J. Process Control 13 (2003) 291-309. The extra factors for a bench are this
program's own, found by trying several layered-conduction benches with wrong guesses of each number.
"""

from collections.abc import Sequence
from math import exp, isfinite
from typing import Final, NamedTuple

COMPOST_J_M2K: Final = 190e3
"""Heat held per m2 and kelvin by 60 mm of wet compost and a mat (common practice, no source)."""
USUAL_W_M2: Final = 100.0
"""Power per area of a mat whose area is not given."""
LIFT_K_PER_W_M2: Final = 0.14
"""What a mat lifts a covered base in the end (common practice, no source)."""
USUAL_HEIGHT_MM: Final = 25.0
RATE_LOW_K_S: Final = 0.2 / 3600
RATE_HIGH_K_S: Final = 8.0 / 3600
DELAY_LOW_S: Final = 300.0
DELAY_HIGH_S: Final = 3 * 3600.0
_LAG_SHARE: Final = 0.8
"""Share of the delay that is slow heating-through (a lag, met by looking ahead), not dead time."""
_DOUBT_PER_S: Final = 0.15 / 7200.0
"""... less of a delay beyond an hour, where a deep probe may well wait and not only lag."""
_WINDOW_SHARE: Final = 0.2
"""Share of the relay's window that acts as dead time."""
_GAIN_SHARE: Final = 0.6
_INTEGRAL_SHARE: Final = 0.6


class TuningError(ValueError):
    """A plant that no rule can be worked out for."""


class Fopdt(NamedTuple):
    """gain: output per input.  tau_s: time constant.  theta_s: dead time."""

    gain: float
    tau_s: float
    theta_s: float


class Gains(NamedTuple):
    """Series (interacting) form. gain: duty per kelvin.  integral_s.  derivative_s: look-ahead."""

    gain: float
    integral_s: float
    derivative_s: float


def fopdt_step(t_s: float, gain: float, tau_s: float, theta_s: float) -> float:
    """Answer of a first-order plant with dead time to a unit step, `t_s` seconds after it."""
    if t_s <= theta_s:
        return 0.0
    return gain * (1.0 - exp(-(t_s - theta_s) / tau_s))


def half_rule(
    lags_s: Sequence[float], dead_s: float = 0.0, inverse_s: float = 0.0, order: int = 1
) -> tuple[float, ...]:
    """Skogestad's half rule: (tau1, theta), or (tau1, tau2, theta) for order 2; seconds.

    lags_s: time constants of the full model, any order.  dead_s: its dead time.  inverse_s: sum of
    its right-half-plane zero times.  Raises TuningError with fewer lags than `order`.
    """
    lags = sorted(lags_s, reverse=True)
    if order not in (1, 2) or len(lags) < order:
        raise TuningError(f"order {order} needs that many lags (1 or 2); {len(lags)} given")
    halved = lags[order] / 2.0 if len(lags) > order else 0.0
    kept = [*lags[: order - 1], lags[order - 1] + halved]
    return (*kept, dead_s + halved + sum(lags[order + 1 :]) + inverse_s)


def simc_pi(gain: float, tau_s: float, theta_s: float, tau_c_s: float) -> Gains:
    """SIMC PI for a first-order plant; tau_c_s: wanted closed-loop time constant, often theta_s.

    Raises TuningError when gain is 0 or tau_c_s + theta_s is not above 0.
    """
    return simc_pid(gain, tau_s, 0.0, theta_s, tau_c_s)


def simc_pid(gain: float, tau1_s: float, tau2_s: float, theta_s: float, tau_c_s: float) -> Gains:
    """SIMC PID, series form, for a second-order plant with dead time. Raises as `simc_pi`."""
    closed_s = tau_c_s + theta_s
    if gain == 0.0 or not closed_s > 0.0:
        raise TuningError(f"gain {gain} must not be 0, tau_c + theta {closed_s} must be above 0")
    return Gains(tau1_s / (gain * closed_s), min(tau1_s, 4.0 * closed_s), tau2_s)


def expected_rate_k_s(power_w: float, area_m2: float | None) -> float:
    """Rise of the base at full duty, before losses, from the mat's power per area, K/s."""
    per_m2 = power_w / area_m2 if area_m2 else USUAL_W_M2
    return bounded(per_m2 / COMPOST_J_M2K, RATE_LOW_K_S, RATE_HIGH_K_S)


def expected_lift_k(power_w: float, area_m2: float | None) -> float:
    """What full duty lifts the base in the end, from the mat's power per area, K."""
    return LIFT_K_PER_W_M2 * (power_w / area_m2 if area_m2 else USUAL_W_M2)


def expected_delay_s(height_mm: float | None) -> float:
    """Delay of a straight-line rise at a probe so high above the mat, s.

    1-D conduction: the ramp at height h trails by about h2 / (2 alpha), alpha 1.3e-7 m2/s for wet
    compost (0.4 W/mK over 3.0 MJ/m3K), 60 % of it as the tray is of limited depth; plus the mat.
    """
    height_m = (USUAL_HEIGHT_MM if height_mm is None else height_mm) / 1000.0
    return bounded(240.0 + 0.4 * height_m**2 / 2.6e-7, DELAY_LOW_S, DELAY_HIGH_S)


def bench_gains(rate_k_s: float, delay_s: float, window_s: float) -> Gains:
    """Gains for a base that rises by `rate_k_s` at full duty, `delay_s` after the mat goes on.

    SIMC for a slow plant (gain over time constant is the rate), tau_c equal to the dead time, with
    most of the delay taken as a second lag. Slightly softer in gain, firmer in integral, than SIMC.
    """
    rate_k_s = bounded(rate_k_s, RATE_LOW_K_S, RATE_HIGH_K_S)
    delay_s = bounded(delay_s, DELAY_LOW_S, DELAY_HIGH_S)
    lag_share = _LAG_SHARE - _DOUBT_PER_S * max(0.0, delay_s - 3600.0)
    dead_s = (1.0 - lag_share) * delay_s + _WINDOW_SHARE * window_s
    tau_s = 1e9  # far slower than anything wanted: only rate = gain / tau counts
    rule = simc_pid(rate_k_s * tau_s, tau_s, lag_share * delay_s, dead_s, dead_s)
    return Gains(_GAIN_SHARE * rule.gain, _INTEGRAL_SHARE * rule.integral_s, rule.derivative_s)


def bounded(value: float, low: float, high: float) -> float:
    """`value` within low..high; `low` for anything not finite."""
    if not isfinite(value) or value < low:
        return low
    return min(value, high)
