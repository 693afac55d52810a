"""Targets per kind of cutting and per plant, each with its source."""

import hashlib
import json
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, Self

from pydantic import Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from config.errors import ConfigError, UnknownRecipe
from config.near import near
from config.record import Record
from config.windows import check_months, fit, window_of

PhaseName = Literal["stick", "callus", "root", "wean", "wean_late"]
PHASES: tuple[PhaseName, ...] = ("stick", "callus", "root", "wean", "wean_late")
WEANING: tuple[PhaseName, ...] = ("wean", "wean_late")
"""Those in which a batch with roots is hardened."""

NO_SOURCE = "common practice, no source"
_OWN_WORDS = frozenset({"name", "title", "kind", "plant", "also", "leafy", "sources"})


class Phase(Record):
    """One phase of a batch's life.

    usual_days: days from sticking at which this phase usually begins; a reminder, never an order.
    base_shift_c: added to the base target.  vpd_low_kpa..vpd_high_kpa: the wanted band.
    dose_kpa_min: dryness that earns a burst, on the phase's first day; it grows by
    `dose_growth` (factor per day).  night_mist: whether the mister may work by night.
    survival: whether leaves need water even when nothing is known (unrooted leafy cuttings).
    """

    name: PhaseName
    usual_days: float
    base_shift_c: float = 0.0
    vpd_low_kpa: float
    vpd_high_kpa: float
    dose_kpa_min: float | None = None
    dose_growth: float = 1.0
    burst_s: float = 5.0
    night_mist: bool = False
    survival: bool = True

    @property
    def must_dry(self) -> bool:
        """Whether leaves must dry at least once a day: from callus on."""
        return self.name != "stick"


class Recipe(Record):
    """Targets for one kind of cutting, or for one plant of a kind.

    Temperatures degC; usual_days (soonest, latest) to usable roots; usual_strike (low, high) 0..1;
    test_every_days: between tests for roots.  wean_step_days: least days in a step of weaning;
    window: months (1..12, northern) in which the wood is usually right, () for any.  best: those of
    them, or of the year, that are best, () for all alike.  wood: the test of the wood that outranks
    the date, "" in recipes frozen before there was one.
    difference_c: wanted base minus top.  warmth_floor_c, warmth_cap_c: bounds of the warmth sum;
    warmth_proven False when the floor is a labelled guess.  also: other names of the plant.
    """

    name: str
    title: str
    kind: str
    plant: str | None = None
    also: tuple[str, ...] = ()
    leafy: bool
    base_target_c: float
    good_low_c: float
    good_high_c: float
    slow_below_c: float
    hot_above_c: float
    harmful_low_c: float
    harmful_high_c: float
    top_day_c: tuple[float, float]
    top_night_c: tuple[float, float]
    top_hot_c: float
    difference_c: float
    usual_days: tuple[float, float]
    usual_strike: tuple[float, float]
    test_every_days: float = Field(default=7.0, gt=0.0)
    wean_step_days: float = Field(default=4.0, ge=0.0)
    window: tuple[int, ...]
    best: tuple[int, ...] = ()
    wood: str = ""
    warmth_floor_c: float
    warmth_cap_c: float
    warmth_proven: bool = False
    phases: tuple[Phase, ...] = Field(min_length=1)
    sources: dict[str, str]
    """Field name -> public source, or 'common practice, no source', or 'from memory: ...'.

    A figure of a phase is found under "phases.<phase>.<field>", else under "phases.<field>".
    """

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Bands the right way round; every phase once, in its order, each in a sound band."""
        rising = (
            self.harmful_low_c,
            self.slow_below_c,
            self.good_low_c,
            self.base_target_c,
            self.good_high_c,
            self.hot_above_c,
            self.harmful_high_c,
        )
        pairs = (self.top_day_c, self.top_night_c, self.usual_days, self.usual_strike)
        in_order = list(rising) == sorted(rising) and all(low <= high for low, high in pairs)
        days = [phase.usual_days for phase in self.phases]
        names = [PHASES.index(phase.name) for phase in self.phases]
        if not in_order or days != sorted(days) or names != sorted(set(names)):
            raise PydanticCustomError("order", "limits or phases are not in rising order")
        if any(phase.vpd_low_kpa >= phase.vpd_high_kpa for phase in self.phases):
            raise PydanticCustomError("order", "a VPD band of a phase is upside down")
        check_months((*self.window, *self.best))
        return self

    def source_of(self, field: str, phase: str | None = None) -> str:
        """Where a figure comes from. Raises KeyError when nothing is said of it."""
        if phase is None:
            return self.sources[field]
        own = self.sources.get(f"phases.{phase}.{field}")
        return own if own is not None else self.sources[f"phases.{field}"]

    def dose_kpa_min(self, phase: str, days: float) -> float | None:
        """Dryness that earns a burst, kPa min, `days` after the phase began; None for no mist.

        It never passes the first dose of the next phase, so that a batch that nobody has looked at
        is not left dry. The last phase does not grow.
        """
        now = self.phase(phase)
        later = self.phases[[held.name for held in self.phases].index(now.name) + 1 :]
        if now.dose_kpa_min is None:
            return None
        highest = later[0].dose_kpa_min if later else now.dose_kpa_min
        # The exponent is bounded: a growth of 1.4 overflows after some two thousand days.
        grown: float = now.dose_kpa_min * now.dose_growth ** min(max(0.0, days), 365.0)
        return grown if highest is None else min(grown, highest)

    def phase(self, name: str) -> Phase:
        """The phase of that name. Raises KeyError for one this recipe does not have."""
        for phase in self.phases:
            if phase.name == name:
                return phase
        raise KeyError(name)


@cache
def recipes() -> Mapping[str, Recipe]:
    """Every recipe by its name: the kinds of cutting first, then single plants.

    Raises ConfigError when recipes.toml is not sound, which its tests rule out.
    """
    return read(files("config").joinpath("recipes.toml").read_text(encoding="utf-8"))


def read(text: str) -> Mapping[str, Recipe]:
    """Recipes from the text of a recipes.toml.

    A plant takes what it leaves out from its kind; a figure of its own needs a source of its own.
    Raises ConfigError naming the recipe and what is wrong with it.
    """
    doc = tomllib.loads(text)
    refs = doc["refs"]
    found = {name: _recipe(name, {**table, "kind": name}, refs) for name, table in _kinds(doc)}
    for name, table in doc.get("plants", {}).items():
        _check_own_sources(name, table)
        kind = dict(_kinds(doc)).get(table.get("kind"))
        if kind is None:
            raise ConfigError(f"recipes.toml: {name} has no known kind")
        found[name] = _recipe(name, _merged(kind, table), refs)
    return MappingProxyType(found)


def _kinds(doc: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return list(doc["kinds"].items())


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    merged = dict(under)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(merged.get(key), dict)
        merged[key] = _merged(merged[key], value) if both else value
    return merged


def _check_own_sources(name: str, table: dict[str, Any]) -> None:
    own = {key for key in table if key not in _OWN_WORDS | {"phases"}}
    for phase, fields in table.get("phases", {}).items():
        own |= {f"phases.{phase}.{field}" for field in fields}
    if missing := own - table.get("sources", {}).keys():
        raise ConfigError(f"recipes.toml: {name} names no source for {', '.join(sorted(missing))}")


def _recipe(name: str, table: dict[str, Any], refs: dict[str, str]) -> Recipe:
    phases = table.get("phases", {})
    whole = {
        **table,
        "name": name,
        "phases": [{"name": key, **phases[key]} for key in phases],
        "sources": {field: refs.get(ref, ref) for field, ref in table["sources"].items()},
    }
    try:
        return Recipe.model_validate(whole)
    except ValidationError as error:
        raise ConfigError(f"recipes.toml: {name}: {error}") from None


def recipe_for(kind: str, plant: str | None = None) -> Recipe:
    """The recipe of a plant as cutting of a kind; the kind's own where the plant has none.

    A plant without a recipe may still have a window of its own, which then stands in the kind's.
    kind: a kind of cutting, or the name of any recipe.  plant: free text as a grower writes it,
    botanical or common name, with or without a cultivar; None for the kind alone.
    Raises UnknownRecipe, with the nearest name, for a kind there is not.
    """
    known = recipes()
    if kind not in known:
        raise UnknownRecipe(
            f"there are no targets for {kind!r}{near(kind, known)}; "
            f"kinds are {', '.join(name for name in known if known[name].plant is None)}"
        )
    best, length = known[kind], 0
    for recipe in known.values():
        if recipe.plant is None or recipe.kind != known[kind].kind:
            continue
        fits = fit(plant or "", (recipe.plant, *recipe.also))
        if fits > length:
            best, length = recipe, fits
    if best.plant is None and plant:
        return _with_window(best, plant)
    return best


def _with_window(recipe: Recipe, plant: str) -> Recipe:
    """The kind's recipe with the window of a plant, where there is one."""
    row = window_of(recipe.kind, plant)
    if row is None:
        return recipe
    sources = {**recipe.sources, "window": row.source}
    return recipe.model_copy(update={"window": row.months, "sources": sources})


def freeze(recipe: Recipe) -> tuple[str, str]:
    """A recipe as a batch keeps it: canonical JSON (sorted keys, no spaces) and its SHA-256."""
    text = json.dumps(recipe.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
    return text, hashlib.sha256(text.encode()).hexdigest()


def thaw(text: str) -> Recipe:
    """The recipe that a batch kept. Raises ConfigError when the text is not one."""
    try:
        return Recipe.model_validate_json(text)
    except ValidationError as error:
        raise ConfigError(f"the kept recipe cannot be read: {error}") from None
