"""How one alarm moves from state to state: names of ISA-18.2 / IEC 62682, rules of OPC UA Part 9.

OPC UA Part 9 v1.05 (IEC 62541-9) is the freely readable source: delays and deadband 5.8.2 and
annex B.1.5, latching and suppression 4.8, shelving 5.8.17. That resetting a latched alarm nobody
has acknowledged leaves it "returned, unacknowledged" is from memory of the ISA-18.2 state diagram.
"""

from collections.abc import Mapping
from enum import StrEnum
from math import inf
from types import MappingProxyType
from typing import Final

from controller.decide.state import AlarmState
from controller.records import AlarmStateName as S


class Signal(StrEnum):
    """What moves an alarm. remind: it has stood for so long that it must be said again."""

    RISE = "rise"
    FALL = "fall"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    REMIND = "remind"


TRANSITIONS: Final[Mapping[tuple[str, str], S]] = MappingProxyType(
    {
        (S.NORM, Signal.RISE): S.UNACK,
        (S.UNACK, Signal.ACKNOWLEDGE): S.ACKED,
        (S.UNACK, Signal.FALL): S.RTNUN,
        (S.UNACK, Signal.REMIND): S.UNACK,
        (S.ACKED, Signal.FALL): S.NORM,
        (S.ACKED, Signal.REMIND): S.UNACK,
        (S.RTNUN, Signal.ACKNOWLEDGE): S.NORM,
        (S.RTNUN, Signal.RISE): S.UNACK,
    }
)
LATCHED_TRANSITIONS: Final[Mapping[tuple[str, str], S]] = MappingProxyType(
    {
        **TRANSITIONS,
        (S.UNACK, Signal.FALL): S.LATCH_UNACK,
        (S.ACKED, Signal.FALL): S.LATCH_ACK,
        (S.LATCH_UNACK, Signal.ACKNOWLEDGE): S.LATCH_ACK,
        (S.LATCH_UNACK, Signal.RISE): S.UNACK,
        (S.LATCH_UNACK, Signal.RESET): S.RTNUN,
        (S.LATCH_ACK, Signal.RISE): S.UNACK,
        (S.LATCH_ACK, Signal.RESET): S.NORM,
    }
)
IN_ALARM: Final = frozenset({S.UNACK, S.ACKED})
LATCHED: Final = frozenset({S.LATCH_UNACK, S.LATCH_ACK})
STANDING: Final = IN_ALARM | LATCHED
"""States in which an alarm explains, and so hides, its children."""
KNOWN: Final = STANDING | {S.NORM, S.RTNUN}
"""States in which `AlarmState.under` can be."""
NOT_SHOWN: Final = frozenset({S.SHLVD, S.DSUPR, S.OOSRV})


def successor(state: str, signal: Signal, latched: bool) -> S | None:
    """The state after `signal`, or None when it means nothing in this state."""
    table = LATCHED_TRANSITIONS if latched else TRANSITIONS
    return table.get((state, signal))


def timed(
    held: AlarmState,
    excess: float,
    on_delay_s: float,
    off_delay_s: float,
    deadband: float,
    now_s: float,
    dt_s: float,
) -> tuple[float, Signal | None]:
    """(pending_s, signal): the delay timers, moved on by one tick.

    excess: how far beyond the limit; NaN, not known, stops the clocks without setting them back.
    The condition must stand for the whole of on_delay_s to rise, and have gone back past the limit
    by the deadband for the whole of off_delay_s to fall. dt_s: since the last tick;
    0 after a gap in which nobody looked, so that a delay begins anew.
    """
    pending_s = held.pending_s
    if excess != excess:
        return pending_s + dt_s, None
    if held.under in IN_ALARM:
        moving, delay_s, signal = excess <= -deadband, off_delay_s, Signal.FALL
    else:
        moving, delay_s, signal = excess > 0.0, on_delay_s, Signal.RISE
    if not moving:
        return inf, None
    if pending_s == inf or dt_s <= 0.0:
        pending_s = now_s
    # A float's width of grace, so that a delay of whole ticks ends on its tick and not the next.
    if now_s - pending_s >= delay_s - 1e-6:
        return inf, signal
    return pending_s, None
