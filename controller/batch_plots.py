"""The climate of a batch as plots: what base, air, leaves and mat did while it stood there."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from config.model import Site, mat_id
from config.recipes import Phase, Recipe, thaw
from controller.draw.plot import Band, Line, Mark, Plot, Span
from controller.entries import effective, stays
from controller.gather import Series, Stay, climate_of, lived_phases
from controller.journal.reader import Reader
from controller.leaves import Floats, Leaves, leaves_of
from controller.records import Batch, Entry
from controller.review.summary import Climate
from controller.review.warmth import MAX_GAP_S

HOUR_S: Final = 3600
KNOWN_LEAST_S: Final = 900.0
"""An hour of which less is on record is not shown."""


def batch_plots(reader: Reader, site: Site, batch: Batch, now_s: float) -> list[Plot]:
    """Base and top, dryness, water on the leaves with their strain, and heat, each over the whole
    time from sticking to closing or `now_s` (UTC s).

    The entries that stand are marked by their place in that list, from 1.  Leaves are shown only
    for cuttings that have some.  Raises JournalError.
    """
    recipe = thaw(batch.recipe_json)
    entries = effective(reader.entries(batch.number))
    from_s = batch.stuck_s
    until_s = now_s if batch.closed_s is None else min(now_s, batch.closed_s)
    until_s = max(until_s, from_s + HOUR_S)
    stood = stays(batch, entries, until_s)
    lived = lived_phases(batch, recipe, entries)
    bare = Plot(
        "", "", from_s, until_s, site.site.zone, (),
        spans=[Span(gap.from_s, gap.to_s) for gap in reader.gaps(from_s, until_s)],
        marks=entry_marks(entries),
    )  # fmt: skip
    found = [_temperatures(bare, climate_of(reader, stood), recipe, lived)]
    if recipe.leafy:
        leaves = leaves_of(reader, site, recipe, stood, lived)
        found += _leaf_plots(bare, leaves, recipe, lived)
    return [*found, _heat(bare, reader, stood)]


def entry_marks(entries: Sequence[Entry]) -> list[Mark]:
    """A mark for each entry, by its place in the list."""
    return [
        Mark(entry.at_s, str(place), f"{place} {entry.kind}")
        for place, entry in enumerate(entries, 1)
    ]


def _line(name: str, series: Series, look: str) -> Line:
    t_s, milli, usable = series
    values = np.where(usable, milli / 1000, np.nan)
    return Line(name, t_s.astype(np.float64), values, look, gap_s=MAX_GAP_S)


def _temperatures(
    bare: Plot, climate: Climate, recipe: Recipe, lived: Sequence[tuple[float, str]]
) -> Plot:
    shift: dict[str, float] = {phase.name: phase.base_shift_c for phase in recipe.phases}
    starts = np.array([since_s for since_s, _ in lived])
    wanted = np.array([recipe.base_target_c + shift.get(name, 0.0) for _, name in lived])
    band = (bare.from_s, bare.to_s, recipe.good_low_c, recipe.good_high_c)
    return bare._replace(
        title="Base and top",
        unit="°C",
        lines=[
            _line("base", climate.base, "base"),
            _line("top", climate.top, "top"),
            Line("base target of the recipe", starts, wanted, "target", stepped=True),
        ],
        bands=[Band("good band of the base", [band])],
        height_px=200,
    )


def _leaf_plots(
    bare: Plot, leaves: Leaves, recipe: Recipe, lived: Sequence[tuple[float, str]]
) -> list[Plot]:
    by_name: dict[str, Phase] = {phase.name: phase for phase in recipe.phases}
    ends = [*(since_s for since_s, _ in lived), bare.to_s]
    bands = [
        (start, end, by_name[name].vpd_low_kpa, by_name[name].vpd_high_kpa)
        for (start, end), (_, name) in zip(pairwise(ends), lived, strict=True)
        if name in by_name
    ]

    def line(name: str, values: Floats, look: str) -> Line:
        return Line(name, leaves.t_s, values, look, gap_s=MAX_GAP_S)

    light = "" if leaves.light_measured else ", sunshine guessed from the height of the sun"
    plots = [
        bare._replace(
            title="Dryness: vapour pressure deficit, leaf to air",
            unit=f"kPa (worked out{light})",
            lines=[line("deficit", leaves.deficit_kpa, "vpd")],
            bands=[Band("wanted in the phase", bands)],
            low=0.0,
            decimals=2,
        ),
        bare._replace(
            title="Water on the leaves",
            unit="kPa min of dryness that it lasts for (worked out)",
            lines=[line("water", leaves.film_kpa_min, "film")],
            low=0.0,
            high=5.0,
            height_px=100,
        ),
    ]
    if np.isfinite(leaves.strain_kpa_min).any():
        plots.append(
            bare._replace(
                title="Strain of leaves without roots",
                unit="kPa min of dryness beyond what the phase bears (worked out)",
                lines=[line("strain", leaves.strain_kpa_min, "vpd")],
                low=0.0,
                high=20.0,
                height_px=100,
            )
        )
    return plots


def _heat(bare: Plot, reader: Reader, stood: Sequence[Stay]) -> Plot:
    """Share of each hour, as far as it is on record, for which the mat was ordered on."""
    first, last = int(bare.from_s // HOUR_S), int(-(-bare.to_s // HOUR_S))
    on_s = np.zeros(last - first)
    for place, from_s, to_s in stood:
        name = mat_id(*place.split(".", 1))
        rows = reader.relays([name], from_s, to_s)[name]
        np.add.at(on_s, rows.t_s // HOUR_S - first, rows.on_ms / 1000)
    starts: Floats = np.arange(first, last, dtype=np.float64) * HOUR_S
    # A minute without heat has no row, so what is not on record is told by the gaps alone.
    known_s = _overlap(starts, bare.from_s, bare.to_s)
    for gap in bare.spans:
        known_s -= _overlap(starts, gap.from_s, gap.to_s)
    values = np.full(len(starts), np.nan)
    told = known_s >= KNOWN_LEAST_S
    values[told] = np.minimum(100.0, 100.0 * on_s[told] / known_s[told])
    line = Line("mat on", starts, values, "mat", gap_s=HOUR_S, stepped=True)
    return bare._replace(
        title="Heat", unit="% of each hour", lines=[line], low=0.0, high=100.0, decimals=0,
        height_px=100,
    )  # fmt: skip


def _overlap(starts: Floats, from_s: float, to_s: float) -> Floats:
    """Seconds of [from_s, to_s) in each hour that begins at `starts`."""
    held: Floats = np.minimum(starts + HOUR_S, to_s) - np.maximum(starts, from_s)
    return np.maximum(0.0, held)
