"""Journal to review: fetches what a batch's figures are made from."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from config.model import Site, mat_id, mister_id
from config.recipes import Recipe, thaw
from controller.entries import effective, stays, step_of
from controller.journal.reader import Reader
from controller.records import Batch, Entry
from controller.review.cases import Case, case_of, did_badly, like, neighbours, span_of
from controller.review.causes import Verdict, explain
from controller.review.exposure import Exposure, exposure_of
from controller.review.summary import (
    BatchSummary,
    Climate,
    Energy,
    Hole,
    add_energy,
    energy,
    phase_limits,
    summarise,
)
from controller.review.warmth import Bools, Ints, LiveWarmth, bay_base

Series = tuple[Ints, Ints, Bools]
Stay = tuple[str, float, float]


def review_batch(reader: Reader, site: Site, batch: Batch, now_s: float) -> BatchSummary:
    """All figures of one batch, from sticking to its closing or `now_s` (UTC s).

    Where the batch was moved, climate and energy are those of the bay it stood in at the time.
    Raises JournalError.
    """
    recipe = thaw(batch.recipe_json)
    until_s = now_s if batch.closed_s is None else min(now_s, batch.closed_s)
    entries = effective(reader.entries(batch.number))
    stood = stays(batch, entries, until_s)
    heat, mat = _heat(reader, site, stood)
    mist_ms, bursts, flow = _mist(reader, site, stood)
    return summarise(
        batch,
        recipe,
        climate_of(reader, stood),
        until_s=until_s,
        mat=mat,
        heat=heat,
        bay_share=bay_share(batch, reader.batches(), until_s),
        mist_on_ms=mist_ms,
        mist_bursts=bursts,
        flow_ml_per_s=flow,
        limits=phase_limits(recipe, lived_phases(batch, recipe, entries)),
        gaps=[Hole(*gap) for gap in reader.gaps(batch.stuck_s, until_s)],
    )


def live_warmth(reader: Reader, batch: Batch, recipe: Recipe) -> LiveWarmth:
    """A batch's warmth from the journal, ready to go on live. Raises JournalError."""
    last_s = reader.last_minute_s()
    until_s = batch.stuck_s if last_s is None else last_s + 1.0
    stood = stays(batch, effective(reader.entries(batch.number)), until_s)
    base = _joined([_base(reader, stay) for stay in stood])
    return LiveWarmth.resumed(*base, recipe, batch.stuck_s)


class CaseBook:
    """The batches of a journal as cases, for the causes of their failures; each is made once.

    now_s: UTC s up to which to look.  Raises JournalError.
    """

    def __init__(self, reader: Reader, site: Site, now_s: float) -> None:
        self._reader = reader
        self._site = site
        self._now_s = now_s
        self._entries = {b.number: effective(reader.entries(b.number)) for b in reader.batches()}
        self._plain = {b.number: self._case(b, None) for b in reader.batches()}
        self._full: dict[int, Case] = {}

    def explain(self, number: int) -> Verdict:
        """What may have made that batch fail; "not bad" is quick. Raises KeyError for no batch."""
        case = self._plain[number]
        others = list(self._plain.values())
        good = like(case, others)[0]
        if did_badly(case, good, self._now_s):
            bearing = [*good, *neighbours(case, others)]
            others = [self._seen(n) for n in sorted({one.batch.number for one in bearing})]
            case = self._seen(number)
        return explain(case, others, self._now_s)

    def strike(self, number: int) -> float | None:
        """Strike rate of a closed batch, 0..1; None while it is open."""
        case = self._plain[number]
        return case.strike if case.done else None

    def _seen(self, number: int) -> Case:
        """The case with what it was exposed to."""
        if number not in self._full:
            batch = self._plain[number].batch
            self._full[number] = self._case(batch, self._exposure(batch))
        return self._full[number]

    def _until_s(self, batch: Batch) -> float:
        return self._now_s if batch.closed_s is None else min(self._now_s, batch.closed_s)

    def _case(self, batch: Batch, exposure: Exposure | None) -> Case:
        entries = self._entries[batch.number]
        until_s = self._until_s(batch)
        stood = stays(batch, entries, until_s) or [(f"{batch.bench}.{batch.bay}", 0.0, 0.0)]
        place = max(stood, key=lambda stay: stay[2] - stay[1])[0]
        latitude_deg = self._site.site.latitude_deg
        return case_of(batch, entries, place, until_s, exposure, latitude_deg)

    def _exposure(self, batch: Batch) -> Exposure | None:
        entries = self._entries[batch.number]
        recipe = thaw(batch.recipe_json)
        from_s, until_s = span_of(batch, entries, self._until_s(batch))
        stood = stays(batch, entries, until_s)
        if not stood or batch.from_notebook:
            return None
        lived = lived_phases(batch, recipe, entries)
        return exposure_of(
            climate_of(self._reader, stood),
            light_of(self._reader, stood),
            recipe,
            from_s=from_s,
            until_s=until_s,
            limits=phase_limits(recipe, lived),
            callus_s=next((at_s for at_s, phase in lived if phase != lived[0][1]), None),
            gaps=tuple(Hole(*gap) for gap in self._reader.gaps(from_s, until_s)),
            latitude_deg=self._site.site.latitude_deg,
        )


def bay_share(batch: Batch, batches: Sequence[Batch], until_s: float) -> float:
    """This batch's share of the cuttings in its bay, 0..1, averaged over its time there.

    Batches count with the bay they stand in now, from sticking to closing.
    """
    others = [
        other
        for other in batches
        if other.number != batch.number and (other.bench, other.bay) == (batch.bench, batch.bay)
    ]
    edges = {batch.stuck_s, until_s}
    for other in others:
        edges |= {other.stuck_s, until_s if other.closed_s is None else other.closed_s}
    inside = sorted(edge for edge in edges if batch.stuck_s <= edge <= until_s)
    if len(inside) < 2:
        return 1.0
    share_s = 0.0
    for start, end in pairwise(inside):
        beside = sum(
            other.cuttings
            for other in others
            if other.stuck_s < end and (other.closed_s is None or other.closed_s > start)
        )
        share_s += (end - start) * batch.cuttings / (batch.cuttings + beside)
    return share_s / (until_s - batch.stuck_s)


def lived_phases(batch: Batch, recipe: Recipe, entries: Sequence[Entry]) -> list[tuple[float, str]]:
    """(since UTC s, phase) of each phase of a batch. entries: those that stand."""
    lived: list[tuple[float, str]] = [(batch.stuck_s, recipe.phases[0].name)]
    lived += [(entry.at_s, step_of(entry)) for entry in entries if step_of(entry)]
    return lived


def climate_of(reader: Reader, stood: Sequence[Stay]) -> Climate:
    """Minutes of base, air and humidity where a batch stood. Raises JournalError."""
    return Climate(
        _joined([_base(reader, stay) for stay in stood]),
        _joined([_air(reader, stay, "air_temperature") for stay in stood]),
        _joined([_air(reader, stay, "humidity") for stay in stood]),
    )


def light_of(reader: Reader, stood: Sequence[Stay]) -> Series:
    """Minutes of a light probe there, thousandths of W/m2; empty where none is fitted."""
    return _joined([_air(reader, stay, "light") for stay in stood])


def mist_of(reader: Reader, stood: Sequence[Stay]) -> tuple[Ints, Ints]:
    """(UTC s, milliseconds) of each minute, or thinned hour, of the mister there."""
    rows = [
        reader.relays([name], from_s, to_s)[name]
        for place, from_s, to_s in stood
        for name in (mister_id(place.split(".", 1)[0]),)
    ]
    nothing = np.zeros(0, dtype=np.int64)
    return (
        np.concatenate([nothing, *(row.t_s for row in rows)]),
        np.concatenate([nothing, *(row.on_ms for row in rows)]),
    )


def _base(reader: Reader, stay: Stay) -> Series:
    """Base of the bay of a stay, from every base probe that was ever fitted there."""
    place, from_s, to_s = stay
    return _place(reader, place, "base_temperature", from_s, to_s)


def _air(reader: Reader, stay: Stay, kind: str) -> Series:
    place, from_s, to_s = stay
    return _place(reader, place.split(".", 1)[0], kind, from_s, to_s)


def _place(reader: Reader, place: str, kind: str, from_s: float, to_s: float) -> Series:
    return bay_base(list(reader.means(_names(reader, place, kind), from_s, to_s).values()))


def place_means(
    reader: Reader, place: str, kind: str, from_s: float, to_s: float
) -> tuple[Ints, Ints]:
    """(UTC s, thousandths) of the usable minutes of a place's probes of one kind.

    place: a bay "north.left" for its base, a bench "north" for its air.  Raises JournalError.
    """
    t_s, mean_milli, usable = _place(reader, place, kind, from_s, to_s)
    return t_s[usable], mean_milli[usable]


def place_samples(
    reader: Reader, place: str, kind: str, from_s: float, to_s: float, every_s: int
) -> Series:
    """As `place_means`, one minute out of every `every_s` seconds, which is read far faster.

    Gives (UTC s, thousandths, usable).  Raises JournalError.
    """
    return bay_base(
        list(reader.samples(_names(reader, place, kind), from_s, to_s, every_s).values())
    )


def _names(reader: Reader, place: str, kind: str) -> list[str]:
    """Probes of one kind that were ever fitted at a place."""
    return [
        probe.name
        for probe in reader.probes()
        if probe.kind == kind and probe.name.rpartition(".")[0] == place
    ]


def _joined(parts: Sequence[Series]) -> Series:
    """Stays one after another; a minute at a move belongs to the first that has it."""
    if len(parts) == 1:
        return parts[0]
    nothing = np.zeros(0, dtype=np.int64)
    every = [*parts, (nothing, nothing, np.zeros(0, dtype=bool))]
    t_s, first = np.unique(np.concatenate([part[0] for part in every]), return_index=True)
    return (
        t_s,
        np.concatenate([part[1] for part in every])[first],
        np.concatenate([part[2] for part in every])[first],
    )


def _heat(reader: Reader, site: Site, stood: Sequence[Stay]) -> tuple[Energy, tuple[Ints, Ints]]:
    """Energy of the mats under the batch; a mat no longer in the bench file counts as unknown."""
    parts: list[Energy] = []
    times: list[Ints] = [np.zeros(0, dtype=np.int64)]
    on: list[Ints] = [np.zeros(0, dtype=np.int64)]
    for place, from_s, to_s in stood:
        bench, bay = place.split(".", 1)
        name = mat_id(bench, bay)
        rows = reader.relays([name], from_s, to_s)[name]
        times.append(rows.t_s)
        on.append(rows.on_ms)
        held = site.benches.get(bench)
        if held is not None and bay in held.bays:
            power_w = held.bays[bay].mat.power_w
            parts.append(energy(rows.t_s, rows.on_ms, power_w, site.tariff, site.site.zone))
    return add_energy(parts), (np.concatenate(times), np.concatenate(on))


def _mist(reader: Reader, site: Site, stood: Sequence[Stay]) -> tuple[int, int, float | None]:
    """Milliseconds on, bursts, and the flow in mL/s (None when it is not known throughout)."""
    on_ms = bursts = 0
    flows: set[float | None] = set()
    for place, from_s, to_s in stood:
        bench = place.split(".", 1)[0]
        name = mister_id(bench)
        rows = reader.relays([name], from_s, to_s)[name]
        on_ms += int(rows.on_ms.sum())
        bursts += int(rows.starts.sum())
        held = site.benches.get(bench)
        flows.add(held.mister.flow_ml_per_s if held is not None and held.mister else None)
    return on_ms, bursts, flows.pop() if len(flows) == 1 else None
