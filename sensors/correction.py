"""From known values and what a probe said at them to its offset and gain, with their uncertainty.

Uncertainties are combined as the GUM says (JCGM 100:2008, section 5.1.2: root of the sum of
squares; 6.2: expanded with k = 2, about 95 %).
"""

from collections.abc import Sequence
from math import hypot, sqrt
from typing import Final, NamedTuple

from sensors.calibrate import Calibration


class CalibrationRefused(ValueError):
    """Points that make no correction to be trusted: what was found, and what to do."""


class Point(NamedTuple):
    """A known value and what the probe said at it, uncorrected; both in the probe's unit.

    u: standard uncertainty of the known value.  scatter: of one sample of the probe.
    """

    known: float
    raw: float
    u: float
    scatter: float = 0.0


class Bounds(NamedTuple):
    """What a correction may be. Common practice, no source.

    error: farthest that a probe may be from a known value.  gain: farthest from 1.  apart: two
    points must be so far apart to tell a gain.  step: of the probe's digits.  at: value at which
    the correction is told.
    """

    error: float
    gain: float
    apart: float
    step: float
    at: float


# A DS18B20 is within 0.5 K by its data sheet, capacitive humidity within 2 to 5 %.
BOUNDS: Final = {
    "degC": Bounds(2.0, 0.05, 15.0, 0.0625, 20.0),
    "%": Bounds(10.0, 0.20, 20.0, 0.1, 75.0),
}


class Correction(NamedTuple):
    """What was found. calibration: to be put in force.  u: expanded uncertainty (k = 2) of a value
    corrected so, between the points.  worst: largest error found, raw minus known.
    """

    calibration: Calibration
    u: float
    worst: float


def correction(points: Sequence[Point], unit: str, gain: float = 1.0) -> Correction:
    """The correction through one point (offset alone) or two (offset and gain).

    unit: "degC" or "%".  gain: in force, kept with one point.  The figures are rounded to what a
    bench file needs: thousandths of a K, hundredths of a %, gain to 1e-4.
    Raises CalibrationRefused.
    """
    bounds = BOUNDS.get(unit)
    if bounds is None:
        raise CalibrationRefused("only probes of temperature and humidity are calibrated here")
    if not 1 <= len(points) <= 2:
        raise CalibrationRefused(f"{len(points)} points given; one or two are asked for")
    for point in points:
        error = point.raw - point.known
        if abs(error) > bounds.error:
            raise CalibrationRefused(
                f"it says {point.raw:.2f} where {point.known:.2f} is right: {abs(error):.1f} "
                f"{_word(unit)} off, and {bounds.error:g} is the most that is put right here. A "
                "probe so far off is failing, wrongly named or not in the bath: look, try again, "
                "else change the probe"
            )
    if len(points) == 2:
        gain = _gain(points, unit, bounds)
    offset = sum(p.known - gain * p.raw for p in points) / len(points)
    digits = 3 if unit == "degC" else 2
    found = Calibration(round(gain, 4), round(offset, digits))
    u = 2.0 * max(_u(point, bounds) for point in points)
    return Correction(found, u, max((p.raw - p.known for p in points), key=abs))


def _gain(points: Sequence[Point], unit: str, bounds: Bounds) -> float:
    one, other = points
    apart = abs(one.known - other.known)
    if apart < bounds.apart:
        raise CalibrationRefused(
            f"the two known values are {apart:.1f} {_word(unit)} apart; a gain needs "
            f"{bounds.apart:g}. Take them farther apart, or one alone"
        )
    if one.raw == other.raw:
        raise CalibrationRefused("the probe says the same at both points: it does not move")
    gain = (one.known - other.known) / (one.raw - other.raw)
    if abs(gain - 1.0) > bounds.gain:
        raise CalibrationRefused(
            f"a gain of {gain:.3f} is asked for, and {1 - bounds.gain:g} to {1 + bounds.gain:g} is "
            "believed: one of the points is wrong, or the probe is bad"
        )
    # One standard uncertainty of the gain, judged by both points.
    if hypot(_u(one, bounds), _u(other, bounds)) / apart > bounds.gain / 2.0:
        raise CalibrationRefused(
            "the known values are too unsure to tell a gain; take them farther apart, or one alone"
        )
    return gain


def _u(point: Point, bounds: Bounds) -> float:
    """Standard uncertainty at one point: known value, digits of the probe, its scatter."""
    return sqrt(point.u**2 + bounds.step**2 / 12.0 + point.scatter**2)


def _word(unit: str) -> str:
    return "K" if unit == "degC" else "% RH"


def shift_at(calibration: Calibration, unit: str) -> float:
    """What a correction adds to a probe that says the usual value of its unit (20 degC, 75 %)."""
    at = BOUNDS[unit].at
    return calibration.line(at) - at


class Odd(NamedTuple):
    """A probe among others in one bucket. off: from the median of all, in their unit."""

    probe: str
    value: float
    off: float
    odd: bool


BUCKET_K: Final = 0.5
BUCKET_PCT: Final = 4.0
"""Farthest from the median in one place: the DS18B20's 0.5 K; for humidity common practice."""


def together(values: dict[str, float], unit: str) -> list[Odd]:
    """Probes that lie in one place, each beside the median of all; the farthest first.

    With two of them, both are odd where they differ: nothing tells which is wrong.
    Raises CalibrationRefused for fewer than two.
    """
    if len(values) < 2:
        raise CalibrationRefused("two probes at least are needed to hold them beside each other")
    most = BUCKET_K if unit == "degC" else BUCKET_PCT
    ordered = sorted(values.values())
    half = len(ordered) // 2
    middle = ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0
    limit = most / 2.0 if len(values) == 2 else most
    found = [
        Odd(probe, value, value - middle, abs(value - middle) > limit)
        for probe, value in values.items()
    ]
    return sorted(found, key=lambda one: -abs(one.off))
