"""A bench whose climate is told to it, and a mister that is stepped through time."""

from dataclasses import replace
from datetime import UTC, datetime
from math import nan

import pytest

from config.model import MistTime, SiteInfo
from controller.decide.aims import MistAims
from controller.decide.mist import mist
from controller.decide.schedule import Sky, sky_at
from controller.decide.state import MistState
from controller.records import MistDecision
from sensors.clock import Now
from sensors.moist_air import vpd_kpa, wet_bulb_c
from sensors.readings import BenchView

ALDER_LANE = SiteInfo(
    name="Alder Lane Nursery",
    timezone="Europe/Dublin",
    latitude_deg=53.3,
    longitude_deg=-6.5,
)
STICK = MistAims(
    bench="north",
    relay="north.mister",
    resting=False,
    leafy=True,
    unrooted=True,
    phase="stick",
    age_days=1.0,
    vpd_low_kpa=0.1,
    vpd_high_kpa=0.5,
    dose_kpa_min=4.0,
    burst_s=5.0,
    night_mist=True,
    must_dry=False,
    shortest_gap_s=240.0,
    hour_budget_s=300.0,
    day_budget_s=1800.0,
    survival_every_s=1200.0,
    survival_burst_s=5.0,
    cool_top=True,
    top_hot_c=28.0,
    leased=True,
    why="test",
)


class Rig:
    """Steps the mister; climate and aims are plain attributes to set between steps."""

    def __init__(self) -> None:
        self.info = ALDER_LANE
        self.aims = STICK
        self.state = MistState()
        self.schedule: tuple[MistTime, ...] = ()
        self.mono_s = 5000.0
        self.tick_s = 10.0
        self.trusted = True
        self.top_c, self.rh_pct, self.light = 20.0, 90.0, 0.0
        self.at("2026-05-10T12:00")
        self.starts: list[tuple[float, float, str]] = []
        """(utc_s, length, reason code) of every burst begun."""

    def at(self, utc: str) -> None:
        self.utc_s = datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()

    def aim(self, **changes: object) -> None:
        self.aims = replace(self.aims, **changes)  # type: ignore[arg-type]

    def remember(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]

    def settled(self) -> "Rig":
        """As if a burst had been given ten minutes ago and all had been watched since."""
        self.remember(last_burst_s=self.mono_s - 600, seen_s=self.mono_s - self.tick_s)
        return self

    def sky(self) -> Sky:
        return sky_at(self.info, self.utc_s, self.trusted)

    def bench(self) -> BenchView:
        known = self.top_c == self.top_c and self.rh_pct == self.rh_pct
        vpd = vpd_kpa(self.top_c, self.rh_pct) if known else nan
        wet = wet_bulb_c(self.top_c, self.rh_pct) if known else nan
        return BenchView(self.top_c, self.rh_pct, vpd, nan, wet, nan, self.light, {}, ())

    def step(self) -> MistDecision:
        """One decision now; then time moves on by one tick."""
        now = Now(self.utc_s, self.mono_s, self.trusted)
        self.state, decision = mist(
            self.aims,
            self.state,
            self.bench(),
            self.sky(),
            now,
            self.tick_s,
            self.schedule,
            self.info,
        )
        if decision.burst_s > 0:
            self.starts.append((self.utc_s, decision.burst_s, decision.reason.code))
        self.skip(self.tick_s)
        return decision

    def skip(self, span_s: float) -> None:
        """Time passes without a step: the program is off."""
        self.utc_s += span_s
        self.mono_s += span_s

    def run(self, span_s: float) -> MistDecision:
        """Steps for `span_s`. The last decision."""
        decision = self.step()
        for _ in range(round(span_s / self.tick_s) - 1):
            decision = self.step()
        return decision

    def codes(self) -> list[str]:
        return [code for _, _, code in self.starts]

    def intervals_s(self) -> list[float]:
        return [b[0] - a[0] for a, b in zip(self.starts, self.starts[1:], strict=False)]


@pytest.fixture(scope="session")
def stick() -> MistAims:
    """Aims of a mister over cuttings just stuck."""
    return STICK


@pytest.fixture
def rig() -> Rig:
    return Rig()
