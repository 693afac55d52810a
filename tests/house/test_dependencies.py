"""What we stand on: every library is held below a release that nobody here has seen."""

import tomllib
from importlib.metadata import version
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

PYPROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
PROJECT = PYPROJECT["project"]
INSTALLED = [*PROJECT["dependencies"], *chain(*PROJECT["optional-dependencies"].values())]
DATED = "tzdata"
"""Time zones are data that change with the law of the land; their versions are dates."""
NAMED = [Requirement(text) for text in [*INSTALLED, *PYPROJECT["build-system"]["requires"]]]


def bound(asked: Requirement, sign: str) -> Version | None:
    found = [Version(part.version) for part in asked.specifier if part.operator == sign]
    return found[0] if len(found) == 1 else None


@pytest.mark.parametrize("asked", NAMED, ids=lambda asked: asked.name)
def test_every_dependency_has_a_least_and_a_first_unknown_release(asked: Requirement) -> None:
    least, beyond = bound(asked, ">="), bound(asked, "<")
    assert least is not None, f"{asked}: no least release"
    if asked.name == DATED:
        return
    assert beyond is not None, f"{asked}: no upper bound"
    assert least < beyond
    # A library may break what it likes with a new first number, so the bound is one.
    assert beyond.release[1:] in ((), (0,)), f"{asked}: bound it below a first number"


@pytest.mark.parametrize("text", INSTALLED, ids=lambda text: Requirement(text).name)
def test_what_is_installed_is_within_its_bounds(text: str) -> None:
    asked = Requirement(text)
    assert asked.specifier.contains(version(asked.name), prereleases=True)


def test_bounds_are_not_far_beyond_what_was_tried() -> None:
    for asked in map(Requirement, INSTALLED):
        tried, beyond = Version(version(asked.name)), bound(asked, "<")
        assert beyond is None or beyond.major <= tried.major + 1, f"{asked}: only {tried} was tried"
