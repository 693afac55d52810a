"""`warmfoot run`: one bench file, one process, for ever.

Order of life: lock, config, journal, links, all relays off, ready; then tick after tick until a
signal; then all relays off on every way out. SIGHUP re-reads the bench file: the whole new file
or none of it.
"""

import contextlib
import json
import logging
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import ParamSpec

from filelock import Timeout

from config.load import ConfigError, load_with_text
from controller.app import build
from controller.decide.alarms import check_changes
from controller.housekeeping import Housekeeper
from controller.journal.lock import keepers_lock, lock_path
from controller.journal.standing import Identity, identity
from controller.live import Json, picture
from controller.loop import Controller, Progress
from controller.notify import Notifier
from controller.page import Board, Desk, PageServer, page_address
from controller.places import how_to_end, journal_path, live_path
from controller.publish import Publisher
from controller.service_manager import Bell, ServiceManager
from sensors.clock import Clock, SystemClock

log = logging.getLogger(__name__)
P = ParamSpec("P")

LIVE_EVERY_S = 5.0


class AlreadyRunning(RuntimeError):
    """Another Warmfoot holds the journal of this bench file."""


class Daemon:
    """The controller and what surrounds it while it runs unattended."""

    def __init__(self, bench_file: Path, *, clock: Clock | None = None) -> None:
        self._file = bench_file
        self.site, text = load_with_text(bench_file)
        self._clock = clock or SystemClock()
        self._journal = journal_path(self.site)
        self._live = live_path(self._journal)
        self._manager = ServiceManager()
        self._bell = Bell()
        self._stopping = False
        self._reload = False
        self._reason = "stopped"
        self._fed = Progress()
        self._fed_at_s = 0.0
        self._live_at_s = float("-inf")
        self._unsaid = ""
        self._text = text
        self._lock = keepers_lock(self._journal)
        self._lock_file = lock_path(self._journal)
        self._locked: Identity | None = None
        self._faults: dict[str, str] = {}
        self._board = Board()
        self._desk = Desk()

    @property
    def journal(self) -> Path:
        """Where the journal lies."""
        return self._journal

    @property
    def page_address(self) -> str:
        """Where a browser finds the page."""
        return page_address(self.site.page)

    def run(self, begun: Callable[[], None] = lambda: None) -> None:
        """Keep the bench until a signal comes. Raises AlreadyRunning, JournalError, ConfigError.

        begun: called once nobody else keeps it.
        """
        self._take_lock()
        begun()
        try:
            with self._signals():
                while not self._stopping:
                    self._keep_until_told()
        finally:
            with contextlib.suppress(OSError):
                self._live.unlink()
            self._lock.release()

    def _take_lock(self) -> None:
        try:
            self._journal.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
            self._lock.acquire(timeout=0)
            self._locked = identity(self._lock_file)
        except Timeout:
            raise AlreadyRunning(
                f"another warmfoot already keeps {self._journal}; stop it first "
                f"({how_to_end(self._journal)})"
            ) from None
        except OSError as error:
            # A disk that takes no file must not leave the bench cold.
            log.error(
                "no lock beside the journal, so a second warmfoot is not noticed: %s: %s",
                self._journal.parent, error.strerror or error,
            )  # fmt: skip

    def _hold_lock(self) -> None:
        """Lock anew when somebody deleted the lock's file, or its folder: a second warmfoot would
        not notice this one. One that began meanwhile is told of, once.
        """
        found = identity(self._lock_file, self._locked)
        if found == self._locked:
            return
        self._lock.release()
        try:
            self._lock.acquire(timeout=0)
            found = identity(self._lock_file)
            log.error("the lock beside the journal was deleted; it has been taken anew")
        except Timeout:
            log.error(
                "%s was deleted, and another warmfoot keeps the same journal by now; stop one of "
                "them (%s)", self._lock_file, how_to_end(self._journal),
            )  # fmt: skip
        except OSError:
            return  # the folder is not back yet
        self._locked = found

    def _keep_until_told(self) -> None:
        """Run one controller until a signal stops it or a new bench file replaces it."""
        controller = build(
            self.site,
            clock=self._clock,
            journal=self._journal,
            site_text=self._text,
            threaded=True,
        )
        self._fed = Progress()
        with self._surroundings(controller):
            self._keep(controller)

    @contextlib.contextmanager
    def _surroundings(self, controller: Controller) -> Iterator[None]:
        self._notifier = Notifier(self.site, self._clock)
        self._publisher = Publisher(self.site, controller.links)
        housekeeper = Housekeeper(self.site, self._journal, self._clock, controller.note)
        page = PageServer(self.site.page, self._journal, self._board, self._desk)
        try:
            controller.start()
            begins = {"alerts": self._notifier.start, "housekeeping": housekeeper.start}
            if self.site.page.serve:
                begins["page"] = page.start
            for part, begin in begins.items():
                if why := self._spared(part, begin):
                    controller.note("fault", part, f"not started: {why}")
            yield
        except BaseException as error:
            self._reason = f"fault: {type(error).__name__}: {error}"
            raise
        finally:
            controller.stop(self._reason)
            self._spared("alerts", self._notifier.stop)
            self._spared("housekeeping", housekeeper.stop)
            self._spared("page", page.stop)

    def _keep(self, controller: Controller) -> None:
        self._manager.send("READY=1", f"STATUS=keeping {self.site.site.name}")
        due_s = self._clock.now().mono_s
        while not self._stopping:
            if self._reload:
                self._reload = False
                if self._take_new_file(controller):
                    return
            self._spared("page", self._desk.take, controller)
            decision = controller.tick()
            self._after_tick(controller)
            # After the moment was put down: the page shown next knows what was just done.
            self._spared("page", self._desk.answer, decision.acts)
            due_s = max(due_s + self.site.site.tick_s, self._clock.now().mono_s)
            self._bell.wait(max(0.0, due_s - self._clock.now().mono_s))

    def _after_tick(self, controller: Controller) -> None:
        now = self._clock.now()
        self._spared("page", self._board.put, controller, now)
        self._feed(controller, now.mono_s)
        for row in controller.changes:
            self._notifier.tell(row)
        controller.service.update(self._notifier.health(now.mono_s))
        if now.mono_s - self._live_at_s >= LIVE_EVERY_S or controller.changes:
            self._live_at_s = now.mono_s
            self._give_out(controller)
            self._spared("the lock", self._hold_lock)

    def _spared(self, part: str, work: Callable[P, None], *args: P.args, **more: P.kwargs) -> str:
        """Do something that the bench can do without; gives what went wrong in words, else "".

        The same fault in a part is said once. None stops anything else.
        """
        try:
            work(*args, **more)
        except Exception as error:
            text = f"{type(error).__name__}: {error}"
            if text != self._faults.get(part):
                self._faults[part] = text
                log.error("fault in %s; heat and mist go on", part, exc_info=error)
            return text
        return ""

    def _give_out(self, controller: Controller) -> None:
        """The picture to the commands on this machine, and over MQTT. A fault is said once."""
        said, self._unsaid = self._unsaid, ""
        try:
            now_picture = self._picture(controller)
            self._publisher.publish(now_picture, controller.changes)
            self._write_live(now_picture)
        except OSError as error:
            self._unsaid = f"{self._live}: {error.strerror or error}"
            if self._unsaid != said:
                log.error(
                    "the live picture can't be written, so `warmfoot status` tells nothing; heat "
                    "and mist go on: %s", self._unsaid,
                )  # fmt: skip
        except Exception as error:
            self._unsaid = f"{type(error).__name__}: {error}"
            if self._unsaid != said:
                log.error("the live picture could not be given out", exc_info=error)

    def _feed(self, controller: Controller, mono_s: float) -> None:
        """Tell the manager we live, only if every stage has advanced since the last time."""
        wanted_s = self._manager.watchdog_s
        if wanted_s is None or mono_s - self._fed_at_s < min(wanted_s / 3, 10.0):
            return
        progress = controller.progress
        if progress.all_beyond(self._fed):
            self._fed, self._fed_at_s = progress, mono_s
            self._manager.send("WATCHDOG=1")

    def _picture(self, controller: Controller) -> Json:
        snapshot, decision = controller.snapshot, controller.decision
        assert snapshot is not None
        assert decision is not None
        health = controller.recorder.health()
        sums = {
            b.number: w for b in controller.batches if (w := controller.warmths.warmth(b.number))
        }
        return picture(
            controller.site,
            controller.state,
            snapshot,
            decision,
            self._clock.now(),
            controller.batches,
            sums,
            {
                "path": str(self._journal),
                "ok": health.ok,
                "why": health.why,
                "rows_waiting": health.buffered_rows,
                "pid": os.getpid(),
            },
            controller.sharing(),
        )

    def _write_live(self, data: Json) -> None:
        fresh = self._live.with_suffix(".tmp")
        fresh.write_text(json.dumps(data, allow_nan=False), encoding="utf-8")
        fresh.replace(self._live)

    def _take_new_file(self, controller: Controller) -> bool:
        """Re-read the bench file. False, and the running one stays, when the new one is unsound."""
        self._manager.send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")
        try:
            site, text = load_with_text(self._file)
            check_changes(site)
        except ConfigError as error:
            controller.note("reload_refused", "site", str(error))
            log.error("bench file not taken up, the old one stays in force:\n%s", error)
            self._manager.send("READY=1")
            return False
        if journal_path(site) != self._journal:
            text_why = "the journal's path or the site's name was changed; restart to use another"
            controller.note("reload_refused", "site", text_why)
            log.error("bench file not taken up: %s", text_why)
            self._manager.send("READY=1")
            return False
        self.site, self._text = site, text
        self._reason = "new bench file"
        log.info("bench file %s taken up anew", self._file)
        return True

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        def stop(number: int, _frame: FrameType | None) -> None:
            self._reason = f"signal {signal.Signals(number).name}"
            self._manager.send("STOPPING=1")
            self._stopping = True
            self._bell.ring()

        def reload(_number: int, _frame: FrameType | None) -> None:
            self._reload = True
            self._bell.ring()

        before = {
            signal.SIGTERM: signal.signal(signal.SIGTERM, stop),
            signal.SIGINT: signal.signal(signal.SIGINT, stop),
            signal.SIGHUP: signal.signal(signal.SIGHUP, reload),
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
