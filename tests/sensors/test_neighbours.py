"""Probes compared with their like."""

from collections.abc import Callable

from sensors.calibrate import NO_CALIBRATION
from sensors.kinds import KINDS
from sensors.neighbours import doubts
from sensors.quality import ProbeMemory, judge

BASE = KINDS["base_temperature"]
HOURS_3 = 1090
"""Samples, ten seconds apart, in a little over three hours."""


def probe(
    name: str, value: Callable[[int], float], count: int = 1, height_mm: float | None = None
) -> ProbeMemory:
    memory = ProbeMemory(name, NO_CALIBRATION, 10.0, height_mm)
    for number in range(count):
        judge(BASE, memory, f"{value(number):.4f}", number * 10.0)
    return memory


def still(_: int) -> float:
    return 21.0


def moving(number: int) -> float:
    return 21.0 + (number % 360) / 360


def test_a_probe_far_from_two_others_is_doubted() -> None:
    fresh = [probe("a", lambda _: 21.0), probe("b", lambda _: 21.4), probe("c", lambda _: 24.5)]
    assert doubts(BASE, fresh) == {"c": "+3.1 degC from its neighbours"}


def test_a_probe_near_enough_is_not_doubted() -> None:
    fresh = [probe("a", lambda _: 21.0), probe("b", lambda _: 21.4), probe("c", lambda _: 23.8)]
    assert doubts(BASE, fresh) == {}


def test_two_that_disagree_are_both_kept() -> None:
    assert doubts(BASE, [probe("a", lambda _: 15.0), probe("b", lambda _: 25.0)]) == {}


def test_two_against_two_leaves_all() -> None:
    """Nothing tells which pair is right, and a bay must not lose all its probes to arithmetic."""
    values = (15.0, 15.2, 25.0, 25.2)
    fresh = [probe(str(value), lambda _, v=value: v) for value in values]  # type: ignore[misc]
    assert doubts(BASE, fresh) == {}


def test_frozen_probe_beside_a_moving_one_is_doubted() -> None:
    fresh = [probe("frozen", still, HOURS_3), probe("alive", moving, HOURS_3)]
    assert list(doubts(BASE, fresh)) == ["frozen"]


def test_frozen_probe_is_believed_again_when_it_moves() -> None:
    frozen, alive = probe("frozen", still, HOURS_3), probe("alive", moving, HOURS_3)
    judge(BASE, frozen, "21.5", HOURS_3 * 10.0)
    assert doubts(BASE, [frozen, alive]) == {}


def test_both_steady_is_good_control() -> None:
    assert doubts(BASE, [probe("a", still, HOURS_3), probe("b", still, HOURS_3)]) == {}


def test_a_new_probe_is_not_called_frozen() -> None:
    assert doubts(BASE, [probe("new", still, 60), probe("alive", moving, HOURS_3)]) == {}


def test_one_wanderer_cannot_discredit_two_steady_probes() -> None:
    fresh = [probe("a", still, HOURS_3), probe("b", still, HOURS_3), probe("c", moving, HOURS_3)]
    assert doubts(BASE, fresh) == {}


def test_a_deep_probe_may_stand_still_over_a_shallow_one() -> None:
    deep = probe("deep", still, HOURS_3, height_mm=40.0)
    shallow = probe("shallow", moving, HOURS_3, height_mm=10.0)
    assert doubts(BASE, [deep, shallow]) == {}


def test_a_lone_probe_is_never_doubted() -> None:
    assert doubts(BASE, [probe("a", still, HOURS_3)]) == {}
    assert doubts(BASE, []) == {}
