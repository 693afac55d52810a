"""Scenarios are read whole or refused with the file, the table and the key."""

import pytest

from config.recipes import recipe_for
from simulator.scenario import ScenarioError, load_scenario, parse_scenario, scenario_names

HEAD = 'title = "t"\nstart = 2026-03-02T07:00:00\ndays = 2\nweather = "frost"\n'


@pytest.mark.parametrize("name", scenario_names())
def test_every_scenario_of_ours_loads_and_has_recipes(name):
    scenario = load_scenario(name)
    assert scenario.days > 0
    for stick in scenario.sticks:
        assert recipe_for(stick.kind, stick.plant).kind == stick.kind
        assert stick.at_s < scenario.days * 86400


def test_alder_lane_has_its_cold_night_bright_day_power_cut_and_blocked_nozzle():
    scenario = load_scenario("alder_lane")
    assert scenario.days == 21
    assert scenario.warm_hours == 24.0
    assert len({stick.plant for stick in scenario.sticks}) == 3
    assert {spell.kind for spell in scenario.spells} == {"frost", "spring_bright"}
    days = {fault.kind: int(fault.at_s // 86400) + 1 for fault in scenario.faults}
    assert days == {"power_cut": 9, "mister_blocked": 13}


def test_start_is_local_time(demo):
    scenario = parse_scenario(HEAD.replace("03-02", "07-02"), "x.toml")
    assert scenario.start_utc_s(demo) % 86400 == 6 * 3600


def test_a_scenario_of_ones_own_is_read_from_its_file(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text(HEAD)
    assert load_scenario(file).weather == "frost"
    with pytest.raises(ScenarioError, match=r"no scenario there.*alder_lane"):
        load_scenario(tmp_path / "other.toml")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("title = ", "not readable as TOML"),
        (HEAD.replace('"frost"', '"snow"'), 'weather = "snow"; there are: winter_clear'),
        (HEAD.replace("days = 2", 'days = "2"'), "days = '2'; write a number"),
        (HEAD.replace("T07:00:00", "T07:00:00Z"), "write a local date and time"),
        (HEAD + "colour = 1\n", "unknown key colour"),
        (HEAD + "warm_hours = -1\n", "0 (a cold start) to 240"),
        (HEAD + '[[batches]]\nplant = "x"\n', "batches 1: kind = None; write text"),
        (HEAD + '[[batches]]\nplant = "x"\nkind = "softwood"\ncount = 5\nday = 0\n', "days count"),
        (HEAD + '[[faults]]\nkind = "fire"\n', 'faults 1: no fault is called "fire"'),
        (HEAD + '[[entries]]\nbatch = 1\nkind = "looked"\n', "entries: batch 1; 0 are stuck"),
        (HEAD + 'faults = "none"\n', "write it as [[faults]] tables"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(text, said):
    with pytest.raises(ScenarioError) as error:
        parse_scenario(text, "mine.toml")
    assert str(error.value).startswith("mine.toml: ")
    assert said in str(error.value)
