"""What a grower would otherwise have: thermostat, textbook PI, mist timer, humidity switch.

Each reads the same noisy probes as Warmfoot and decides every tick.
"""

from collections.abc import Callable
from math import nan
from typing import Final, Protocol

import numpy as np
from course import (
    BENCH,
    LATITUDE_DEG,
    LONGITUDE_DEG,
    PLACE,
    TARGET_C,
    TICK_S,
    Case,
    Course,
    Floats,
    Log,
    new_bench,
)

from simulator.bench import BenchModel
from simulator.probes import SimProbe
from simulator.weather import sun_sine

WINDOW_S: Final = 2200.0
SHORTEST_S: Final = 60.0
BURST_S: Final = 6.0


class Heat(Protocol):
    """A rival's mat control. Gives the share of the coming tick that the mat is on."""

    def share(self, elapsed_s: float, base_c: float) -> float: ...


class Mist(Protocol):
    """A rival's mist control. Gives the seconds of mist in the coming tick."""

    def open_s(self, utc_s: float, rh_pct: float) -> float: ...


class Thermostat:
    """On below target - half the width, off above target + half of it."""

    def __init__(self, width_k: float, target_c: float = TARGET_C) -> None:
        self._low_c = target_c - width_k / 2.0
        self._high_c = target_c + width_k / 2.0
        self._on = False

    def share(self, elapsed_s: float, base_c: float) -> float:  # noqa: ARG002
        if base_c < self._low_c:
            self._on = True
        elif base_c > self._high_c:
            self._on = False
        return float(self._on)


class TextbookPI:
    """A PI controller, time-proportioned; its integral stands still while the output is bounded.

    gain: duty per kelvin.  integral_s.  The pulse of each window may end early or late as the duty
    moves, like Warmfoot's; shorter pulses and pauses than `SHORTEST_S` are left out.
    """

    def __init__(self, gain: float, integral_s: float, target_c: float = TARGET_C) -> None:
        self._gain, self._integral_s, self._target_c = gain, integral_s, target_c
        self._integral = 0.0
        self._window = -1
        self._ended = False

    def duty(self, base_c: float, dt_s: float = TICK_S) -> float:
        error_k = self._target_c - base_c
        unbound = self._gain * error_k + self._integral
        if (0.0 < unbound < 1.0) or (unbound >= 1.0) is (error_k < 0.0):
            self._integral += self._gain * error_k * dt_s / self._integral_s
        return min(1.0, max(0.0, unbound))

    def share(self, elapsed_s: float, base_c: float) -> float:
        on_s = self.duty(base_c) * WINDOW_S
        if on_s < SHORTEST_S:
            on_s = 0.0
        elif WINDOW_S - on_s < SHORTEST_S:
            on_s = WINDOW_S
        window, into_s = divmod(elapsed_s, WINDOW_S)
        if window != self._window:
            self._window, self._ended = int(window), False
        on = into_s < on_s and not self._ended
        self._ended = not on
        return float(on)


class MistTimer:
    """A burst every so often by day."""

    def __init__(self, every_s: float = 900.0, burst_s: float = BURST_S) -> None:
        self._every_s, self._burst_s = every_s, burst_s

    def open_s(self, utc_s: float, rh_pct: float) -> float:  # noqa: ARG002
        if utc_s % self._every_s >= TICK_S or sun_sine(utc_s, LATITUDE_DEG, LONGITUDE_DEG) <= 0.0:
            return 0.0
        return self._burst_s


class HumiditySwitch:
    """A burst when the air is drier than a limit, by day and night, with a shortest gap."""

    def __init__(self, low_pct: float = 80.0, gap_s: float = 240.0, burst_s: float = BURST_S):
        self._low_pct, self._gap_s, self._burst_s = low_pct, gap_s, burst_s
        self._last_s = float("-inf")

    def open_s(self, utc_s: float, rh_pct: float) -> float:
        if rh_pct >= self._low_pct or utc_s - self._last_s < self._gap_s:
            return 0.0
        self._last_s = utc_s
        return self._burst_s


class Replay:
    """A mat's shares as they were given in another run; looks at no probe."""

    def __init__(self, shares: Floats) -> None:
        self._shares = shares.tolist()

    def share(self, elapsed_s: float, base_c: float) -> float:  # noqa: ARG002
        """Of the tick that begins at `elapsed_s`; nothing after the last."""
        tick = round(elapsed_s / TICK_S)
        return float(self._shares[tick]) if tick < len(self._shares) else 0.0


class MistReplay:
    """A mister's mL at each tick as they were given in another run; looks at no probe."""

    def __init__(self, mist_ml: Floats, flow_ml_s: float, begin_utc_s: float) -> None:
        self._open_s = (mist_ml / flow_ml_s).tolist()
        self._begin_s = begin_utc_s

    def open_s(self, utc_s: float, rh_pct: float) -> float:  # noqa: ARG002
        tick = round((utc_s - self._begin_s) / TICK_S)
        return float(self._open_s[tick]) if tick < len(self._open_s) else 0.0


class _Probes:
    """The probes that a rival reads, with the noise that Warmfoot's have."""

    def __init__(self, case: Case, model: BenchModel, place: tuple[int, float]) -> None:
        def fit(kind: str, key: str, truth: Callable[[], float]) -> SimProbe:
            return SimProbe(key, kind, truth, lambda: model.air_c, seed=case.seed)

        self._bases = [
            fit("base_temperature", f"{PLACE}.base{i + 1}", lambda: model.base_c(0, place))
            for i in range(case.base_probes)
        ]
        self._humidity = fit("humidity", f"{BENCH}.rh", lambda: model.rh_pct)

    def base_c(self) -> float:
        """Mean of the base probes a tick later."""
        return sum(_read(probe) for probe in self._bases) / len(self._bases)

    def rh_pct(self) -> float:
        return _read(self._humidity)


def _read(probe: SimProbe) -> float:
    probe.advance(TICK_S)
    return float(probe.text() or "nan")


def play(case: Case, heat: Heat, mist: Mist | Floats) -> Course:
    """The bench of a case under a rival. mist: its control, or mL at each tick of another run."""
    model, place = new_bench(case)
    sky, begin_s, flow_ml_s = case.sky(), case.begin_utc_s(), case.flow_ml_s
    if isinstance(mist, np.ndarray):
        mist = MistReplay(mist, flow_ml_s, begin_s)
    probes = _Probes(case, model, place)
    heat_reads, mist_reads = not isinstance(heat, Replay), not isinstance(mist, MistReplay)
    log = Log(case)
    share = 0.0 if heat_reads else heat.share(0.0, nan)
    mist_ml = 0.0 if mist_reads else mist.open_s(begin_s, nan) * flow_ml_s
    for tick in range(1, case.ticks + 1):
        elapsed_s = tick * TICK_S
        utc_s = begin_s + elapsed_s
        weather = sky.at(utc_s)
        model.advance(TICK_S, (share,), mist_ml, weather)
        log.take(model, model.base_c(0, place), weather.house_c, weather.sun_w_m2, share, mist_ml)
        share = heat.share(elapsed_s, probes.base_c() if heat_reads else nan)
        mist_ml = mist.open_s(utc_s, probes.rh_pct() if mist_reads else nan) * flow_ml_s
    return log.course()
