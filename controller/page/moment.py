"""What the loop hands to the page: frozen records, put down once a tick and never locked.

The loop only puts a reference where the page will look; everything that is made of it (words,
drawings, HTML) is made in the page's own threads.
"""

import itertools
import time
from typing import Any, NamedTuple

from config.model import Site
from controller.decide.aims import Aims
from controller.decide.sharing import Sharing
from controller.decide.state import State
from controller.live import picture
from controller.loop import Controller
from controller.records import Batch, Decision, Warmth
from sensors.clock import Now
from sensors.readings import Snapshot


class Moment(NamedTuple):
    """A running site at one instant. Everything in it is frozen.

    number: counts up.  now: by the controller's clock.  seen_s: real monotonic seconds when it was
    put down; a page may stand on a clock that is turned by hand, but lateness is always real.
    """

    number: int
    site: Site
    aims: Aims
    state: State
    snapshot: Snapshot
    decision: Decision
    now: Now
    batches: tuple[Batch, ...]
    warmths: dict[int, Warmth]
    journal: dict[str, object]
    sharing: Sharing
    seen_s: float

    def picture(self) -> dict[str, Any]:
        """The same as plain data, as `warmfoot status --json` has it."""
        return picture(
            self.site,
            self.state,
            self.snapshot,
            self.decision,
            self.now,
            self.batches,
            self.warmths,
            self.journal,
            self.sharing,
        )

    def utc_s(self, mono_s: float) -> float:
        """UTC seconds of a monotonic time of the controller's clock."""
        return self.now.utc_s + mono_s - self.now.mono_s


class Board:
    """Where the loop puts its latest moment and the page finds it. One assignment, no lock."""

    def __init__(self) -> None:
        self.latest: Moment | None = None
        self._numbers = itertools.count(1)

    def put(self, controller: Controller, now: Now) -> None:
        """Put down how things stand after a tick; nothing before the first."""
        snapshot, decision, aims = controller.snapshot, controller.decision, controller.aims
        if snapshot is None or decision is None or aims is None:
            return
        sums = {b.number: controller.warmths.warmth(b.number) for b in controller.batches}
        health = controller.recorder.health()
        self.latest = Moment(
            next(self._numbers),
            controller.site,
            aims,
            controller.state,
            snapshot,
            decision,
            now,
            controller.batches,
            {number: warmth for number, warmth in sums.items() if warmth is not None},
            {"ok": health.ok, "why": health.why, "rows_waiting": health.buffered_rows},
            controller.sharing(),
            time.monotonic(),
        )
