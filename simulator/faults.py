"""What can go wrong on a bench, as data.

A fault has a kind, a span, a target and a size. Which parts it reaches is decided in `rig.py`; here
is the table of kinds, and which faults stand at a given second of a rehearsal.
"""

from collections.abc import Iterable
from math import inf
from typing import Final, NamedTuple


class FaultError(ValueError):
    """A fault that is not in the table, or cannot be read: what was found, what is expected."""


class FaultKind(NamedTuple):
    """One row of the table.

    on: what it strikes: "probe", "humidity", "mat", "mister", "link", "site", "bench".
    hours: how long it usually stands.  size: its usual size, in the unit named in `about`.
    """

    on: str
    hours: float
    size: float
    about: str


KINDS: Final = {
    "probe_silent": FaultKind("probe", 6.0, 0.0, "sends nothing"),
    "probe_frozen": FaultKind("probe", 12.0, 0.0, "repeats its last value"),
    "probe_text": FaultKind("probe", 1.0, 0.0, "sends nan instead of a number"),
    "probe_spike": FaultKind("probe", 0.02, 10.0, "one reading off by this many units"),
    "probe_drift": FaultKind("probe", 48.0, 0.1, "drifts by this many units an hour"),
    "probe_offset": FaultKind("probe", 24.0, -2.0, "reads this many units too high"),
    "probe_in_air": FaultKind("probe", 24.0, 0.0, "lies out of the compost and reads the air"),
    "probe_85": FaultKind("probe", 0.5, 85.0, "sends its power-up value"),
    "humidity_stuck": FaultKind("humidity", 24.0, 100.0, "stays at this many per cent"),
    "humidity_low": FaultKind("humidity", 12.0, 20.0, "reads about this many per cent"),
    "mat_dead": FaultKind("mat", 12.0, 0.0, "gives no heat"),
    "mat_half": FaultKind("mat", 48.0, 0.5, "gives this share of its heat"),
    "relay_welded": FaultKind("mat", 6.0, 0.0, "stays on whatever is ordered"),
    "mister_blocked": FaultKind("mister", 6.0, 0.0, "passes this share of its water"),
    "valve_open": FaultKind("mister", 2.0, 0.0, "runs whatever is ordered"),
    "tank_empty": FaultKind("mister", 8.0, 0.0, "has no water"),
    "link_lost": FaultKind("link", 0.5, 0.0, "carries nothing either way"),
    "link_garbage": FaultKind("link", 0.5, 0.5, "garbles this share of the lines"),
    "power_cut": FaultKind(
        "site", 3.0, 0.0, "controller, boards, mats and mister are without power"
    ),
    "clock_step": FaultKind("site", 0.01, 7200.0, "the wall clock jumps by this many seconds"),
    "lid_open": FaultKind("bench", 3.0, 0.0, "the cover stands open"),
    "watering": FaultKind("bench", 0.01, 4.0, "this many litres a m2 of cold water, by hand"),
}


class Fault(NamedTuple):
    """One fault. at_s, until_s: seconds since the rehearsal began.

    target: as in the records: a probe id, "north.left.mat", "north.mister", a link or a bench; ""
    for the first that fits.  size: see `KINDS`.
    """

    kind: str
    at_s: float
    until_s: float
    target: str
    size: float


def make_fault(
    kind: str,
    at_s: float,
    hours: float | None = None,
    target: str = "",
    size: float | None = None,
) -> Fault:
    """A fault with what is left out taken from the table. Raises FaultError."""
    row = KINDS.get(kind)
    if row is None:
        raise FaultError(f'no fault is called "{kind}"; there are: {", ".join(KINDS)}')
    span_s = 3600.0 * (row.hours if hours is None else hours)
    if at_s < 0 or span_s <= 0:
        raise FaultError(
            f"fault {kind}: begins {at_s:g} s after the start and lasts {span_s:g} s; "
            "the first day is 1, hours count from 0, and it has to last"
        )
    return Fault(kind, at_s, at_s + span_s, target, row.size if size is None else size)


def parse_fault(text: str) -> Fault:
    """A fault written as KIND[:TARGET]@DAY[+HOUR][/HOURS][=SIZE]; the first day is 1.

    `mat_dead:north.left.mat@3+14/6` strikes on day 3 at hour 14 of that day, for 6 hours; days and
    hours count from the start of the rehearsal. Raises FaultError.
    """
    what, sign, when = text.partition("@")
    kind, _, target = what.partition(":")
    when, _, size = when.partition("=")
    when, _, hours = when.partition("/")
    day, _, hour = when.partition("+")
    try:
        day_number = float(day)
        at_s = (day_number - 1.0) * 86400.0 + (float(hour) * 3600.0 if hour else 0.0)
        span_h = float(hours) if hours else None
        amount = float(size) if size else None
    except ValueError:
        sign = ""
    if not sign:
        raise FaultError(
            f'cannot read the fault "{text}"; write KIND@DAY+HOUR, for example mat_dead@3+14, '
            "or KIND:TARGET@DAY+HOUR/HOURS=SIZE"
        )
    return make_fault(kind.strip(), at_s, span_h, target.strip(), amount)


class FaultBook:
    """All faults of one rehearsal. `faults_at` is cheap: it looks again only at the next edge.

    until_s: that edge, after the time last asked about; -inf before the first question.
    """

    __slots__ = ("_active", "_faults", "_from_s", "until_s")

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._faults = tuple(sorted(faults, key=lambda fault: fault.at_s))
        self._active: tuple[Fault, ...] = ()
        self._from_s = inf
        self.until_s = -inf

    def faults_at(self, at_s: float) -> tuple[Fault, ...]:
        """The faults that stand at `at_s`, earliest first; the same tuple until one changes."""
        if self._from_s <= at_s < self.until_s:
            return self._active
        edges = [edge for fault in self._faults for edge in (fault.at_s, fault.until_s)]
        self._active = tuple(f for f in self._faults if f.at_s <= at_s < f.until_s)
        self._from_s = max((edge for edge in edges if edge <= at_s), default=-inf)
        self.until_s = min((edge for edge in edges if edge > at_s), default=inf)
        return self._active
