"""The loop: probe -> reading -> climate -> decision -> relay -> log, once a tick.

It owns the state and is the only place that acts on a Decision. Nothing it calls may block it:
links queue, the recorder queues, the notifier queues. A fault in one stage is logged, recorded
and survived; the relays then get absolute "off" orders instead of a decision.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import ParamSpec

from config.model import Site, mat_id, mister_id
from controller.decide import build_aims, initial_state, step
from controller.decide.aims import Aims
from controller.decide.moving import advised
from controller.decide.reasons import words
from controller.decide.recall import recalled
from controller.decide.sharing import NOTHING, Sharing, share
from controller.decide.state import State, dump, load
from controller.decide.step import GAP_S
from controller.journal.recorder import Recorder
from controller.journal.rows import TimeFix
from controller.minutes import MinuteBook
from controller.records import (
    Act,
    ActDone,
    ActRow,
    AlarmChanged,
    AlarmRow,
    AlarmStateName,
    Batch,
    BayDecision,
    Decision,
    EventRow,
    MistDecision,
    Reason,
    ReasonRow,
    RelayOrder,
    Row,
    StateRow,
)
from controller.relays.driver import Driver
from controller.warmths import WarmthBook
from sensors.clock import Clock, Now
from sensors.intake import Intake
from sensors.links.base import Link, LinkHealth
from sensors.readings import Snapshot

log = logging.getLogger(__name__)
P = ParamSpec("P")

AIMS_EVERY_MIN = 10
"""Under a virtual clock phases and doses move this often, parts of the day every minute."""
STATE_EVERY_S = 900
"""Under a virtual clock the state is saved this often; a daemon saves it every minute."""
ADVICE_S = 1800
"""Advice on who suffers where is made anew this often, and whenever batches change."""
CLOCK_STEP_S = 60.0
"""The wall clock moving this far against the monotonic clock is a step."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How often each stage has finished, for the watchdog: a stage that hangs stops its count."""

    sensed: int = 0
    decided: int = 0
    ordered: int = 0
    journalled: int = 0

    def all_beyond(self, earlier: "Progress") -> bool:
        """True when every stage has advanced since `earlier`."""
        return (
            self.sensed > earlier.sensed
            and self.decided > earlier.decided
            and self.ordered > earlier.ordered
            and self.journalled > earlier.journalled
        )


class Controller:
    """One site under control. Built by app.build; `start`, then `tick` for ever, then `stop`."""

    def __init__(
        self,
        site: Site,
        *,
        clock: Clock,
        links: Mapping[str, Link],
        recorder: Recorder,
        warmths: WarmthBook,
        batches: Sequence[Batch] = (),
        state_json: str | None = None,
        away_s: float = 0.0,
        began_utc_s: float = inf,
    ) -> None:
        """began_utc_s: of the run's record, by the wall clock as it went then."""
        self.site = site
        self.clock = clock
        self.links = dict(links)
        self.recorder = recorder
        self.driver = Driver(site, self.links)
        self.warmths = warmths
        self.batches: tuple[Batch, ...] = tuple(batches)
        self.snapshot: Snapshot | None = None
        self.decision: Decision | None = None
        self.changes: tuple[AlarmRow, ...] = ()
        self.service: dict[str, float] = {"away_s": away_s}
        self._state_json = state_json
        self._intake = Intake(site)
        self._minutes = MinuteBook()
        self._asked: list[Act] = []
        self._said: dict[tuple[str, str], BayDecision | MistDecision] = {}
        self._sensed = self._decided = self._ordered = 0
        self._minute = -1
        self._last: Now | None = None
        self._began_utc_s = min(began_utc_s, clock.now().utc_s)
        self._faults: dict[str, str] = {}
        self._arrived = False
        self._aims_every_minute = recorder.threaded or any(
            bench.heat_for(bay).parts for bench in site.benches.values() for bay in bench.bays
        )
        self.state: State = initial_state()
        self.aims: Aims | None = None
        self._shared: Sharing = NOTHING
        self._shared_of: tuple[Batch, ...] | None = None
        self._shared_s = 0.0

    # -- life ---------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the links, order everything off, take up the saved state."""
        for link in self.links.values():
            link.start()
        now = self.clock.now()
        self._all_off("start", now)
        if self._state_json:
            self.state = load(self._state_json, now)
        self.batches = self._readable(self.batches, now)
        self._aim(now)

    def stop(self, reason: str) -> None:
        """Order everything off, write what is left, close links and journal. Idempotent."""
        now = self.clock.now()
        self._all_off("stop", now)
        self._guarded("last minute", self._close_minute, now, True)
        self.recorder.close(now, reason)
        for name, link in self.links.items():
            try:
                link.stop()
            except Exception:
                log.exception("link %s did not close", name)

    def __enter__(self) -> "Controller":
        self.start()
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self.stop("stopped" if kind is None else f"stopped by {kind}")

    @property
    def progress(self) -> Progress:
        return Progress(self._sensed, self._decided, self._ordered, self.recorder.progress)

    def ask(self, act: Act) -> None:
        """Queue a person's act for the next tick."""
        self._asked.append(act)

    def note(self, kind: str, place: str, text: str) -> None:
        """Put an event into the journal."""
        self.recorder.put([EventRow(self.clock.now().utc_s, kind, place, text)])

    # -- one tick -----------------------------------------------------------------------------

    def tick(self) -> Decision:
        """Sense, decide, order and record, once. Raises RuntimeError before `start`."""
        if self.aims is None:
            raise RuntimeError("tick before start")
        now = self.clock.now()
        dt_s = self._passed(now)
        minute = int(now.utc_s // 60)
        if minute != self._minute:
            self._guarded("minute", self._new_minute, now, minute)
        snapshot = self._sense(now)
        decision = self._decide(now, snapshot)
        self._order(now, decision, dt_s)
        self._guarded("record", self._record, now, snapshot, decision)
        self.snapshot, self.decision = snapshot, decision
        return decision

    def _passed(self, now: Now) -> float:
        """Seconds since the last tick; 0 across a gap. Clock steps and gaps are noted.

        When an untrusted clock is set at last, what this run wrote before is re-dated.
        """
        last, self._last = self._last, now
        if last is None:
            return 0.0
        dt_s = now.mono_s - last.mono_s
        step_s = (now.utc_s - last.utc_s) - dt_s
        if abs(step_s) > CLOCK_STEP_S:
            self.service["clock_step_s"] = step_s
            self.service["clock_step_at_s"] = now.mono_s
            if now.trusted and not last.trusted:
                # Its last minute is of the old clock too, and must be re-dated with the others.
                self._guarded("last minute", self._close_minute, last)
                fix = TimeFix(now.utc_s, self._began_utc_s, last.utc_s, step_s)
                self.recorder.put([fix])
                self._began_utc_s = now.utc_s
            text = f"the wall clock moved by {step_s:+.0f} s; control runs on, records are marked"
            self.recorder.put([EventRow(now.utc_s, "clock_step", "site", text)])
        if dt_s > GAP_S:
            self._minutes.dropped()
            text = f"no control for {dt_s:.0f} s; boards drop their relays when leases run out"
            self.recorder.put([EventRow(now.utc_s, "gap", "site", text)])
            return 0.0
        return dt_s

    def _sense(self, now: Now) -> Snapshot:
        health: dict[str, LinkHealth] = {}
        self._arrived = False
        for name, link in self.links.items():
            try:
                arrivals = link.poll()
                if arrivals:
                    self._arrived = True
                    self._intake.take(name, arrivals)
                health[name] = link.health()
            except Exception as error:
                self._fault(f"link {name}", error, now)
                health[name] = LinkHealth(False, f"fault in the link: {error}", now.mono_s)
        snapshot = self._intake.snapshot(now.mono_s, health)
        self._sensed += 1
        return snapshot

    def _decide(self, now: Now, snapshot: Snapshot) -> Decision:
        acts = self._take_acts()
        assert self.aims is not None
        try:
            self.state, decision = step(
                self.aims, self.state, snapshot, now, acts, service=self.service
            )
            self._decided += 1
            for text in decision.faults:
                self._note_fault("decision", text, now)
        except Exception as error:
            self._fault("decision", error, now)
            done = tuple(ActDone(act, False, "not done: a fault in the program") for act in acts)
            decision = Decision(self._off_orders(), (), (), (), done)
        return decision

    def _order(self, now: Now, decision: Decision, dt_s: float) -> None:
        lost: frozenset[str] = frozenset()
        try:
            self.driver.send(decision.orders, now.mono_s)
            lost = self.driver.untaken
            self._ordered += 1
        except Exception as error:
            self._fault("orders", error, now)
            lost = frozenset(order.relay for order in decision.orders)
        self._minutes.ordered(decision.orders, dt_s, lost)

    def _record(self, now: Now, snapshot: Snapshot, decision: Decision) -> None:
        if self._arrived:
            self._guarded("samples", self._sample, snapshot)
        rows = self._new_reasons(decision, now.utc_s)
        self.changes = ()
        if decision.alarms:
            self.changes = tuple(AlarmRow(now.utc_s, change) for change in decision.alarms)
            rows += self.changes
        if decision.acts:
            rows += [ActRow(now.utc_s, done) for done in decision.acts]
        if decision.alarms or decision.acts:
            # A latch or a hold must outlast a power cut in the next second.
            self._guarded("state", self._save_state, rows, now)
        if rows:
            self.recorder.put(rows)

    def _sample(self, snapshot: Snapshot) -> None:
        for bench in snapshot.benches.values():
            self._minutes.sample(bench.air)
            for bay in bench.bays.values():
                self._minutes.sample(bay.probes)

    def _new_reasons(self, decision: Decision, utc_s: float) -> list[Row]:
        """A row for every place whose reason, or mode, is another than last said."""
        rows: list[Row] = []
        said = self._said
        for bay in decision.bays:
            key = (bay.bench, bay.bay)
            held = said.get(key)
            if held is bay:
                continue
            said[key] = bay
            if held is None or _says_else(held, bay):
                place = f"{bay.bench}.{bay.bay}"
                rows.append(_reason_row(utc_s, place, bay.reason, bay.mode, bay.duty))
        for mist in decision.mist:
            key = (mist.bench, "mister")
            held = said.get(key)
            if held is mist:
                continue
            said[key] = mist
            if held is None or _says_else(held, mist):
                place = f"{mist.bench}.mister"
                rows.append(_reason_row(utc_s, place, mist.reason, mist.mode, mist.dryness_kpa_min))
        return rows

    def _save_state(self, rows: list[Row], now: Now) -> None:
        rows.append(StateRow(now.utc_s, dump(self.state, now)))

    # -- once a minute ------------------------------------------------------------------------

    def _new_minute(self, now: Now, minute: int) -> None:
        self._faults.clear()
        self._guarded("last minute", self._close_minute, now)
        self._minute = minute
        if not self.recorder.threaded and minute % AIMS_EVERY_MIN == 0:
            self._read_inbox()
        self._read_service(now)
        if self._aims_every_minute or minute % AIMS_EVERY_MIN == 0:
            self._guarded("aims", self._aim, now)

    def _aim(self, now: Now) -> None:
        self.aims = build_aims(self.site, self.batches, now)

    def sharing(self) -> Sharing:
        """Who leads on each bay and who suffers: advice for faces, which nothing here acts on."""
        now = self.clock.now()
        age_s = now.mono_s - self._shared_s
        if self.aims is not None and (self._shared_of is not self.batches or age_s > ADVICE_S):
            self._shared_of, self._shared_s, self._shared = self.batches, now.mono_s, NOTHING
            self._guarded("sharing", self._share, self.aims, now)
        return self._shared

    def _share(self, aims: Aims, now: Now) -> None:
        self._shared = share(self.site, self.batches, aims, now)
        self._shared = advised(self.site, self.batches, self._shared, now)

    def _close_minute(self, now: Now, stopping: bool = False) -> None:
        if self._minute < 0:
            return
        t_s = self._minute * 60
        self._minute = -1
        if self.snapshot is not None:
            # A probe that fell silent has no arrival to be counted at.
            self._guarded("samples", self._sample, self.snapshot)
        minutes, relays = self._minutes.close(t_s)
        self._guarded("warmth", self.warmths.add, t_s, minutes)
        rows: list[Row] = [*minutes, *relays]
        if self.recorder.threaded or t_s % STATE_EVERY_S == 0 or stopping:
            self._save_state(rows, now)
        self.recorder.put(rows)

    def _read_service(self, now: Now) -> None:
        health = self.recorder.health()
        self.service["journal_failed_s"] = (
            0.0 if health.ok else max(0.0, now.mono_s - health.failed_since_s)
        )
        self.service["disk_free_share"] = health.disk_free_share

    # -- acts ---------------------------------------------------------------------------------

    def _take_acts(self) -> tuple[Act, ...]:
        if self.recorder.threaded:
            self._read_inbox()
        if not self._asked:
            return ()
        acts, self._asked = tuple(self._asked), []
        return acts

    def _read_inbox(self) -> None:
        acts, batches = self.recorder.inbox()
        self._asked += acts
        if batches is not None:
            self.take_batches(batches)
        saved = self.recorder.recalled()
        if saved is not None:
            self._guarded("saved state", self._recall, saved)

    def _recall(self, saved: StateRow) -> None:
        """Take up trips, locks, holds and alarms of a journal that opened only now."""
        now = self.clock.now()
        before, self.state = self.state, recalled(self.state, load(saved.json, now))
        rows: list[Row] = []
        for key, alarm in self.state.alarms.items():
            held = before.alarms.get(key)
            was = AlarmStateName.NORM if held is None else held.state
            if alarm.state != was:
                text = "as it stood before; the journal can be read again"
                priority = max(1, alarm.priority)
                change = AlarmChanged(*key, was, alarm.state, priority, text)
                rows.append(AlarmRow(now.utc_s, change))
        text = "the journal can be read again: what it kept of trips, holds and alarms is in force"
        rows.append(EventRow(now.utc_s, "state_recalled", "site", text))
        self._save_state(rows, now)
        self.recorder.put(rows)

    def take_batches(self, batches: Sequence[Batch]) -> None:
        """Follow these open batches from the next tick on."""
        now = self.clock.now()
        self.batches = self._readable(batches, now)
        self._guarded("warmth", self.warmths.follow, self.batches)
        self._guarded("aims", self._aim, now)

    def _readable(self, batches: Sequence[Batch], now: Now) -> tuple[Batch, ...]:
        """The batches whose frozen recipe can be used; one that is spoilt holds up no other."""
        found = []
        for batch in batches:
            try:
                build_aims(self.site, [batch], now)
                found.append(batch)
            except Exception as error:
                self._fault(f"batch {batch.number}", error, now)
        return tuple(found)

    # -- faults -------------------------------------------------------------------------------

    def _off_orders(self) -> tuple[RelayOrder, ...]:
        orders = []
        for bench_name, bench in self.site.benches.items():
            orders += [RelayOrder(mat_id(bench_name, bay), 0.0) for bay in bench.bays]
            if bench.mister is not None:
                orders.append(RelayOrder(mister_id(bench_name), 0.0))
        return tuple(orders)

    def _all_off(self, why: str, now: Now) -> None:
        try:
            self.driver.all_off()
        except Exception as error:
            self._fault(f"all off at {why}", error, now)

    def _guarded(
        self, stage: str, work: Callable[P, None], *args: P.args, **more: P.kwargs
    ) -> None:
        """Do what heat and mist must not wait for, and survive a fault in it."""
        try:
            work(*args, **more)
        except Exception as error:
            self._fault(stage, error, self.clock.now())

    def _fault(self, stage: str, error: Exception, now: Now) -> None:
        """A bug or a broken part: log it and keep one row, once per kind a minute, and carry on."""
        self._note_fault(stage, f"{type(error).__name__}: {error}", now, error)

    def _note_fault(
        self, stage: str, text: str, now: Now, error: Exception | None = None
    ) -> None:  # fmt: skip
        if self._faults.get(stage) == text:
            return
        self._faults[stage] = text
        log.error("fault in %s: %s", stage, text, exc_info=error)
        self.recorder.put([EventRow(now.utc_s, "fault", stage, text)])


def _says_else(before: BayDecision | MistDecision, now: BayDecision | MistDecision) -> bool:
    return before.reason.code != now.reason.code or before.mode != now.mode


def _reason_row(utc_s: float, place: str, reason: Reason, mode: str, value: float) -> ReasonRow:
    return ReasonRow(utc_s, place, reason.code, words(reason), mode, value)
