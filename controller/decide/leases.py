"""How long an order to be on is good for, when no other follows it."""

from math import ceil
from typing import Final

from config.bounds import LEASE_LONGEST_S

LEASE_SHORTEST_S: Final = 20.0
"""A lease outlives a late tick or two, unless the pulse ends sooner."""


def usual_lease_s(tick_s: float) -> float:
    """Lease in the midst of a pulse, whole seconds, 0..LEASE_LONGEST_S."""
    return float(ceil(min(LEASE_LONGEST_S, max(3.0 * tick_s, LEASE_SHORTEST_S))))


def lease_s(left_s: float, usual_s: float) -> float:
    """Lease of an order for a pulse with `left_s` to go, whole seconds, 0..usual_s."""
    if left_s >= usual_s:
        return usual_s
    return float(ceil(left_s)) if left_s > 0.0 else 0.0
