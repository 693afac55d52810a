"""Faults by lot: whatever comes together, the invariants hold."""

from pathlib import Path

import pytest
from chance import drawn, play_drawn


@pytest.mark.parametrize("seed", range(1, 9))
def test_whatever_comes_together(seed: int, tmp_path: Path) -> None:
    outcome = play_drawn(seed, tmp_path)
    assert outcome.broken == [], drawn(seed).fault


@pytest.mark.benchmark
@pytest.mark.timeout(3600)
def test_whatever_comes_together_three_hundred_times(tmp_path: Path) -> None:
    for seed in range(1000, 1300):
        folder = tmp_path / str(seed)
        folder.mkdir()
        outcome = play_drawn(seed, folder)
        assert outcome.broken == [], (seed, drawn(seed).fault)
