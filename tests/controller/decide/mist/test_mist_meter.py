"""Bursts and water as a meter in the pipe counts them."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Site
from controller.decide.aims import Aims, BenchPlan, MistAims
from controller.decide.mist_meter import KNOWN, followed, waterless
from controller.decide.state import Metered, MistState
from sensors.readings import BenchView


def bench_file() -> dict[str, Any]:
    return {
        "site": {"name": "A", "timezone": "UTC", "latitude_deg": 53.3, "longitude_deg": -6.5},
        "links": {"board": {"kind": "memory"}},
        "benches": {
            "north": {
                "air": {"probes": [{"link": "board", "channel": "f", "kind": "water_meter"}]},
                "mister": {"link": "board", "channel": "mist"},
                "bays": {
                    "left": {
                        "probes": [{"link": "board", "channel": "b", "kind": "base_temperature"}],
                        "mat": {"link": "board", "channel": "m", "power_w": 90.0},
                    }
                },
            }
        },
    }


@pytest.fixture(scope="module")
def plan(stick: MistAims) -> BenchPlan:
    aims = Aims(Site.model_validate(bench_file()), {}, {"north": stick})
    return aims.bench_plans[0]


class Pipe:
    """A mister and the meter in its pipe, ticked every 2 s; counts come every 10 s."""

    def __init__(self, plan: BenchPlan) -> None:
        self.plan = plan
        self.held = MistState()
        self.now_s = 0.0

    def view(self, flow_ml_s: float) -> BenchView:
        return BenchView(17.0, 85.0, 0.3, 12.0, 14.0, 15.0, 0.0, {}, (), flow_ml_s)

    def burst(self, water_ml: float, burst_s: float = 5.0, counts: bool = True) -> None:
        """A burst, and five minutes. water_ml: counted in two counts, straddled by it."""
        self.held = replace(self.held, last_burst_s=self.now_s, last_burst_len_s=burst_s)
        begun_s, own_s = self.now_s, burst_s
        while self.now_s < begun_s + 300.0:
            since_s = self.now_s - begun_s
            flow = 0.6 * water_ml / 10.0 if 4.0 <= since_s < 14.0 else 0.0
            flow = 0.4 * water_ml / 10.0 if 14.0 <= since_s < 24.0 else flow
            view = self.view(flow if counts else nan)
            self.held = followed(self.held, self.plan, view, own_s, self.now_s)
            own_s = 0.0
            self.now_s += 2.0


def test_two_bursts_without_water_are_no_water_and_one_with_it_ends_that(plan: BenchPlan) -> None:
    pipe = Pipe(plan)
    for _ in range(KNOWN):
        pipe.burst(60.0)
    pipe.burst(0.0)
    assert not waterless(pipe.held)
    pipe.burst(0.0)
    assert waterless(pipe.held)
    pipe.burst(60.0)
    assert not waterless(pipe.held)
    assert pipe.held.metered.missed == 0


def test_a_drip_through_a_blocked_nozzle_is_no_water(plan: BenchPlan) -> None:
    pipe = Pipe(plan)
    for _ in range(5):
        pipe.burst(60.0)
    pipe.burst(4.0)
    pipe.burst(4.0)
    assert waterless(pipe.held)


@pytest.mark.parametrize("length_s", [2.0, 5.0, 9.0])
def test_bursts_of_other_lengths_are_water_too(plan: BenchPlan, length_s: float) -> None:
    pipe = Pipe(plan)
    for _ in range(5):
        pipe.burst(60.0)
    for _ in range(4):
        pipe.burst(12.0 * length_s, length_s)
        assert pipe.held.metered.missed == 0


def test_a_meter_that_did_not_count_every_burst_before_accuses_nobody(plan: BenchPlan) -> None:
    """As one with a litre to a pulse, or one that is not wired."""
    pipe = Pipe(plan)
    for number in range(30):
        pipe.burst(1000.0 if number % 3 == 0 else 0.0)
        assert not waterless(pipe.held)


def test_a_silent_meter_and_a_gap_judge_nothing(plan: BenchPlan) -> None:
    pipe = Pipe(plan)
    for _ in range(KNOWN):
        pipe.burst(60.0)
    pipe.burst(0.0, counts=False)
    pipe.burst(0.0, counts=False)
    assert pipe.held.metered.missed == 0
    for _ in range(3):
        at_s = pipe.now_s
        pipe.held = replace(pipe.held, last_burst_s=at_s, last_burst_len_s=5.0)
        pipe.held = followed(pipe.held, plan, pipe.view(0.0), 5.0, at_s)
        pipe.now_s += 3600.0  # the machine slept
        pipe.held = followed(pipe.held, plan, pipe.view(0.0), 0.0, pipe.now_s)
    assert pipe.held.metered == Metered(False, 0.0, pipe.held.metered.usual_ml, KNOWN, 0)


def test_a_very_short_burst_is_not_asked_for_water(plan: BenchPlan) -> None:
    pipe = Pipe(plan)
    for _ in range(KNOWN):
        pipe.burst(60.0)
    for _ in range(4):
        pipe.burst(0.0, burst_s=1.0)
    assert pipe.held.metered.missed == 0


@given(st.lists(st.tuples(st.floats(0.0, 1e4) | st.just(nan), st.floats(0.0, 60.0))))
def test_any_course_of_counts_leaves_numbers(
    plan: BenchPlan, course: list[tuple[float, float]]
) -> None:
    held, now_s = MistState(last_burst_s=0.0), 0.0
    for flow_ml_s, burst_s in course:
        view = BenchView(nan, nan, nan, nan, nan, nan, nan, {}, (), flow_ml_s)
        held = replace(held, last_burst_s=now_s, last_burst_len_s=burst_s)
        for _ in range(8):
            held = followed(held, plan, view, burst_s, now_s)
            burst_s, now_s = 0.0, now_s + 10.0
        assert 0 <= held.metered.known <= KNOWN
        assert not held.metered.usual_ml <= 0.0
