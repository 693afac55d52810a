"""The worker that sends: a thread of its own, which nothing waits for."""

import logging
import queue
import threading
from collections.abc import Mapping
from typing import Final

from config.model import Site
from controller.notify.plan import Delivery, Desk, delivered, heard, plan_deliveries
from controller.notify.routes import RouteError, Sender, address_of, send_by_apprise
from controller.records import AlarmRow
from sensors.clock import Clock, Now

log = logging.getLogger(__name__)

QUEUE_ROWS: Final = 1000
LOOK_EVERY_S: Final = 1.0
BACK_OFF_S: Final = (30.0, 60.0, 120.0, 300.0, 900.0)
SEND_S: Final = 60.0
"""Real seconds that one message may take. A service may keep a connection open for ever, word by
word, and the other routes must not wait for it."""
FAILED_AFTER: Final = 2
"""Tries without success after which a route counts as failing."""


class _RouteState:
    __slots__ = ("next_try_s", "since_s", "tries", "why")

    def __init__(self) -> None:
        self.tries = 0
        self.since_s = 0.0
        self.next_try_s = float("-inf")
        self.why = ""


class Notifier:
    """Takes alarm changes and brings them to people.

    `tell` and `health` return at once and never raise. Everything slow happens in the worker, or in
    `work`, which does one round and is what tests call.
    """

    def __init__(self, site: Site, clock: Clock, sender: Sender = send_by_apprise) -> None:
        self._alerts = site.alerts
        self._zone = site.site.zone
        self._title = site.site.name
        self._clock = clock
        self._sender = sender
        self._queue: queue.Queue[AlarmRow | None] = queue.Queue(QUEUE_ROWS)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._desk = Desk()
        self._routes = {name: _RouteState() for name in site.alerts.routes}
        self._trying: dict[str, threading.Thread] = {}
        self.dropped = 0

    def start(self) -> None:
        """Begin to send. Without a route there is nothing to start."""
        if not self._routes or self._thread is not None:
            return
        self._stopping.clear()
        self._check_addresses()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the worker; a message on its way is given a few seconds. Idempotent."""
        self._stopping.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            self._wake()
            thread.join(5.0)

    def tell(self, row: AlarmRow) -> None:
        """Queue one change; the oldest goes when the queue is full."""
        if not self._routes:
            return
        while True:
            try:
                self._queue.put_nowait(row)
                return
            except queue.Full:
                self.dropped += 1
                try:
                    self._queue.get_nowait()
                except queue.Empty:
                    continue

    def health(self, mono_s: float) -> Mapping[str, float]:
        """{"route_failed_s": seconds for which the worst route has failed, 0 when none does}.

        All of them fail while the worker does not run though it was started.
        """
        if self._thread is not None and not self._thread.is_alive():
            return {"route_failed_s": 1.0}
        failing = [r for r in self._routes.values() if r.tries >= FAILED_AFTER]
        worst_s = max((mono_s - r.since_s for r in failing), default=0.0)
        return {"route_failed_s": max(worst_s, 1.0) if failing else 0.0}

    def problems(self) -> dict[str, str]:
        """Route name to what is wrong with it, for the failing ones."""
        return {n: r.why for n, r in self._routes.items() if r.tries >= FAILED_AFTER}

    def send_test(self, route: str) -> str:
        """Send a test message now, waiting for it. "" when it went, else what is wrong."""
        if route not in self._routes:
            return f"there is no route {route}; there are: {', '.join(self._routes) or 'none'}"
        return self._send(Delivery(route, f"{self._title}: test", "This is only a test."))

    def work(self) -> None:
        """One round: take what was told, send what is due."""
        now = self._clock.now()
        self._take(now)
        blocked = frozenset(n for n, r in self._routes.items() if r.next_try_s > now.mono_s)
        self._desk, due = plan_deliveries(
            self._desk, self._alerts, self._zone, self._title, now, blocked
        )
        failed: set[str] = set()
        for delivery in due:
            if delivery.route in failed or self._stopping.is_set():
                continue
            problem = self._send(delivery)
            self._judge(delivery.route, problem)
            if problem:
                failed.add(delivery.route)
            else:
                self._desk = delivered(self._desk, delivery, self._clock.now())

    def _take(self, now: Now) -> None:
        while True:
            try:
                row = self._queue.get_nowait()
            except queue.Empty:
                return
            if row is not None:
                self._desk = heard(self._desk, row.change, now)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.work()
            except Exception:
                log.exception("a round of messages failed")
            self._wait()

    def _wait(self) -> None:
        """Until something is told, at most LOOK_EVERY_S."""
        try:
            row = self._queue.get(timeout=LOOK_EVERY_S)
        except queue.Empty:
            return
        if row is not None:
            self._desk = heard(self._desk, row.change, self._clock.now())

    def _wake(self) -> None:
        try:
            self._queue.put_nowait(None)
        except queue.Full:
            return

    def _check_addresses(self) -> None:
        """A route without an address fails from the start, not only at the first alarm."""
        for name, route in self._alerts.routes.items():
            try:
                address_of(route.url_env)
            except RouteError as error:
                self._judge(name, str(error))
                self._routes[name].tries = FAILED_AFTER

    def _send(self, delivery: Delivery) -> str:
        """ "" when it went within SEND_S, else what is wrong. One try at a time for each route."""
        before = self._trying.get(delivery.route)
        if before is not None and before.is_alive():
            return "sending failed: the try before this one still waits for an answer"
        found: list[str] = []
        thread = threading.Thread(
            target=lambda: found.append(self._tried(delivery)), name="message", daemon=True
        )
        try:
            thread.start()
        except RuntimeError as error:  # the machine gives no more threads
            return f"sending failed: {error}"
        self._trying[delivery.route] = thread
        thread.join(SEND_S)
        return found[0] if found else f"sending failed: no answer within {SEND_S:.0f} s"

    def _tried(self, delivery: Delivery) -> str:
        try:
            address = address_of(self._alerts.routes[delivery.route].url_env)
            sent = self._sender(address, delivery.title, delivery.body)
        except RouteError as error:
            return str(error)
        except Exception as error:
            # Only its kind: the text of a network error may hold the address.
            return f"sending failed: {type(error).__name__}"
        return "" if sent else "sending failed: the service did not take it"

    def _judge(self, name: str, problem: str) -> None:
        state = self._routes[name]
        now_s = self._clock.now().mono_s
        if not problem:
            if state.tries:
                log.info("alert route %s works again", name)
            self._routes[name] = _RouteState()
            return
        if state.tries == 0:
            state.since_s = now_s
        if problem != state.why:
            log.warning("alert route %s: %s", name, problem)
        state.why = problem
        state.next_try_s = now_s + BACK_OFF_S[min(state.tries, len(BACK_OFF_S) - 1)]
        state.tries += 1
