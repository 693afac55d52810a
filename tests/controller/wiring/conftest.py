"""Simulated benches on wires inside this process, in virtual time, with a person beside them."""

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from config.load import loads
from config.model import Site
from controller.journal.care import Step
from controller.wiring.hands import Hands
from controller.wiring.steps import Book, Saw
from sensors.lines import decode
from sensors.links.memory_link import MemoryLink
from simulator.bench_params import PRESETS
from simulator.clock import VirtualClock
from simulator.faults import make_fault
from simulator.rig import Rig
from simulator.scenario import load_scenario

HEAD = """
site = { name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }
links.board = { kind = "memory" }
[benches.north]
air.probes = [
    { link = "board", channel = "air", kind = "air_temperature" },
    { link = "board", channel = "rh", kind = "humidity" },
]
mister = { link = "board", channel = "mist" }
"""  # noqa: E501
BAY = """
[benches.{bench}.bays.{bay}]
probes = [{probes}]
mat = {{ link = "{link}", channel = "{mat}", power_w = 120, area_m2 = 1.2, cutout = "declared", cutout_c = 35 }}
"""  # noqa: E501


def bay(
    name: str, mat: str, *channels: str, bench: str = "north", link: str = "board"
) -> str:  # fmt: skip
    probes = ", ".join(
        f'{{ link = "{link}", channel = "{one}", kind = "base_temperature" }}' for one in channels
    )
    return BAY.format(bench=bench, bay=name, mat=mat, probes=probes, link=link)


TWO_BAYS = HEAD + bay("left", "mat1", "base1") + bay("right", "mat2", "base2")


class SteppedClock(VirtualClock):
    """Waiting lets the bench live on."""

    live: Callable[[float], None]

    def wait_until(self, mono_s: float) -> None:
        while (left_s := mono_s - self.now().mono_s) > 0.0:
            self.live(min(1.0, left_s))


class OnTheBench:
    """A bench as it really is, and what its bench file says of it.

    text: the bench file.  truth: how it is really wired, where that differs.  orders: (monotonic s,
    {channel: lease}), of every link, oldest first.  at: {mono s: what happens then}.
    """

    def __init__(
        self,
        text: str = TWO_BAYS,
        truth: str = "",
        faults: tuple[tuple[str, str], ...] = (),
        hour: float = 0.0,
        preset: str = "bench",
        before_s: float = 0.0,
        warm_hours: float = 24.0,
    ) -> None:
        self.text = text
        self.site: Site = loads(text, "bench.toml")
        real = loads(truth or text, "truth.toml")
        scenario = load_scenario("alder_lane")
        start_s = scenario.start_utc_s(real) + 3600.0 * hour
        self.rig = Rig(
            real, scenario.sky(real), start_s, params=PRESETS[preset], seed=5, warm_hours=warm_hours
        )
        self.rig.strike(tuple(make_fault(kind, 0.0, None, target) for kind, target in faults))
        self.clock = SteppedClock(start_s)
        self.clock.live = self._live
        self.links = {name: MemoryLink(name, self.clock, history=None) for name in real.links}
        for key, link in self.links.items():
            link.on_line = self.rig.boards[key].receive
        self.at: dict[float, Callable[[], None]] = {}
        self.told: list[str] = []
        self.asked: list[str] = []
        self.book = Book(self.clock, lambda _: None)
        for _ in range(round(before_s)):
            self._live(1.0)

    def _live(self, dt_s: float) -> None:
        self.clock.advance(dt_s)
        now = self.clock.now()
        self.rig.advance(dt_s, now.utc_s)
        for key, link in self.links.items():
            for line in self.rig.boards[key].lines():
                link.feed(line, now.mono_s)
        for due_s in [due_s for due_s in self.at if due_s <= now.mono_s]:
            self.at.pop(due_s)()

    def hands(self) -> Hands:
        return Hands(self.site, self.links, self.clock)

    @property
    def orders(self) -> list[tuple[float, Mapping[str, str]]]:
        sent = [one for link in self.links.values() for one in link.sent]
        return sorted(((at_s, decode(line)[2]) for at_s, line in sent), key=lambda one: one[0])

    def is_off(self) -> bool:
        """Whether every relay was ordered off last, and is."""
        last = {key: value for _, fields in self.orders for key, value in fields.items()}
        boards = self.rig.boards.values()
        return set(last.values()) == {"0"} and not any(
            board.relay_on(channel) for board in boards for channel in board.on_s
        )

    # -- a person beside it ---------------------------------------------------------------------

    def agrees(self, place: str, question: str) -> bool:  # noqa: ARG002
        self.asked.append(place)
        return True

    def saw(self, place: str, question: str) -> Saw:  # noqa: ARG002
        return "yes"

    def tell(self, text: str) -> None:
        self.told.append(text)

    def steps(self, step: str) -> dict[str, Step]:
        """Rows of the record of one kind, by place."""
        return {one.place: one for one in self.book.steps if one.step == step}


@pytest.fixture
def state_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where journals lie in this test."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.delenv("WARMFOOT_JOURNAL", raising=False)
    return tmp_path / "state"


@pytest.fixture
def on_bench() -> type[OnTheBench]:
    """on_bench(text=, truth=, faults=, ...): a bench to be checked."""
    return OnTheBench


class Texts:
    """Bench files to begin from."""

    head, two_bays = HEAD, TWO_BAYS
    bay = staticmethod(bay)


@pytest.fixture
def texts() -> type[Texts]:
    return Texts
