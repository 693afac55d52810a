"""Journal to histories: what outlook and comparison need of every batch."""

from collections.abc import Callable
from typing import Final

import numpy as np

from config.recipes import thaw
from controller.entries import effective, evidence, potted, stays
from controller.gather import place_samples
from controller.journal.reader import Reader
from controller.records import Batch, Entry, EntryKind
from controller.review.history import History, got_of, looks_of, warm_clock
from controller.review.outlook import Outlook, outlook
from controller.review.warmth import Bools, Ints

EVERY_S: Final = 900
"""The base is looked at so often: a thousandth of the warmth is lost by it, and a journal of years
is read in seconds."""


class HistoryBook:
    """The batches of a journal as histories, each read once.

    A batch that was merged into another is read when asked for by its number, and else left out:
    it came to no result of its own.

    now_s: UTC s up to which to look.  Every method raises JournalError.
    """

    def __init__(self, reader: Reader, now_s: float) -> None:
        self._reader = reader
        self.now_s = now_s
        self.batches = {batch.number: batch for batch in reader.batches()}
        self._made: dict[int, History] = {}
        self._entries: dict[int, list[Entry]] = {}
        self._recipes: dict[int, str] = {}

    def get(self, number: int) -> History:
        """Raises KeyError for a batch there is not."""
        if number not in self._made:
            self._made[number] = self._history(self.batches[number])
        return self._made[number]

    def every(self) -> list[History]:
        """All of them, in order of number."""
        return self.where(lambda _: True)

    def like(self, number: int) -> list[History]:
        """Those that may be like it (`history.is_like`), itself left out; only they are read."""
        one = self.get(number)
        plant = one.batch.plant.strip().lower()
        # A recipe of the kind alone makes no two plants alike.
        near = one.recipe.name if one.recipe.plant is not None else None
        return self.where(
            lambda other: (
                other.number != number
                and other.kind == one.batch.kind
                and (other.plant.strip().lower() == plant or self._recipe(other) == near)
            )
        )

    def outlook(self, number: int) -> Outlook | None:
        """When an open batch is due; None for a closed one. Raises KeyError for none there."""
        if self.batches[number].closed_s is not None:
            return None
        return outlook(self.get(number), self.like(number), self.now_s)

    def dues(self) -> dict[int, Outlook]:
        """When each open batch is due, by its number."""
        found = {number: self.outlook(number) for number in self.batches}
        return {number: due for number, due in found.items() if due is not None}

    def where(self, wanted: Callable[[Batch], bool]) -> list[History]:
        """Those whose batch is `wanted`, in order of number; only they are read."""
        return [
            self.get(number)
            for number, batch in self.batches.items()
            if wanted(batch) and not batch.merged_into
        ]

    def entries(self, number: int) -> list[Entry]:
        """The entries of a batch that stand."""
        if number not in self._entries:
            self._entries[number] = effective(self._reader.entries(number))
        return self._entries[number]

    def _recipe(self, batch: Batch) -> str:
        """Name of the recipe under which it was stuck."""
        if batch.number not in self._recipes:
            self._recipes[batch.number] = thaw(batch.recipe_json).name
        return self._recipes[batch.number]

    def _history(self, batch: Batch) -> History:
        entries = self.entries(batch.number)
        recipe = thaw(batch.recipe_json)
        closed_s = batch.closed_s
        until_s = self.now_s if closed_s is None else min(self.now_s, closed_s)
        until_s = max(until_s, batch.stuck_s)
        stood = stays(batch, entries, until_s)
        lengths: dict[str, float] = {f"{batch.bench}.{batch.bay}": 0.0}
        parts: list[tuple[Ints, Ints, Bools]] = []
        for place, from_s, to_s in stood:
            lengths[place] = lengths.get(place, 0.0) + to_s - from_s
            parts.append(
                place_samples(self._reader, place, "base_temperature", from_s, to_s, EVERY_S)
            )
        nothing = np.zeros(0, dtype=np.int64)
        parts.append((nothing, nothing, np.zeros(0, dtype=bool)))
        t_s, base_mc = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
        usable = np.concatenate([part[2] for part in parts])
        span = (recipe, batch.stuck_s, until_s)
        closings = [entry for entry in entries if entry.kind == EntryKind.CLOSED]
        return History(
            batch._replace(details=evidence(batch, entries)),
            recipe,
            max(lengths, key=lambda place: lengths[place]),
            until_s,
            int(closings[-1].values.get("rooted", "0")) if closings else None,
            looks_of(batch, entries),
            warm_clock(t_s, base_mc, usable, *span),
            got_of(t_s, base_mc, usable, *span),
            potted(entries),
        )
