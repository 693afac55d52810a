"""How long a season takes, and whether its journal has something to tell of."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli import main

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(900)]
NAMES = {
    "old_wood": "old wood", "flowering": "flowering wood", "disease": "pest or disease",
    "few_leaves": "few leaves", "close_mix": "mix with little air", "dark": "dark winter",
    "long_wait": "long from cutting to sticking", "dry": "dry air", "cold": "cold base",
}  # fmt: skip


def test_a_season(tell: Callable[[str, str, str], None], tmp_path: Path) -> None:
    path = tmp_path / "season.db"
    said = CliRunner().invoke(main, ["rehearse", "--season", "--json", "--journal", str(path)])
    assert said.exit_code == 0, said.output
    told = json.loads(said.stdout)
    batches = told["batches"]
    planted = [one for one in batches if one["planted"] in NAMES]
    named = [one for one in planted if one["found"].endswith(NAMES[one["planted"]])]
    well = [one for one in batches if not one["planted"]]
    quiet = [one for one in well if not one["found"]]
    tell("a season", f"{told['took_s']:.0f} s", "180 s")
    tell("days played", f"{told['days_played']:.0f}", "as many as fit")
    tell(f"planted causes named first, of {len(planted)}", f"{len(named)}", "most")
    tell(f"sound batches not complained of, of {len(well)}", f"{len(quiet)}", "all")
    assert len(batches) >= 40
    assert all(one["strike"] is not None for one in batches)
    assert told["took_s"] < 180
    assert len(named) >= 0.8 * len(planted)
    assert len(quiet) >= 0.9 * len(well)
