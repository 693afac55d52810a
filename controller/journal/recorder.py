"""The loop's only door to the journal: takes rows at once, writes them when the disk allows.

`put` never waits and never fails. Rows wait in memory while the journal can't be written (locked,
full, read-only, slow, damaged), up to BUFFER_ROWS, and go in, all of them, when it can be again.
"""

import contextlib
import logging
import shutil
import threading
from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

from config.model import Site
from controller.journal.errors import JournalError, RowRefused
from controller.journal.rows import RunStop
from controller.journal.writer import Journal, Recordable
from controller.records import Act, Batch, EventRow, MinuteRow, ReasonRow, RelayRow, StateRow
from sensors.clock import Clock, Now, SystemClock

log = logging.getLogger(__name__)

BUFFER_ROWS: Final = 50_000
"""Rows kept in memory at most, some 20 MB; see `buffer_hours`."""
INLINE_ROWS: Final = 480
"""Minute rows gathered before an inline commit; an hour of a small bench."""
POLL_S: Final = 1.0
RETRY_S: Final = 2.0
DISK_EVERY: Final = 60
"""Turns of the worker between two looks at the disk's free space."""
_ROUTINE = (MinuteRow, RelayRow, ReasonRow)


class RecorderHealth(NamedTuple):
    """How the journal is doing.

    ok: the last write went through.  failed_since_s: monotonic time since when it does not, inf
    while it does.  buffered_rows: waiting in memory.  why: plain words when not ok, else "".
    commits: since start.  lost_rows: minute rows dropped because the buffer was full.
    disk_free_share: 0..1 of the journal's disk, 1 when it can't be told.
    """

    ok: bool
    failed_since_s: float
    buffered_rows: int
    why: str
    commits: int
    lost_rows: int
    disk_free_share: float


def buffer_hours(site: Site, rows: int = BUFFER_ROWS) -> float:
    """Hours of records that fit in memory while the journal of `site` can't be written."""
    a_minute = 1
    for bench in site.benches.values():
        a_minute += len(bench.air.probes) + (bench.mister is not None)
        a_minute += sum(len(bay.probes) + 1 for bay in bench.bays.values())
    return rows / a_minute / 60


class Recorder:
    """Takes over an open Journal; nobody else may use that object afterwards.

    threaded: a worker thread writes, within about a second; False writes within `put`, minute rows
    an hour's worth at a time, for a virtual clock.  clock: stamps the time of a failure.  opening:
    has the journal until it ends; rows wait as long.
    """

    def __init__(
        self,
        journal: Journal,
        *,
        threaded: bool = True,
        clock: Clock | None = None,
        capacity: int = BUFFER_ROWS,
        opening: threading.Thread | None = None,
    ) -> None:
        self.threaded = threaded
        self.progress = 0
        self._journal = journal
        self._clock = clock or SystemClock()
        self._capacity = capacity
        self._lock = threading.Lock()
        self._waiting: deque[Recordable] = deque()
        self._state: StateRow | None = None
        self._opening = opening
        self._unread = opening is not None or not journal.opened
        self._recalled: StateRow | None = None
        self._due = False
        self._lost = 0
        self._lost_told = 0
        self._commits = 0
        self._why = ""
        self._failed_since_s = float("inf")
        self._disk_free_share = 1.0
        self._turns = 0
        self._mark: tuple[int, int] | None = None
        self._last_act = 0
        self._acts: list[Act] = []
        self._batches: list[Batch] | None = None
        self._retry_at = 0
        self._again_s = float("-inf")
        self._last_at_s = 0.0
        self._stop: Now | None = None
        self._reason = ""
        self._closed = False
        self._wake = threading.Event()
        if opening is not None:
            self._why = "its disk is slow: it is still being opened"
            self._failed_since_s = self._clock.now().mono_s
        self._look_at_disk()
        self._thread: threading.Thread | None = None
        if threaded:
            self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
            self._thread.start()

    # -- the loop's side ----------------------------------------------------------------------

    def put(self, rows: Sequence[Recordable]) -> None:
        """Take rows. Never waits for the disk, in threaded mode, and never raises.

        Alarms, acts, events and runs are written at once; decisions wait for the next of these or
        for the minute's rows. Inline, minute rows wait too.
        """
        due = False
        with self._lock:
            for row in rows:
                kind = type(row)
                if kind is StateRow:
                    self._state = row  # type: ignore[assignment]
                    due = due or self.threaded
                    continue
                self._waiting.append(row)
                if kind is not ReasonRow and (self.threaded or kind not in _ROUTINE):
                    due = True
            if len(self._waiting) > self._capacity:
                self._make_room()
            self._due = self._due or due
        if self.threaded:
            if due:
                self._wake.set()
            return
        self.progress += 1
        waiting = len(self._waiting)
        if (self._due or waiting >= INLINE_ROWS) and waiting >= self._retry_at:
            self.flush()

    def _make_room(self) -> None:
        """Drop the oldest tenth of the minute rows and decisions; never an alarm, act or event."""
        spare = max(1, self._capacity // 10)
        kept: deque[Recordable] = deque()
        for row in self._waiting:
            if spare and isinstance(row, _ROUTINE):
                spare -= 1
                self._lost += 1
            else:
                kept.append(row)
        self._waiting = kept

    def inbox(self) -> tuple[list[Act], list[Batch] | None]:
        """What others put into the journal: new acts; the open batches, if they may have changed.

        Each is given once; the first call gives the open batches. Never waits, in threaded mode.
        """
        if not self.threaded:
            self._look_for_news()
        with self._lock:
            acts, self._acts = self._acts, []
            batches, self._batches = self._batches, None
        return acts, batches

    def recalled(self) -> StateRow | None:
        """The state as last saved, once, when the journal opens only after control began."""
        with self._lock:
            found, self._recalled = self._recalled, None
        return found

    def health(self) -> RecorderHealth:
        with self._lock:
            waiting = len(self._waiting)
        return RecorderHealth(
            not self._why,
            self._failed_since_s,
            waiting,
            self._why,
            self._commits,
            self._lost,
            self._disk_free_share,
        )

    def close(self, now: Now, reason: str, deadline_s: float = 10.0) -> int:
        """Write what waits and the run's end, then close the journal. Idempotent.

        deadline_s: real seconds to wait for the worker.  Gives the rows that could not be saved.
        """
        if not self._closed:
            self._closed = True
            if self._thread is not None:
                self._stop, self._reason = now, reason
                self._wake.set()
                self._thread.join(deadline_s)
                if self._thread.is_alive():
                    log.error("the journal's disk did not answer; its last rows are not saved")
            else:
                self._end(now, reason)
        return len(self._waiting)

    # -- the writing side ---------------------------------------------------------------------

    def flush(self) -> bool:
        """Write everything that waits; True when nothing waits any more.

        Inline only: in threaded mode the worker alone may write.
        """
        with self._lock:
            rows: list[Recordable] = list(self._waiting)
            self._waiting.clear()
            state, self._state = self._state, None
            self._due = False
            lost = self._lost - self._lost_told
        if not rows and state is None and not self._journal.displaced:
            return True
        self._note_time(rows, state)
        if lost:
            text = f"{lost} minute rows and decisions were lost: the journal could not be written"
            rows.append(EventRow(self._last_at_s, "journal_rows_lost", "site", text))
        try:
            self._save([*rows, state] if state else rows)
        except Exception as error:
            if lost:
                rows.pop()
            self._put_back(rows, state, error)
            return False
        self._lost_told += lost
        self._commits += 1
        self._retry_at = 0
        self._why, self._failed_since_s = "", float("inf")
        return True

    def _note_time(self, rows: Sequence[Recordable], state: StateRow | None) -> None:
        for row in (state, *reversed(rows)):
            at_s = getattr(row, "at_s", None)
            if at_s is not None:
                self._last_at_s = at_s
                return

    def _save(self, rows: list[Recordable]) -> None:
        text = self._journal.put_back()
        if text:
            self._mark = None
            log.error("%s: %s", self._journal.path, text)
            rows = [*rows, EventRow(self._last_at_s, "journal_put_back", "site", text)]
        if self._unread:
            rows = self._read_state_first(rows)
        try:
            self._journal.write(rows)
        except RowRefused:
            self._save_singly(rows)
        except JournalError as error:
            if error.trouble not in ("broken", "other"):
                raise
            kept_before = self._journal.set_aside
            self._journal.reopen(self._last_at_s)
            self._mark = None
            if self._journal.set_aside != kept_before:
                self._last_act = 0  # a new file counts its acts from 1 again
            self._journal.write(rows)

    def _read_state_first(self, rows: list[Recordable]) -> list[Recordable]:
        """Keep the saved state from being written over before the loop has had it."""
        if not self._journal.opened:
            self._journal.reopen(self._last_at_s)
        saved = self._journal.last_state()
        with self._lock:
            self._recalled = saved
        self._unread = False
        return rows if saved is None else [row for row in rows if not isinstance(row, StateRow)]

    def _save_singly(self, rows: list[Recordable]) -> None:
        """A row that can't be kept is said to be so, and must not hold up the others."""
        sound: list[Recordable] = []
        for row in rows:
            try:
                self._journal.rehearse(row)
                sound.append(row)
            except RowRefused as error:
                log.error("a record was refused: %s", error)
                text = f"a {type(row).__name__} was refused: {error}"
                sound.append(EventRow(self._last_at_s, "record_refused", "site", text))
        self._journal.write(sound)

    def _put_back(
        self, rows: list[Recordable], state: StateRow | None, error: Exception
    ) -> None:  # fmt: skip
        """After a failed write: everything waits on, in its old order."""
        with self._lock:
            self._waiting.extendleft(reversed(rows))
            self._state = self._state or state
            self._due = True
            self._retry_at = len(self._waiting) + INLINE_ROWS
        now_s = self._clock.now().mono_s
        self._again_s = now_s + RETRY_S
        if not self._why:
            self._failed_since_s = now_s
            log.error("the journal can't be written; records wait in memory: %s", error)
        self._why = str(error)
        if not isinstance(error, JournalError):
            log.error("fault while writing the journal", exc_info=error)

    def _look_for_news(self) -> None:
        try:
            mark = self._journal.change_mark()
            if mark == self._mark:
                return
            acts = self._journal.new_acts(self._last_act)
            batches = self._journal.open_batches()
        except JournalError:
            return  # the next write says what is wrong
        with self._lock:
            self._mark = mark
            self._acts += acts
            self._batches = batches
        if acts:
            self._last_act = acts[-1].number

    def _look_at_disk(self) -> None:
        with contextlib.suppress(OSError):
            usage = shutil.disk_usage(self._journal.path.parent)
            self._disk_free_share = usage.free / usage.total

    def _end(self, now: Now, reason: str) -> None:
        with self._lock:
            self._waiting.append(RunStop(now, reason))
        self.flush()
        self._journal.close()

    def _work(self) -> None:
        """The worker: write when something is due, look for news once a second."""
        while self._opening is not None:
            self._opening.join(POLL_S)
            if not self._opening.is_alive():
                self._opening = None
            elif self._stop is not None:
                return  # nothing can be saved
            self.progress += 1
        while self._stop is None:
            self._wake.wait(POLL_S)
            self._wake.clear()
            try:
                if (
                    self._due or self._journal.displaced
                ) and self._clock.now().mono_s >= self._again_s:
                    self.flush()
                if self._journal.opened:
                    self._look_for_news()
                self._turns += 1
                if self._turns % DISK_EVERY == 0:
                    self._look_at_disk()
            except Exception:
                log.exception("fault in the recorder; it goes on")
            self.progress += 1
        self._end(self._stop, self._reason)
