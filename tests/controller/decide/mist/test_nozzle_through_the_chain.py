"""A nozzle judged through the whole chain: simulated bench, wire text, probes, mist and alarms."""

from pathlib import Path

import pytest

from config.load import loads
from controller.loop import Controller
from simulator.faults import parse_fault
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

FILE = Path(__file__).parents[4] / "config/examples/alder_lane.toml"


def told(
    tmp_path: Path, scenario: str, days: float, *faults: str
) -> tuple[list[tuple[float, str]], list[float]]:
    """(hours since the start, state) of every change of `mist_no_answer`; hours of the bursts."""
    text = FILE.read_text(encoding="utf-8")
    played = load_scenario(scenario)._replace(faults=tuple(map(parse_fault, faults)))
    rehearsal = Rehearsal(
        loads(text, "test"), played, journal_path=tmp_path / "j.db", days=days, site_text=text
    )
    found: list[tuple[float, str]] = []
    bursts: list[float] = []
    with rehearsal:
        for tick in range(round(days * 86400 / rehearsal.tick_s)):
            rehearsal.step()
            controller = rehearsal.controller
            assert isinstance(controller, Controller)
            decision = controller.decision
            assert decision is not None
            hour = tick * rehearsal.tick_s / 3600.0
            bursts += [hour for mist in decision.mist if mist.burst_s > 0]
            for change in decision.alarms:
                if change.alarm == "mist_no_answer":
                    found.append((hour, change.state))
    assert len(bursts) > 20
    return found, bursts


@pytest.mark.parametrize(("scenario", "days"), [("hot_week", 1.6), ("alder_lane", 2.6)])
def test_a_working_nozzle_is_not_accused(tmp_path: Path, scenario: str, days: float) -> None:
    assert told(tmp_path, scenario, days)[0] == []


def test_nor_is_one_under_an_open_cover_in_the_heat(tmp_path: Path) -> None:
    assert told(tmp_path, "hot_week", 0.6, "lid_open@1+3/10")[0] == []


def test_a_blocked_nozzle_in_the_heat_is_named_and_stays_named(tmp_path: Path) -> None:
    changes, bursts = told(tmp_path, "hot_week", 0.75, "mister_blocked@1+5/6")
    named_h, state = changes[0]
    assert state == "UNACK"
    assert named_h > 5.0
    assert 3 <= sum(5.0 <= hour < named_h for hour in bursts) <= 4
    over = [hour for hour, state in changes if state == "RTNUN"]
    assert len(over) == 1
    assert 11.0 < over[0] < 11.6
