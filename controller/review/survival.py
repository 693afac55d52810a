"""When something happened that was only looked for now and then: shares by time.

Nobody sees the day of rooting. It lies after the last test without roots and not after the first
test with them; of what still stands unrooted only "later than now" is known.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import inf
from typing import Final, NamedTuple

import numpy as np

STEPS_MOST: Final = 20_000
ENOUGH: Final = 1e-6
"""Steps end when no share can grow by more than this part of all (Gentleman & Geyer 1994)."""
NOTHING: Final = 1e-5


class Between(NamedTuple):
    """One observation: it happened after `after` and not after `by` (inf: not yet).

    weight: how many saw the same.  Any unit of time, 0 <= after < by.
    """

    after: float
    by: float
    weight: float = 1.0


class Mass(NamedTuple):
    """A share of all, 0..1, that happened after `after` and not after `by`."""

    after: float
    by: float
    share: float


class Step(NamedTuple):
    """A time at which some of those at risk had it happen. share: 0..1 of all, not yet after it."""

    time: float
    at_risk: int
    events: int
    share: float


def kaplan_meier(times: Sequence[tuple[float, bool]]) -> list[Step]:
    """The share to which it had not happened yet, in order of time.

    times: (when, True) where it happened; (until when it had not, False) where nobody saw it.
    Who was last seen at a time counts as at risk then.
    Source: Kaplan & Meier, J. Amer. Stat. Assoc. 53 (1958) 457.
    """
    share, found = 1.0, []
    for time in sorted({when for when, happened in times if happened}):
        at_risk = sum(when >= time for when, _ in times)
        events = sum(happened and when == time for when, happened in times)
        share *= 1.0 - events / at_risk
        found.append(Step(time, at_risk, events, share))
    return found


def reached(steps: Sequence[Step], share: float) -> float:
    """The first time by which `share` (above 0, to 1) of all had it happen; inf: not reached."""
    return next((step.time for step in steps if 1.0 - step.share >= share - 1e-9), inf)


def turnbull(seen: Sequence[Between]) -> list[Mass]:
    """The most likely distribution of times seen only between looks, in order of time.

    What may never happen, as far as anyone has seen, lies in a last piece with by = inf. Where
    within a piece the share lies is not known. For exact times and right-censored ones this is the
    Kaplan-Meier estimate. Empty for nothing seen. Raises ValueError for a piece of no length.
    Source: Turnbull, J. R. Statist. Soc. B 38 (1976) 290, by self-consistency (EM); ended by the
    condition of Gentleman & Geyer, Biometrika 81 (1994) 618.
    """
    merged: dict[tuple[float, float], float] = {}
    for one in seen:
        if not 0.0 <= one.after < one.by or one.weight <= 0.0:
            raise ValueError(f"no stretch of time: {one}")
        key = (one.after, one.by)
        merged[key] = merged.get(key, 0.0) + one.weight
    if not merged:
        return []
    pieces = _innermost(list(merged))
    after = np.array([piece[0] for piece in pieces])
    by = np.array([piece[1] for piece in pieces])
    holds = np.array([(after >= left) & (by <= right) for left, right in merged], dtype=float)
    weight = np.array(list(merged.values()))
    total = weight.sum()
    share = np.full(len(pieces), 1.0 / len(pieces))
    for _ in range(STEPS_MOST):
        slope = holds.T @ (weight / (holds @ share)) / total
        share = share * slope
        if slope.max() <= 1.0 + ENOUGH:
            break
    share[share < NOTHING] = 0.0
    share /= share.sum()
    return [
        Mass(float(a), float(b), float(s))
        for a, b, s in zip(after, by, share, strict=True)
        if s > 0.0
    ]


def _innermost(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Pieces (left, right] from a left edge to the next right edge, no other edge between."""
    # At equal times a right edge comes first: (1, 2] and (2, 3] have nothing in common.
    edges = sorted([(right, 0) for _, right in spans] + [(left, 1) for left, _ in spans])
    found = []
    for (here, is_left), (there, next_left) in pairwise(edges):
        if is_left and not next_left:
            found.append((here, there))
    return found


def quantile(masses: Sequence[Mass], share: float) -> tuple[float, float]:
    """Between which times `share` (above 0, to 1) of all had happened.

    (inf, inf) where so many have not happened as far as anyone has seen: not reached.
    """
    sum_so_far = 0.0
    for mass in masses:
        sum_so_far += mass.share
        if sum_so_far >= share - 1e-6:
            return (inf, inf) if mass.by == inf else (mass.after, mass.by)
    return inf, inf
