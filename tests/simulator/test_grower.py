"""What the rehearsal's grower writes into the book is what the simulated cuttings did."""

import pytest

from controller.journal.batches import BatchBook
from controller.journal.writer import Journal
from simulator.grower import Grower
from simulator.rehearsed import as_rehearsed
from simulator.rig import Rig
from simulator.scenario import ScenarioError, parse_scenario
from simulator.weather import WeatherSource

TEXT = """
title = "t"
start = 2026-03-02T07:00:00
days = 60
weather = "spring_mixed"
[[batches]]
plant = "Fuchsia hybrids"
kind = "softwood"
nature = "herbaceous"
bench = "north"
bay = "left"
count = 100
test_from_day = 6
test_every_days = 2
close_after_days = 24
[[entries]]
batch = 1
day = 3
kind = "looked"
note = "firm"
"""


@pytest.fixture
def book_of(site, tmp_path):
    """Plays the scenario on a bench held warm by hand, and gives the book afterwards."""

    def play(text=TEXT, days=25):
        scenario = parse_scenario(text, "t.toml")
        path = tmp_path / "book.db"
        rehearsed = as_rehearsed(site)
        begin_s = scenario.start_utc_s(rehearsed)
        rig = Rig(rehearsed, WeatherSource("steady"), begin_s)
        model = rig.benches["north"].model
        grower = Grower(rehearsed, scenario, path)
        for step in range(1, days * 144 + 1):
            at_s = step * 600.0
            for bay in model.bays:
                bay.layers_c = [23.0] * len(bay.layers_c)
            truth = rig.benches["north"].truth
            truth.span_s += 600.0
            truth.wet_s += 600.0 if step % 4 else 0.0
            grower.live(rig, at_s)
            grower.act(at_s, begin_s + at_s, rig)
        journal = Journal.open(path, site=rehearsed, durable=False)
        return BatchBook(journal, rehearsed, lambda: begin_s + days * 86400), grower

    return play


def test_batch_goes_through_its_phases_on_what_tests_find(book_of):
    book, _ = book_of()
    entries = book.entries(1)
    phases = [entry.values["phase"] for entry in entries if "phase" in entry.values]
    assert phases[:3] == ["callus", "root", "wean"]
    tested = [int(entry.values["rooted"]) for entry in entries if entry.kind == "tested"]
    assert tested[0] == 0
    assert tested == sorted(tested)
    assert [entry.note for entry in entries if entry.kind == "looked"] == ["firm"]


def test_closing_says_what_the_cuttings_really_did(book_of):
    book, grower = book_of()
    closed = next(entry for entry in book.entries(1) if entry.kind == "closed")
    assert int(closed.values["rooted"]) == grower.tallies()[1].rooted >= 85
    assert book.get(1).closed_s is not None


def test_batch_of_a_bay_that_is_not_there_goes_to_one_that_is(book_of):
    book, _ = book_of(TEXT.replace('bench = "north"', 'bench = "south"'), days=1)
    assert (book.get(1).bench, book.get(1).bay) == ("north", "left")


def test_kind_without_a_recipe_is_refused_before_anything_is_played(site, tmp_path):
    scenario = parse_scenario(TEXT.replace('kind = "softwood"', 'kind = "sofwood"'), "t.toml")
    with pytest.raises(ScenarioError, match="softwood"):
        Grower(site, scenario, tmp_path / "b.db")


@pytest.mark.parametrize(("key", "most"), [('flaw = "old_wood"', 40), ("vigour = 0.5", 55)])
def test_what_is_wrong_with_a_batch_is_said_in_the_scenario_and_felt(book_of, key, most):
    _, grower = book_of(TEXT.replace("count = 100", f"count = 100\n{key}"))
    assert 10 < grower.tallies()[1].rooted <= most


@pytest.mark.parametrize("key", ['flaw = "moon"', "vigour = 3"])
def test_a_flaw_or_vigour_that_there_is_none_of_is_refused(key):
    with pytest.raises(ScenarioError, match=key.split()[0]):
        parse_scenario(TEXT.replace("count = 100", f"count = 100\n{key}"), "t.toml")
