"""Probes as they are: slow, noisy, off by a little, and in steps."""

from collections.abc import Callable
from math import exp, sqrt
from random import Random
from typing import Final, NamedTuple

from simulator.faults import Fault

NOISE_DRAWS: Final = 4099
"""Noise is drawn once and gone round; a prime, so that it beats with no report interval."""


class ProbeMake(NamedTuple):
    """How a kind of probe behaves, in its unit.

    lag_s: first-order time constant.  noise: standard deviation.  per_unit: steps in one unit.
    decimals: shown on the wire.  low, high: what it can say.
    """

    lag_s: float
    noise: float
    per_unit: int
    decimals: int
    low: float
    high: float


MAKES: Final = {
    # 12-bit 1-Wire thermometers count in 1/16 K (DS18B20 data sheet, temperature register).
    "base_temperature": ProbeMake(60.0, 0.03, 16, 4, -55.0, 125.0),
    "air_temperature": ProbeMake(45.0, 0.04, 100, 2, -40.0, 125.0),
    "house_temperature": ProbeMake(90.0, 0.04, 16, 4, -55.0, 125.0),
    # Capacitive humidity in still, damp air answers slowly; figures invented, plausible.
    "humidity": ProbeMake(30.0, 0.25, 10, 1, 0.0, 100.0),
    "light": ProbeMake(2.0, 0.5, 1, 0, 0.0, 2000.0),
    "water_meter": ProbeMake(1e-6, 0.0, 1, 0, 0.0, 1e9),
}


class SimProbe:
    """One probe. `truth` gives the true value where it sits, `air` the air's, for one left out."""

    __slots__ = (
        "_alpha",
        "_at_s",
        "_dt_s",
        "_frozen",
        "_highest",
        "_lowest",
        "_next",
        "_noise",
        "_per_unit",
        "_spent",
        "_text",
        "air",
        "channel",
        "fault",
        "fault_s",
        "kind",
        "make",
        "offset",
        "truth",
        "value",
    )

    def __init__(
        self,
        channel: str,
        kind: str,
        truth: Callable[[], float],
        air: Callable[[], float],
        *,
        seed: int = 1,
        offset: float = 0.0,
    ) -> None:
        self.channel = channel
        self.kind = kind
        self.truth = truth
        self.air = air
        self.make = MAKES[kind]
        self.offset = offset
        self.fault: Fault | None = None
        self.fault_s = 0.0
        self.value = truth()
        rng = Random(f"{seed}/{channel}")
        self._per_unit = self.make.per_unit
        self._lowest = round(self.make.low * self._per_unit)
        self._highest = round(self.make.high * self._per_unit)
        sd = self.make.noise * self._per_unit
        self._noise = [rng.gauss(0.0, sd) for _ in range(NOISE_DRAWS)]
        self._next = 0
        self._at_s = self._dt_s = self._alpha = 0.0
        self._frozen: str | None = None
        self._spent: Fault | None = None
        self._text: dict[int, str] = {}

    def advance(self, dt_s: float) -> None:
        """Follow the true value for `dt_s` seconds."""
        if dt_s != self._dt_s:
            self._dt_s = dt_s
            self._alpha = 1.0 - exp(-dt_s / self.make.lag_s)
        fault = self.fault
        if fault is None:
            self.value += self._alpha * (self.truth() - self.value)
            return
        self.fault_s += dt_s
        target = self.air() if fault.kind == "probe_in_air" else self.truth()
        self.value += self._alpha * (target - self.value)

    def read(self, at_s: float) -> str | None:
        """The reading at `at_s` seconds since the start; the true value now counts for all the
        time since the last reading, which is short against the lag."""
        dt_s = at_s - self._at_s
        self._at_s = at_s
        if dt_s != self._dt_s or self.fault is not None:
            self.advance(dt_s)
            return self.text()
        self.value = value = self.value + self._alpha * (self.truth() - self.value)
        return self._show(value + self.offset)

    def strike(self, fault: Fault | None) -> None:
        """Begin to suffer a fault, or with None recover."""
        self.fault = fault
        self.fault_s = 0.0
        self._frozen = None

    def text(self) -> str | None:
        """The reading as the board sends it; None when the probe does not answer."""
        fault = self.fault
        if fault is None:
            return self._show(self.value + self.offset)
        return self._faulty(fault, self.value + self.offset)

    def _show(self, value: float) -> str:
        self._next = place = (self._next + 1) % NOISE_DRAWS
        steps = round(value * self._per_unit + self._noise[place])
        text = self._text.get(steps)
        if text is None:
            kept = min(max(steps, self._lowest), self._highest) / self._per_unit
            text = self._text[steps] = f"{kept:.{self.make.decimals}f}"
        return text

    def _faulty(self, fault: Fault, value: float) -> str | None:
        kind = fault.kind
        if kind == "probe_silent":
            return None
        if kind == "probe_text":
            return "nan"
        if kind in ("probe_85", "humidity_stuck"):
            return f"{fault.size:.{self.make.decimals}f}"
        if kind == "probe_frozen":
            if self._frozen is None:
                self._frozen = self._show(value)
            return self._frozen
        if kind == "probe_spike":
            first = self._spent is not fault
            self._spent = fault
            return self._show(value + fault.size if first else value)
        if kind == "probe_drift":
            return self._show(value + fault.size * self.fault_s / 3600.0)
        if kind == "probe_offset":
            return self._show(value + fault.size)
        if kind == "humidity_low":
            return self._show(fault.size + sqrt(max(0.0, value)) * 0.1)
        return self._show(value)
