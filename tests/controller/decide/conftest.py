"""A site small enough to turn by hand, and trays of compost to close the loop on."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, isnan, nan, pi, sin
from random import Random
from typing import Any

import pytest

from config.model import Site
from controller.decide import build_aims, initial_state, step
from controller.records import Act, Decision
from sensors.clock import Now
from sensors.readings import BayView, BenchView, Flag, ProbeView, Reading, RelayReport, Snapshot

UTC_S = 1_771_200_000.0  # 2026-02-16T00:00Z
START_S = 5_000.0


def make_site(
    *,
    bays: dict[str, dict[str, Any]] | None = None,
    heat: dict[str, Any] | None = None,
    mister: bool = False,
    tick_s: float = 10.0,
    mat: dict[str, Any] | None = None,
    probes: int = 1,
    **bench: Any,
) -> Site:
    """One bench "north" with bays (default "left"), each with a 100 W mat on 1 m2."""

    def bay(extra: dict[str, Any]) -> dict[str, Any]:
        fitted = [
            {"link": "b", "channel": f"base{n}", "kind": "base_temperature", "name": f"base{n}"}
            for n in range(probes)
        ]
        mats = {"link": "b", "channel": f"mat{extra.get('n', '')}", "power_w": 100.0,
                "area_m2": 1.0, "cutout": "declared", **(mat or {})}  # fmt: skip
        own = {key: value for key, value in extra.items() if key != "n"}
        return {"probes": fitted, "mat": mats, **own}

    named = bays or {"left": {}}
    plan: dict[str, Any] = {
        "bays": {name: bay({"n": n, **extra}) for n, (name, extra) in enumerate(named.items())},
        "heat": {"target_c": 20.0} if heat is None else heat,
        **bench,
    }
    if mister:
        plan["mister"] = {"link": "b", "channel": "mist"}
    return Site.model_validate(
        {
            "site": {
                "name": "Alder Lane Nursery", "timezone": "Europe/Dublin",
                "latitude_deg": 53.3, "longitude_deg": -6.5, "tick_s": tick_s,
            },
            "links": {"b": {"kind": "memory"}},
            "benches": {"north": plan},
        }
    )  # fmt: skip


def probe_view(value: float, now_s: float, name: str = "base0") -> ProbeView:
    flag = Flag.MISSING if isnan(value) else Flag.PASS
    reading = Reading(f"north.left.{name}", "base_temperature", value, "degC", value, now_s, flag)
    return ProbeView(reading, 0.0)


def bay_view(base_c: float, now_s: float, *, usable: int | None = None, fitted: int = 1) -> BayView:
    found = (0 if isnan(base_c) else fitted) if usable is None else usable
    probes = tuple(probe_view(base_c, now_s, f"base{n}") for n in range(fitted))
    return BayView(base_c, base_c, 0.0, found, fitted, probes)


def bench_view(bays: dict[str, BayView], top_c: float = 15.0, rh_pct: float = 85.0) -> BenchView:
    return BenchView(top_c, rh_pct, 0.3, top_c - 2.5, top_c - 1.5, nan, nan, bays, ())


class Rig:
    """A site, its state and the time; `tick` is one step with readings as given."""

    def __init__(self, site: Site, batches: tuple[Any, ...] = (), utc_s: float = UTC_S) -> None:
        self.site = site
        self.batches = batches
        self.state = initial_state()
        self.mono_s = START_S
        self.shift_s = utc_s - START_S
        self.trusted = True
        self.decision: Decision | None = None
        self.aims = build_aims(site, batches, self.now)
        self.dt_s = site.site.tick_s

    @property
    def now(self) -> Now:
        return Now(self.mono_s + self.shift_s, self.mono_s, self.trusted)

    @property
    def bay(self) -> Any:
        return self.state.bays["north", "left"]

    def teach(self, **learned: float) -> None:
        """Let the bay have learned something."""
        key = "north", "left"
        bays = {**self.state.bays, key: replace(self.state.bays[key], **learned)}
        self.state = replace(self.state, bays=bays)

    def snapshot(
        self, base_c: float | dict[str, float], top_c: float = 15.0, **bay: Any
    ) -> Snapshot:
        bases = base_c if isinstance(base_c, dict) else dict.fromkeys(
            self.site.benches["north"].bays, base_c
        )  # fmt: skip
        views = {name: bay_view(value, self.mono_s, **bay) for name, value in bases.items()}
        reports: dict[str, RelayReport] = {}
        return Snapshot({"north": bench_view(views, top_c)}, {}, reports)

    def tick(
        self,
        base_c: float | dict[str, float] = 20.0,
        top_c: float = 15.0,
        acts: tuple[Act, ...] = (),
        **bay: Any,
    ) -> Decision:
        snapshot = self.snapshot(base_c, top_c, **bay)
        self.state, self.decision = step(self.aims, self.state, snapshot, self.now, acts)
        self.mono_s += self.dt_s
        return self.decision

    def hold(self, seconds: float, *args: Any, **kwargs: Any) -> Decision:
        """Tick on with unchanged readings."""
        decision = self.tick(*args, **kwargs)
        for _ in range(int(seconds / self.dt_s) - 1):
            decision = self.tick(*args, **kwargs)
        return decision


class Tray:
    """Layers of compost on a mat by 1-D conduction; a test plant of its own, per m2.

    Not the simulated bench: written apart from it, with other simplifications (air without mass).
    """

    def __init__(
        self,
        *,
        watts: float,
        depth_m: float,
        probe_mm: float,
        layers: int = 5,
        conduct: float = 0.40,
        heat_j_m3k: float = 3.0e6,
        mat_j: float = 8e3,
        below: float = 1.1,
        surface: float = 12.0,
        cover: float = 8.0,
        start_c: float = 12.0,
        noise_k: float = 0.03,
        seed: int = 1,
    ) -> None:
        thick = depth_m / layers
        self.watts, self.mat_j, self.below = watts, mat_j, below
        self.surface, self.cover = surface, cover
        self.flow = conduct / thick
        self.cell = heat_j_m3k * thick
        self.contact = 1.0 / (1.0 / 60.0 + 0.5 * thick / conduct)
        self.layers = [start_c] * layers
        self.mat_c = self.probe_c = self.top_c = start_c
        place = min(max(probe_mm / 1000.0 / thick - 0.5, 0.0), layers - 1.001)
        self.low, self.share = int(place), place - int(place)
        self.noise_k, self.random = noise_k, Random(seed)

    def step(self, dt_s: float, on: bool, house_c: float, sun_w: float) -> float:
        """Move on by `dt_s`; what a probe in steps of 1/16 K reads."""
        cells = self.layers
        warmth = self.surface * cells[-1] + self.cover * house_c + 0.45 * sun_w
        self.top_c = warmth / (self.surface + self.cover)
        rising = self.contact * (self.mat_c - cells[0])
        lost = self.below * (self.mat_c - house_c)
        self.mat_c += dt_s / self.mat_j * ((self.watts if on else 0.0) - rising - lost)
        for place in range(len(cells) - 1):
            onward = self.flow * (cells[place] - cells[place + 1])
            cells[place] += dt_s / self.cell * (rising - onward)
            rising = onward
        gone = self.surface * (cells[-1] - self.top_c) - 0.2 * sun_w
        cells[-1] += dt_s / self.cell * (rising - gone)
        true_c = cells[self.low] + self.share * (cells[self.low + 1] - cells[self.low])
        self.probe_c += (true_c - self.probe_c) * dt_s / (60.0 + dt_s)
        return round((self.probe_c + self.random.gauss(0.0, self.noise_k)) * 16.0) / 16.0


class CloudySky:
    """A house under cloud: daily wave, fronts, gusts and a little passing sun."""

    def __init__(self, seed: int = 3, mean_c: float = 10.0, sun_w: float = 40.0) -> None:
        self.random = Random(seed)
        self.mean_c, self.sun_w = mean_c, sun_w
        self.phases = (self.random.uniform(0, 6.28), self.random.uniform(0, 6.28))
        self.gust, self.clear = 0.0, 0.5

    def at(self, t_s: float) -> tuple[float, float]:
        """(house degC, sun W/m2)."""
        if t_s % 600.0 < 20.0:
            self.gust += -0.1 * self.gust + self.random.gauss(0.0, 0.18)
            self.clear = min(1.0, max(0.1, self.clear + self.random.gauss(0.0, 0.15)))
        hour = t_s / 3600.0 % 24.0
        sun_w = max(0.0, sin(pi * (hour - 7.0) / 11.0)) * self.sun_w * self.clear
        wave = -2.5 * cos(2.0 * pi * (hour - 4.0) / 24.0)
        front = 1.2 * sin(2.0 * pi * t_s / 285e3 + self.phases[0])
        front += 0.7 * sin(2.0 * pi * t_s / 60e3 + self.phases[1])
        return self.mean_c + wave + front + self.gust + 0.025 * sun_w, sun_w


@pytest.fixture
def make_rig() -> Callable[..., Rig]:
    """Rig(site keywords): see make_site; `batches` and `utc_s` go to the rig."""

    def make(batches: tuple[Any, ...] = (), utc_s: float = UTC_S, **site: Any) -> Rig:
        return Rig(make_site(**site), batches, utc_s)

    return make


@pytest.fixture
def rig() -> Rig:
    """A bench with one bay to be held at 20 degC."""
    return Rig(make_site())


@pytest.fixture
def make_site_file() -> Callable[..., Site]:
    return make_site


@pytest.fixture
def make_tray() -> type[Tray]:
    return Tray


@pytest.fixture
def make_sky() -> type[CloudySky]:
    return CloudySky


class Course:
    """What came of a closed loop: hours to 0.2 K below target, overshoot in the 8 h after, mean
    absolute error from 3 h after on (bases: true base in that time), starts a day."""

    def __init__(self, target_c: float) -> None:
        self.target_c = target_c
        self.reached_s: float | None = None
        self.over_k = 0.0
        self.errors: list[float] = []
        self.bases: list[float] = []
        self.starts = 0
        self.on = False

    def note(self, t_s: float, true_c: float, on: bool) -> None:
        self.starts += on and not self.on
        self.on = on
        error_k = true_c - self.target_c
        if self.reached_s is None and error_k > -0.2:
            self.reached_s = t_s
        if self.reached_s is not None:
            if t_s < self.reached_s + 8 * 3600:
                self.over_k = max(self.over_k, error_k)
            if t_s > self.reached_s + 3 * 3600:
                self.errors.append(abs(error_k))
                self.bases.append(true_c)

    @property
    def error_k(self) -> float:
        return sum(self.errors) / len(self.errors) if self.errors else nan


@pytest.fixture
def close_loop() -> Callable[..., Course]:
    """Run `step` over a tray under a sky: (rig, tray, sky, days) -> Course."""

    def run(rig: Rig, tray: Tray, sky: CloudySky, days: float, target_c: float = 20.0) -> Course:
        course = Course(target_c)
        t_s, dt_s = 0.0, rig.dt_s
        read_c = tray.step(dt_s, False, *sky.at(0.0))
        while t_s < days * 86400:
            on = rig.tick(read_c, tray.top_c).orders[0].lease_s > 0
            read_c = tray.step(dt_s, on, *sky.at(t_s))
            t_s += dt_s
            course.note(t_s, tray.probe_c, on)
        return course

    return run


@pytest.fixture
def close_switch() -> Callable[..., Course]:
    """The same with a plain on/off switch of 0.2 K in place of `step`."""

    def run(tray: Tray, sky: CloudySky, days: float, target_c: float = 20.0) -> Course:
        course = Course(target_c)
        t_s, dt_s, on = 0.0, 20.0, False
        read_c = tray.step(dt_s, False, *sky.at(0.0))
        while t_s < days * 86400:
            on = read_c < target_c + 0.1 if on else read_c < target_c - 0.1
            read_c = tray.step(dt_s, on, *sky.at(t_s))
            t_s += dt_s
            course.note(t_s, tray.probe_c, on)
        return course

    return run
