"""Journal to review: fetches what a batch's figures are made from."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from config.model import Site, mat_id, mister_id
from config.recipes import Recipe, thaw
from controller.entries import effective, stays
from controller.journal.reader import Reader
from controller.records import Batch, Entry, EntryKind
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
        Climate(
            _joined([_base(reader, stay) for stay in stood]),
            _joined([_air(reader, stay, "air_temperature") for stay in stood]),
            _joined([_air(reader, stay, "humidity") for stay in stood]),
        ),
        until_s=until_s,
        mat=mat,
        heat=heat,
        bay_share=bay_share(batch, reader.batches(), until_s),
        mist_on_ms=mist_ms,
        mist_bursts=bursts,
        flow_ml_per_s=flow,
        limits=phase_limits(recipe, _phases(batch, recipe, entries)),
        gaps=[Hole(*gap) for gap in reader.gaps(batch.stuck_s, until_s)],
    )


def live_warmth(reader: Reader, batch: Batch, recipe: Recipe) -> LiveWarmth:
    """A batch's warmth from the journal, ready to go on live. Raises JournalError."""
    last_s = reader.last_minute_s()
    until_s = batch.stuck_s if last_s is None else last_s + 1.0
    stood = stays(batch, effective(reader.entries(batch.number)), until_s)
    base = _joined([_base(reader, stay) for stay in stood])
    return LiveWarmth.resumed(*base, recipe, batch.stuck_s)


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


def _phases(batch: Batch, recipe: Recipe, entries: Sequence[Entry]) -> list[tuple[float, str]]:
    lived: list[tuple[float, str]] = [(batch.stuck_s, recipe.phases[0].name)]
    lived += [
        (entry.at_s, entry.values["phase"])
        for entry in entries
        if entry.kind in (EntryKind.WEANED, EntryKind.TESTED) and entry.values.get("phase")
    ]
    return lived


def _base(reader: Reader, stay: Stay) -> Series:
    """Base of the bay of a stay, from every base probe that was ever fitted there."""
    place, from_s, to_s = stay
    names = [
        probe.name
        for probe in reader.probes()
        if probe.kind == "base_temperature" and probe.name.rpartition(".")[0] == place
    ]
    return bay_base(list(reader.means(names, from_s, to_s).values()))


def _air(reader: Reader, stay: Stay, kind: str) -> Series:
    place, from_s, to_s = stay
    bench = place.split(".", 1)[0]
    names = [
        probe.name
        for probe in reader.probes()
        if probe.kind == kind and probe.name.rpartition(".")[0] == bench
    ]
    return bay_base(list(reader.means(names, from_s, to_s).values()))


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
