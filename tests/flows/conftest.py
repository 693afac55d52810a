"""The whole chain played: a bench file, a simulated bench, the real controller, wire text."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from config.load import loads
from config.model import Site
from config.recipes import recipe_for
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Act, ActKind
from sensors.lines import decode
from sensors.links.memory_link import MemoryLink
from simulator.faults import Fault
from simulator.run import Controlling, Rehearsal, real_builder
from simulator.scenario import Scenario

BENCH = """
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5
{site}
[links.board]
{link}
[benches.north]
{bench}
[benches.north.air]
probes = [
    {{ link = "board", channel = "air", kind = "air_temperature" }},
    {{ link = "board", channel = "rh", kind = "humidity" }},
    {{ link = "board", channel = "house", kind = "house_temperature" }},
]
[benches.north.bays.left]
probes = [
    {{ link = "board", channel = "base1", kind = "base_temperature" }},
    {{ link = "board", channel = "base2", kind = "base_temperature" }},
]
mat = {{ link = "board", channel = "mat1", power_w = 120, area_m2 = 1.2{mat} }}
[benches.north.mister]
link = "board"
channel = "mist"
flow_ml_per_s = 12.0
area_m2 = 1.2
{more}
"""
CUTOUT = ', cutout = "declared", cutout_c = 35'


def _bench_text(
    site: str = "",
    link: str = 'kind = "memory"',
    bench: str = 'recipe = "semi_ripe"',
    mat: str = CUTOUT,
    more: str = "",
) -> str:
    return BENCH.format(site=site, link=link, bench=bench, mat=mat, more=more)


@pytest.fixture
def bench_text() -> Callable[..., str]:
    """bench_text(site=, link=, bench=, mat=, more=): a bench file; what is given goes into it."""
    return _bench_text


class Play(Rehearsal):
    """A rehearsal that remembers every order seen on the wire.

    orders: (UTC s, {channel: lease text}), oldest first.
    """

    def __init__(self, *args: object, threaded: bool = False, **more: object) -> None:
        super().__init__(*args, builder=self._listening, **more)  # type: ignore[arg-type]
        self.threaded = threaded
        self.orders: list[tuple[float, dict[str, str]]] = []

    def _listening(self, site: Site, *, links: dict[str, MemoryLink], **more: Any) -> Controlling:
        for name, link in links.items():
            link.on_line = self._listener(self.rig.boards[name].receive)
        return real_builder(site, links=links, **{**more, "threaded": self.threaded})

    def _listener(self, receive: Callable[[str], None]) -> Callable[[str], None]:
        def heard(line: str) -> None:
            word, _, fields = decode(line)
            assert word == "order"
            self.orders.append((self.clock.now().utc_s, fields))
            receive(line)

        return heard

    @property
    def utc_s(self) -> float:
        return self.clock.now().utc_s

    @property
    def base_c(self) -> float:
        """True base of the left bay."""
        return self.rig.base_c("north", "left")

    def play(self, hours: float) -> None:
        """Step on by so many hours."""
        for _ in range(round(hours * 3600.0 / self.tick_s)):
            self.step()

    def play_until(self, claim: Callable[[], object], within_h: float) -> float:
        """Step on until `claim`; gives the seconds it took, fails when it took longer."""
        begun_s = self.elapsed_s
        while not claim():
            assert self.elapsed_s - begun_s < within_h * 3600.0, f"not so within {within_h} h"
            self.step()
        return self.elapsed_s - begun_s

    def strike(self, *faults: Fault) -> None:
        """Let exactly these faults of bench and probes stand from the next step on."""
        self.rig.strike(faults)

    def alarm(self, name: str, place: str) -> str:
        """State of an alarm as it is held now."""
        held = self.controller.state.alarms.get((name, place))  # type: ignore[union-attr]
        return str(held.state) if held is not None else "NORM"

    def stick(self, plant: str = "Lavandula angustifolia", kind: str = "softwood") -> int:
        """Stick 40 cuttings in the left bay now, from another program; gives the number."""
        with Journal.open(self.journal_path, site=self.site, durable=False) as journal:
            book = BatchBook(journal, self.site, lambda: self.utc_s)
            made = book.stick(
                plant, kind, "north", "left", 40, self.utc_s, recipe=recipe_for(kind, plant)
            )
        return made.number

    def wean(self, number: int, phase: str) -> None:
        """Enter a phase of a batch now, from another program."""
        with Journal.open(self.journal_path, site=self.site, durable=False) as journal:
            book = BatchBook(journal, self.site, lambda: self.utc_s)
            book.enter(number, "weaned", {"phase": phase}, self.utc_s, "Aoife")

    def close(self, number: int) -> None:
        """Close a batch now, from another program."""
        with Journal.open(self.journal_path, site=self.site, durable=False) as journal:
            book = BatchBook(journal, self.site, lambda: self.utc_s)
            book.close(number, self.utc_s, rooted=0, by="Aoife")

    def saved(self) -> None:
        """Commit what fast time still holds in memory."""
        assert not self.threaded
        self.controller.recorder.flush()  # type: ignore[union-attr]

    def ask(self, kind: str, place: str, **more: object) -> None:
        """Ask something of the controller, as the grower would, and step on."""
        self.controller.ask(Act(kind, place, "Aoife", **more))  # type: ignore[union-attr, arg-type]
        self.step()

    def settle(self, name: str, place: str) -> None:
        """Acknowledge an alarm of the start, so that it is NORM before the test begins."""
        self.ask(ActKind.ACKNOWLEDGE, place, alarm=name)
        assert self.alarm(name, place) == "NORM"

    def alarm_rows(self, name: str, from_s: float = 0.0) -> list[tuple[float, str, str]]:
        """(UTC s, was, state) of every change of an alarm in the journal, oldest first."""
        self.saved()
        with open_reader(self.journal_path) as reader:
            rows = reader.alarms(from_s=from_s)
        return [(r.at_s, r.change.was, r.change.state) for r in rows if r.change.alarm == name]


@pytest.fixture
def played(tmp_path: Path) -> object:
    """played(text, start=, ...): a started Play; all are stopped when the test is over.

    start: local time, "2026-03-02T12:00".  threaded: the journal has a thread, as in a daemon.
    """
    made: list[Play] = []

    def begin(
        text: str = "",
        start: str = "2026-03-02T12:00",
        weather: str = "winter_clear",
        faults: tuple[Fault, ...] = (),
        tick_s: float = 10.0,
        seed: int = 1,
        threaded: bool = False,
        preset: str = "bench",
    ) -> Play:
        text = text or _bench_text()
        plan = Scenario("flow", datetime.fromisoformat(start), 1.0, weather, seed, preset)
        play = Play(
            loads(text, "bench.toml"),
            plan._replace(faults=faults),
            journal_path=tmp_path / f"flow{len(made)}.db",
            site_text=text,
            tick_s=tick_s,
            threaded=threaded,
        )
        made.append(play)
        play.start()
        return play

    yield begin
    for play in made:
        play.stop()
