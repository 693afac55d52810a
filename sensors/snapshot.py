"""From single probes to bays and benches: what is shown and what counts at one instant.

A probe's last believed sample counts until it is older than three of its periods, at least 30 s, so
one refused sample changes nothing. Times are monotonic seconds.
"""

from collections.abc import Sequence
from math import inf, nan
from typing import Final

from config.model import Probe, ProbeKind
from sensors.calibrate import calibration_of
from sensors.kinds import KINDS
from sensors.lines import parse_number
from sensors.meters import Meter
from sensors.moist_air import moist_air
from sensors.neighbours import doubts
from sensors.quality import ProbeMemory
from sensors.readings import BayView, BenchView, Flag, ProbeView, Reading

_AIR: Final[tuple[ProbeKind, ...]] = (
    "air_temperature", "humidity", "house_temperature", "light", "water_meter",
)  # fmt: skip
LEAN_MOST_K: Final = 1.25
"""Half of what two probes may differ by before that is told."""
_UNKNOWN: Final = (nan, nan, nan)
# Builds a named tuple in half the time; it is done for every probe at every tick.
_tuple: Final = tuple.__new__


class FittedProbe:
    """One probe of the bench file: its kind, its memory, and how it is shown.

    meter: of one that counts, what makes a reading of a count; else None.
    """

    __slots__ = ("_missing", "_missing_of", "_stored", "kind", "kind_name", "memory", "meter")

    def __init__(self, probe_id: str, probe: Probe) -> None:
        self.kind_name = probe.kind
        self.kind = KINDS[probe.kind]
        self.memory = ProbeMemory(probe_id, calibration_of(probe), probe.every_s, probe.height_mm)
        counts = probe.kind == "water_meter"
        self.meter = Meter(self.memory.late_s) if counts else None
        self._stored: Reading | None = None
        self._missing_of: Reading | None = None
        self._missing = self._valueless(Flag.MISSING, "nothing heard yet", -inf, nan)

    def show_retained(self, text: str) -> None:
        """Show a stored value whose age nobody knows, until a fresh one comes."""
        try:
            raw = parse_number(text)
        except ValueError:
            raw = nan
        self._stored = self._valueless(Flag.FAIL, "retained, age unknown", -inf, raw)

    def view(self, mono_s: float, doubt: str | None) -> ProbeView:
        """The probe as it stands. doubt: what its neighbours say against it, None for nothing."""
        memory = self.memory
        last = memory.last
        if last is None:
            return ProbeView(self._stored or self._missing, inf)
        age_s = mono_s - memory.last_s
        if age_s > memory.late_s:
            last = self._late(last)
        elif doubt is not None and last.usable:
            last = last._replace(flag=Flag.SUSPECT, why=doubt)
        return _tuple(
            ProbeView,
            (
                last,
                age_s if age_s > 0.0 else 0.0,
                memory.heard,
                memory.rejected,
                memory.reject_share if memory.history else 0.0,
                memory.reject_run,
                memory.span_1h,
                memory.span_3h,
            ),
        )

    def _late(self, last: Reading) -> Reading:
        """The MISSING reading that stands for `last`, made once."""
        if self._missing_of is not last:
            why = f"no sample for more than {self.memory.late_s:.0f} s"
            self._missing = self._valueless(Flag.MISSING, why, last.taken_s, last.raw)
            self._missing_of = last
        return self._missing

    def _valueless(self, flag: Flag, why: str, taken_s: float, raw: float) -> Reading:
        kind = self.kind
        return Reading(self.memory.probe, kind.quantity, nan, kind.unit, raw, taken_s, flag, why)


class ProbeGroup:
    """Probes of one kind in one place, which stand in for each other.

    doubted: as of the last `values`: probe id to why it was left out.
    """

    __slots__ = ("_flat", "_kind", "_memories", "_only", "_pair", "_three_hours", "doubted")

    def __init__(self, kind: ProbeKind, probes: Sequence[FittedProbe]) -> None:
        self._kind = KINDS[kind]
        self._flat = self._kind.flat
        self._three_hours = self._kind.flat_h == 3
        self._memories = [probe.memory for probe in probes if probe.kind_name == kind]
        self._only = self._memories[0] if len(self._memories) == 1 else None
        self._pair = tuple(self._memories) if len(self._memories) == 2 else None
        self.doubted: dict[str, str] = {}

    def __len__(self) -> int:
        return len(self._memories)

    def middle(self, mono_s: float) -> float:
        """Median of the values that count at `mono_s`, NaN of none."""
        only = self._only
        if only is not None:
            return only.good_value if mono_s - only.good_s <= only.late_s else nan
        return _median(self.values(mono_s)) if self._memories else nan

    def values(self, mono_s: float) -> list[float]:
        """The values that count at `mono_s`, lowest first."""
        if self._pair is not None and not self.doubted:
            # Two that are both heard and both move, the usual case, need no closer look.
            one, other = self._pair
            if (
                mono_s - one.good_s <= one.late_s
                and mono_s - other.good_s <= other.late_s
                and not self._stands_still(one, other)
            ):
                low, high = one.good_value, other.good_value
                return [low, high] if low <= high else [high, low]
        fresh = [memory for memory in self._memories if mono_s - memory.good_s <= memory.late_s]
        self.doubted = doubts(self._kind, fresh)
        if self.doubted:
            fresh = [memory for memory in fresh if memory.probe not in self.doubted]
        return sorted([memory.good_value for memory in fresh])

    def _stands_still(self, one: ProbeMemory, other: ProbeMemory) -> bool:
        """Whether either of two is flat; if not, there is nothing to doubt about them."""
        flat = self._flat
        if self._three_hours:
            return one.span_3h <= flat or other.span_3h <= flat
        return one.span_1h <= flat or other.span_1h <= flat


class BayProbes:
    """The probes of one bay."""

    __slots__ = ("_fitted", "_group", "_probes")

    def __init__(self, probes: Sequence[FittedProbe]) -> None:
        self._probes = probes
        self._group = ProbeGroup("base_temperature", probes)
        self._fitted = len(self._group)

    def view(self, mono_s: float) -> BayView:
        """The bay at `mono_s`.

        Guards act on `hottest_c`.
        """
        group = self._group
        values = group.values(mono_s)
        probes = _views(self._probes, mono_s, group.doubted)
        fitted = self._fitted
        if not values:
            return BayView(nan, nan, nan, 0, fitted, probes)
        hottest_c = values[-1]
        spread_k = hottest_c - values[0]
        return _tuple(BayView, (base_of(values), hottest_c, spread_k, len(values), fitted, probes))


class BenchProbes:
    """The air probes of one bench and its bays. pressure_kpa: usual air pressure of the place."""

    __slots__ = ("_air", "_bays", "_groups", "_moist", "_moist_of", "_pressure_kpa", "_shared")

    def __init__(
        self, air: Sequence[FittedProbe], bays: dict[str, BayProbes], pressure_kpa: float
    ) -> None:
        self._air = air
        self._bays = bays
        self._groups = [ProbeGroup(kind, air) for kind in _AIR]
        self._shared = [group for group in self._groups if len(group) > 1]
        self._pressure_kpa = pressure_kpa
        self._moist_of = (nan, nan)
        self._moist = _UNKNOWN

    def view(self, mono_s: float) -> BenchView:
        """The bench at `mono_s`; the moist-air figures are taken anew only when they changed."""
        top_c, rh_pct, house_c, light, flow_ml_s = [group.middle(mono_s) for group in self._groups]
        moist_of = (top_c, rh_pct)
        if moist_of != self._moist_of:
            self._moist_of = moist_of
            self._moist = _moist(top_c, rh_pct, self._pressure_kpa)
        vpd, dew_c, wet_c = self._moist
        doubted: dict[str, str] = {}
        for group in self._shared:
            doubted |= group.doubted
        bays: dict[str, BayView] = {}
        for name, bay in self._bays.items():
            bays[name] = bay.view(mono_s)
        return _tuple(
            BenchView,
            (
                top_c,
                rh_pct,
                vpd,
                dew_c,
                wet_c,
                house_c,
                light,
                bays,
                _views(self._air, mono_s, doubted),
                flow_ml_s,
            ),
        )


def _views(
    probes: Sequence[FittedProbe], mono_s: float, doubted: dict[str, str]
) -> tuple[ProbeView, ...]:
    views: list[ProbeView] = []
    for probe in probes:
        memory = probe.memory
        last = memory.last
        age_s = mono_s - memory.last_s
        # In time, in no doubt and without a refusal of late, as most are: as `view` has it.
        if last is not None and 0.0 <= age_s <= memory.late_s and not (memory.history or doubted):
            heard, rejected = memory.heard, memory.rejected
            span_1h, span_3h = memory.span_1h, memory.span_3h
            views.append(
                _tuple(ProbeView, (last, age_s, heard, rejected, 0.0, 0, span_1h, span_3h))
            )
        else:
            views.append(probe.view(mono_s, doubted.get(memory.probe)))
    return tuple(views)


def base_of(values: list[float]) -> float:
    """What a bay is held by: the median of its base probes, least first; NaN of none.

    Two that disagree give their mean, because nothing tells which is right, but no more than
    `LEAN_MOST_K` below the warmer: one that lies in the air must not have the other overheated, and
    a base too cold for hours does less harm than one too hot.
    """
    middle = _median(values)
    if len(values) == 2 and middle < values[1] - LEAN_MOST_K:
        return values[1] - LEAN_MOST_K
    return middle


def _median(values: list[float]) -> float:
    """Median of sorted values, NaN of none."""
    count = len(values)
    if count == 2:
        return 0.5 * (values[0] + values[1])
    if count == 1:
        return values[0]
    if not count:
        return nan
    middle = count // 2
    return values[middle] if count % 2 else 0.5 * (values[middle - 1] + values[middle])


def _moist(top_c: float, rh_pct: float, pressure_kpa: float) -> tuple[float, float, float]:
    """(VPD kPa, dew point degC, wet bulb degC), NaN where not known."""
    if top_c != top_c or rh_pct != rh_pct:
        return _UNKNOWN
    return moist_air(top_c, rh_pct, pressure_kpa)
