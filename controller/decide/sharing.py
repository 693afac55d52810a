"""Batches under one mister that want different things: advice to the grower, not an alarm."""

from collections.abc import Sequence
from typing import Final

from controller.decide.lots import Lot, lots_of
from controller.records import Batch
from sensors.clock import Now

KEPT_WET: Final = "stick"
"""Phase whose leaves are kept wet; every later one is to dry at least once a day."""


def mist_advice(batches: Sequence[Batch], bench: str, bays: Sequence[str], now: Now) -> str:
    """What a grower should know of the batches that share a bench's mister; "" when nothing.

    A mister serves the batch that dries out first, so one just stuck keeps those beside it wet,
    though from callus on their leaves are to dry (common practice, no source).
    """
    lots = [lot for bay in bays for lot in lots_of(batches, bench, bay, now) if lot.recipe.leafy]
    new = [lot for lot in lots if lot.phase.name == KEPT_WET]
    later = [lot for lot in lots if lot.phase.name != KEPT_WET]
    if not new or not later:
        return ""
    them, their = ("it", "its") if len(later) == 1 else ("them", "their")
    return (
        f"{_named(new)} keeps the mist frequent; {_named(later)} should dry between bursts by now: "
        f"move {them} under another mister, or watch {their} leaves for mould"
    )


def _named(lots: Sequence[Lot]) -> str:
    return " and ".join(lot.why for lot in lots)
