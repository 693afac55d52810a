"""A rehearsal that keeps the evidence: the whole chain in fast time, with a fault in it."""

import sqlite3
import time
from collections.abc import Callable, Generator
from contextlib import closing
from datetime import datetime
from math import inf, isfinite
from pathlib import Path
from typing import Any, Final

from evidence import Due, Evidence, Look, Order, Shown, Turn

from config import bounds
from config.load import loads
from config.model import Site, mat_id, mister_id
from config.recipes import recipe_for
from controller.journal.batches import BatchBook
from controller.journal.writer import Journal
from controller.loop import Controller
from controller.page.moment import Board
from controller.records import Act, Decision
from sensors.lines import decode
from sensors.links.memory_link import MemoryLink
from simulator.board import MAT_LONGEST_S, MIST_LONGEST_S
from simulator.faults import Fault
from simulator.run import Controlling, Rehearsal, real_builder
from simulator.scenario import Scenario

BENCH: Final = """
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5
{site}
[links.board]
kind = "memory"
[benches.north]
recipe = "semi_ripe"
{bench}
air.probes = [
    {{ link = "board", channel = "air", kind = "air_temperature" }},
    {{ link = "board", channel = "rh", kind = "humidity" }},
    {{ link = "board", channel = "house", kind = "house_temperature" }},
    {air}
]
mister = {{ link = "board", channel = "mist", flow_ml_per_s = 12.0, area_m2 = 1.2 }}
[benches.north.bays.left]
probes = [
    {{ link = "board", channel = "base1", kind = "base_temperature" }},
    {second}
]
[benches.north.bays.left.mat]
link = "board"
channel = "mat1"
power_w = 150
area_m2 = 1.2
cutout = "declared"
cutout_c = 35
{more}
"""
SECOND_PROBE: Final = '{ link = "board", channel = "base2", kind = "base_temperature" },'
SHOWN_EVERY_S: Final = 1800.0
Script = Callable[["Watched"], Generator[float, None, None]]


def bench_text(
    site: str = "", bench: str = "", second: str = SECOND_PROBE, more: str = "", air: str = ""
) -> str:
    """A bench of one bay. second: its second base probe, "" for none.  air: more air probes."""
    return BENCH.format(site=site, bench=bench, second=second, more=more, air=air)


class Watched(Rehearsal):
    """A rehearsal under watch. found: the evidence, complete after `finish`.

    warm_h: the bench was kept warm for so long before.  tick_s: 2 to 20.
    """

    def __init__(
        self,
        folder: Path,
        *,
        text: str = "",
        start: str = "2026-03-02T12:00",
        weather: str = "spring_mixed",
        faults: tuple[Fault, ...] = (),
        seed: int = 1,
        tick_s: float = 10.0,
        warm_h: float = 48.0,
        threaded: bool = False,
    ) -> None:
        text = text or bench_text()
        site = loads(text, "bench.toml")
        moment = datetime.fromisoformat(start)
        scenario = Scenario("fault", moment, 1.0, weather, seed, "bench", warm_hours=warm_h)
        super().__init__(
            site,
            scenario._replace(faults=faults),
            journal_path=folder / "bench.db",
            site_text=text,
            tick_s=tick_s,
            builder=self._listening,  # type: ignore[arg-type]
        )
        self.threaded = threaded
        self.relays: dict[tuple[str, str], str] = {}
        self.found = Evidence(
            self.journal_path, tick_s, utc0_s=self.clock.now().utc_s, excused=_broken(faults)
        )
        for name, bench in self.site.benches.items():
            for bay, plan in bench.bays.items():
                self._know(mat_id(name, bay), plan.mat, MAT_LONGEST_S)
                self.found.mats[f"{name}.{bay}"] = mat_id(name, bay)
                safe = plan.mat.cutout == "declared"
                self.found.limits[f"{name}.{bay}"] = (
                    (bounds.BASE_CEILING_C, bounds.BASE_TRIP_C)
                    if safe
                    else (bounds.BASE_CEILING_NO_CUTOUT_C, bounds.BASE_TRIP_NO_CUTOUT_C)
                )
            if bench.mister is not None:
                self._know(mister_id(name), bench.mister, MIST_LONGEST_S)
                self.found.misters[name] = mister_id(name)
                mist = bench.mist
                self.found.bounds[name] = (
                    bounds.BURST_LONGEST_S,
                    bounds.MIST_HOUR_SHARE,
                    mist.day_budget_s,
                )
        self._on: dict[str, bool] = dict.fromkeys(self.relays.values(), False)
        self._settled_s = 0.0
        self._stepped_s = 0.0
        self._shown_s = 0.0

    def _know(self, relay: str, plan: Any, longest_s: float) -> None:
        self.relays[plan.link, plan.channel] = relay
        self.found.longest_on_s[relay] = longest_s

    # -- the wire -----------------------------------------------------------------------------

    def _listening(self, site: Site, *, links: dict[str, MemoryLink], **more: Any) -> Controlling:
        for name, link in links.items():
            link.on_line = self._listener(name, self.rig.boards[name].receive)
        return real_builder(site, links=links, **{**more, "threaded": self.threaded})

    def _listener(self, board: str, receive: Callable[[str], None]) -> Callable[[str], None]:
        def heard(line: str) -> None:
            self._settle()
            word, _, fields = decode(line)
            assert word == "order", line
            leases_s = {self.relays[board, name]: float(text) for name, text in fields.items()}
            orders = self.found.orders
            if orders and orders[-1].t_s == self.elapsed_s:
                orders[-1].leases_s.update(leases_s)
            else:
                orders.append(Order(self.elapsed_s, leases_s))
            receive(line)
            self._note_turns(self.elapsed_s)

        return heard

    def _settle(self) -> None:
        """Note the relays that let go by themselves in the step that has just been played."""
        if self._settled_s == self.elapsed_s:
            return
        self._settled_s = self.elapsed_s
        for (board, channel), relay in self.relays.items():
            on_s = self.rig.boards[board].on_s[channel]
            if self._on[relay] and not self.rig.boards[board].relay_on(channel):
                self._turn(min(self._stepped_s + on_s, self.elapsed_s), relay, False)

    def _note_turns(self, t_s: float) -> None:
        for (board, channel), relay in self.relays.items():
            on = self.rig.boards[board].relay_on(channel)
            if on is not self._on[relay]:
                self._turn(t_s, relay, on)

    def _turn(self, t_s: float, relay: str, on: bool) -> None:
        self._on[relay] = on
        turns = self.found.turns
        if on and Turn(t_s, relay, False) in turns[-4:]:
            turns.remove(Turn(t_s, relay, False))  # renewed at the very end of its lease
        else:
            turns.append(Turn(t_s, relay, on))

    # -- steps --------------------------------------------------------------------------------

    def step(self) -> Decision | None:
        self._stepped_s = self.elapsed_s
        begun_s = time.perf_counter()
        decision = super().step()
        took_s = time.perf_counter() - begun_s
        self._settle()
        self._note_turns(self.elapsed_s)
        self.found.end_s = self.elapsed_s
        if decision is not None:
            self._look(decision, took_s)
            if self.elapsed_s >= self._shown_s + SHOWN_EVERY_S:
                self.show()
        return decision

    def _look(self, decision: Decision, took_s: float) -> None:
        kept = self.kept
        bays = {f"{d.bench}.{d.bay}": d for d in decision.bays}
        places: dict[str, Any] = {**bays, **{f"{d.bench}.mister": d for d in decision.mist}}
        snapshot = kept.snapshot
        assert snapshot is not None
        views = {p: snapshot.benches[d.bench].bays[d.bay] for p, d in bays.items()}
        numbers = [d.duty for d in decision.bays] + [d.dryness_kpa_min for d in decision.mist]
        numbers += [held.derivative for held in kept.state.bays.values()]
        numbers += [held.film_kpa_min for held in kept.state.mist.values()]
        sums = {b.number: kept.warmths.warmth(b.number) for b in kept.batches}
        look = Look(
            self.elapsed_s,
            self.clock.now().utc_s,
            took_s,
            {p: self.rig.base_c(*p.split(".")) for p in bays},
            {p: view.usable for p, view in views.items()},
            {p: v.hottest_c if isfinite(v.hottest_c) else -inf for p, v in views.items()},
            {p: d.mode for p, d in places.items()},
            {p: d.reason.code for p, d in places.items()},
            tuple(numbers),
            {number: w.sum2_mk_s for number, w in sums.items() if w is not None},
            {number: w.covered_s for number, w in sums.items() if w is not None},
        )
        blind = [p for p, usable in look.usable.items() if not usable]
        for place in blind:
            last = self.found.blind[-1:]
            if last and last[0][2] == place and look.t_s - last[0][1] <= 1.5 * self.tick_s:
                self.found.blind[-1] = (last[0][0], look.t_s, place)
            else:
                self.found.blind.append((look.t_s, look.t_s, place))
        self.found.looks.append(look)

    def show(self) -> None:
        """Keep what the page shows now."""
        self._shown_s = self.elapsed_s
        board, now = Board(), self.clock.now()
        board.put(self.kept, now)
        assert board.latest is not None
        if not self.threaded:
            self.kept.recorder.flush()
        with closing(sqlite3.connect(self.journal_path)) as conn:
            rows = conn.execute(
                "SELECT (SELECT coalesce(max(id), 0) FROM alarm_change), "
                "(SELECT coalesce(max(id), 0) FROM decision)"
            ).fetchone()
        self.found.shown.append(Shown(self.elapsed_s, rows, board.latest.picture()))

    @property
    def kept(self) -> Controller:
        assert isinstance(self.controller, Controller)
        return self.controller

    @property
    def board(self) -> MemoryLink:
        return self.links["board"]

    def play(self, hours: float) -> None:
        """Step on by so many hours."""
        for _ in range(round(hours * 3600.0 / self.tick_s)):
            self.step()

    def ask(self, kind: str, place: str, **more: Any) -> None:
        """As the grower would; it is answered with the next step."""
        self.kept.ask(Act(kind, place, "Aoife", **more))
        self.step()

    def stick(self, kind: str = "softwood", plant: str = "Lavandula angustifolia") -> int:
        """Stick 40 cuttings now, from another program; gives the batch's number."""
        with Journal.open(self.journal_path, site=self.site, durable=False) as journal:
            now_s = self.clock.now().utc_s
            book = BatchBook(journal, self.site, lambda: now_s)
            made = book.stick(
                plant, kind, "north", "left", 40, now_s, recipe=recipe_for(kind, plant)
            )
        return made.number

    # -- the machine --------------------------------------------------------------------------

    def kill(self) -> None:
        """End the controller as SIGKILL does; boards and bench go on."""
        self._lose_power()

    def restart(self) -> None:
        """Start it anew on the same journal; by its own monotonic clock, as after a boot."""
        self._come_back()

    def _lose_power(self) -> None:
        self._gone_s = self.elapsed_s
        super()._lose_power()

    def _come_back(self) -> None:
        super()._come_back()
        self.found.away.append((self._gone_s, self.elapsed_s))

    def finish(self, dues: tuple[Due, ...] = (), returns_s: float = inf) -> Evidence:
        """Stop it and give the evidence."""
        if self.controller is not None:
            if not self.threaded:
                self.show()
            self.stop("the run ended")
        self.found.dues += dues
        self.found.returns_s = min(self.found.returns_s, returns_s)
        return self.found


def _broken(faults: tuple[Fault, ...]) -> frozenset[str]:
    """Relays whose own switch the faults break."""
    welded = {f.target or "north.left.mat" for f in faults if f.kind == "relay_welded"}
    return frozenset(welded | {"north.mister" for f in faults if f.kind == "valve_open"})
