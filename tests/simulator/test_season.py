"""The year of batches: sound on paper, and two of its stretches begun for real."""

from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from config.load import loads
from config.recipes import recipe_for
from controller.cli import main
from controller.journal.reader import open_reader
from simulator.cuttings import MATERIALS
from simulator.report import ended
from simulator.run import Rehearsal
from simulator.scenario import DAY_S
from simulator.season import YEAR, truths, with_light, year

TEXT = with_light(
    files("config").joinpath("examples", "alder_lane.toml").read_text(encoding="utf-8")
)
ROWS = [row for stretch in YEAR for row in stretch.rows]


def test_it_is_a_year_of_many_batches_plants_and_kinds():
    assert len(ROWS) >= 40
    assert len({row.plant for row in ROWS}) >= 8
    assert len({row.kind for row in ROWS}) >= 5
    good = sum(1 for truth in truths() if not truth)
    assert len(ROWS) == len(truths())
    assert len(ROWS) / 2 < good < len(ROWS) - 10
    assert {row.flaw for row in ROWS} <= set(MATERIALS)


def test_stretches_follow_one_another_and_batches_end_within_them():
    for before, after in pairwise(YEAR):
        assert (after.start - before.start).days > before.days
    for scenario in year():
        for plan in scenario.sticks:
            assert recipe_for(plan.kind, plan.plant).kind == plan.kind
            assert plan.at_s + plan.close_after_days * DAY_S < scenario.days * DAY_S


def test_like_batches_differ_and_powder_helps_the_woody_ones():
    plans = [plan for scenario in year() for plan in scenario.sticks if plan.flaw == "sound"]
    woody = [plan for plan in plans if plan.kind not in ("herbaceous", "hardwood")]
    with_powder = [plan.vigour for plan in woody if plan.details["hormone"] == "talc"]
    without = [plan.vigour for plan in woody if plan.details["hormone"] == "none"]
    assert len({round(plan.vigour, 3) for plan in plans}) > len(plans) / 2
    assert sum(with_powder) / len(with_powder) > sum(without) / len(without) + 0.03


def test_a_fault_is_meant_for_batches_that_stand_there_while_it_lasts():
    for stretch, scenario in zip(YEAR, year(), strict=True):
        causes = dict(stretch.meant)
        if "dark" in causes:
            continue
        for number in next(iter(causes.values()), ()):
            plan = scenario.sticks[number - 1]
            fault = scenario.faults[0]
            assert plan.at_s < fault.at_s < plan.at_s + plan.close_after_days * DAY_S


def test_stretches_go_into_one_journal_with_numbers_that_run_on(tmp_path: Path):
    site = loads(TEXT, "alder_lane.toml")
    assert any(probe.kind == "light" for probe in site.benches["north"].air.probes)
    path = tmp_path / "season.db"
    for scenario in year(seed=5)[:2]:
        with Rehearsal(
            site, scenario, journal_path=path, days=1.4, tick_s=20, site_text=TEXT
        ) as rehearsal:
            rehearsal.run()
    with open_reader(path) as reader:
        batches = reader.batches()
        (gap,) = reader.gaps(batches[0].stuck_s, batches[-1].stuck_s)
    assert gap.to_s - gap.from_s > 70 * DAY_S
    plants = [row.plant for row in (*YEAR[0].rows, *YEAR[1].rows)]
    stuck = [batch.plant for batch in batches]
    assert [batch.number for batch in batches] == list(range(1, len(batches) + 1))
    assert set(stuck) <= set(plants)
    assert "Fuchsia hybrids" in stuck
    told = ended(site, path, truths())
    assert [one.strike for one in told] == [None] * len(batches)


@pytest.mark.parametrize("more", [("--days", "3"), ("--scenario", "hot_week"), ("--serve", "pty")])
def test_what_does_not_go_with_a_season_is_refused(more, tmp_path: Path):
    path = tmp_path / "kept.db"
    path.write_text("mine")
    said = CliRunner().invoke(main, ["rehearse", "--season", *more, "--journal", str(path)])
    assert said.exit_code == 5
    assert "--season plays its own nursery" in said.output
    assert path.read_text() == "mine"
