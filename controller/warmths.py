"""Warmth of the open batches, kept live from the same minute rows that go to the journal."""

import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import Final, NamedTuple

from config.model import Site, probe_id
from controller.records import Batch, MinuteRow, Warmth
from controller.review.warmth import LiveWarmth, bay_minute

log = logging.getLogger(__name__)

KEPT_MIN: Final = 180
"""Minutes kept to be added again after a recount: longer than rows wait to be committed."""


class Counted(NamedTuple):
    """A batch's warmth as the journal has it.

    live: the sum.  stays: where it stood, as controller.entries.stays gives it.  last_s: UTC second
    of the newest minute in the journal, None when there is none.
    """

    live: LiveWarmth
    stays: Sequence[tuple[str, float, float]]
    last_s: int | None


Recount = Callable[[Batch], Counted]
"""Makes a batch's live warmth from the journal, up to the last stored minute."""
Rows = Mapping[str, MinuteRow]


class _Held(NamedTuple):
    """An open batch. parts: (from, to, base probes), UTC s, of every bay it has stood in."""

    batch: Batch
    live: LiveWarmth
    parts: tuple[tuple[int, float, tuple[str, ...]], ...]

    def add(self, t_s: int, by_probe: Rows) -> None:
        if t_s < self.batch.stuck_s:
            return
        for from_s, to_s, probes in self.parts:
            if from_s <= t_s < to_s:
                self.live.add(t_s, bay_minute([by_probe[p] for p in probes if p in by_probe]))
                return


class WarmthBook:
    """One running sum per open batch; taken up from the journal when a batch appears or moves.

    The journal merges what two runs, or two passes of a wall clock that was set back, have of one
    minute. Sums that went through such a minute are counted again once it is stored.
    """

    def __init__(self, site: Site, recount: Recount) -> None:
        self._site = site
        self._recount = recount
        self._sums: dict[int, _Held] = {}
        self._recent: deque[tuple[int, Rows]] = deque(maxlen=KEPT_MIN)
        self._last_s = -1
        self._merged_s: int | None = None
        self._missing: list[Batch] = []

    def follow(self, batches: Sequence[Batch]) -> None:
        """Start sums for new batches, drop those no longer open, move those that moved.

        A batch that the journal cannot be asked about now has no sum until it can.
        """
        kept: dict[int, _Held] = {}
        for batch in batches:
            held = self._sums.get(batch.number)
            if held is not None and (held.batch.bench, held.batch.bay) == (batch.bench, batch.bay):
                kept[batch.number] = held._replace(batch=batch)
                continue
            counted = self._counted(batch)
            if counted is None:
                self._merged_s = self._last_s
            else:
                kept[batch.number] = counted[0]
        self._missing = [batch for batch in batches if batch.number not in kept]
        self._sums = kept

    def add(self, t_s: int, rows: Sequence[MinuteRow]) -> None:
        """Add the minute that began at UTC second `t_s` to every sum."""
        by_probe = {row.probe: row for row in rows}
        if t_s <= self._last_s or self._last_s < 0:
            self._merged_s = max(t_s, self._last_s)
        self._last_s = t_s
        self._recent.append((t_s, by_probe))
        for held in self._sums.values():
            held.add(t_s, by_probe)
        merged_s = self._merged_s
        if merged_s is not None and t_s > merged_s + 60:
            self._count_again(merged_s)

    def _count_again(self, merged_s: int) -> None:
        """Count anew from the journal; done with when that holds more than the merged minute."""
        stored = True
        for batch in [*(held.batch for held in self._sums.values()), *self._missing]:
            counted = self._counted(batch)
            later = counted is not None and counted[1] is not None and counted[1] > merged_s
            stored = stored and later
            if counted is not None and (later or batch.number not in self._sums):
                self._sums[batch.number] = counted[0]
        self._missing = [batch for batch in self._missing if batch.number not in self._sums]
        if stored:
            self._merged_s = None

    def _counted(self, batch: Batch) -> tuple[_Held, int | None] | None:
        """The batch's sum from the journal and the minutes that are not in it yet."""
        try:
            live, stays, last_s = self._recount(batch)
        except Exception as error:
            log.warning("batch %d cannot be counted now: %s", batch.number, error)
            return None
        parts = tuple(
            (int(from_s), to_s if to_s == inf else int(to_s), self._probes(place))
            for place, from_s, to_s in stays
        )
        held = _Held(batch, live, parts)
        for t_s, by_probe in self._recent:
            if last_s is None or t_s > last_s:
                held.add(t_s, by_probe)
        return held, last_s

    def _probes(self, place: str) -> tuple[str, ...]:
        bench_name, _, bay_name = place.partition(".")
        bench = self._site.benches.get(bench_name)
        bay = bench.bays.get(bay_name) if bench else None
        if bay is None:
            return ()
        return tuple(probe_id(bench_name, bay_name, probe) for probe in bay.probes)

    def warmth(self, number: int) -> Warmth | None:
        """Present sum of an open batch, or None when it is not open or not counted yet."""
        held = self._sums.get(number)
        return held.live.warmth() if held else None
