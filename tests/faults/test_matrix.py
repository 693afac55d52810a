"""Every row of the matrix, judged by the checker. The whole table is campaign.py."""

from pathlib import Path

import pytest
from cases import Case, play
from matrix import MATRIX, played

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("case", played(long=False), ids=lambda case: case.name)
def test_row(case: Case, tmp_path: Path) -> None:
    outcome = play(case, tmp_path)
    assert outcome.broken == [], outcome.seen


@pytest.mark.benchmark
@pytest.mark.parametrize("case", played(long=True), ids=lambda case: case.name)
def test_row_that_takes_days(case: Case, tmp_path: Path) -> None:
    outcome = play(case, tmp_path)
    assert outcome.broken == [], outcome.seen


def test_rows_have_names_of_their_own_and_point_to_tests_that_are_there() -> None:
    assert len({case.number for case in MATRIX}) == len(MATRIX)
    for case in MATRIX:
        if case.held_by:
            path, _, name = case.held_by.partition("::")
            text = (ROOT / path).read_text()
            assert not name or f"def {name}(" in text, case.held_by
