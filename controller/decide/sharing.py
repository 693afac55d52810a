"""Batches that share a bay's base, a bench's mist and its air: who leads, and who suffers by it.

Advice to the grower, no alarm: whoever suffers may be moved (`moving`), and nothing else helps it.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

from config.model import Bench, Site
from config.recipes import WEANING
from controller.decide.aims import Aims
from controller.decide.build import FROST_GUARD
from controller.decide.lots import Lot, held_at, leader, lots_of, needier
from controller.records import Batch
from sensors.clock import Now

KEPT_WET: Final = "stick"
"""Phase whose leaves are kept wet; every later one is to dry at least once a day."""
BESIDE_K: Final = 0.5
"""A base beyond a batch's own band by less is not worth a word; own choice."""
APART_K: Final = 2.0
"""So far apart, the airs that two batches want cannot be one; own choice."""
TIMES_MOST: Final = 3.0
"""Mist this many times as often as its step wants hardens nothing; own choice."""


class Lead(NamedTuple):
    """Whom a bay or a mister follows. batch: 0 when it is none.  text: in a grower's words."""

    batch: int
    text: str


class Suffers(NamedTuple):
    """A batch that the bench cannot please. of: "base", "top" or "mist".

    lead: number of the batch for whose sake, 0 for the bench file.  text: what it gets, what it
    wants and what comes of it.  tried: other bays were tried for it (`moving`).  mover, to: the
    batch to move and the bay that suits it, 0 and "" where none here does.
    """

    batch: int
    name: str
    bench: str
    bay: str
    of: str
    lead: int
    text: str
    mover: int = 0
    to: str = ""
    tried: bool = False

    @property
    def line(self) -> str:
        """The whole advice as one line."""
        if not self.tried:
            return self.text
        if not self.to:
            return f"{self.text}; no other bay here suits it now"
        what = "it" if self.mover == self.batch else f"batch {self.mover}"
        return f"{self.text}; move {what} to {self.to}"


class Sharing(NamedTuple):
    """bays, misters: whom each follows, by (bench, bay) and by bench.  suffers: in their order."""

    bays: dict[tuple[str, str], Lead]
    misters: dict[str, Lead]
    suffers: tuple[Suffers, ...]


NOTHING: Final = Sharing({}, {}, ())


def share(site: Site, batches: Sequence[Batch], aims: Aims, now: Now) -> Sharing:
    """Who leads and who suffers. batches: open ones.  aims: as built of them."""
    bays: dict[tuple[str, str], Lead] = {}
    misters: dict[str, Lead] = {}
    for name, bench in site.benches.items():
        on_bench: list[Lot] = []
        for bay in bench.bays:
            lots = lots_of(batches, name, bay, now)
            on_bench += lots
            bays[name, bay] = _bay_lead(bench, lots, aims, (name, bay))
        misters[name] = _mist_lead(bench, on_bench, aims, name)
    return Sharing(bays, misters, tuple(suffering(site, batches, aims, now)))


def suffering(site: Site, batches: Sequence[Batch], aims: Aims, now: Now) -> list[Suffers]:
    """Who suffers; where it would be better off is not looked for here."""
    found: list[Suffers] = []
    for name, bench in site.benches.items():
        on_bench: list[tuple[str, Lot]] = []
        for bay in bench.bays:
            lots = lots_of(batches, name, bay, now)
            on_bench += [(bay, lot) for lot in lots]
            if lots:
                found += _of_base(lots, aims, name, bay)
        found += _of_top(on_bench, name)
        found += _of_mist(on_bench, name, bench)
    return found


# -- who leads --------------------------------------------------------------------------------


def _bay_lead(bench: Bench, lots: list[Lot], aims: Aims, key: tuple[str, str]) -> Lead:
    bay = aims.bays[key]
    if not lots:
        if bay.resting:
            return Lead(0, "empty: no batch is stuck, heat is off")
        if bay.why == FROST_GUARD:
            return Lead(0, f"empty: only kept from frost, at {bay.target_c:g} °C")
        if bench.recipe is not None and bay.why == held_at(bench.recipe).why:
            title = held_at(bench.recipe).recipe.title
            return Lead(0, f"empty: kept ready for {title} at {bay.target_c:g} °C")
        return Lead(0, f"empty: held at {bay.target_c:g} °C as the bench file asks")
    lead = leader(lots)
    if bay.why != lead.why:
        return Lead(0, f"the bench file sets the target; {_named(lots)} in it")
    if len(lots) == 1:
        return Lead(lead.number, f"{lead.why} leads")
    why = "the youngest without roots" if lead.unrooted else "the youngest"
    return Lead(lead.number, f"{lead.why} leads: {why} of {len(lots)}")


def _mist_lead(bench: Bench, lots: list[Lot], aims: Aims, name: str) -> Lead:
    mist = aims.mist[name]
    if bench.mister is None:
        return Lead(0, "no mister")
    if not lots:
        if mist.resting:
            return Lead(0, "empty: no batch is stuck, mist is off")
        ready = "as the bench file asks"
        if bench.recipe is not None:
            ready = f"to be ready for {held_at(bench.recipe).recipe.title}"
        return Lead(0, f"empty: misted {ready}; no alarm of dry or hot air till a batch is stuck")
    leaves = [lot for lot in lots if lot.recipe.leafy]
    if not leaves:
        return Lead(0, "no leaves on the bench: no mist")
    lead = needier(leaves)
    beside = "" if len(leaves) == 1 else f": it dries out first of {len(leaves)}"
    return Lead(lead.number, f"{lead.why} leads the mist{beside}")


def _named(lots: Sequence[Lot]) -> str:
    return " and ".join(lot.why for lot in lots)


# -- who suffers ------------------------------------------------------------------------------


def _of_base(lots: list[Lot], aims: Aims, bench: str, bay: str) -> list[Suffers]:
    held = aims.bays[bench, bay]
    lead = leader(lots)
    number = lead.number if held.why == lead.why else 0
    sake = f" for {lead.why}" if number else " by the bench file"
    found = []
    for lot in lots:
        low_c, high_c = lot.base_band_c
        if low_c - BESIDE_K <= held.target_c <= high_c + BESIDE_K or lot.number == number:
            continue
        cold = held.target_c < low_c
        if lot.phase.name in WEANING:
            harm = "too cold to go on growing" if cold else "too warm to harden: it grows soft"
        else:
            harm = "too cold: it roots late" if cold else "too warm: fewer root"
        text = (
            f"{lot.why} wants its base at {low_c:g} to {high_c:g} °C and has "
            f"{held.target_c:g}{sake}; {harm}"
        )
        found.append(Suffers(lot.number, lot.why, bench, bay, "base", number, text))
    return found


def _of_top(on_bench: list[tuple[str, Lot]], bench: str) -> list[Suffers]:
    """Where two want airs too far apart, the one for the cooler: warm air breaks its buds."""
    new = [(bay, lot) for bay, lot in on_bench if lot.phase.name not in WEANING]
    if not new:
        return []
    _, warm = max(new, key=lambda pair: pair[1].recipe.top_day_c[0])
    found = []
    for bay, lot in new:
        high_c, low_c = lot.recipe.top_day_c[1], warm.recipe.top_day_c[0]
        if low_c - high_c < APART_K:
            continue
        wants = f"{lot.recipe.top_day_c[0]:g} to {high_c:g} °C"
        text = (
            f"{lot.why} wants the air at {wants} by day and {warm.why} beside it from "
            f"{low_c:g}; in such air its shoots break before it has roots"
        )
        found.append(Suffers(lot.number, lot.why, bench, bay, "top", warm.number, text))
    return found


def _of_mist(on_bench: list[tuple[str, Lot]], bench: str, plan: Bench) -> list[Suffers]:
    """Those that a mister keeps wet for the sake of the one that dries out first.

    From callus on leaves are to dry once a day (common practice, no source).
    """
    leaves = [(bay, lot) for bay, lot in on_bench if lot.recipe.leafy]
    if plan.mister is None or not leaves:
        return []
    lead = needier([lot for _, lot in leaves])
    found = []
    for bay, lot in leaves:
        if lot.number == lead.number:
            continue
        often = _times(lead, lot)
        if lead.phase.name == KEPT_WET and lot.phase.name != KEPT_WET:
            harm = "should dry between bursts by now: watch its leaves for mould"
        elif often >= TIMES_MOST:
            harm = f"is misted {often:.0f} times as often as it wants: "
            harm += "it hardens late" if lot.phase.name in WEANING else "it stands too wet"
        else:
            continue
        text = f"{lead.why} keeps the mist frequent; {lot.why} {harm}"
        found.append(Suffers(lot.number, lot.why, bench, bay, "mist", lead.number, text))
    return found


def _times(lead: Lot, lot: Lot) -> float:
    if lead.dose_kpa_min is None:
        return 0.0
    return 99.0 if lot.dose_kpa_min is None else lot.dose_kpa_min / lead.dose_kpa_min
