"""`warmfoot rehearse --live`: the demonstration nursery fast enough to watch, with its page.

The bench, its weather and the controller share one clock that is turned by hand: a day passes in a
minute, and the controller cannot tell. Only the page looks at real time, to say what is late.
"""

import time
from collections.abc import Callable
from typing import Final

from config.model import PagePlan
from controller.loop import Controller
from controller.page import Board, Desk, PageServer
from simulator.run import Rehearsal
from simulator.scenario import DAY_S

DAY_TAKES_S: Final = 60.0
"""Real seconds to a day."""
BEFORE_DAYS: Final = 12.0
"""Played at once before anybody watches, so that there is a past to look at."""
PUT_EVERY_S: Final = 0.5
"""Real seconds between two moments put down for the page."""


class Live:
    """A rehearsal that is watched. Use it in a `with` block; `play` until told to stop."""

    def __init__(self, rehearsal: Rehearsal, plan: PagePlan, *, any_port: bool = False) -> None:
        self.rehearsal = rehearsal
        self.board = Board()
        self.desk = Desk()
        self.server = PageServer(
            plan, rehearsal.journal_path, self.board, self.desk, any_port=any_port
        )

    @property
    def address(self) -> str:
        """Where a browser finds the page."""
        return self.server.address

    def __enter__(self) -> "Live":
        self.rehearsal.start()
        self.server.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.stop()
        self.rehearsal.stop()

    def hasten(self, days: float) -> None:
        """Play `days` as fast as they go; the page may watch."""
        until_s = self.rehearsal.elapsed_s + days * DAY_S
        put_s = 0.0
        while self.rehearsal.elapsed_s < until_s:
            self.step()
            now_s = time.monotonic()
            if now_s >= put_s:
                put_s = now_s + PUT_EVERY_S
                self.put()
        self.put()

    def play(
        self,
        *,
        day_takes_s: float = DAY_TAKES_S,
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        """Step in time with the pace until `stopped` or Ctrl-C."""
        pace = DAY_S / day_takes_s
        begun_s, played_s = time.monotonic(), self.rehearsal.elapsed_s
        put_s = begun_s
        while not stopped():
            now_s = time.monotonic()
            if self.rehearsal.elapsed_s - played_s <= (now_s - begun_s) * pace:
                self.step()
            else:
                time.sleep(0.005)
            if now_s >= put_s:
                put_s = now_s + PUT_EVERY_S
                self.put()

    def step(self) -> None:
        """One decision, with the acts that came from the page."""
        controller = self.rehearsal.controller
        if isinstance(controller, Controller):
            self.desk.take(controller)
        decision = self.rehearsal.step()
        if decision is not None and decision.acts:
            self.put()  # first, so that the page shown next knows what was just done
            self.desk.answer(decision.acts)

    def put(self) -> None:
        """Put the moment down for the page, and what was recorded into the journal."""
        controller = self.rehearsal.controller
        if isinstance(controller, Controller):
            controller.recorder.flush()
            self.board.put(controller, self.rehearsal.clock.now())
