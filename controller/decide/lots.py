"""Open batches as lots: a recipe and the phase it is in, at one instant."""

from collections.abc import Sequence
from functools import lru_cache
from math import inf
from typing import Final, NamedTuple

from config.recipes import PHASES, Phase, Recipe, recipe_for, thaw
from controller.records import Batch
from sensors.clock import Now

DAY_S: Final = 86400.0
_UNROOTED: Final = frozenset(("stick", "callus"))


class Lot(NamedTuple):
    """An open batch, or the recipe a bench is held at without one, at this instant.

    why: its name in a sentence.  number: of the batch, 0 for a recipe.
    """

    recipe: Recipe
    phase: Phase
    phase_days: float
    age_days: float
    why: str
    number: int = 0

    @property
    def base_c(self) -> float:
        return self.recipe.base_target_c + self.phase.base_shift_c

    @property
    def base_band_c(self) -> tuple[float, float]:
        """Its good band, let down with its phase."""
        shift = min(0.0, self.phase.base_shift_c)
        return self.recipe.good_low_c + shift, self.recipe.good_high_c + shift

    @property
    def unrooted(self) -> bool:
        return self.phase.name in _UNROOTED

    @property
    def dose_kpa_min(self) -> float | None:
        """Dryness that earns a burst today; see Recipe.dose_kpa_min."""
        return self.recipe.dose_kpa_min(self.phase.name, self.phase_days)


_thawed = lru_cache(maxsize=256)(thaw)


def lots_of(batches: Sequence[Batch], bench: str, bay: str, now: Now) -> list[Lot]:
    """The open batches of a bay, youngest first."""
    found = []
    for batch in batches:
        if batch.closed_s is not None or (batch.bench, batch.bay) != (bench, bay):
            continue
        recipe = _thawed(batch.recipe_json)
        found.append(
            Lot(
                recipe,
                _phase(recipe, batch.phase),
                max(0.0, (now.utc_s - batch.phase_since_s) / DAY_S),
                max(0.0, (now.utc_s - batch.stuck_s) / DAY_S),
                f"batch {batch.number} {batch.plant}",
                batch.number,
            )
        )
    return sorted(found, key=lambda lot: lot.age_days)


def leader(lots: Sequence[Lot]) -> Lot:
    """Whose base target a bay follows: the youngest without roots; with none, the youngest.

    lots: of one bay, youngest first, at least one.
    """
    return next((lot for lot in lots if lot.unrooted), lots[0])


def needier(lots: Sequence[Lot]) -> Lot:
    """Whom a mister follows: the lot that earns a burst soonest; one without bursts comes last."""
    return min(lots, key=lambda lot: inf if lot.dose_kpa_min is None else lot.dose_kpa_min)


@lru_cache(maxsize=64)
def held_at(kind: str) -> Lot:
    """The recipe a bench is held at while no batch is stuck. Raises UnknownRecipe."""
    recipe = recipe_for(kind, None)
    return Lot(recipe, recipe.phases[0], 0.0, 0.0, f"recipe {recipe.title}")


def _phase(recipe: Recipe, name: str) -> Phase:
    """The phase of that name, or the last earlier one that the recipe has."""
    known = {phase.name: phase for phase in recipe.phases}
    order = list(PHASES)
    place = order.index(name) if name in order else 0
    for earlier in reversed(order[: place + 1]):
        if earlier in known:
            return known[earlier]
    return recipe.phases[0]
