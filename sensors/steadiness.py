"""Whether a probe has come to rest in a bath or over a salt, judged by its last samples."""

from collections.abc import Sequence
from statistics import fmean, stdev
from typing import Final, NamedTuple

FEWEST: Final = 6
"""Samples that a judgement needs."""


class Rest(NamedTuple):
    """When a probe counts as at rest. Common practice, no source.

    window_s: looked at.  drift: most that the straight line through the window may rise or fall
    across it.  spread: most between its highest and lowest sample; both in the probe's unit.
    """

    window_s: float
    drift: float
    spread: float


RESTS: Final = {
    "degC": Rest(180.0, 0.06, 0.20),  # DS18B20 and the like step by 0.06 K
    "%": Rest(1200.0, 0.4, 1.5),  # salt and probe need an hour or more to agree
}


class Steady(NamedTuple):
    """What the last samples say.

    steady: at rest.  mean, scatter: of the window; scatter is the standard deviation of a sample.
    drift: of the line across a whole window.  seen_s: length seen of it.  why: "" when steady.
    """

    steady: bool
    mean: float
    scatter: float
    drift: float
    seen_s: float
    why: str


def steadiness(samples: Sequence[tuple[float, float]], rest: Rest) -> Steady:
    """Judge samples (seconds, value), oldest first; the newest ends the window.

    The line is that of least squares. Raises ValueError when there is no sample.
    """
    if not samples:
        raise ValueError("no sample to judge")
    last_s = samples[-1][0]
    window = [(at_s, value) for at_s, value in samples if at_s >= last_s - rest.window_s]
    values = [value for _, value in window]
    seen_s = last_s - window[0][0]
    mean = fmean(values)
    scatter = stdev(values) if len(values) > 1 else 0.0
    drift = _slope(window) * rest.window_s
    spread = max(values) - min(values)
    # The oldest sample may lie up to one period inside the window.
    period_s = seen_s / (len(window) - 1) if len(window) > 1 else rest.window_s
    if len(window) < FEWEST or seen_s + 1.5 * period_s < rest.window_s:
        left_s = max(0.0, rest.window_s - seen_s)
        why = f"watched for {seen_s:.0f} s; {left_s:.0f} s to go"
    elif abs(drift) > rest.drift:
        why = f"still {'rising' if drift > 0 else 'falling'}, {abs(drift):.2f} in the last window"
    elif spread > rest.spread:
        why = f"unsteady, {spread:.2f} between lowest and highest"
    else:
        why = ""
    return Steady(not why, mean, scatter, drift, seen_s, why)


def _slope(window: Sequence[tuple[float, float]]) -> float:
    mid_s = fmean(at_s for at_s, _ in window)
    across = sum((at_s - mid_s) ** 2 for at_s, _ in window)
    if across <= 0.0:
        return 0.0
    return sum((at_s - mid_s) * value for at_s, value in window) / across
