"""A hand-turned clock, a site with two routes, and a box that catches what is sent."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from config.model import Alerts, Site
from controller.records import AlarmChanged, AlarmRow
from sensors.clock import Now

ZONE = ZoneInfo("Europe/Dublin")


class HandClock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.utc_s = datetime(2026, 3, 2, 12, 0, tzinfo=ZONE).timestamp()
        self.mono_s = 5000.0
        self.trusted = True

    def now(self) -> Now:
        return Now(self.utc_s, self.mono_s, self.trusted)

    def wait_until(self, mono_s: float) -> None:
        self.move(mono_s - self.mono_s)

    def move(self, span_s: float) -> None:
        self.utc_s += span_s
        self.mono_s += span_s

    def at(self, hour: int, minute: int = 0) -> None:
        """Move on to the next such local time."""
        local = datetime.fromtimestamp(self.utc_s, ZONE)
        ahead_s = ((hour - local.hour) * 60 + minute - local.minute) * 60 - local.second
        self.move(ahead_s % 86400)


class Box:
    """A sender that keeps what it is given. fails: how many more times it refuses."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, str, str]] = []
        self.fails = 0
        self.tries = 0
        self.error: Exception | None = None

    def __call__(self, address: str, title: str, body: str) -> bool:
        self.tries += 1
        if self.error is not None:
            raise self.error
        if self.fails:
            self.fails -= 1
            return False
        self.sent.append((address, title, body))
        return True

    @property
    def titles(self) -> list[str]:
        return [title for _, title, _ in self.sent]


def make_alerts(**rest: Any) -> Alerts:
    return Alerts.model_validate(
        {
            "routes": {
                "mary": {"url_env": "WF_MARY", "least_priority": 2},
                "john": {"url_env": "WF_JOHN", "least_priority": 1, "after_min": 15.0},
            },
            "all_well_at": None,
        }
        | rest
    )


@pytest.fixture
def alerts() -> Any:
    return make_alerts


@pytest.fixture
def site() -> Any:
    def make(**rest: Any) -> Site:
        bay = {
            "probes": [{"link": "board", "channel": "base1", "kind": "base_temperature"}],
            "mat": {"link": "board", "channel": "mat1", "power_w": 90.0},
        }
        plan = {
            "site": {
                "name": "Alder Lane Nursery",
                "timezone": "Europe/Dublin",
                "latitude_deg": 53.3,
                "longitude_deg": -6.5,
            },
            "links": {"board": {"kind": "memory"}},
            "benches": {"north": {"bays": {"left": bay}}},
        }
        return Site.model_validate(plan | {"alerts": make_alerts(**rest).model_dump()})

    return make


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def box() -> Box:
    return Box()


@pytest.fixture
def change() -> Any:
    def make(
        alarm: str = "base_cold",
        state: str = "UNACK",
        was: str = "NORM",
        priority: int = 2,
        place: str = "north.left",
        by: str = "",
    ) -> AlarmChanged:
        return AlarmChanged(alarm, place, was, state, priority, f"{alarm} text", by)

    return make


@pytest.fixture
def row(change: Any) -> Any:
    return lambda *args, **rest: AlarmRow(0.0, change(*args, **rest))
