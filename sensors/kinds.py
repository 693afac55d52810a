"""What each kind of probe measures and what of it can be believed.

To add a kind: one entry in KINDS here, and its name in `config.model.ProbeKind`.

Limits without a source named beside them are common practice, no source. The names of the tests
that use them (gross range, spike, rate of change, flat line, neighbour) are those of QARTOD, the
manuals for real-time quality control of the Integrated Ocean Observing System.
"""

from math import inf, nan
from typing import Final, Literal, NamedTuple


class Kind(NamedTuple):
    """One kind of probe; figures in `unit` unless said otherwise.

    low, high: a raw value outside is refused.  top: a believed value above is cut to it, inf when
    there is nothing to cut.  largest_step: most that two samples may differ by at once.
    rise_per_s: fastest believable change, which widens the step with the time between samples.
    false_values: raw values that are messages of the probe, not measurements.
    zero_from: an exact 0.0 is believed only after a value within this of it; NaN where 0.0 is an
    ordinary reading.  neighbour: farthest from the median of its like.  flat: span below which a
    probe counts as not moving over `flat_h` hours (1 or 3), NaN where standing still is ordinary.
    moved: span of a neighbour above which a flat one is doubted.
    """

    quantity: str
    unit: str
    low: float
    high: float
    top: float
    largest_step: float
    rise_per_s: float
    false_values: tuple[float, ...]
    zero_from: float
    neighbour: float
    flat: float
    flat_h: Literal[1, 3]
    moved: float


_DS18B20_FALSE: Final = (85.0, -127.0)
"""85.0 is the DS18B20's power-on register (its data sheet, temperature/data table), read when no
conversion took place; -127 is what common driver libraries return for a lost probe."""

_ZERO_FROM_K: Final = 3.0
"""A 1-Wire line shorted to ground reads as nine zero bytes with a right CRC: a clean 0.0 degC."""

KINDS: Final[dict[str, Kind]] = {
    # A mat moves the base by some 0.2 K/min; watering can drop it several K at once.
    "base_temperature": Kind(
        "temperature", "degC", -20.0, 60.0, inf, 2.0, 0.5 / 60,
        _DS18B20_FALSE, _ZERO_FROM_K, 2.5, 0.05, 3, 0.5,
    ),
    "air_temperature": Kind(
        "temperature", "degC", -20.0, 60.0, inf, 6.0, 3.0 / 60,
        _DS18B20_FALSE, _ZERO_FROM_K, 4.0, 0.05, 1, 0.5,
    ),
    "house_temperature": Kind(
        "temperature", "degC", -40.0, 60.0, inf, 6.0, 3.0 / 60,
        _DS18B20_FALSE, _ZERO_FROM_K, 5.0, nan, 3, nan,
    ),
    # A wet capacitive probe reads a little above saturation; a dead one reads exactly 0.
    "humidity": Kind(
        "humidity", "%", 0.0, 103.0, 100.0, 25.0, 1.0,
        (0.0,), nan, 15.0, nan, 1, nan,
    ),
    # The sun comes and goes behind a cloud between two samples, so no step is too large.
    "light": Kind(
        "light", "W/m2", 0.0, 1500.0, inf, inf, 0.0, (), nan, inf, nan, 1, nan,
    ),
    # It counts ml; what is judged is the flow worked out from it (sensors.meters).
    "water_meter": Kind(
        "flow", "ml/s", 0.0, 2000.0, inf, inf, 0.0, (), nan, inf, nan, 1, nan,
    ),
}  # fmt: skip
