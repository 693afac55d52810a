"""Which base probe lies over which mat, told from pulses of heat.

How a probe over a mat answers: compost as a half-space that takes up a constant flux at its face.
At height z above it, after t seconds,

    rise = 2 flux / k * sqrt(alpha t) * ierfc(z / (2 sqrt(alpha t)))

(Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 2.9; from memory), and a
pulse is that of its start less that of its end. Each probe's course is fitted, by least squares,
with a level, a steady drift and the answers to the mats that were on; the share of the expected
answer that is found tells whether the mat warms it. Compost differs, so the answer's pace is fitted
too.
"""

from collections.abc import Sequence
from math import erfc, exp, inf, pi, sqrt
from statistics import median
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

K_W_MK: Final = 0.40
C_J_M3K: Final = 3.0e6
"""Conductivity and heat capacity of a wet peat mix: common practice, no one source."""
HEIGHT_MM: Final = 25.0
"""Of a base probe above its mat, where the bench file does not say."""
FLUX_W_M2: Final = 100.0
"""Of a mat whose area is not given: what most mats are made for."""
PACES: Final = (0.6, 0.8, 1.0, 1.3, 1.7)
"""Heights, as shares of the one expected, of which the best fitting is taken."""
LEAST_K: Final = 0.3
"""A smaller rise is no answer: it is within what a probe and the weather do in such a time."""
LEAST_SHARE: Final = 0.25
"""Less of the expected answer is what heat that creeps over from the bay beside it may give."""
MOST_SHARE: Final = 1.5
"""A faster rise than this share of what the lowest probe is due comes from elsewhere."""
SURE: Final = 4.0
"""A share must be so many of its standard errors."""
LIMIT_K: Final = 1.5
STEP_K: Final = 0.02
LONE_K: Final = 1.0
QUIET_S: Final = 600.0
"""Watched before the first pulse, all mats off."""
LONGEST_S: Final = 75.0 * 60.0


class Pulse(NamedTuple):
    """A mat held on. from_s, to_s: monotonic s; to_s is inf while it lasts.  flux_w_m2: of it."""

    mat: str
    from_s: float
    to_s: float
    flux_w_m2: float


class Trace(NamedTuple):
    """A base probe's samples, degC, at monotonic seconds, oldest first. bay: as the file has it."""

    probe: str
    bay: str
    height_mm: float
    times_s: NDArray[np.float64]
    values_c: NDArray[np.float64]


class Answer(NamedTuple):
    """How a probe answered one pulse.

    rise_k: rise that the pulse gave by the end of the samples.  error_k: its standard error.
    due_k: what was expected.  most_k: what no mat exceeds.  drift_k_h: what the probe did besides.
    common_k: what the weather did in that time, taken off already.
    """

    probe: str
    bay: str
    rise_k: float
    error_k: float
    due_k: float
    most_k: float
    drift_k_h: float
    common_k: float = 0.0

    @property
    def share(self) -> float:
        """Of the expected rise."""
        return self.rise_k / self.due_k if self.due_k > 0.0 else 0.0

    @property
    def felt_k(self) -> float:
        """The rise, 0 for one that is too fast for heat that comes through compost."""
        return self.rise_k if self.rise_k <= self.most_k else 0.0

    @property
    def warmed(self) -> bool:
        return (
            self.felt_k >= LEAST_K
            and self.share >= LEAST_SHARE
            and self.rise_k >= SURE * self.error_k
        )


def expected_rise_k(flux_w_m2: float, height_mm: float, t_s: float) -> float:
    """Rise of a probe, K, t_s seconds after its mat went on for good; 0 before."""
    if t_s <= 0.0:
        return 0.0
    reach_m = sqrt(K_W_MK / C_J_M3K * t_s)
    x = height_mm / 1000.0 / (2.0 * reach_m)
    return 2.0 * flux_w_m2 / K_W_MK * reach_m * (exp(-x * x) / sqrt(pi) - x * erfc(x))


def time_to_rise_s(flux_w_m2: float, height_mm: float, rise_k: float) -> float:
    """Seconds until a probe is expected to have risen by `rise_k` > 0, at most a day."""
    low_s, high_s = 0.0, 86400.0
    for _ in range(40):
        mid_s = (low_s + high_s) / 2.0
        if expected_rise_k(flux_w_m2, height_mm, mid_s) < rise_k:
            low_s = mid_s
        else:
            high_s = mid_s
    return high_s


def longest_s(flux_w_m2: float, height_mm: float) -> float:
    """How long a mat is held on at most: until half as much again as a clear answer is due."""
    return min(time_to_rise_s(flux_w_m2, height_mm, LIMIT_K), LONGEST_S)


def answers(traces: Sequence[Trace], pulses: Sequence[Pulse]) -> list[Answer]:
    """How every probe answered the last of `pulses`, the ones before it being accounted for.

    With several bays, what the least warmed probe did is weather, and taken off all; one that fell
    far behind all others lies in the air, and does not count.
    """
    found = [_answer(trace, pulses) for trace in traces]
    if len({one.bay for one in found}) < 2:
        return found
    rises_k = sorted(one.rise_k for one in found)
    lone = len(rises_k) > 2 and rises_k[0] < -LONE_K and rises_k[1] - rises_k[0] > LONE_K
    common_k = rises_k[1] if lone else rises_k[0]
    return [
        one._replace(
            rise_k=one.rise_k - common_k,
            common_k=common_k,
            drift_k_h=one.drift_k_h - median(o.drift_k_h for o in found if o.bay != one.bay),
        )
        for one in found
    ]


def _answer(trace: Trace, pulses: Sequence[Pulse]) -> Answer:
    """Samples from some minutes before the pulse before the last on are used.

    An answer of nothing, with an error of inf, where they are too few.
    """
    last, times_s = pulses[-1], trace.times_s
    values_c = trace.values_c.copy()
    # Heat of a pulse still comes and goes in a curve when the pulse after the next has begun: what
    # it gave is settled by then, and taken off.
    for pulse, after, third in zip(pulses, pulses[1:], pulses[2:], strict=False):
        fit = _best(trace, values_c, (pulse, after), third.from_s)
        if fit is not None and fit.shares[0] > 0.0:
            values_c -= fit.shares[0] * _course(times_s, pulse, fit.height_mm)
    fit = _best(trace, values_c, pulses[-2:], inf)
    asked = times_s > last.from_s
    if fit is None or np.count_nonzero(asked) < 6:
        return Answer(trace.probe, trace.bay, 0.0, inf, 0.0, 0.0, 0.0)
    due_k, end_s = fit.due_k, times_s[-1:]
    fastest = _course(end_s, last, trace.height_mm * PACES[0])[0]
    return Answer(
        trace.probe, trace.bay, fit.shares[-1] * due_k, fit.error * due_k, due_k,
        MOST_SHARE * float(fastest), fit.drift_k_s * 3600.0,
    )  # fmt: skip


class _Fit(NamedTuple):
    """shares: of each pulse's expected rise.  error: of the last.  due_k: of the last, by the end.

    height_mm: that fits best.  squares: sum of those left.
    """

    shares: tuple[float, ...]
    error: float
    due_k: float
    drift_k_s: float
    height_mm: float
    squares: float


def _best(
    trace: Trace, values_c: NDArray[np.float64], pulses: Sequence[Pulse], to_s: float
) -> _Fit | None:
    """The fit from some minutes before the first of `pulses` to `to_s`; None on too few samples."""
    kept = (trace.times_s >= pulses[0].from_s - QUIET_S) & (trace.times_s <= to_s)
    times_s, values_c = trace.times_s[kept], values_c[kept]
    if len(times_s) < 10 or np.count_nonzero(times_s <= pulses[-1].from_s) < 3:
        return None
    heights = (trace.height_mm * pace for pace in PACES)
    fits = [_fit(times_s, values_c, pulses, height_mm) for height_mm in heights]
    return min(fits, key=lambda fit: fit.squares)


def _fit(
    times_s: NDArray[np.float64],
    values_c: NDArray[np.float64],
    pulses: Sequence[Pulse],
    height_mm: float,
) -> _Fit:
    columns = [np.ones_like(times_s), times_s - times_s[0]]
    columns += [_course(times_s, pulse, height_mm) for pulse in pulses]
    table = np.column_stack(columns)
    solved, _, rank, _ = np.linalg.lstsq(table, values_c, rcond=None)
    left = values_c - table @ solved
    squares = float(left @ left)
    due_k, drift_k_s = float(table[-1, -1]), float(solved[1])
    if rank < table.shape[1]:
        none = (0.0,) * len(pulses)
        return _Fit(none, inf, due_k, drift_k_s, height_mm, squares)
    # A probe's own steps are no noise that averages out.
    noise = max(squares / max(1, len(values_c) - table.shape[1]), STEP_K**2)
    error = sqrt(noise * float(np.linalg.inv(table.T @ table)[-1, -1]))
    shares = tuple(float(share) for share in solved[2:])
    return _Fit(shares, error, due_k, drift_k_s, height_mm, squares)


def _course(times_s: NDArray[np.float64], pulse: Pulse, height_mm: float) -> NDArray[np.float64]:
    """The expected rise at each time."""
    return np.array(
        [
            expected_rise_k(pulse.flux_w_m2, height_mm, t_s - pulse.from_s)
            - expected_rise_k(pulse.flux_w_m2, height_mm, t_s - pulse.to_s)
            for t_s in times_s
        ]
    )
