"""One run of one bench in one weather: what Warmfoot did, minute by minute and tick by tick.

Everything is read from the true state of the simulated bench, never from a probe.
"""

import tempfile
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import nan
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from config.load import loads
from config.model import Site
from config.recipes import thaw
from controller.gather import live_warmth
from controller.journal.reader import open_reader
from controller.records import AlarmChanged, Decision
from simulator.bench import BenchModel
from simulator.bench_params import PRESETS, BenchParams, fitted
from simulator.faults import Fault
from simulator.film import saturation_kpa
from simulator.rig import DEPTH_MM, FLOW_ML_S_M2
from simulator.run import Rehearsal
from simulator.scenario import Note, Scenario, Stick, WeatherSpell
from simulator.spells import Sky
from simulator.weather import sun_sine

Floats = NDArray[np.float64]
TICK_S: Final = 10.0
TICKS: Final = 6
"""Ticks in a minute."""
DAY_S: Final = 86400.0
TARGET_C: Final = 20.0
LOW_C: Final = 18.0
HIGH_C: Final = 21.0
HOT_C: Final = 23.0
BENCH: Final = "trial"
BAY: Final = "bay"
PLACE: Final = f"{BENCH}.{BAY}"
MAT: Final = f"{PLACE}.mat"
LATITUDE_DEG: Final = 53.3
LONGITUDE_DEG: Final = -6.5
STARTS: Final = {
    "winter_clear": "2026-01-12", "winter_dull": "2026-01-12", "frost": "2026-02-02",
    "spring_mixed": "2026-03-16", "spring_bright": "2026-04-13", "summer_mild": "2026-06-15",
    "hot_spell": "2026-07-06", "autumn_damp": "2026-10-12", "autumn_gales": "2026-10-26",
    "steady": "2026-11-16",
}  # fmt: skip
"""Evening on which each weather begins, 18:00 local, so that the warm-up has no sun in it."""
SUNLESS: Final = ("winter_dull", "autumn_damp", "steady")
"""Weathers judged as cloud."""


@dataclass(frozen=True)
class Case:
    """One bench in one weather. days: judged, counted from the start.

    base_probes: how many lie in the bay.  heat: the bench file's heat plan, as TOML.  tariff:
    lines of the bench file's tariff, "" for none.
    """

    bench: str = "bench"
    weather: str = "spring_mixed"
    days: float = 3.0
    seed: int = 7
    base_probes: int = 2
    heat: str = f"target_c = {TARGET_C}, good_low_c = {LOW_C}, good_high_c = {HIGH_C}"
    faults: tuple[Fault, ...] = ()
    spells: tuple[WeatherSpell, ...] = ()
    start: str = ""
    tariff: str = ""

    @property
    def ticks(self) -> int:
        return round(self.days * DAY_S / TICK_S)

    @property
    def params(self) -> BenchParams:
        mat = PRESETS[self.bench].bays[0]
        return fitted(PRESETS[self.bench], [(mat.mat_w, mat.area_m2)])

    @property
    def mat_w(self) -> float:
        return self.params.bays[0].mat_w

    @property
    def flow_ml_s(self) -> float:
        """Of the mister, as the rig takes it where the bench file does not say."""
        return FLOW_ML_S_M2 * self.params.area_m2

    def site_text(self) -> str:
        """A bench file: one bay, one mister, air, humidity and house probes."""
        mat = self.params.bays[0]
        bases = ", ".join(
            f'{{ link = "board", channel = "base{i + 1}", kind = "base_temperature" }}'
            for i in range(self.base_probes)
        )
        return (
            f"""
site = {{ name = "Trial", timezone = "Europe/Dublin", latitude_deg = {LATITUDE_DEG},
    longitude_deg = {LONGITUDE_DEG} }}
links.board = {{ kind = "memory" }}
[benches.{BENCH}]
recipe = "semi_ripe"
heat = {{ {self.heat} }}
[benches.{BENCH}.air]
probes = [
    {{ link = "board", channel = "air", kind = "air_temperature" }},
    {{ link = "board", channel = "rh", kind = "humidity" }},
    {{ link = "board", channel = "house", kind = "house_temperature" }},
]
[benches.{BENCH}.bays.{BAY}]
probes = [{bases}]
mat = {{ link = "board", channel = "mat1", power_w = {mat.mat_w}, area_m2 = {mat.area_m2},
    cutout = "declared", cutout_c = 35 }}
[benches.{BENCH}.mister]
link = "board"
channel = "mist"
area_m2 = {mat.area_m2}
""".replace(",\n    ", ", ")
            + (f"[tariff]\n{self.tariff}\n" if self.tariff else "")
        )

    def site(self) -> Site:
        return loads(self.site_text(), "trial.toml")

    def scenario(self) -> Scenario:
        """One batch stuck at the start, which has callus after a third of the time."""
        stick = Stick(
            0.0, "Trial shrub", "semi_ripe", "semi_ripe", BENCH, BAY, "1", 100, 900.0, 900.0, 1,
            0.0, {},
        )  # fmt: skip
        callus = Note(self.days * DAY_S / 3.0, 1, "weaned", {"phase": "callus"}, "")
        start = self.start or STARTS[self.weather]
        return Scenario(
            title=f"{self.bench}, {self.weather}",
            start=datetime.fromisoformat(f"{start}T18:00:00"),
            days=self.days,
            weather=self.weather,
            seed=self.seed,
            preset=self.bench,
            sticks=(stick,),
            notes=(callus,),
            faults=self.faults,
            spells=self.spells,
        )

    def begin_utc_s(self) -> float:
        return self.scenario().start_utc_s(self.site())

    def sky(self) -> Sky:
        return self.scenario().sky(self.site())


@dataclass
class Course:
    """Means of each minute of true values, and what mat and mister did at each tick.

    base_c, top_c: degC.  deficit_kpa: leaf to air.  wet: share of the minute with wet leaves.
    night: sun below the horizon.  house_c.  share: of each tick that the mat was on.  mist_ml:
    given in each tick.  target_c: Warmfoot's in force, NaN for others.
    """

    case: Case
    base_c: Floats
    top_c: Floats
    deficit_kpa: Floats
    wet: Floats
    night: NDArray[np.bool_]
    house_c: Floats
    sun_w_m2: Floats
    share: Floats
    mist_ml: Floats
    target_c: Floats
    alarms: list[tuple[float, AlarmChanged]] = field(default_factory=list)
    warmth_kh: float = nan
    """As the journal has it."""
    warmth_true_kh: float = nan

    @property
    def kwh(self) -> float:
        return float(self.share.sum()) * TICK_S * self.case.mat_w / 3.6e6

    @property
    def starts(self) -> int:
        on = self.share > 0.0
        return int(on[0]) + int((~on[:-1] & on[1:]).sum())

    def raised(self, name: str, after_s: float = 0.0) -> float:
        """Seconds from the start at which an alarm was first raised after a time; NaN: never."""
        times = [
            at_s
            for at_s, change in self.alarms
            if change.alarm == name and change.state == "UNACK" and at_s >= after_s
        ]
        return min(times, default=nan)


class Log:
    """Takes down a bench at every tick."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self._base, self._air, self._deficit = array("d"), array("d"), array("d")
        self._wet, self._house, self._sun = array("d"), array("d"), array("d")
        self._share, self._mist, self._target = array("d"), array("d"), array("d")
        self._wet_s = 0.0
        self.alarms: list[tuple[float, AlarmChanged]] = []

    def take(
        self,
        model: BenchModel,
        base_c: float,
        house_c: float,
        sun_w_m2: float,
        share: float,
        mist_ml: float,
        target_c: float = nan,
    ) -> None:
        self._base.append(base_c)
        self._air.append(model.air_c)
        self._deficit.append(saturation_kpa(model.leaf_c) - model.vapour_kpa)
        self._wet.append(model.wet_s - self._wet_s)
        self._wet_s = model.wet_s
        self._house.append(house_c)
        self._sun.append(sun_w_m2)
        self._share.append(share)
        self._mist.append(mist_ml)
        self._target.append(target_c)

    def course(self) -> Course:
        begin_s = self.case.begin_utc_s()
        minutes = len(self._base) // TICKS
        night = [
            sun_sine(begin_s + 60.0 * m + 30.0, LATITUDE_DEG, LONGITUDE_DEG) <= 0.0
            for m in range(minutes)
        ]
        return Course(
            self.case,
            _minutes(self._base),
            _minutes(self._air),
            _minutes(self._deficit),
            _minutes(self._wet) / TICK_S,
            np.array(night),
            _minutes(self._house),
            _minutes(self._sun),
            np.array(self._share),
            np.array(self._mist),
            _minutes(self._target),
            self.alarms,
        )


def _minutes(values: Sequence[float]) -> Floats:
    whole = len(values) // TICKS * TICKS
    means: Floats = np.array(values[:whole]).reshape(-1, TICKS).mean(axis=1)
    return means


class Watched:
    """A rehearsal that is taken down at every step."""

    def __init__(self, case: Case, folder: Path) -> None:
        self.case = case
        text = case.site_text()
        self.rehearsal = Rehearsal(
            case.site(),
            case.scenario(),
            journal_path=folder / "trial.db",
            tick_s=TICK_S,
            site_text=text,
        )
        self.log = Log(case)
        self._mat_j = self._mist_l = 0.0

    @property
    def model(self) -> BenchModel:
        return self.rehearsal.rig.benches[BENCH].model

    def step(self) -> Decision | None:
        rehearsal = self.rehearsal
        decision = rehearsal.step()
        rigged = rehearsal.rig.benches[BENCH]
        truth = rigged.truth
        bay = truth.bays[BAY]
        share = (bay.mat_j - self._mat_j) / (TICK_S * rigged.mats_w[BAY])
        mist_ml = (truth.mist_l - self._mist_l) * 1000.0
        self._mat_j, self._mist_l = bay.mat_j, truth.mist_l
        weather = rehearsal.rig.weather
        base_c = rigged.model.base_c(0, rigged.place)
        target_c = nan if decision is None else decision.bays[0].target_c
        self.log.take(
            rigged.model, base_c, weather.house_c, weather.sun_w_m2, share, mist_ml, target_c
        )
        if decision is not None and decision.alarms:
            self.log.alarms += [(rehearsal.elapsed_s, change) for change in decision.alarms]
        return decision


def play_warmfoot(case: Case) -> Course:
    """The real controller, through the wire, on a journal of its own."""
    with tempfile.TemporaryDirectory() as folder:
        watched = Watched(case, Path(folder))
        with watched.rehearsal:
            for _ in range(case.ticks):
                watched.step()
        course = watched.log.course()
        course.warmth_kh, course.warmth_true_kh = _warmths(watched, course)
    return course


def warmth_kh(base_c: Floats, floor_c: float = 10.0, cap_c: float = 25.0) -> float:
    """Degree-hours of minute values: trapezoid sum of the base between floor and cap."""
    gained = np.clip(base_c, floor_c, cap_c) - floor_c
    return float((gained[:-1] + gained[1:]).sum()) / 2.0 / 60.0


def _warmths(watched: Watched, course: Course) -> tuple[float, float]:
    """(journal's, true) warmth of batch 1 over the minutes that the journal covers."""
    rehearsal = watched.rehearsal
    with open_reader(rehearsal.journal_path) as reader:
        batch = reader.batches()[0]
        live = live_warmth(reader, batch, thaw(batch.recipe_json)).warmth()
        last_s = reader.last_minute_s() or 0
    begin_s = course.case.begin_utc_s()
    # A minute that the journal calls t begins at UTC t; minute i of the course begins at begin + i.
    first = max(0, int(-(-(batch.stuck_s - begin_s) // 60)))
    last = int((last_s - begin_s) // 60)
    return live.degree_hours, warmth_kh(course.base_c[first : last + 1])


def new_bench(case: Case) -> tuple[BenchModel, tuple[int, float]]:
    """The bench of a case as a rehearsal finds it at its start, and where its base is."""
    model = BenchModel(case.params, start_c=case.sky().at(case.begin_utc_s()).house_c)
    return model, model.at_height(DEPTH_MM)
