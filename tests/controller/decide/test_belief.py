"""The base of a bay as it is acted on while a probe of it is known to be frozen."""

from math import isnan

import pytest

from controller.decide.belief import believed
from controller.decide.state import AlarmState
from sensors.readings import BayView, Flag, ProbeView, Reading
from sensors.snapshot import LEAN_MOST_K


def bay(*values_c: float, refused: int = -1) -> BayView:
    probes = tuple(
        ProbeView(
            Reading(
                f"north.left.base{number}", "temperature", value_c, "degC", value_c, 100.0,
                Flag.SUSPECT if number == refused else Flag.PASS,
            ),
            2.0,
        )
        for number, value_c in enumerate(values_c)
    )  # fmt: skip
    return BayView(sorted(values_c)[len(values_c) // 2], max(values_c), 0.0, 3, 3, probes)


def frozen(*numbers: int, state: str = "UNACK") -> dict[tuple[str, str], AlarmState]:
    held = AlarmState(state=state, under=state)
    return {("probe_frozen", f"north.left.base{number}"): held for number in numbers}


def test_without_a_frozen_probe_the_view_is_as_it_was() -> None:
    view = bay(20.0, 21.0, 22.0)
    assert believed(view, {}) is view
    assert believed(view, frozen(1, state="NORM")) is view


@pytest.mark.parametrize(
    ("which", "base_c"),
    [(0, 21.5), (1, 21.0), (2, 20.5)],
)
def test_the_others_hold_the_bay_and_guards_see_all(which: int, base_c: float) -> None:
    seen = believed(bay(20.0, 21.0, 22.0), frozen(which))
    assert (seen.base_c, seen.usable, seen.hottest_c) == (pytest.approx(base_c), 2, 22.0)


def test_two_that_are_left_far_apart_do_not_overheat_the_warmer() -> None:
    assert believed(bay(21.0, 25.0, 12.0), frozen(0)).base_c == 25.0 - LEAN_MOST_K


def test_a_refused_sample_holds_nothing_and_nothing_is_left_of_none() -> None:
    seen = believed(bay(20.0, 21.0, 22.0, refused=2), frozen(0))
    assert (seen.base_c, seen.usable) == (21.0, 1)
    assert isnan(believed(bay(20.0, 21.0), frozen(0, 1)).base_c)
