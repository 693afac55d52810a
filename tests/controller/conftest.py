"""A controller on a wire that the test holds the other end of."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from config.load import loads
from controller.app import build
from controller.loop import Controller
from sensors.lines import decode, encode
from sensors.links.memory_link import MemoryLink
from simulator.clock import VirtualClock

ONE_BENCH = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north]
recipe = "semi_ripe"
air.probes = [
    { link = "board", channel = "air", kind = "air_temperature" },
    { link = "board", channel = "rh", kind = "humidity" },
]
mister = { link = "board", channel = "mist" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 120, cutout = "declared", cutout_c = 35 }
"""  # noqa: E501
START_UTC_S = 1_772_452_800.0  # 2026-03-02T12:00Z


class Bench:
    """A controller and its wire. values: what the probes read; None for one that is silent."""

    def __init__(self, text: str, journal: Path, **more: Any) -> None:
        self.text, self.journal = text, journal
        self.clock = VirtualClock(START_UTC_S)
        self.link = MemoryLink("board", self.clock, history=None)
        self.values: dict[str, str | None] = {"base1": "15.00", "air": "12.0", "rh": "80.0"}
        self._more = more
        self._seq = 0
        self.controller = self.build()

    def build(self) -> Controller:
        """Another controller on the same journal, wire and clock."""
        self.controller = build(
            loads(self.text, "bench.toml"),
            clock=self.clock,
            journal=self.journal,
            links={"board": self.link},
            site_text=self.text,
            **self._more,
        )
        return self.controller

    def tick(self, times: int = 1, every_s: float = 10.0) -> None:
        """Feed one line and tick, so many times."""
        for _ in range(times):
            self.clock.advance(every_s)
            self.say("probe", {name: text for name, text in self.values.items() if text})
            self.controller.tick()

    def say(self, word: str, fields: dict[str, str]) -> None:
        """One line from the board."""
        self._seq = (self._seq + 1) % 65536
        self.link.feed(encode(word, self._seq, fields), self.clock.now().mono_s)

    @property
    def orders(self) -> list[dict[str, str]]:
        """Fields of every order sent, oldest first."""
        return [decode(line)[2] for _, line in self.link.sent]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """bench(text=..., threaded=...): one whose controller is built, not yet started."""
    made: list[Bench] = []

    def make(text: str = ONE_BENCH, **more: Any) -> Bench:
        made.append(Bench(text, tmp_path / f"bench{len(made)}.db", **more))
        return made[-1]

    yield make
    for one in made:
        one.controller.stop("test over")
