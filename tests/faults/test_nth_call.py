"""The n-th call fails, n = 1, 2, 3 ... until a run no longer reaches it; all comes back by itself.

As SQLite's own harness does it (sqlite.org, "How SQLite is tested", anomaly testing).
"""

import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from checker import judge
from watched import Watched, bench_text

from config.load import loads
from controller.journal.errors import JournalError
from controller.journal.writer import Journal
from controller.loop import Controller
from controller.notify.worker import Notifier
from controller.records import AlarmChanged, AlarmRow
from sensors.links.memory_link import MemoryLink
from simulator.clock import VirtualClock

SPAN_H = 0.15
QUIET_H = 0.35
"""Afterwards, without a fault: longer than any alarm of it takes to go."""
ALLOWED = frozenset({"link_lost", "journal_failing", "relay_disagrees", "probe_silent"})


class Nth:
    """Fails the n-th call, and `run` - 1 more."""

    def __init__(self, n: int, run: int = 1) -> None:
        self.n, self.run, self.calls = n, run, 0
        self.armed = False

    def due(self) -> bool:
        if not self.armed:
            return False
        self.calls += 1
        return self.n <= self.calls < self.n + self.run

    @property
    def reached(self) -> bool:
        return self.calls >= self.n


@contextmanager
def failing(holder: type, name: str, nth: Nth, error: Callable[[], Exception]) -> Iterator[None]:
    whole = getattr(holder, name)

    def call(*args: Any, **more: Any) -> Any:
        if nth.due():
            raise error()
        return whole(*args, **more)

    with patch.object(holder, name, call):
        yield


@contextmanager
def failing_commits(nth: Nth) -> Iterator[None]:
    """The sync at the end of a commit fails, as of a dying card; SQLite then rolls back."""

    class Dying(sqlite3.Connection):
        def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:  # type: ignore[override]
            if statement == "COMMIT" and nth.due():
                super().execute("ROLLBACK")
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC  # type: ignore[misc]
                raise error
            return super().execute(statement, *values)

    connect = sqlite3.connect

    def dying(*args: Any, **more: Any) -> sqlite3.Connection:
        if "uri" in more:
            return connect(*args, **more)
        return connect(*args, **{**more, "factory": Dying})

    with patch("controller.journal.schema.sqlite3.connect", dying):
        yield


STAGES: dict[str, Callable[[Nth], Any]] = {
    "probe read": lambda n: failing(MemoryLink, "poll", n, lambda: OSError("planted")),
    "link write": lambda n: failing(MemoryLink, "send", n, lambda: OSError("planted")),
    "link health": lambda n: failing(MemoryLink, "health", n, lambda: OSError("planted")),
    "journal write": lambda n: failing(
        Journal, "write", n, lambda: JournalError("planted", "full")
    ),
    "journal fault": lambda n: failing(Journal, "write", n, lambda: ValueError("planted")),
    "sync": failing_commits,
    "saving state": lambda n: failing(Controller, "_save_state", n, lambda: MemoryError("planted")),
    "minute": lambda n: failing(Controller, "_close_minute", n, lambda: KeyError("planted")),
}


@pytest.fixture(autouse=True)
def _silent() -> Iterator[None]:
    """Without a traceback for each planted fault, and with a commit a minute as in a daemon."""
    logging.disable(logging.CRITICAL)
    with patch("controller.journal.recorder.INLINE_ROWS", 5):
        yield
    logging.disable(logging.NOTSET)


def broken_by(nth: Nth, stage: str, folder: Path) -> list[Any]:
    """Violations of a run in which that call fails."""
    folder.mkdir()
    play = Watched(folder, tick_s=20.0, warm_h=6.0)
    with STAGES[stage](nth):
        play.start()
        play.stick()
        play.step()
        nth.armed = True
        play.play(SPAN_H)
        nth.armed = False
        back_s = play.elapsed_s + 600.0
        play.play(QUIET_H)
    run = play.finish(returns_s=back_s)
    run.allowed = ALLOWED
    return judge(run)


@pytest.mark.parametrize("stage", [s for s in STAGES if s not in ("minute", "saving state")])
@pytest.mark.parametrize("length", [1, 4])
def test_the_nth_call_fails(stage: str, length: int, tmp_path: Path) -> None:
    for n in count(1, 1 if length == 1 else 5):
        nth = Nth(n, length)
        assert broken_by(nth, stage, tmp_path / str(n)) == [], f"call {n}"
        if not nth.reached:
            break
    assert n > 3, "the stage was hardly called"


@pytest.mark.parametrize("stage", ["minute", "saving state"])
def test_a_minute_that_fails_costs_that_minute_alone(stage: str, tmp_path: Path) -> None:
    for n in count(1):
        nth = Nth(n)
        lost = broken_by(nth, stage, tmp_path / str(n))
        # What that one minute would have said of starts is gone with it; nothing else is.
        assert all("was switched on" in found.text for found in lost), f"call {n}"
        if not nth.reached:
            break
    assert n > 1


def told(nth: Nth) -> tuple[set[str], float]:
    """Alarms that reached the grower, and for how long the route then counts as failing."""
    sent: list[str] = []

    def sender(_address: str, title: str, body: str) -> bool:
        if nth.due():
            raise OSError("planted")
        sent.append(title + body)
        return True

    site = loads(bench_text(more='[alerts.routes.grower]\nurl_env = "GROWER_URL"'), "bench.toml")
    clock = VirtualClock(1_772_452_800.0, mono_s=5000.0)
    notifier = Notifier(site, clock, sender)
    nth.armed = True
    for number in range(6):
        text = f"alarm number {number}"
        change = AlarmChanged("base_cold", f"b{number}.left", "NORM", "UNACK", 1, text)
        notifier.tell(AlarmRow(clock.now().utc_s, change))
        notifier.work()
        clock.advance(120.0)
    for _ in range(90):
        notifier.work()
        clock.advance(60.0)
    said = " ".join(sent)
    found = {f"b{number}.left" for number in range(6) if f"alarm number {number}" in said}
    return found, notifier.health(clock.now().mono_s)["route_failed_s"]


@pytest.mark.parametrize("length", [1, 4])
def test_the_nth_message_fails_and_all_arrive_in_the_end(
    length: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GROWER_URL", "json://127.0.0.1:9")
    for n in count(1):
        nth = Nth(n, length)
        assert told(nth) == ({f"b{number}.left" for number in range(6)}, 0.0), f"message {n}"
        if not nth.reached:
            break
    assert n > 3
