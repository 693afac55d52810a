"""A mister that runs and wets nothing is told from one that works."""

from math import nan
from typing import Any

import pytest


def _cycle(rig: Any, rh_after: float, after_s: float = 60.0) -> None:
    """One hand burst in air of 70 %, then the humidity that follows it, then back."""
    rig.rh_pct = 70.0
    rig.remember(hand_burst_s=5.0)
    rig.run(after_s)
    rig.rh_pct = rh_after
    rig.run(60)
    rig.rh_pct = 70.0
    rig.run(420)


@pytest.fixture
def dry(rig: Any) -> Any:
    rig.aim(dose_kpa_min=4000.0)
    rig.settled()
    return rig


def test_bursts_without_answer_are_counted(dry: Any) -> None:
    for _ in range(3):
        _cycle(dry, 70.5)
    assert dry.state.unanswered == 3


@pytest.mark.parametrize("rh_after", [72.0, 90.0])
def test_one_answer_clears_the_count(dry: Any, rh_after: float) -> None:
    _cycle(dry, 70.0)
    _cycle(dry, 70.0)
    _cycle(dry, rh_after)
    assert dry.state.unanswered == 0


def test_a_fall_of_vpd_by_a_tenth_is_an_answer_without_humidity_rising_two_points(dry: Any) -> None:
    dry.rh_pct = 85.0
    dry.remember(hand_burst_s=5.0, unanswered=2)
    dry.run(60)
    dry.rh_pct = 86.6
    dry.run(30)
    assert dry.state.unanswered == 0


def test_an_answer_after_five_minutes_is_no_answer(dry: Any) -> None:
    _cycle(dry, 95.0, after_s=330.0)
    assert dry.state.unanswered == 1


def test_damp_air_is_not_judged(dry: Any) -> None:
    for _ in range(3):
        dry.rh_pct = 90.0
        dry.remember(hand_burst_s=5.0)
        dry.run(600)
    assert dry.state.unanswered == 0


def test_unknown_humidity_is_not_judged(dry: Any) -> None:
    _cycle(dry, nan)
    dry.remember(hand_burst_s=5.0)
    dry.run(60)
    before = dry.state.unanswered
    dry.rh_pct = nan
    dry.run(600)
    assert dry.state.unanswered == before


def test_a_burst_that_begins_before_the_last_is_judged_counts_the_last(dry: Any) -> None:
    for _ in range(4):
        dry.rh_pct = 70.0
        dry.remember(hand_burst_s=5.0)
        dry.run(240)
    dry.run(100)
    assert dry.state.unanswered == 4
