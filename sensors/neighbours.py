"""Probes of one kind in one place, compared: QARTOD's neighbour test, and the flat line beside it.

A flat line alone proves nothing: a base held at its set-point stands still for hours. It is
doubtful when its neighbour moved meanwhile.
"""

from collections.abc import Sequence
from statistics import median
from typing import Final

from sensors.kinds import Kind
from sensors.quality import ProbeMemory

SAME_HEIGHT_MM: Final = 10.0
"""Probes farther apart than this may move apart: heat waves from a mat die out within centimetres
of compost."""


def doubts(kind: Kind, fresh: Sequence[ProbeMemory]) -> dict[str, str]:
    """Which of these probes not to act on: probe id to the reason in words; usually empty.

    fresh: probes of one kind in one place whose last believed sample is not too old.
    Flat: a probe whose span is at most `kind.flat` while at least half of all moved by
    `kind.moved`. If it was the flat one that told the truth, control acting on the other will make
    it move, and it is believed again.
    Neighbour: with three or more, a probe farther than `kind.neighbour` from the median, as long as
    those that remain are the majority. Two that disagree cannot tell which of them is wrong: both
    stay, and their spread is shown.
    """
    if len(fresh) < 2:
        return {}
    found = _flat(kind, fresh)
    rest = [memory for memory in fresh if memory.probe not in found] if found else fresh
    if len(rest) >= 3:
        found.update(_far(kind, rest))
    return found


def _flat(kind: Kind, fresh: Sequence[ProbeMemory]) -> dict[str, str]:
    still: list[ProbeMemory] = []
    movers: list[ProbeMemory] = []
    three_hours = kind.flat_h == 3
    for memory in fresh:
        span = memory.span_3h if three_hours else memory.span_1h
        if span <= kind.flat:
            still.append(memory)
        elif span >= kind.moved:
            movers.append(memory)
    if not still or 2 * len(movers) < len(fresh):
        return {}
    why = f"has not moved for {kind.flat_h} h while its neighbour did"
    return {
        memory.probe: why
        for memory in still
        if any(_same_height(memory, mover) for mover in movers)
    }


def _same_height(one: ProbeMemory, other: ProbeMemory) -> bool:
    """True unless both heights are known and differ."""
    if one.height_mm is None or other.height_mm is None:
        return True
    return abs(one.height_mm - other.height_mm) <= SAME_HEIGHT_MM


def _far(kind: Kind, rest: Sequence[ProbeMemory]) -> dict[str, str]:
    middle = median([memory.good_value for memory in rest])
    far = [memory for memory in rest if abs(memory.good_value - middle) > kind.neighbour]
    if not far or 2 * len(far) >= len(rest):
        return {}
    return {
        memory.probe: f"{memory.good_value - middle:+.1f} {kind.unit} from its neighbours"
        for memory in far
    }
