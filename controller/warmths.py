"""Warmth of the open batches, kept live from the same minute rows that go to the journal."""

from collections.abc import Callable, Sequence

from config.model import Site, probe_id
from config.recipes import Recipe
from controller.records import Batch, MinuteRow, Warmth
from controller.review.warmth import LiveWarmth, bay_minute

Recount = Callable[[Batch], LiveWarmth]
"""Makes a batch's live warmth from the journal, up to the last stored minute."""


class WarmthBook:
    """One running sum per open batch; taken up from the journal when a batch appears."""

    def __init__(self, site: Site, recount: Recount) -> None:
        self._site = site
        self._recount = recount
        self._sums: dict[int, tuple[Batch, LiveWarmth, tuple[str, ...]]] = {}

    def follow(self, batches: Sequence[Batch]) -> None:
        """Start sums for new batches, drop those no longer open, move those that moved."""
        kept: dict[int, tuple[Batch, LiveWarmth, tuple[str, ...]]] = {}
        for batch in batches:
            held = self._sums.get(batch.number)
            if held is not None and (held[0].bench, held[0].bay) == (batch.bench, batch.bay):
                kept[batch.number] = (batch, held[1], held[2])
            else:
                kept[batch.number] = (batch, self._recount(batch), self._probes(batch))
        self._sums = kept

    def _probes(self, batch: Batch) -> tuple[str, ...]:
        bench = self._site.benches.get(batch.bench)
        bay = bench.bays.get(batch.bay) if bench else None
        if bay is None:
            return ()
        return tuple(probe_id(batch.bench, batch.bay, probe) for probe in bay.probes)

    def add(self, t_s: int, rows: Sequence[MinuteRow]) -> None:
        """Add one minute to every sum."""
        if not self._sums:
            return
        by_probe = {row.probe: row for row in rows}
        for batch, live, probes in self._sums.values():
            if t_s >= batch.stuck_s:
                live.add(t_s, bay_minute([by_probe[p] for p in probes if p in by_probe]))

    def warmth(self, number: int) -> Warmth | None:
        """Present sum of an open batch, or None when it is not open."""
        held = self._sums.get(number)
        return held[1].warmth() if held else None


def recipe_of(batch: Batch) -> Recipe:
    """The recipe as frozen when the batch was stuck."""
    return Recipe.model_validate_json(batch.recipe_json)
