"""Readings and the picture of the site that decisions see."""

from enum import IntEnum
from math import nan
from typing import NamedTuple

from sensors.links.base import LinkHealth


class Flag(IntEnum):
    """Quality of a reading: names and numbers of QARTOD (IOOS, manual for real-time flags)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Reading(NamedTuple):
    """One sample of one probe.

    value: corrected, in `unit`; NaN when the flag is FAIL or MISSING.  raw: as received, NaN when
    it was not a number.  taken_s: monotonic time of the sample.  why: "" when the flag is PASS.
    """

    probe: str
    quantity: str
    value: float
    unit: str
    raw: float
    taken_s: float
    flag: Flag
    why: str = ""

    @property
    def usable(self) -> bool:
        """True when control may act on it."""
        return self.flag <= Flag.NOT_EVALUATED


class ProbeView(NamedTuple):
    """A probe at one instant: its last reading and what its recent past says.

    reading: last one; flag MISSING when none has come or the last is too old.
    age_s: since the last sample of any flag; inf when none ever came.  While no probe is late it
    is as of the last arrival; `reading.taken_s` tells it to the moment.
    rejected, heard: samples refused and samples received, since start.
    reject_share: share refused of the last 100 samples, 0..1.
    reject_run: refused in a row, up to now.
    span_1h, span_3h: highest minus lowest usable value in the last hour / three hours, or NaN until
    that much time has been seen.
    """

    reading: Reading
    age_s: float
    heard: int = 0
    rejected: int = 0
    reject_share: float = 0.0
    reject_run: int = 0
    span_1h: float = nan
    span_3h: float = nan


class BayView(NamedTuple):
    """Base of a bay.

    base_c: what the bay is held by, degC: the median of the usable base probes, unless two are far
    apart (`snapshot.base_of`); NaN when none is usable.
    hottest_c: highest usable base probe, degC, NaN when none.  spread_k: highest minus lowest.
    usable, fitted: numbers of base probes.
    """

    base_c: float
    hottest_c: float
    spread_k: float
    usable: int
    fitted: int
    probes: tuple[ProbeView, ...]


class BenchView(NamedTuple):
    """Climate of a bench; every value NaN when not known.

    top_c: air at leaf height, degC.  rh_pct: 0..100.  vpd_kpa: of the air.  dew_c, wet_bulb_c:
    degC.
    house_c: air outside the cover, degC.  light: as the light probe gives it, W/m2.
    air: the bench's other probes, in the bench file's order.  flow_ml_s: through the water meter,
    mean between its last two counts, ml/s.
    """

    top_c: float
    rh_pct: float
    vpd_kpa: float
    dew_c: float
    wet_bulb_c: float
    house_c: float
    light: float
    bays: dict[str, BayView]
    air: tuple[ProbeView, ...]
    flow_ml_s: float = nan


class RelayReport(NamedTuple):
    """What a board last said of a relay. on: closed now. left_s: rest of its lease."""

    on: bool
    left_s: float
    heard_s: float


class LinkView(NamedTuple):
    """A link at one instant. quiet_s: since the last fresh sample from it; inf when none came.

    restarts: times the far end was seen to restart (it greeted anew, or its sequence fell back);
    of several nodes, of the one that did so most.
    """

    health: LinkHealth
    quiet_s: float
    restarts: int = 0


class Snapshot(NamedTuple):
    """All that is known at one instant. relays: by relay id (see config.model.mat_id)."""

    benches: dict[str, BenchView]
    links: dict[str, LinkView]
    relays: dict[str, RelayReport]
