"""Where a month lies in the window of a recipe, north and south of the equator.

Windows are for about 45 to 55 degrees; toward 35 softwood begins three to five weeks sooner, toward
58 later (common practice, no source). The wood itself outranks every date.
"""

from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

from config.recipes import Recipe, recipe_for, recipes
from config.windows import fit, plant_windows

TROPIC_DEG: Final = 23.5
"""Within this latitude the date tells little of the wood (common practice, no source)."""
SOON: Final = 2
"""Months ahead or past within which a window is told as coming or just over; own choice."""
SOONER_BELOW_DEG: Final = 42.0
LATER_ABOVE_DEG: Final = 56.0

SeasonState = Literal["any", "now", "next", "ended", "closed", "tropics"]


class Season(NamedTuple):
    """Where a month lies.

    state: "any" (the year round), "now", "next" (opens in at most SOON months), "ended" (at most
    SOON months ago), "closed", or "tropics".  months: the window, local, () for any.  best: whether
    this is one of its best months, None where all are alike.  opens_in: months until it opens, 0
    while it is open; ended_ago: since its last month; left: months left with this one; all None
    where there is no window.
    """

    state: SeasonState
    months: tuple[int, ...]
    best: bool | None = None
    opens_in: int | None = None
    ended_ago: int | None = None
    left: int | None = None


def local_months(months: Sequence[int], latitude_deg: float) -> tuple[int, ...]:
    """Northern months as they are at a latitude: south of the equator they shift by six."""
    if latitude_deg >= 0:
        return tuple(months)
    return tuple((month + 5) % 12 + 1 for month in months)


def in_tropics(latitude_deg: float) -> bool:
    """Whether the date tells little of the wood there."""
    return abs(latitude_deg) <= TROPIC_DEG


def season_of(recipe: Recipe, latitude_deg: float, month: int) -> Season:
    """Where `month` (1..12, local) lies in the window of a recipe."""
    months = local_months(recipe.window, latitude_deg)
    if in_tropics(latitude_deg):
        return Season("tropics", ())
    best = local_months(recipe.best, latitude_deg)
    is_best = month in best if best else None
    if not months or len(months) == 12:
        return Season("any", (), is_best)
    if month in months:
        left = _steps(months, month, 1, inside=False)
        return Season("now", months, is_best, 0, 0, left)
    ahead = _steps(months, month, 1, inside=True)
    behind = _steps(months, month, -1, inside=True)
    state: SeasonState = "next" if ahead <= SOON else "ended" if behind <= SOON else "closed"
    return Season(state, months, None, ahead, behind, 0)


def _steps(months: tuple[int, ...], month: int, way: int, *, inside: bool) -> int:
    """Months to go in one direction until one that is in the window, or is not."""
    return next(n for n in range(1, 13) if ((month - 1 + way * n) % 12 + 1 in months) is inside)


def months_outside(recipe: Recipe, latitude_deg: float, month: int) -> int | None:
    """How many months outside its window a batch was stuck, 0 for inside.

    None where the date tells nothing: in the tropics, and for kinds that root the year round.
    """
    if in_tropics(latitude_deg) or not recipe.window or not recipes()[recipe.kind].window:
        return None
    found = season_of(recipe, latitude_deg, month)
    if found.opens_in is None or found.ended_ago is None:
        return None
    return min(found.opens_in, found.ended_ago)


MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


def months_in_words(months: Sequence[int]) -> str:
    """ "Feb-Mar, Aug"; "all year" for all or none."""
    if len(set(months)) in (0, 12):
        return "all year"
    return ", ".join(
        MONTHS[first - 1] if first == last else f"{MONTHS[first - 1]}-{MONTHS[last - 1]}"
        for first, last in spans(months)
    )


def spans(months: Sequence[int]) -> list[tuple[int, int]]:
    """Runs of months (first, last), across New Year too; a run of one month is (m, m)."""
    held = set(months)
    if len(held) == 12:
        return [(1, 12)]
    found = []
    for first in sorted(held):
        if (first - 2) % 12 + 1 in held:
            continue
        last = first
        while last % 12 + 1 in held:
            last = last % 12 + 1
        found.append((first, last))
    return found


class SeasonRow(NamedTuple):
    """One kind of cutting, or one plant as cuttings of a kind, in one month.

    kind: its key.  plant: title of the plant, "" for the kind itself.  names: all of the plant's.
    wood: the test that outranks the date.  note: what else counts.  source: of the window.
    """

    kind: str
    title: str
    plant: str
    names: tuple[str, ...]
    season: Season
    wood: str
    note: str
    source: str


def season_rows(latitude_deg: float, month: int) -> list[SeasonRow]:
    """Every kind, each followed by the plants with a window of their own, in order of name."""
    every = recipes().values()
    found = []
    for kind in (one for one in every if one.plant is None):
        found.append(_row(kind, "", (), "", latitude_deg, month))
        plants = [
            _row(one, one.title, (one.plant or "", *one.also), "", latitude_deg, month)
            for one in every
            if one.plant is not None and one.kind == kind.name and one.window != kind.window
        ]
        for row in plant_windows():
            if row.kind == kind.name:
                fitting = recipe_for(kind.name, row.plant)
                names = (row.plant, *row.also)
                plants.append(_row(fitting, row.title, names, row.note, latitude_deg, month))
        found += sorted(plants, key=lambda row: row.plant)
    return found


def _row(
    recipe: Recipe, plant: str, names: tuple[str, ...], note: str, latitude_deg: float, month: int
) -> SeasonRow:
    season = season_of(recipe, latitude_deg, month)
    title = recipes()[recipe.kind].title
    return SeasonRow(
        recipe.kind, title, plant, names, season, recipe.wood, note, recipe.source_of("window")
    )


def named(rows: Sequence[SeasonRow], plant: str) -> list[SeasonRow]:
    """Rows of a plant as a grower writes it: botanical or common, or the beginning of a name."""
    return [
        row
        for row in rows
        if fit(plant, row.names) or any(fit(name, (plant,)) for name in row.names)
    ]
