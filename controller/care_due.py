"""Which probes are due to be held against a known value again, and how far they have drifted."""

from collections.abc import Sequence
from typing import NamedTuple

from config.model import Site, probes_of
from controller.journal.care import Calibrated
from sensors.calibrate import Calibration
from sensors.correction import BOUNDS, shift_at
from sensors.kinds import KINDS

DAY_S = 86400.0
YEAR_S = 365.25 * DAY_S


class Due(NamedTuple):
    """A probe and when it is due. last_s: of its last calibration, UTC s, None when there is none.

    due_s: UTC s.
    """

    probe: str
    last_s: float | None
    due_s: float


class Drift(NamedTuple):
    """A probe this time against the time before. shift: what is added to it, now, in its unit.

    change: of the shift since then.  span_s: between the two.  sure: the change is more than both
    uncertainties together.
    """

    probe: str
    unit: str
    at_s: float
    shift: float
    change: float
    span_s: float
    sure: bool

    @property
    def words(self) -> str:
        unit = "K" if self.unit == "degC" else "%"
        days = self.span_s / DAY_S
        told = f"{self.change:+.2f} {unit} since the time before, {days:.0f} days earlier"
        if not self.sure:
            return f"{told}: within what the two can tell"
        if days >= 30.0:
            return f"{told}: it drifts, {self.change / self.span_s * YEAR_S:+.2f} {unit} a year"
        return f"{told}: too much for so short a time; do both again with care"


def calibrated_probes(site: Site) -> dict[str, str]:
    """Unit of every probe that can be held against a known value, by its id."""
    units = ((name, KINDS[probe.kind].unit) for name, probe in probes_of(site))
    return {name: unit for name, unit in units if unit in BOUNDS}


def due(site: Site, done: Sequence[Calibrated], begun_s: float) -> list[Due]:
    """When each probe of the site is due, the earliest first; empty where the site wants none.

    done: oldest first; refused ones do not count.  begun_s: start of the records, UTC s, from which
    probes that were never calibrated count.
    """
    every_s = site.calibration.every_days * DAY_S
    if not every_s:
        return []
    last_s = {one.probe: one.at_s for one in done if one.outcome != "refused"}
    found = [
        Due(probe, last_s.get(probe), last_s.get(probe, begun_s) + every_s)
        for probe in calibrated_probes(site)
    ]
    return sorted(found, key=lambda one: (one.due_s, one.probe))


def drift(done: Sequence[Calibrated], probe: str) -> Drift | None:
    """A probe's last calibration against the one before; None where there are not two."""
    own = [one for one in done if one.probe == probe and one.outcome != "refused"]
    if len(own) < 2:
        return None
    before, last = own[-2:]
    shifts = [shift_at(Calibration(one.gain, one.offset), one.unit) for one in (before, last)]
    change = shifts[1] - shifts[0]
    sure = abs(change) > (before.u**2 + last.u**2) ** 0.5
    return Drift(probe, last.unit, last.at_s, shifts[1], change, last.at_s - before.at_s, sure)


def due_words(found: Sequence[Due], now_s: float) -> str:
    """One line of the probes that are due by `now_s`, "" for none."""
    late = [one for one in found if one.due_s <= now_s]
    if not late:
        return ""
    never = [one.probe for one in late if one.last_s is None]
    again = [one.probe for one in late if one.last_s is not None]
    parts = []
    if again:
        parts.append(f"due again: {', '.join(again)}")
    if never:
        parts.append(f"never held against a known value: {', '.join(never)}")
    return f"{'; '.join(parts)} (warmfoot calibrate how)"
