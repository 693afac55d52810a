"""A bench that is nothing but numbers, and the alarm engine run over it on a hand-turned clock."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest

from config.model import Site
from controller.decide.aims import Aims, BayAims, MistAims
from controller.decide.alarms import alarms
from controller.decide.schedule import Sky
from controller.decide.state import AlarmState, BayState, MistState, State
from controller.records import (
    Act,
    ActDone,
    AlarmChanged,
    BayDecision,
    MistDecision,
    Reason,
)
from sensors.clock import Now
from sensors.links.base import LinkHealth
from sensors.moist_air import svp_kpa
from sensors.readings import (
    BayView,
    BenchView,
    Flag,
    LinkView,
    ProbeView,
    Reading,
    RelayReport,
    Snapshot,
)

UTC_S = 1_772_366_400.0  # 2026-03-01T12:00Z


NIGHT = Sky(-30.0, False, 739_000, 0.0, nan, nan, 0.0, True)
NOON = Sky(30.0, True, 739_000, 720.0, nan, nan, 0.0, True)


def bench_file(**changes: Any) -> dict[str, Any]:
    bench: dict[str, Any] = {
        "air": {
            "probes": [
                {"link": "board", "channel": "air", "kind": "air_temperature"},
                {"link": "board", "channel": "rh", "kind": "humidity"},
            ]
        },
        "bays": {
            "left": {
                "probes": [
                    {"link": "board", "channel": "base1", "kind": "base_temperature"},
                    {"link": "board", "channel": "base2", "kind": "base_temperature"},
                ],
                "mat": {"link": "board", "channel": "mat1", "power_w": 150.0, "area_m2": 1.0},
            }
        },
        "mister": {"link": "board", "channel": "mist"},
    }
    bench.update(changes)
    return {
        "site": {
            "name": "Alder Lane Nursery",
            "timezone": "Europe/Dublin",
            "latitude_deg": 53.3,
            "longitude_deg": -6.5,
        },
        "links": {"board": {"kind": "memory"}},
        "benches": {"north": bench},
    }


def reading(probe: str, value: float, unit: str, at_s: float) -> Reading:
    flag = Flag.PASS if value == value else Flag.MISSING
    return Reading(probe, "temperature", value, unit, value, at_s, flag)


class Room:
    """The numbers of one bench with one bay. Change any of them, then `tick` or `run`."""

    def __init__(self, **changes: Any) -> None:
        self.site = Site.model_validate(bench_file(**changes))
        self.now_s = 1000.0
        self.utc_s = UTC_S
        self.trusted = True
        self.base_c = [21.0, 21.0]
        self.base_span_k = 0.5
        self.top_c = 17.0
        self.air_span = 0.6
        self.vpd_kpa = 0.3
        self.rh_pct = 85.0
        self.house_c = 15.0
        self.wet_bulb_c = 14.0
        self.light = nan
        self.share = 0.0
        self.rejected = 0
        self.run_of = 0
        self.link_up = True
        self.quiet_s = 5.0
        self.flow_ml_s = nan
        self.restarts = 0
        self.reopened = 0
        self.report: RelayReport | None = None
        self.mist_report: RelayReport | None = None
        self.bay = BayState(duty=0.5, on=True, since_s=0.0)
        self.mist = MistState()
        self.service: dict[str, float] = {}
        self.night = False
        self.target_c = 21.0
        self.bay_aims = BayAims(
            bench="north", bay="left", relay="north.left.mat", power_w=150.0, resting=False,
            target_c=21.0, good_low_c=18.0, good_high_c=23.0, slow_below_c=17.0, hot_above_c=25.0,
            ceiling_c=32.0, trip_c=30.0, difference_c=4.0, top_hot_c=26.0, gain_duty_per_k=0.3,
            integral_s=7200.0, derivative_s=600.0, window_s=1800.0, shortest_s=60.0, stagger=0.0,
            has_cutout=True, leased=True, why="bench file",
        )  # fmt: skip
        self.mist_aims = MistAims(
            bench="north", relay="north.mister", resting=False, leafy=True, unrooted=True,
            phase="callus", age_days=3.0, vpd_low_kpa=0.1, vpd_high_kpa=0.4, dose_kpa_min=20.0,
            burst_s=5.0, night_mist=False, must_dry=True, shortest_gap_s=240.0,
            hour_budget_s=300.0, day_budget_s=1800.0, survival_every_s=1200.0,
            survival_burst_s=5.0, cool_top=True, top_hot_c=26.0, leased=True, why="bench file",
        )  # fmt: skip
        self.state = State(started_s=self.now_s)
        self.done: tuple[ActDone, ...] = ()
        self.changes: list[AlarmChanged] = []

    def air(self, vpd_kpa: float, top_c: float = 17.0) -> None:
        """Top and humidity that make this VPD; the leaf is held to be as warm as the air."""
        self.vpd_kpa, self.top_c, self.light = vpd_kpa, top_c, 0.0
        self.rh_pct = 100.0 * (1.0 - vpd_kpa / svp_kpa(top_c))

    def bases(self, value_c: float) -> None:
        self.base_c = [value_c] * len(self.base_c)

    def snapshot(self) -> Snapshot:
        at_s = self.now_s
        known = [b for b in self.base_c if b == b]
        probes = tuple(
            ProbeView(
                reading(f"north.left.base{i}", value, "degC", at_s),
                5.0 if value == value else 130.0,
                500,
                self.rejected,
                self.share,
                self.run_of,
                self.base_span_k,
                self.base_span_k,
            )
            for i, value in enumerate(self.base_c, 1)
        )
        bay = BayView(
            base_c=sorted(known)[len(known) // 2] if known else nan,
            hottest_c=max(known) if known else nan,
            spread_k=max(known) - min(known) if known else nan,
            usable=len(known),
            fitted=len(self.base_c),
            probes=probes,
        )
        air = (
            ProbeView(
                reading("north.air", self.top_c, "degC", at_s), 5.0,
                span_1h=self.air_span, span_3h=self.air_span,
            ),
            ProbeView(
                reading("north.rh", self.rh_pct, "%", at_s), 5.0,
                span_1h=self.air_span, span_3h=self.air_span,
            ),
        )  # fmt: skip
        bench = BenchView(
            self.top_c, self.rh_pct, self.vpd_kpa, 12.0, self.wet_bulb_c, self.house_c, self.light,
            {"left": bay}, air, self.flow_ml_s,
        )  # fmt: skip
        reports = {"north.left.mat": self.report, "north.mister": self.mist_report}
        relays = {name: report for name, report in reports.items() if report is not None}
        health = LinkHealth(self.link_up, "" if self.link_up else "unplugged", 0.0)
        health = health._replace(reopened=self.reopened)
        links = {"board": LinkView(health, self.quiet_s, self.restarts)}
        return Snapshot({"north": bench}, links, relays)

    def aims(self) -> Aims:
        return Aims(self.site, {("north", "left"): self.bay_aims}, {"north": self.mist_aims})

    def decisions(self) -> tuple[tuple[BayDecision, ...], tuple[MistDecision, ...]]:
        reason = Reason("hold")
        bay = BayDecision("north", "left", self.target_c, self.bay.duty, self.bay.on, reason)
        return (bay,), (MistDecision("north", False, 0.0, 0.0, 20.0, reason),)

    def after(self) -> State:
        after = replace(self.state, bays={("north", "left"): self.bay}, mist={"north": self.mist})
        return replace(after, sky=NIGHT if self.night else NOON)

    def tick(self, *acts: Act, dt_s: float = 10.0) -> tuple[AlarmChanged, ...]:
        """One tick, `dt_s` after the last."""
        self.now_s += dt_s
        self.utc_s += dt_s
        after = self.after()
        bays, mist = self.decisions()
        now = Now(self.utc_s, self.now_s, self.trusted)
        held, watch, changes, self.done = alarms(
            self.aims(), self.state, after, self.snapshot(), bays, mist, acts, now, dt_s,
            self.service,
        )  # fmt: skip
        self.state = replace(after, alarms=held, watch=watch)
        self.changes += changes
        return changes

    def run(self, span_s: float, dt_s: float = 10.0) -> list[AlarmChanged]:
        """Ticks for `span_s`; every change on the way."""
        found: list[AlarmChanged] = []
        end_s = self.now_s + span_s
        while self.now_s < end_s - 1e-6:
            found += self.tick(dt_s=min(dt_s, end_s - self.now_s))
        return found

    def held(self, alarm: str, place: str = "north.left") -> AlarmState:
        return self.state.alarms.get((alarm, place), AlarmState())

    def shown(self, alarm: str, place: str = "north.left") -> str:
        return self.held(alarm, place).state

    def ask(self, kind: str, alarm: str, place: str = "north.left", **rest: Any) -> ActDone:
        """Do one act on the next tick; how it ended."""
        self.tick(Act(kind, place, "Mary", alarm=alarm, **rest))
        assert len(self.done) == 1
        return self.done[0]


@pytest.fixture
def room() -> Room:
    """A bench on which nothing is wrong."""
    return Room()


@pytest.fixture(scope="session")
def make_room() -> type[Room]:
    """Builds a bench from changes to its bench file."""
    return Room
