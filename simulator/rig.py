"""A whole site's benches and boards, built from its bench file, and the faults that strike them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, TypeVar

from config.model import Bench, Probe, Relay, Site, mat_id, mister_id, probe_id
from config.recipes import recipe_for
from simulator.bench import BenchModel
from simulator.bench_params import BENCH, BenchParams, fitted
from simulator.board import MAT_LONGEST_S, MIST_LONGEST_S, Read, SimBoard
from simulator.faults import KINDS, Fault, FaultError
from simulator.probes import SimProbe
from simulator.spells import Sky
from simulator.truth import BayTruth, BenchTruth
from simulator.weather import Weather

T = TypeVar("T")

USUAL_C: Final = 21.0
"""Base where neither plan nor recipe says: common practice, no source."""
WARM_STEP_S: Final = 30.0
STEP_S: Final = 20.0
"""Longest time for which heat and mist are gathered before the bench moves on by it in one step; it
is never longer than between two readings of a probe."""
DEPTH_MM: Final = 25.0
"""Height of the base probe above the mat, where the bench file does not say."""
FLOW_ML_S_M2: Final = 6.0
"""Flow of the nozzles where the bench file does not say: 5 s give 30 mL/m2, within the 15-65 mL/m2
that ten-day courses of zonal geranium work out to (Horticultural Reviews 44, 2017)."""


@dataclass(slots=True)
class _Switch:
    """A mat or mister on a board. passes: share that gets through; stuck: on for good.

    board: key in `Rig.boards`, "" for another device's switch, which is never on.  on_s: the
    board's, by channel.
    """

    name: str
    board: str
    channel: str
    on_s: Mapping[str, float]
    passes: float = 1.0
    stuck: bool = False
    was_on: bool = False

    @property
    def busy(self) -> bool:
        """Whether there is more to see to than the board's own order."""
        return self.stuck or self.was_on

    def turned(self, on: bool) -> bool:
        """Note whether it is on now; True when that has just begun."""
        begun = on and not self.was_on
        self.was_on = on
        return begun


@dataclass(slots=True)
class RiggedBench:
    """One bench: its model, what is switched on it, where its bases lie, and its true course.

    unseen_s: since the truth was last brought up to now.  waiting_s: since the model last moved;
    heated_s, mist_ml: full heat per mat, and mist, in that time.
    """

    model: BenchModel
    mats: dict[str, _Switch]
    mister: _Switch | None
    flow_ml_s: float
    place: tuple[int, float]
    mats_w: dict[str, float]
    truth: BenchTruth = field(default_factory=BenchTruth)
    unseen_s: float = 0.0
    waiting_s: float = 0.0
    mist_ml: float = 0.0
    heated_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.heated_s = [0.0] * len(self.mats)

    def look(self) -> None:
        """Bring the truth up to now."""
        truth, model, dt_s = self.truth, self.model, self.unseen_s
        self.unseen_s = 0.0
        truth.span_s += dt_s
        truth.wet_s = model.wet_s
        truth.dry_kpa_s = model.dry_kpa_s
        for index, bay in enumerate(truth.bays.values()):
            bay.add(dt_s, model.base_c(index, self.place))


class Rig:
    """Benches, boards and probes of a site that `as_rehearsed` has made.

    sky: weather of the house.  utc_s: when it starts.  seed: for the probes' noise.  boards: by
    link name, or "link/node" where the bench file names a node.  pace: how much faster than the
    boards' own clocks the benches live.  warm_hours: for so long before the start each bay was kept
    at its target; 0 begins as cold as the house.  Probes and relays that are other devices' topics
    are left out; `left_out` names them.
    Raises FaultError (from `strike`) for a target that the site does not have.
    """

    def __init__(
        self,
        site: Site,
        sky: Sky,
        utc_s: float,
        *,
        params: BenchParams = BENCH,
        seed: int = 1,
        pace: float = 1.0,
        warm_hours: float = 0.0,
    ) -> None:
        self.site = site
        self._sky = sky
        self.weather: Weather = sky.at(utc_s)
        self.powered = True
        self.left_out: list[str] = []
        self._weather_s = utc_s // 60.0 * 60.0
        self._played_s = 0.0
        self._pace = pace
        self.benches = {
            name: _rigged(bench, params, self.weather) for name, bench in site.benches.items()
        }
        for name, bench in site.benches.items():
            _warm_up(self.benches[name].model, _held(bench), sky, utc_s, warm_hours)
        self.probes: dict[str, SimProbe] = {}
        channels: dict[str, dict[str, Read]] = {}
        self._every_s: dict[str, dict[str, float]] = {}
        for name, bench in site.benches.items():
            self._fit_probes(name, bench, channels, seed)
        relays = self._fit_relays()
        self.boards = {
            key: SimBoard(
                channels.get(key, {}),
                relays.get(key, {}),
                name=key.replace("/", "-"),
                every_s=self._every_s.get(key, {}),
            )
            for key in dict.fromkeys([*channels, *relays])
        }
        self._step_s = min([STEP_S, *(s for own in self._every_s.values() for s in own.values())])
        self._join_switches()
        self._boards = tuple(self.boards.values())
        self._benches = tuple(self.benches.values())
        self._faults: tuple[Fault, ...] = ()

    # -- time -------------------------------------------------------------------------------------

    def advance(self, dt_s: float, utc_s: float) -> None:
        """Let `dt_s` seconds pass, up to `utc_s`."""
        self._played_s += dt_s
        if not 0.0 <= utc_s - self._weather_s < 60.0:
            self._weather_s = utc_s // 60.0 * 60.0
            self.weather = self._sky.at(utc_s)
        pace = self._pace
        for board in self._boards:
            board.advance(dt_s / pace)
        for bench in self._benches:
            self._advance_bench(bench, dt_s)

    def _advance_bench(self, bench: RiggedBench, dt_s: float) -> None:
        heated_s = bench.heated_s
        for index, mat in enumerate(bench.mats.values()):
            on_s = mat.on_s[mat.channel]
            if on_s or mat.busy:
                heated_s[index] += self._heat(bench, mat, on_s, dt_s)
        mister = bench.mister
        if mister is not None:
            on_s = mister.on_s[mister.channel]
            if on_s or mister.busy:
                bench.mist_ml += self._mist(bench, mister, on_s, dt_s)
        step_s = bench.waiting_s + dt_s
        if step_s + dt_s <= self._step_s:
            bench.waiting_s = step_s
            return
        shares = [one_s / step_s for one_s in heated_s]
        bench.model.advance(step_s, shares, bench.mist_ml, self.weather)
        bench.waiting_s = bench.mist_ml = 0.0
        bench.heated_s = [0.0] * len(shares)
        bench.unseen_s += step_s
        if bench.unseen_s >= 60.0:
            bench.look()

    def _heat(self, bench: RiggedBench, mat: _Switch, on_s: float, dt_s: float) -> float:
        """Seconds of full heat that a mat gives in `dt_s`, counted in the truth."""
        heated_s = on_s * self._pace
        if mat.stuck and self.powered:
            heated_s = dt_s
        truth = bench.truth.bays[mat.name]
        truth.starts += mat.turned(heated_s > 0.0)
        heated_s *= mat.passes
        truth.mat_j += heated_s * bench.mats_w[mat.name]
        return heated_s

    def _mist(self, bench: RiggedBench, mister: _Switch, on_s: float, dt_s: float) -> float:
        """Millilitres that leave the nozzles, counted in the truth."""
        if mister.stuck and self.powered:
            on_s = dt_s / self._pace
        truth = bench.truth
        truth.bursts += mister.turned(on_s > 0.0)
        mist_ml = on_s * bench.flow_ml_s * mister.passes
        truth.mist_l += mist_ml * 0.001
        return mist_ml

    def base_c(self, bench: str, bay: str) -> float:
        """True base of a bay at cutting depth, degC."""
        rigged = self.benches[bench]
        return rigged.model.base_c(list(rigged.mats).index(bay), rigged.place)

    def power(self, on: bool) -> None:
        """Take the site's power away, or give it back: boards then start anew."""
        if on is not self.powered:
            for board in self.boards.values():
                board.power_up()
        self.powered = on

    # -- faults -----------------------------------------------------------------------------------

    def strike(self, faults: tuple[Fault, ...]) -> None:
        """Make exactly these faults stand; links' and the whole site's are the caller's."""
        begun = [fault for fault in faults if fault not in self._faults]
        ended = [fault for fault in self._faults if fault not in faults]
        self._faults = faults
        for fault in ended:
            self._apply(fault, begins=False)
        for fault in begun:
            self._apply(fault, begins=True)

    def _apply(self, fault: Fault, *, begins: bool) -> None:
        on = KINDS[fault.kind].on
        if on in ("probe", "humidity"):
            self.probe_for(fault).strike(fault if begins else None)
        elif on in ("mat", "mister"):
            switch = self._mat_for(fault) if on == "mat" else self._mister_for(fault)
            stuck = fault.kind in ("relay_welded", "valve_open")
            switch.stuck = stuck and begins
            if not stuck:
                switch.passes = fault.size if begins else 1.0
        elif fault.kind == "lid_open":
            self._bench_for(fault).model.lid_open = begins
        elif fault.kind == "watering" and begins:
            self._bench_for(fault).model.water(fault.size, self.weather.house_c)

    def probe_for(self, fault: Fault) -> SimProbe:
        """The probe a fault strikes: the one named, else the first of a fitting kind."""
        if fault.target:
            return _named(self.probes, fault)
        wanted = "humidity" if KINDS[fault.kind].on == "humidity" else "base_temperature"
        found = [probe for probe in self.probes.values() if probe.kind == wanted]
        if not found:
            raise FaultError(f"fault {fault.kind}: the site has no {wanted} probe to strike")
        return found[0]

    def _mat_for(self, fault: Fault) -> _Switch:
        mats = {
            mat_id(name, bay): switch
            for name, bench in self.benches.items()
            for bay, switch in bench.mats.items()
        }
        return _named(mats, fault)

    def _mister_for(self, fault: Fault) -> _Switch:
        found = {mister_id(n): b.mister for n, b in self.benches.items() if b.mister is not None}
        return _named(found, fault)

    def _bench_for(self, fault: Fault) -> RiggedBench:
        return _named(self.benches, fault)

    # -- building ---------------------------------------------------------------------------------

    def _fit_relays(self) -> dict[str, dict[str, float]]:
        """Relay channels of each board, with the longest it lets each be on by one order."""
        found: dict[str, dict[str, float]] = {}
        for name, bench in self.benches.items():
            switches = [(mat_id(name, bay), mat, MAT_LONGEST_S) for bay, mat in bench.mats.items()]
            if bench.mister is not None:
                switches.append((mister_id(name), bench.mister, MIST_LONGEST_S))
            for relay, switch, longest_s in switches:
                if switch.board:
                    found.setdefault(switch.board, {})[switch.channel] = longest_s
                else:
                    self.left_out.append(relay)
        return found

    def _join_switches(self) -> None:
        for bench in self.benches.values():
            for switch in (*bench.mats.values(), bench.mister):
                if switch is not None and switch.board:
                    switch.on_s = self.boards[switch.board].on_s

    def _fit_probes(
        self, name: str, bench: Bench, channels: dict[str, dict[str, Read]], seed: int
    ) -> None:
        model = self.benches[name].model
        truths: dict[str, Callable[[], float]] = {
            "air_temperature": lambda: model.air_c,
            "humidity": lambda: model.rh_pct,
            "house_temperature": lambda: self.weather.house_c,
            "light": lambda: self.weather.sun_w_m2,
            "water_meter": lambda: 1000.0 * self.benches[name].truth.mist_l,
        }

        def fit(bay: str | None, probe: Probe, truth: Callable[[], float]) -> None:
            key = probe_id(name, bay, probe)
            board = _board_key(probe)
            if not board or probe.channel is None:
                self.left_out.append(key)
                return
            # The bench file's corrections are right: what the probe says is wrong by as much.
            offset = -(probe.offset_pct if probe.kind == "humidity" else probe.offset_c)
            made = SimProbe(key, probe.kind, truth, lambda: model.air_c, seed=seed, offset=offset)
            self.probes[key] = made
            channels.setdefault(board, {})[probe.channel] = lambda: made.read(self._played_s)
            self._every_s.setdefault(board, {})[probe.channel] = probe.every_s

        for index, (bay_name, bay) in enumerate(bench.bays.items()):
            for probe in bay.probes:
                place = model.at_height(DEPTH_MM if probe.height_mm is None else probe.height_mm)
                if probe.kind == "base_temperature":
                    fit(bay_name, probe, _base_at(model, index, place))
                else:
                    fit(bay_name, probe, truths[probe.kind])
        for probe in bench.air.probes:
            fit(None, probe, truths[probe.kind])


def _base_at(model: BenchModel, bay: int, place: tuple[int, float]) -> Callable[[], float]:
    return lambda: model.base_c(bay, place)


def _rigged(bench: Bench, params: BenchParams, weather: Weather) -> RiggedBench:
    own = fitted(params, [(bay.mat.power_w, bay.mat.area_m2) for bay in bench.bays.values()])
    model = BenchModel(own, start_c=weather.house_c)
    mats = {name: _switch(name, bay.mat, name) for name, bay in bench.bays.items()}
    mister = None
    flow_ml_s = FLOW_ML_S_M2 * own.area_m2
    if bench.mister is not None:
        mister = _switch("", bench.mister, "mist")
        flow_ml_s = bench.mister.flow_ml_per_s or flow_ml_s
    mats_w = {name: bay.mat.power_w for name, bay in bench.bays.items()}
    truth = BenchTruth({name: _bay_truth(bench, name) for name in bench.bays})
    place = model.at_height(DEPTH_MM)
    return RiggedBench(model, mats, mister, flow_ml_s, place, mats_w, truth)


def _switch(name: str, relay: Relay, channel: str) -> _Switch:
    channel = relay.channel or channel
    return _Switch(name, _board_key(relay), channel, {channel: 0.0})


def _target_c(bench: Bench, bay: str) -> float:
    """What the bay is held at before a batch is on it: its plan, else the bench's recipe."""
    asked_c = bench.heat_for(bay).target_c
    if asked_c is None and bench.recipe:
        asked_c = recipe_for(bench.recipe).base_target_c
    return asked_c or USUAL_C


def _held(bench: Bench) -> list[tuple[float, float]]:
    """Per bay: its target, degC, and the height of its first base probe, mm."""
    heights = [
        next((p.height_mm for p in bay.probes if p.kind == "base_temperature"), None)
        for bay in bench.bays.values()
    ]
    return [
        (_target_c(bench, bay), DEPTH_MM if height is None else height)
        for bay, height in zip(bench.bays, heights, strict=True)
    ]


def _warm_up(
    model: BenchModel, held: list[tuple[float, float]], sky: Sky, utc_s: float, hours: float
) -> None:
    """Live through the hours before `utc_s`, mats on while the base is below its target."""
    places = [(target_c, model.at_height(height_mm)) for target_c, height_mm in held]
    for step in range(-round(hours * 3600.0 / WARM_STEP_S), 0):
        shares = [
            float(model.base_c(bay, place) < target_c)
            for bay, (target_c, place) in enumerate(places)
        ]
        model.advance(WARM_STEP_S, shares, 0.0, sky.at(utc_s + step * WARM_STEP_S))
    model.wet_s = model.dry_kpa_s = 0.0


def _bay_truth(bench: Bench, bay: str) -> BayTruth:
    """Judged against the heat plan where it says, else the usual band of most temperate plants."""
    heat = bench.heat_for(bay)
    middle = heat.target_c or USUAL_C
    return BayTruth(heat.good_low_c or middle - 2.0, middle, heat.good_high_c or middle + 3.0)


def _board_key(wired: Probe | Relay) -> str:
    """Key of the board that a probe or relay is on; "" for another device's topic."""
    if wired.channel is None:
        return ""
    return f"{wired.link}/{wired.node}" if wired.node else wired.link


def _named(known: Mapping[str, T], fault: Fault) -> T:
    """What a fault names, or the first there is."""
    if not known:
        raise FaultError(f"fault {fault.kind}: the site has nothing it could strike")
    if not fault.target:
        return next(iter(known.values()))
    if fault.target not in known:
        raise FaultError(
            f'fault {fault.kind}: there is no "{fault.target}"; there are: {", ".join(known)}'
        )
    return known[fault.target]
