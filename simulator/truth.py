"""What really happened on a simulated bench, whatever the probes said."""

from dataclasses import dataclass, field
from math import inf
from typing import NamedTuple


@dataclass(slots=True)
class BayTruth:
    """One bay, at cutting depth, looked at once a minute. Times s, temperatures degC, energy J.

    below_s, above_s: time below `low_c` and above `high_c`.  error_k_s: time integral of the
    distance from `mid_c`.  mat_j: heat the mat gave.  starts: times its relay closed.
    """

    low_c: float
    mid_c: float
    high_c: float
    span_s: float = 0.0
    sum_c_s: float = 0.0
    least_c: float = inf
    most_c: float = -inf
    below_s: float = 0.0
    above_s: float = 0.0
    error_k_s: float = 0.0
    mat_j: float = 0.0
    starts: int = 0

    def add(self, dt_s: float, base_c: float) -> None:
        """Take in `dt_s` seconds that ended at `base_c`."""
        self.span_s += dt_s
        self.sum_c_s += base_c * dt_s
        if base_c < self.least_c:
            self.least_c = base_c
        if base_c > self.most_c:
            self.most_c = base_c
        if base_c < self.low_c:
            self.below_s += dt_s
        elif base_c > self.high_c:
            self.above_s += dt_s
        self.error_k_s += abs(base_c - self.mid_c) * dt_s

    @property
    def mean_c(self) -> float:
        """Mean base, NaN before the first step."""
        return self.sum_c_s / self.span_s if self.span_s else float("nan")

    @property
    def energy_kwh(self) -> float:
        return self.mat_j / 3.6e6


@dataclass(slots=True)
class BenchTruth:
    """One bench. wet_s: leaves wet.  dry_kpa_s: leaf-to-air deficit summed while they were not;
    both brought up to `span_s` once a minute.

    mist_l: water that left the nozzles, litres.  bursts: times the mister's relay closed.
    """

    bays: dict[str, BayTruth] = field(default_factory=dict)
    span_s: float = 0.0
    wet_s: float = 0.0
    dry_kpa_s: float = 0.0
    mist_l: float = 0.0
    bursts: int = 0


class Trace(NamedTuple):
    """One row of the full trace, once a minute. base_c: per bay, in the bench file's order."""

    utc_s: float
    bench: str
    base_c: tuple[float, ...]
    air_c: float
    leaf_c: float
    rh_pct: float
    film_kg_m2: float
    house_c: float
    sun_w_m2: float
