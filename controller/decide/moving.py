"""Where a batch that suffers on its bench would be better off, if anywhere on this site.

Each bay is tried by building the aims of the two benches concerned as if the batch stood there, so
what is advised is judged by what control would do.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from config.model import Site
from controller.decide.build import build_aims
from controller.decide.lots import Lot, lots_of
from controller.decide.sharing import BESIDE_K, Sharing, Suffers, suffering
from controller.records import Batch
from sensors.clock import Now

MOVERS_MOST: Final = 16
"""Batches tried at most, so that on ten benches it is done in half a second; own choice."""
CLOSE_K: Final = 1.0
"""A base so close to what a batch wants is as good as its own; own choice."""


def advised(site: Site, batches: Sequence[Batch], sharing: Sharing, now: Now) -> Sharing:
    """The same with a batch to move and a bay that suits it, where there is one.

    It is the one that suffers, or else the one for whose sake it does.
    """
    moves = _Moves(site, batches, sharing.suffers, now)
    return sharing._replace(suffers=tuple(moves.advised(one) for one in sharing.suffers))


class _Moves:
    """The bays tried so far, each batch once."""

    def __init__(
        self, site: Site, batches: Sequence[Batch], found: Sequence[Suffers], now: Now
    ) -> None:
        self._site = site
        self._batches = batches
        self._found = found
        self._now = now
        self._better: dict[int, str] = {}

    def advised(self, one: Suffers) -> Suffers:
        for number in (one.batch, one.lead):
            if number not in self._better:
                if len(self._better) >= MOVERS_MOST:
                    return one
                moved = [batch for batch in self._batches if batch.number == number]
                self._better[number] = self._best(moved[0]) if moved else ""
            if self._better[number]:
                return one._replace(mover=number, to=self._better[number], tried=True)
        return one._replace(tried=True)

    def _best(self, moved: Batch) -> str:
        """The bay that suits a batch best, "" for none.

        Of several one whose base is its own within CLOSE_K, and of those one that is warm already
        before one that would have to be heated for it alone.
        """
        choices = []
        for name, bay, lot, beside in self._bays(moved):
            target_c = self._tried(moved, name, bay)
            if target_c is not None:
                apart_k = abs(target_c - lot.base_c)
                choices.append((apart_k > CLOSE_K, not beside, round(apart_k, 1), f"{name}.{bay}"))
        return min(choices)[-1] if choices else ""

    def _bays(self, moved: Batch) -> Iterator[tuple[str, str, Lot, list[Lot]]]:
        """Bays that may suit: (bench, bay, the batch as it would be there, those there already)."""
        (lot,) = (
            lot
            for lot in lots_of(self._batches, moved.bench, moved.bay, self._now)
            if lot.number == moved.number
        )
        wants_mist = lot.recipe.leafy and lot.dose_kpa_min is not None
        for name, bench in self._site.benches.items():
            if wants_mist and bench.mister is None:
                continue
            for bay in bench.bays:
                if (name, bay) == (moved.bench, moved.bay):
                    continue
                beside = lots_of(self._batches, name, bay, self._now)
                if all(_meet(lot, other) for other in beside):
                    yield name, bay, lot, beside

    def _tried(self, moved: Batch, name: str, bay: str) -> float | None:
        """The base target of a bay with the batch in it; None where it does not suit.

        It suits when the batch neither suffers there nor makes one suffer, and fewer suffer in all.
        """
        benches = {moved.bench: self._site.benches[moved.bench], name: self._site.benches[name]}
        site = self._site.model_copy(update={"benches": benches})
        there = [batch for batch in self._batches if batch.bench in benches]
        there[there.index(moved)] = moved._replace(bench=name, bay=bay)
        aims = build_aims(site, there, self._now)
        after = suffering(site, there, aims, self._now)
        before = sum(one.bench in benches for one in self._found)
        if len(after) >= before or any(moved.number in (one.batch, one.lead) for one in after):
            return None
        return aims.bays[name, bay].target_c


def _meet(lot: Lot, other: Lot) -> bool:
    """Whether one base can please both."""
    (low_c, high_c), (other_low_c, other_high_c) = lot.base_band_c, other.base_band_c
    return max(low_c, other_low_c) <= min(high_c, other_high_c) + 2 * BESIDE_K
