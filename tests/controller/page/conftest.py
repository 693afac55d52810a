"""A page over a rehearsed bench that is being kept, on a free port of this machine."""

import http.client
import re
import threading
import urllib.parse
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import pytest

from config.load import loads
from config.model import PagePlan
from controller.decide.state import AlarmState
from controller.page import PageServer
from simulator.live import Live
from simulator.run import Rehearsal
from simulator.scenario import parse_scenario

SCENARIO = """
title = "t"
start = 2026-03-02T07:00:00
days = 30
weather = "spring_mixed"
warm_hours = 24

[[batches]]
day = 1
hour = 0.5
plant = '''{plant}'''
kind = "{kind}"
nature = "herbaceous"
bench = "north"
bay = "left"
trays = "1-2"
count = 120
test_from_day = 7
"""
FAULT = """
[[faults]]
day = 1
hour = 6
kind = "probe_silent"
target = "north.air"
hours = 700
"""
HERE = PagePlan(port=8046)


class Answer(NamedTuple):
    status: int
    headers: dict[str, str]
    text: str


class Browser:
    """A client that sends exactly what it is told, and keeps no state but a cookie."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.cookie = ""

    def ask(
        self,
        path: str,
        fields: dict[str, str] | None = None,
        *,
        method: str | None = None,
        headers: dict[str, str] | None = None,
    ) -> Answer:
        """GET a path, or POST fields as this page's own form would."""
        sent = {"Host": f"127.0.0.1:{self.port}"}
        body = None
        if fields is not None:
            body = urllib.parse.urlencode(fields)
            sent["Content-Type"] = "application/x-www-form-urlencoded"
            sent["Origin"] = f"http://127.0.0.1:{self.port}"
        if self.cookie:
            sent["Cookie"] = self.cookie
        sent |= headers or {}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.request(
                method or ("GET" if fields is None else "POST"),
                path,
                body,
                {key: value for key, value in sent.items() if value != ""},
            )
            got = connection.getresponse()
            found = {key.lower(): value for key, value in got.getheaders()}
            if "set-cookie" in found:
                self.cookie = found["set-cookie"].partition(";")[0]
            return Answer(got.status, found, got.read().decode("utf-8", "replace"))
        finally:
            connection.close()

    def form_token(self) -> str:
        """The token that this page's forms carry for whoever asks."""
        found = re.search(r'name="form" value="([0-9a-f]{32})"', self.ask("/bench/north").text)
        assert found
        return found[1]

    def act(self, kind: str, place: str, **fields: str) -> Answer:
        """An act as its form would ask for it."""
        return self.ask("/act", {"kind": kind, "place": place, "form": self.form_token(), **fields})


class Kept(NamedTuple):
    """A bench that is kept, and its page."""

    live: Live
    browser: Browser
    journal: Path


def hold_still(live: Live, **alarms: AlarmState) -> None:
    """Leave the moment as it is for as long as anybody looks, with these alarms at north.left."""
    moment = live.board.latest
    assert moment is not None
    held = {(name, "north.left"): alarm for name, alarm in alarms.items()}
    state = replace(moment.state, alarms=held)
    number = moment.number + 1000
    live.board.latest = moment._replace(state=state, number=number, seen_s=float("inf"))


MakePage = Callable[..., Kept]


@pytest.fixture(scope="module")
def make_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakePage]:
    """make_page(plan=, plant=, days=, tokens=): a kept bench with its page, ended after the module.

    fault: from the sixth hour a probe of the air is silent, so that there is an alarm to act on.

    example: bench file; only the demo nursery has a batch.  tokens: (name, role) -> filled with the
    tokens made.  plays: False for a bench that stands still
    and is never late.  day_takes_s: real seconds to a day that is played.
    """
    ends: list[Callable[[], None]] = []

    def make(
        plan: PagePlan = HERE,
        *,
        plant: str = "Fuchsia hybrids",
        kind: str = "softwood",
        plays: bool = True,
        day_takes_s: float = 60.0,
        example: str = "alder_lane.toml",
        days: float = 0.1,
        fault: bool = False,
        tokens: dict[tuple[str, str], str] | None = None,
    ) -> Kept:
        text = files("config").joinpath("examples", example).read_text(encoding="utf-8")
        journal = tmp_path_factory.mktemp("page") / "bench.db"
        played = (
            SCENARIO.partition("[[batches]]")[0]
            if example != "alder_lane.toml"
            else SCENARIO.format(plant=plant, kind=kind)
        )
        scenario = parse_scenario(played + FAULT * fault, "t.toml")
        rehearsal = Rehearsal(
            loads(text, "t"), scenario, journal_path=journal, tick_s=15, site_text=text
        )
        live = Live(rehearsal, plan, any_port=True)
        for name, role in tokens or {}:
            assert tokens is not None
            tokens[(name, role)] = live.server.tokens.make(name, role)
        live.__enter__()
        live.hasten(days)
        over = threading.Event()
        loop = threading.Thread(
            target=live.play, kwargs={"day_takes_s": day_takes_s, "stopped": over.is_set}
        )
        if plays:
            loop.start()
        else:
            hold_still(live)

        def end() -> None:
            over.set()
            if plays:
                loop.join(10)
            live.__exit__()

        ends.append(end)
        assert live.server.up.wait(10)
        return Kept(live, Browser(live.server.port), journal)

    yield make
    for end in ends:
        end()


@pytest.fixture(scope="module")
def here(make_page: MakePage) -> Kept:
    """The page of a bench on this machine alone."""
    return make_page()


@pytest.fixture(scope="module")
def still() -> Callable[..., None]:
    """still(live, **alarms): leave its moment as it is, with these alarms at north.left."""
    return hold_still


@pytest.fixture(scope="session")
def start_again() -> Callable[..., None]:
    """start_again(kept, plan): end the page's server and begin another, as a new run does."""

    def again(kept: Kept, plan: PagePlan = HERE) -> None:
        live, old = kept.live, kept.live.server
        old.stop()
        here = plan.model_copy(update={"port": kept.browser.port})
        live.server = PageServer(here, kept.journal, live.board, live.desk, tokens=old.tokens)
        live.server.start()
        assert live.server.up.wait(10)

    return again


@pytest.fixture(scope="session")
def very_cold() -> dict[str, AlarmState]:
    """An alarm of priority 1, for `still`."""
    text = "Base very cold: 11.8 °C, limit 12.0 °C"
    held = AlarmState(
        state="UNACK", under="UNACK", priority=1, raised_utc_s=1_772_500_000.0, text=text
    )
    return {"base_very_cold": held}
