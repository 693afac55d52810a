"""The comparison as a measurement: a short one, printed. The whole of it is compare.py."""

import compare
import pytest

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(900)]


def test_warmfoot_beside_thermostats_and_perfect_foresight(capsys):
    with capsys.disabled():
        results = compare.main(["--quick", "--benches", "bench", "bay", "--weathers",
                                "winter_dull", "spring_mixed"])  # fmt: skip
    for result in results:
        foresight = result.run("foresight")
        assert all(foresight.mae_k <= run.mae_k for run in result.runs[:4])
        assert result.left_k < 0.02
