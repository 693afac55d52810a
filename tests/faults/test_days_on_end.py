"""The real daemon for a month in fast time: memory, open files and threads stay what they were.

Only the bell that wakes the loop is another: instead of waiting it turns the clock on and lets the
bench live. Recorder, page, housekeeper and notifier run in their own threads as in the field.
"""

import os
import signal
import threading
import time
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from check_course import i10
from evidence import Evidence, Usage
from watched import bench_text

from config.load import loads
from config.model import Site
from controller.daemon import Daemon
from controller.loop import Controller
from sensors.links.memory_link import MemoryLink
from simulator.clock import VirtualClock
from simulator.rehearsed import as_rehearsed
from simulator.rig import Rig
from simulator.weather import WeatherSource

BEGIN_S = 1_772_452_800.0
TICK_S = 20.0
BEHIND_ROWS = 2000
"""The recorder writes in real time; the bench waits when so many rows wait for it."""


class Played:
    """Stands in for the bell. usage: a row every two hours."""

    def __init__(self, daemon: "Fast", days: float) -> None:
        self.daemon, self.days = daemon, days
        self.usage: list[Usage] = []
        self._due_days = 0.0

    def wait(self, _longest_s: float) -> None:
        daemon = self.daemon
        controller, rig, clock = daemon.running, daemon.rig, daemon.clock
        link = controller.links["board"]
        assert isinstance(link, MemoryLink)
        link.on_line = rig.boards["board"].receive
        clock.advance(TICK_S)
        now = clock.now()
        rig.advance(TICK_S, now.utc_s)
        for line in rig.boards["board"].lines():
            link.feed(line, now.mono_s)
        days = (now.utc_s - BEGIN_S) / 86400.0
        if days >= self._due_days:
            self._due_days += 1.0 / 12.0
            self.usage.append(used(days))
        while controller.recorder.health().buffered_rows > BEHIND_ROWS:
            time.sleep(0.01)
        if days >= self.days:
            os.kill(os.getpid(), signal.SIGTERM)

    def ring(self) -> None: ...

    def close(self) -> None: ...


class Fast(Daemon):
    """A daemon on a bench that is not there, by a clock that is turned."""

    running: Controller

    def __init__(self, bench_file: Path, days: float) -> None:
        self.clock = VirtualClock(BEGIN_S)
        super().__init__(bench_file, clock=self.clock)
        place = (self.site.site.latitude_deg, self.site.site.longitude_deg)
        sky = WeatherSource("spring_mixed", 3, *place)
        self.rig = Rig(as_rehearsed(self.site, TICK_S), sky, BEGIN_S, warm_hours=24.0)
        self.played = Played(self, days)
        self._bell: Any = self.played

    def _keep(self, controller: Controller) -> None:
        self.running = controller
        super()._keep(controller)


def used(days: float) -> Usage:
    """What this process holds now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    names = frozenset(thread.name for thread in threading.enumerate())
    files = len(os.listdir("/proc/self/fd"))
    return Usage(days, pages * os.sysconf("SC_PAGE_SIZE") / 1024.0, files, names)


def month(folder: Path, days: float) -> tuple[list[Usage], int]:
    """Usage, and decisions in the journal, of so many days."""
    path = folder / "bench.toml"
    path.write_text(
        bench_text(site="tick_s = 20", more=f'[journal]\npath = "{folder / "bench.db"}"')
    )

    def embedded(path: Path) -> tuple[Site, str]:
        text = path.read_text()
        return loads(text, path.name), text

    before = signal.signal(signal.SIGTERM, signal.SIG_DFL)
    try:
        with patch("controller.daemon.load_with_text", embedded):
            daemon = Fast(path, days)
        daemon.run()
    finally:
        signal.signal(signal.SIGTERM, before)
    return daemon.played.usage, daemon.running.recorder.health().commits


def test_a_day_of_the_daemon_leaves_no_file_open_and_no_thread_dead(tmp_path: Path) -> None:
    usage, commits = month(tmp_path, 1.0)
    assert len(usage) >= 12
    assert commits > 50
    later = usage[3:]
    assert max(one.files for one in later) <= later[0].files + 1
    assert all(one.threads >= later[0].threads for one in later)
    assert {"recorder", "page"} <= later[-1].threads
    assert threading.active_count() <= len(usage[0].threads)


@pytest.mark.benchmark
@pytest.mark.timeout(1800)
def test_thirty_days_of_the_daemon_are_flat(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    usage, commits = month(tmp_path, 30.0)
    found = list(i10(Evidence(tmp_path / "bench.db", TICK_S, usage=usage)))
    with capsys.disabled():
        first, last = usage[len(usage) // 3], usage[-1]
        print(
            f"\n30 days, {commits} commits: RSS {first.rss_kb / 1024:.1f} MB on day 10, "
            f"{last.rss_kb / 1024:.1f} MB on day 30; files {first.files} and {last.files}; "
            f"threads {', '.join(sorted(last.threads))}"
        )
    assert found == []
