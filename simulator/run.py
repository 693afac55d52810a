"""A rehearsal: the simulated site and the real controller, joined by the wire's own text."""

from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple, Protocol

from config.model import Site
from controller.app import build
from controller.loop import Controller
from controller.records import Decision
from sensors.links.memory_link import MemoryLink
from simulator.bench_params import PRESETS
from simulator.clock import VirtualClock
from simulator.cuttings import Tally
from simulator.faults import Fault, FaultBook
from simulator.grower import Grower
from simulator.rehearsed import as_rehearsed
from simulator.rig import Rig
from simulator.scenario import DAY_S, Scenario
from simulator.truth import BenchTruth, Trace

LIFE_S: Final = 600.0
"""The cuttings live, and the grower looks at what is due, this often."""
GOLDEN: Final = 0.6180339887


class Controlling(Protocol):
    """What a rehearsal needs of a controller."""

    def start(self) -> None: ...

    def tick(self) -> Decision: ...

    def stop(self, reason: str) -> None: ...


class Builder(Protocol):
    """Makes a controller; `controller.app.build` is one."""

    def __call__(
        self,
        site: Site,
        *,
        clock: VirtualClock,
        journal: Path | str,
        links: dict[str, MemoryLink],
        site_text: str,
        durable: bool,
        threaded: bool,
    ) -> Controlling: ...


def real_builder(
    site: Site,
    *,
    clock: VirtualClock,
    journal: Path | str,
    links: dict[str, MemoryLink],
    site_text: str,
    durable: bool,
    threaded: bool,
) -> Controlling:
    """The controller as the daemon runs it."""
    return build(
        site,
        clock=clock,
        journal=journal,
        links=links,
        site_text=site_text,
        durable=durable,
        threaded=threaded,
    )


class Truth(NamedTuple):
    """What really happened. ticks: decisions made.  lots: per batch number, its cuttings."""

    span_s: float
    ticks: int
    benches: dict[str, BenchTruth]
    lots: dict[int, Tally]


class Rehearsal:
    """One rehearsal. Step it, or `run` it to its end; use it in a `with` block.

    site: bench file.  days: length, by default the scenario's.  seed: of weather and noise, by
    default the scenario's.  tick_s: seconds between decisions, 2 to 30.  journal_path: file that
    the controller writes; taken up where it was left if it is there.  keep_trace: keep a row a
    minute in `trace`.  Raises FaultError at the step in which a fault finds nothing to strike.
    """

    def __init__(
        self,
        site: Site,
        scenario: Scenario,
        *,
        journal_path: Path | str,
        days: float | None = None,
        seed: int | None = None,
        tick_s: float = 10.0,
        site_text: str = "",
        keep_trace: bool = False,
        builder: Builder = real_builder,
    ) -> None:
        self.scenario = scenario if seed is None else scenario._replace(seed=seed)
        self.site = as_rehearsed(site, tick_s)
        self.days = self.scenario.days if days is None else days
        self.tick_s = tick_s
        self.journal_path = Path(journal_path)
        self.trace: list[Trace] | None = [] if keep_trace else None
        self.elapsed_s = 0.0
        self.ticks = 0
        self.links: dict[str, MemoryLink] = {}
        self.controller: Controlling | None = None
        self._site_text = site_text
        self._build = builder
        self._begin_s = self.scenario.start_utc_s(self.site)
        self.clock = VirtualClock(self._begin_s)
        self.rig = Rig(
            self.site,
            self.scenario.sky(self.site),
            self._begin_s,
            params=PRESETS[self.scenario.preset],
            seed=self.scenario.seed,
            warm_hours=self.scenario.warm_hours,
        )
        self.grower = Grower(self.site, self.scenario, self.journal_path)
        self._book = FaultBook(self.scenario.faults)
        self._faults: tuple[Fault, ...] = ()
        self._garbled = 0.0
        self._lines = 0
        self._wires: list[tuple[Callable[[], list[str]], MemoryLink]] = []
        self._life_due_s = 0.0
        self._trace_due_s = 60.0

    # -- life -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Build and start the controller on the rehearsal's journal."""
        self.links = {name: MemoryLink(name, self.clock, history=200) for name in self.rig.boards}
        for name, board in self.rig.boards.items():
            self.links[name].on_line = board.receive
        self._wires = [(b.lines, self.links[name]) for name, b in self.rig.boards.items()]
        self.controller = self._build(
            self.site,
            clock=self.clock,
            journal=self.journal_path,
            links=self.links,
            site_text=self._site_text,
            durable=False,
            threaded=False,
        )
        self.controller.start()

    def stop(self, reason: str = "the rehearsal ended") -> None:
        """Stop the controller in good order. Idempotent."""
        controller, self.controller = self.controller, None
        if controller is not None:
            controller.stop(reason)

    def __enter__(self) -> "Rehearsal":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def run(self, progress: Callable[[float], None] | None = None) -> Truth:
        """Step to the end. progress: called with the days played, once each simulated hour."""
        end_s = self.days * DAY_S - 0.5 * self.tick_s
        told_s = 0.0
        while self.elapsed_s < end_s:
            self.step()
            if progress is not None and self.elapsed_s >= told_s:
                told_s += 3600.0
                progress(self.elapsed_s / DAY_S)
        return self.truth()

    def truth(self) -> Truth:
        """What really happened up to now."""
        benches = {name: bench.truth for name, bench in self.rig.benches.items()}
        return Truth(self.elapsed_s, self.ticks, benches, self.grower.tallies())

    # -- one step ---------------------------------------------------------------------------------

    def step(self) -> Decision | None:
        """Play `tick_s` seconds. Gives the decision made at their end, None without power."""
        dt_s = self.tick_s
        self.elapsed_s = elapsed_s = self.elapsed_s + dt_s
        self.clock.advance(dt_s)
        if elapsed_s >= self._book.until_s:
            self._change_faults(self._book.faults_at(elapsed_s))
        self.rig.advance(dt_s, self._begin_s + elapsed_s)
        if elapsed_s >= self._life_due_s:
            self._live()
        if self.trace is not None and elapsed_s >= self._trace_due_s:
            self._trace_due_s += 60.0
            self._note_trace(self.trace)
        if self.controller is None:
            return None
        for lines, link in self._wires:
            said = lines()
            if said:
                mono_s = self.clock.now().mono_s
                for line in said:
                    link.feed(self._garble(line) if self._garbled else line, mono_s)
        self.ticks += 1
        return self.controller.tick()

    def _live(self) -> None:
        self._life_due_s += LIFE_S
        self.grower.live(self.rig, self.elapsed_s)
        if self.controller is not None:
            self.grower.act(self.elapsed_s, self.clock.now().utc_s, self.rig)

    def _note_trace(self, trace: list[Trace]) -> None:
        weather = self.rig.weather
        for name, bench in self.rig.benches.items():
            model = bench.model
            bases = tuple(model.base_c(i, bench.place) for i in range(len(bench.mats)))
            row = Trace(
                self._begin_s + self.elapsed_s,
                name,
                bases,
                model.air_c,
                model.leaf_c,
                model.rh_pct,
                model.film_kg_m2,
                weather.house_c,
                weather.sun_w_m2,
            )
            trace.append(row)

    # -- faults -----------------------------------------------------------------------------------

    def _change_faults(self, faults: tuple[Fault, ...]) -> None:
        before, self._faults = self._faults, faults
        self.rig.strike(faults)
        for fault in faults:
            if fault not in before and fault.kind == "clock_step":
                self.clock.step_utc(fault.size)
        self._change_links(faults)
        powered = all(fault.kind != "power_cut" for fault in faults)
        if powered is not self.rig.powered:
            self.rig.power(powered)
            if powered:
                self._come_back()
            else:
                self._lose_power()

    def _lose_power(self) -> None:
        """No orderly stop: that is what a power cut is."""
        if isinstance(self.controller, Controller):
            # A daemon commits every minute; in fast time rows wait for up to an hour.
            self.controller.recorder.flush()
        self.controller = None

    def _change_links(self, faults: tuple[Fault, ...]) -> None:
        lost = {fault.target for fault in faults if fault.kind == "link_lost"}
        for name, link in self.links.items():
            if name in lost or "" in lost:
                link.cut()
            elif not link.health().up and self.controller is not None:
                link.mend()
        garbled = [fault.size for fault in faults if fault.kind == "link_garbage"]
        self._garbled = garbled[0] if garbled else 0.0

    def _come_back(self) -> None:
        """Power is back: monotonic time begins anew, and the controller with it."""
        now = self.clock.now()
        self.clock = VirtualClock(now.utc_s, trusted=now.trusted)
        self.start()

    def _garble(self, line: str) -> str:
        """Some of the lines spoilt in the middle, in a fixed pattern."""
        self._lines += 1
        if (self._lines * GOLDEN) % 1.0 >= self._garbled:
            return line
        middle = len(line) // 2
        return f"{line[: middle - 1]}\x15#{line[middle:]}"
