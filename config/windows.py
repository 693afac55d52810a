"""When the wood of single plants is usually right, for plants without a recipe of their own."""

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Self

from pydantic import Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from config.errors import ConfigError
from config.record import Record


def check_months(months: Iterable[int]) -> None:
    """Raise PydanticCustomError for a month that is not 1 to 12."""
    if any(month not in range(1, 13) for month in months):
        raise PydanticCustomError("window", "a month of the window is not 1 to 12")


class PlantWindow(Record):
    """The window of one plant as cuttings of one kind.

    plant, also: its names.  months: 1..12, northern.  note: what else counts.
    """

    plant: str
    also: tuple[str, ...] = ()
    kind: str
    months: tuple[int, ...] = Field(min_length=1)
    note: str = ""
    source: str

    @model_validator(mode="after")
    def _in_the_year(self) -> Self:
        check_months(self.months)
        return self

    @property
    def title(self) -> str:
        """Its common name with the botanical one, as far as there are two."""
        return f"{self.also[0]} ({self.plant})" if self.also else self.plant


@cache
def plant_windows() -> tuple[PlantWindow, ...]:
    """All of them. Raises ConfigError when windows.toml is not sound, which its tests rule out."""
    doc = tomllib.loads(files("config").joinpath("windows.toml").read_text(encoding="utf-8"))
    refs = doc["refs"]
    try:
        return tuple(
            PlantWindow.model_validate({**row, "source": refs[row["source"]]})
            for row in doc["windows"]
        )
    except ValidationError as error:
        raise ConfigError(f"windows.toml: {error}") from None


def window_of(kind: str, plant: str) -> PlantWindow | None:
    """The window of a plant, as a grower writes it, as cuttings of a kind; None for none known."""
    found = [(fit(plant, (row.plant, *row.also)), row) for row in plant_windows()]
    found = [(fits, row) for fits, row in found if fits and row.kind == kind]
    return max(found, key=lambda one: one[0])[1] if found else None


def fit(plant: str, names: Iterable[str]) -> int:
    """Words of the longest of `names` that a plant's name begins with, 0 for none.

    Capitals, quotes and marks of hybrids count for nothing.
    """
    words = _words(plant)
    asked = [_words(name) for name in names]
    return max((len(name) for name in asked if words[: len(name)] == name), default=0)


def _words(plant: str) -> list[str]:
    return [word.strip("'\"‘’,.()") for word in plant.casefold().split() if word not in ("×", "x")]
