"""What a run leaves behind for the checker: orders on the wire, relays, truth, and the journal.

All times `t_s` are true seconds since the run began, whatever the machine's clock says.
"""

import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any, NamedTuple


class Order(NamedTuple):
    """An order as a board heard it. leases_s: by relay id."""

    t_s: float
    leases_s: dict[str, float]


class Turn(NamedTuple):
    """A board's relay as it stood from `t_s` on."""

    t_s: float
    relay: str
    on: bool


class Look(NamedTuple):
    """One tick. took_s: real seconds that it took.

    true_c: true base by bay place.  usable: base probes that the controller believes, by bay place.
    hottest_c: highest of them.  modes, codes: as decided, by place.  numbers: everything that is
    computed with again (duty, dryness ...).  warmth: twice the sum in mK s, covered_s: the seconds
    measured, by batch.
    """

    t_s: float
    utc_s: float
    took_s: float
    true_c: dict[str, float]
    usable: dict[str, int]
    hottest_c: dict[str, float]
    modes: dict[str, str]
    codes: dict[str, str]
    numbers: tuple[float, ...]
    warmth: dict[int, int]
    covered_s: dict[int, int]


class Due(NamedTuple):
    """An alarm that the truth calls for: raised not before `from_s` and not after `by_s`."""

    alarm: str
    place: str
    from_s: float
    by_s: float


class Shown(NamedTuple):
    """The page at an instant. rows: newest alarm change and decision in the journal by then.

    text: as served, "" when only the picture was taken.
    """

    t_s: float
    rows: tuple[int, int]
    picture: dict[str, Any]
    text: str = ""


class Usage(NamedTuple):
    """What the process held. days: since the start."""

    days: float
    rss_kb: float
    files: int
    threads: frozenset[str]


@dataclass
class Evidence:
    """One run.

    mats, misters: relay ids by place.  limits: of each bay, ceiling and trip, degC.  bounds: of
    each bench, (longest burst s, share of an hour, seconds a day).  longest_on_s: of each relay, by
    its board.  excused: relays whose switch the fault itself has broken.  rebooted: those whose
    board started anew under an order.  away: (from, to) without a controller, on purpose.  blind:
    (from, to, bay) without a believable base.  returns_s: by when all is normal again, inf when the
    run ends in the fault.  allowed: alarms that may stand or come though no `dues` names them.
    latched: alarms that wait for a person.  committed: rows by table that were in the journal
    before a crash.  twin: the orders of the same run without the thing that must make no
    difference, over `same` (from, to), in the relays `alike` (all when empty).
    """

    journal: Path
    tick_s: float
    mats: dict[str, str] = field(default_factory=dict)
    misters: dict[str, str] = field(default_factory=dict)
    limits: dict[str, tuple[float, float]] = field(default_factory=dict)
    bounds: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    longest_on_s: dict[str, float] = field(default_factory=dict)
    orders: list[Order] = field(default_factory=list)
    turns: list[Turn] = field(default_factory=list)
    looks: list[Look] = field(default_factory=list)
    shown: list[Shown] = field(default_factory=list)
    usage: list[Usage] = field(default_factory=list)
    end_s: float = 0.0
    excused: frozenset[str] = frozenset()
    rebooted: frozenset[str] = frozenset()
    away: list[tuple[float, float]] = field(default_factory=list)
    blind: list[tuple[float, float, str]] = field(default_factory=list)
    returns_s: float = inf
    dues: tuple[Due, ...] = ()
    allowed: frozenset[str] = frozenset()
    latched: frozenset[str] = frozenset()
    committed: dict[str, set[tuple[Any, ...]]] = field(default_factory=dict)
    twin: list[Order] | None = None
    same: tuple[float, float] = (0.0, inf)
    alike: frozenset[str] = frozenset()
    utc0_s: float = 0.0

    def asked(self, statement: str) -> list[tuple[Any, ...]]:
        """Rows of the journal, which is only read."""
        with closing(sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)) as conn:
            return conn.execute(statement).fetchall()

    def gone(self, from_s: float, to_s: float) -> bool:
        """Whether the controller was away, on purpose, in this span."""
        return any(a < to_s and from_s < b for a, b in self.away)
