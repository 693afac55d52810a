"""From what a probe says to what it means: gain and offset found against a trusted thermometer."""

from typing import Final, NamedTuple

from config.model import Probe
from sensors.kinds import KINDS, Kind


class Calibration(NamedTuple):
    """corrected = raw * gain + offset, in the kind's unit. gain: 0.5..2 from the bench file."""

    gain: float = 1.0
    offset: float = 0.0

    def line(self, raw: float) -> float:
        """The corrected value, not cut to what the kind can be."""
        return raw * self.gain + self.offset

    def raw_of(self, value: float) -> float:
        """What the probe said where `line` gives `value`."""
        return (value - self.offset) / self.gain

    def correct(self, kind: Kind, raw: float) -> float:
        """The corrected value, cut to the kind's `top` and, where it has one, to 0 below.

        raw: finite, in the kind's unit.  Humidity comes back as 0..100 %, because a correction that
        is right at 60 % can carry a saturated probe past 100 %.
        """
        value = self.line(raw)
        if value > kind.top:
            return kind.top
        if value < 0.0 and kind.low == 0.0:
            return 0.0
        return value


NO_CALIBRATION: Final = Calibration()


def calibration_of(probe: Probe) -> Calibration:
    """The calibration the bench file gives a probe: offset_pct for humidity, else offset_c."""
    if probe.kind == "humidity":
        return Calibration(probe.gain, probe.offset_pct)
    if KINDS[probe.kind].unit == "degC":
        return Calibration(probe.gain, probe.offset_c)
    return Calibration(probe.gain, 0.0)
