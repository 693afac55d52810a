"""Whether the humidity under a cover answered a burst of mist.

The minutes before the burst draw a line; those after it, as a mean, are held against that. The
figures are this program's own choice, tried on simulated benches; no
published source.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final, Literal, NamedTuple

import numpy as np

BURST_S: Final = 10.0
BEFORE_S: Final = 300.0
DELAY_S: Final = 15.0
AFTER_S: Final = 150.0
ROOM_PCT: Final = 92.0
"""Damper air has too little room to answer in."""
PLAIN_PCT: Final = 1.0
SURE: Final = 3.0
"""An answer must be so many of its standard errors."""
FEWEST: Final = 4
Sample = tuple[float, float]
"""(seconds, % RH)."""


class MistVerdict(NamedTuple):
    """found: whether it answered, "damp" when it could not.  rise_pct: above the line, % RH."""

    found: Literal["answered", "silent", "damp", "unclear"]
    rise_pct: float
    text: str


def judge_mist(samples: Sequence[Sample], burst_at_s: float) -> MistVerdict:
    """What the samples around a burst at `burst_at_s` say, of BEFORE_S and AFTER_S about it."""
    before = np.array([s for s in samples if burst_at_s - BEFORE_S <= s[0] <= burst_at_s])
    first_s, last_s = burst_at_s + DELAY_S, burst_at_s + DELAY_S + AFTER_S
    after = np.array([s for s in samples if first_s <= s[0] <= last_s])
    if len(before) < FEWEST or len(after) < FEWEST:
        return MistVerdict("unclear", 0.0, "humidity was heard too seldom to tell")
    slope, level = np.polyfit(before[:, 0] - burst_at_s, before[:, 1], 1)
    left = before[:, 1] - (level + slope * (before[:, 0] - burst_at_s))
    noise = max(float(np.sqrt(left @ left / max(1, len(before) - 2))), 0.1)
    # A line drawn far ahead lies: only half of what the air did by itself is believed to go on.
    ahead = level + 0.5 * slope * (after[:, 0] - burst_at_s)
    rise_pct = float(np.mean(after[:, 1] - ahead))
    error = noise * sqrt(1.0 / len(after) + 4.0 / len(before))
    told = f"{level:.0f} % before, {rise_pct:+.1f} points after"
    if rise_pct >= PLAIN_PCT and rise_pct >= SURE * error:
        return MistVerdict("answered", rise_pct, f"humidity answers ({told})")
    if level > ROOM_PCT:
        return MistVerdict("damp", rise_pct, f"the air is too damp to answer ({told})")
    return MistVerdict(
        "silent",
        rise_pct,
        f"humidity does not answer ({told}): valve, tap, strainer, blocked nozzle, or no water",
    )
