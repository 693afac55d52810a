"""Whether a sample can be believed: one probe, one sample at a time.

The tests are those of QARTOD (Integrated Ocean Observing System, manuals for real-time quality
control): gap, gross range, spike, rate of change, flat line; the neighbour test needs more than one
probe and is in `sensors.neighbours`. Two tests of our own come first: text that is no number, and
values by which a probe says that it failed.

Watering drops a base probe several kelvin at once and a lifted cover does the same to humidity, so
a jump is doubtful, never proof of a fault: it is set aside until three samples agree on the new
level, and then believed.
"""

from bisect import bisect_left
from math import nan
from typing import Final

from sensors.calibrate import NO_CALIBRATION, Calibration
from sensors.kinds import Kind
from sensors.lines import parse_number
from sensors.readings import Flag, Reading

LATE_PERIODS: Final = 3.0
LATE_AT_LEAST_S: Final = 30.0
CONFIRMING_SAMPLES: Final = 3
"""Samples in a row that must agree before a new level is believed."""
ANCHOR_S: Final = 60.0
"""How far back the rate-of-change test looks; it finds what creeps below the spike test."""
BUCKET_S: Final = 300.0
_BUCKETS_1H: Final = 12
_BUCKETS_3H: Final = 36
_COVER: Final = 0.75
"""Share of a span's time that must hold samples before the span is given."""
_LAST_100: Final = (1 << 100) - 1

# Looking up a member of an enum costs more than the rest of a comparison.
_PASS: Final = Flag.PASS
_NOT_EVALUATED: Final = Flag.NOT_EVALUATED
_SUSPECT: Final = Flag.SUSPECT
_FAIL: Final = Flag.FAIL

# Builds a named tuple in half the time; it is done for every sample.
_tuple: Final = tuple.__new__
_SPIKE: Final = "jumped {0:+.1f} {2} at once; believed when three samples agree"
_RATE: Final = "moved {1:+.1f} {2} within about a minute, faster than it can"


def late_after_s(every_s: float) -> float:
    """Age from which a sample of a probe that reports each `every_s` is too old to act on."""
    return max(LATE_PERIODS * every_s, LATE_AT_LEAST_S)


class ProbeMemory:
    """What is kept of one probe between samples; changed in place by `judge`.

    Times are monotonic seconds, NaN for never. `good_*` is the last believed sample, `last` the
    last of any flag. `late_s`: age from which a sample is too old to act on. `height_mm`: above the
    mat, None when not known. `low_*`, `high_*`: extremes of the last hour and three hours, NaN
    until that much time has been seen. `span_*`: high minus low.

    `buckets`, `lows`, `highs`: numbers and extremes of the closed five minutes, oldest first.
    `kind`, `quantity`, `unit`, `step` and `sure_*` are taken from the kind at the first sample: a
    raw value between `sure_low` and `sure_high`, both excluded, whose corrected value lies between
    `sure_low` and `sure_top` needs none of the tests of a single sample.
    `good_text`, `good_raw`: the last believed sample as sent; the text is None where the same again
    must be tested anew.
    """

    __slots__ = (
        "anchor_s", "anchor_value", "bucket", "bucket_end_s", "bucket_high", "bucket_low",
        "buckets", "calibration", "every_s", "first_s", "gain", "good_raw", "good_s", "good_text",
        "good_value", "heard", "height_mm", "high_1h", "high_3h", "highs", "history", "kind",
        "last", "last_s", "late_s", "low_1h", "low_3h", "lows", "new_count", "new_s", "new_value",
        "offset", "probe", "quantity", "reject_run", "rejected", "span_1h", "span_3h", "step",
        "sure_high", "sure_low", "sure_top", "unit",
    )  # fmt: skip

    def __init__(
        self,
        probe: str,
        calibration: Calibration = NO_CALIBRATION,
        every_s: float = 10.0,
        height_mm: float | None = None,
    ) -> None:
        self.probe = probe
        self.calibration = calibration
        self.gain, self.offset = calibration
        self.every_s = every_s
        self.height_mm = height_mm
        self.late_s = late_after_s(every_s)
        self.last: Reading | None = None
        self.first_s = self.last_s = self.good_s = self.anchor_s = self.new_s = nan
        self.good_value = self.anchor_value = self.new_value = nan
        self.new_count = 0
        self.heard = self.rejected = self.reject_run = self.history = 0
        self.bucket = 0
        self.bucket_end_s = -1e300
        self.bucket_low = self.bucket_high = nan
        self.buckets: list[int] = []
        self.lows: list[float] = []
        self.highs: list[float] = []
        self.low_1h = self.high_1h = self.low_3h = self.high_3h = nan
        self.span_1h = self.span_3h = nan
        self.kind: Kind | None = None
        self.quantity = self.unit = ""
        self.step = 0.0
        self.sure_low = self.sure_high = self.sure_top = nan
        self.good_text: str | None = None
        self.good_raw = nan

    def suit(self, kind: Kind) -> None:
        """Make ready for samples of this kind."""
        self.kind, self.quantity, self.unit = kind, kind.quantity, kind.unit
        self.step = kind.largest_step
        self.sure_low = low = max(0.0, kind.low)
        self.sure_high = min([kind.high, *[false for false in kind.false_values if false > low]])
        self.sure_top = min(kind.high, kind.top)
        self.good_text = None

    def is_fresh(self, mono_s: float) -> bool:
        """True while the last believed sample is recent enough to act on."""
        return mono_s - self.good_s <= self.late_s

    @property
    def reject_share(self) -> float:
        """Share refused of the last 100 samples, 0..1."""
        if not self.history:
            return 0.0
        return self.history.bit_count() / min(self.heard, 100)


def judge(kind: Kind, memory: ProbeMemory, text: str, mono_s: float) -> Reading:
    """The sample as a flagged reading; `memory` is brought up to date.

    text: the value as sent, decimal, in the kind's unit.  mono_s: when it was taken.
    PASS and NOT_EVALUATED (the very first sample) can be acted on. SUSPECT keeps its value for the
    record. FAIL has the value NaN. Never raises.
    """
    if memory.kind is not kind:
        memory.suit(kind)
    flag, why = _PASS, ""
    # The same text as the last believed sample needs no test anew: their limits widen with time.
    if text == memory.good_text and mono_s >= memory.last_s:
        value, raw = memory.good_value, memory.good_raw
    else:
        try:
            raw = parse_number(text)
        except ValueError:
            return _refuse(kind, memory, nan, nan, mono_s, _FAIL, f"not a number: {text[:24]!r}")
        value = raw * memory.gain + memory.offset
        if (
            memory.sure_low < raw < memory.sure_high
            and memory.sure_low < value <= memory.sure_top
            and mono_s >= memory.last_s
            and -memory.step <= value - memory.good_value <= memory.step
            and -memory.step <= value - memory.anchor_value <= memory.step
        ):
            memory.good_text = text
        else:
            value = memory.calibration.correct(kind, raw)
            refused = _look_closely(kind, memory, raw, value, mono_s)
            if refused is not None:
                return refused
            memory.good_text = None
            if memory.good_value != memory.good_value:
                flag, why = _NOT_EVALUATED, "first sample: nothing to compare it with"
        memory.good_value, memory.good_raw = value, raw
    memory.heard += 1
    memory.last_s = memory.good_s = mono_s
    memory.reject_run = memory.new_count = 0
    if memory.history:
        memory.history = memory.history << 1 & _LAST_100
    if not mono_s - memory.anchor_s < ANCHOR_S:
        memory.anchor_s, memory.anchor_value = mono_s, value
    if mono_s >= memory.bucket_end_s:
        _next_bucket(memory, mono_s)
    # What the running five minutes hold, the hours hold.
    if not memory.bucket_low <= value <= memory.bucket_high:
        _widen(memory, value)
    reading = memory.last = _tuple(
        Reading, (memory.probe, memory.quantity, value, memory.unit, raw, mono_s, flag, why)
    )
    return reading


def _look_closely(
    kind: Kind, memory: ProbeMemory, raw: float, value: float, mono_s: float
) -> Reading | None:
    """The refusal of a number that is not plainly a small step from the last; None if believed."""
    why = _failed(kind, memory, raw, value, mono_s)
    if why:
        return _refuse(kind, memory, nan, raw, mono_s, _FAIL, why)
    good = memory.good_value
    if good != good:
        return None
    step, rise_per_s = kind.largest_step, kind.rise_per_s
    if abs(value - good) > step + rise_per_s * (mono_s - memory.good_s):
        why = _SPIKE
    elif abs(value - memory.anchor_value) > step + rise_per_s * (mono_s - memory.anchor_s):
        why = _RATE
    else:
        return None
    if _confirmed(kind, memory, value, mono_s):
        memory.anchor_s = nan
        return None
    why = why.format(value - good, value - memory.anchor_value, kind.unit)
    return _refuse(kind, memory, value, raw, mono_s, _SUSPECT, why)


def _failed(kind: Kind, memory: ProbeMemory, raw: float, value: float, mono_s: float) -> str:
    """Why the sample cannot be a measurement at all, or ""."""
    if raw in kind.false_values:
        if raw == 85.0:
            return "85.0 is what the probe holds at power-on: it did not measure"
        return f"{raw:g} {kind.unit} is what a lost probe reads as"
    # Written so that a NaN falls into the refusal.
    if not (kind.low <= raw <= kind.high and kind.low <= value <= kind.high):
        return f"{raw:g} {kind.unit} is outside {kind.low:g}..{kind.high:g}"
    if raw == 0.0 and kind.zero_from > 0.0 and not abs(memory.good_value) <= kind.zero_from:
        return "exactly 0.0 from far above: a shorted probe line reads like this"
    if mono_s < memory.last_s:
        return "older than the sample before it"
    return ""


def _confirmed(kind: Kind, memory: ProbeMemory, value: float, mono_s: float) -> bool:
    """True when enough samples in a row agree on a level away from the believed one."""
    near = kind.largest_step * 0.5 + kind.rise_per_s * (mono_s - memory.new_s)
    if memory.new_count and abs(value - memory.new_value) <= near:
        memory.new_count += 1
    else:
        memory.new_count = 1
    memory.new_value, memory.new_s = value, mono_s
    return memory.new_count >= CONFIRMING_SAMPLES


def _widen(memory: ProbeMemory, value: float) -> None:
    """Take a value into the extremes."""
    if not value >= memory.bucket_low:
        memory.bucket_low = value
    if not value <= memory.bucket_high:
        memory.bucket_high = value
    if value < memory.low_3h or value > memory.high_3h:
        memory.low_3h, memory.high_3h = min(memory.low_3h, value), max(memory.high_3h, value)
        memory.span_3h = memory.high_3h - memory.low_3h
    if value < memory.low_1h or value > memory.high_1h:
        memory.low_1h, memory.high_1h = min(memory.low_1h, value), max(memory.high_1h, value)
        memory.span_1h = memory.high_1h - memory.low_1h


def _refuse(
    kind: Kind,
    memory: ProbeMemory,
    value: float,
    raw: float,
    mono_s: float,
    flag: Flag,
    why: str,
) -> Reading:
    memory.heard += 1
    memory.rejected += 1
    memory.reject_run += 1
    memory.history = (memory.history << 1 | 1) & _LAST_100
    if not mono_s < memory.last_s:
        memory.last_s = mono_s
    reading = Reading(memory.probe, kind.quantity, value, kind.unit, raw, mono_s, flag, why)
    memory.last = reading
    return reading


def _next_bucket(memory: ProbeMemory, mono_s: float) -> None:
    """Close the running five minutes and take the spans over the closed ones anew."""
    bucket = int(mono_s // BUCKET_S)
    buckets = memory.buckets
    if memory.first_s != memory.first_s:
        memory.first_s = mono_s
    elif memory.bucket_low == memory.bucket_low:
        buckets.append(memory.bucket)
        memory.lows.append(memory.bucket_low)
        memory.highs.append(memory.bucket_high)
    past = bisect_left(buckets, bucket - _BUCKETS_3H)
    del buckets[:past], memory.lows[:past], memory.highs[:past]
    memory.bucket, memory.bucket_end_s = bucket, (bucket + 1) * BUCKET_S
    memory.bucket_low = memory.bucket_high = nan
    seen_s = mono_s - memory.first_s
    memory.low_3h, memory.high_3h = _extremes(memory, _BUCKETS_3H, seen_s)
    memory.low_1h, memory.high_1h = _extremes(memory, _BUCKETS_1H, seen_s)
    memory.span_3h = memory.high_3h - memory.low_3h
    memory.span_1h = memory.high_1h - memory.low_1h


def _extremes(memory: ProbeMemory, count: int, seen_s: float) -> tuple[float, float]:
    """Lowest and highest over the last `count` closed buckets; NaN when too few hold samples."""
    if seen_s < count * BUCKET_S:
        return nan, nan
    first = bisect_left(memory.buckets, memory.bucket - count)
    kept = len(memory.buckets) - first
    # A probe slower than a bucket cannot fill them all.
    if kept < _COVER * count * min(1.0, BUCKET_S / memory.every_s) or not kept:
        return nan, nan
    return min(memory.lows[first:]), max(memory.highs[first:])
