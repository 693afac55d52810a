"""Under load the page does not hold up the loop: 50 clients, 10,000 requests, no late tick."""

import asyncio
import multiprocessing
import sys
import threading
import time
import urllib.request
from importlib.resources import files
from pathlib import Path

import pytest

from config.load import loads
from config.model import PagePlan
from controller.page.gate import Gate
from controller.page.limits import Rate
from simulator.live import Live
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

pytestmark = pytest.mark.benchmark

CLIENTS = 50
REQUESTS = 10_000
TICK_S = 0.05
PUT_S = 2.0
LATE_MOST_S = 0.050
PATHS = ("/parts?at=/bench/north", "/bench/north", "/", "/parts?at=/", "/alarms", "/batches")


async def _client(port: int, number: int, requests: int) -> list[int]:
    """One browser's worth of requests over a connection that is kept; statuses of the answers."""
    found = []
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    for turn in range(requests):
        path = PATHS[(number + turn) % len(PATHS)]
        head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept-Encoding: gzip\r\n\r\n"
        writer.write(head.encode())
        status = (await reader.readline()).split()
        length = 0
        while (line := await reader.readline()).strip():
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        await reader.readexactly(length)
        found.append(int(status[1]))
    writer.close()
    return found


def storm(port: int, answers: "multiprocessing.Queue[dict[int, int]]") -> None:
    """50 clients in a process of their own, so that they share nothing with the page."""

    async def all_of_them() -> dict[int, int]:
        each = REQUESTS // CLIENTS
        found = await asyncio.gather(*(_client(port, n, each) for n in range(CLIENTS)))
        counts: dict[int, int] = {}
        for status in (one for statuses in found for one in statuses):
            counts[status] = counts.get(status, 0) + 1
        return counts

    answers.put(asyncio.run(all_of_them()))


def served(tmp_path: Path) -> Live:
    """A bench with its page, to be entered."""
    text = files("config").joinpath("examples", "alder_lane.toml").read_text(encoding="utf-8")
    rehearsal = Rehearsal(
        loads(text, "t"), load_scenario("alder_lane"), journal_path=tmp_path / "b.db",
        tick_s=2, site_text=text,
    )  # fmt: skip
    return Live(rehearsal, PagePlan(), any_port=True)


def late_s(live: Live, until) -> list[float]:
    """Seconds after its due time at which each tick was done, a tick each TICK_S until told.

    Ticks are 40 times as many as in a daemon, to catch the worst moment; the page gets a new moment
    to draw as often as there.
    """
    found = []
    due_s = put_s = time.monotonic()
    while not until():
        due_s += TICK_S
        time.sleep(max(0.0, due_s - time.monotonic()))
        live.step()
        if due_s >= put_s:
            put_s = due_s + PUT_S
            live.board.put(live.rehearsal.controller, live.rehearsal.clock.now())
        found.append(time.monotonic() - due_s)
        due_s = max(due_s, time.monotonic())
    return found


@pytest.mark.parametrize("limited", [False, True], ids=["without limits", "as it is served"])
def test_no_tick_is_held_up_by_the_page(tmp_path, monkeypatch, limited):
    if not limited:
        real = Gate.__init__

        def unlimited(self, *args):
            real(self, *args)
            self.rate = Rate(per_s=1e9, burst=1e9)

        monkeypatch.setattr(Gate, "__init__", unlimited)
    with served(tmp_path) as live:
        live.hasten(3.0)
        assert live.server.up.wait(10)
        begun_s = time.monotonic()
        quiet = late_s(live, lambda: time.monotonic() - begun_s > 5.0)
        context = multiprocessing.get_context("spawn")
        answers = context.Queue()
        clients = context.Process(target=storm, args=(live.server.port, answers))
        clients.start()
        over = threading.Event()
        began_s = time.monotonic()
        loaded = late_s(live, lambda: not clients.is_alive() or over.is_set())
        took_s = time.monotonic() - began_s
        counts = answers.get(timeout=5)
        clients.join()
    print(
        f"\n{'as served' if limited else 'without limits'}: {sum(counts.values())} answers "
        f"{counts} in {took_s:.1f} s; tick late at most {max(quiet) * 1e3:.1f} ms without and "
        f"{max(loaded) * 1e3:.1f} ms with them ({len(loaded)} ticks, median "
        f"{sorted(loaded)[len(loaded) // 2] * 1e3:.2f} ms); switch {sys.getswitchinterval()} s"
    )
    assert sum(counts.values()) == REQUESTS
    assert len(loaded) > 20
    assert max(loaded) - max(0.0, min(max(quiet), 0.02)) <= LATE_MOST_S


FILES = ("/take/minutes.csv?span=92d", "/take/relays.csv?span=92d", "/take/report-1.html")


def take_all(port: int, sizes: "multiprocessing.Queue[int]") -> None:
    """Take every file there is, one after the other, in a process of its own."""
    for path in FILES:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=60) as got:
            sizes.put(len(got.read()))


def test_no_tick_is_held_up_by_files_being_made(tmp_path):
    with served(tmp_path) as live:
        live.hasten(10.0)
        assert live.server.up.wait(10)
        context = multiprocessing.get_context("spawn")
        sizes = context.Queue()
        taker = context.Process(target=take_all, args=(live.server.port, sizes))
        taker.start()
        loaded = late_s(live, lambda: not taker.is_alive())
        taker.join()
        taken = [sizes.get(timeout=5) for _ in FILES]
    print(f"\n{sum(taken) / 1e6:.1f} MB taken; tick late at most {max(loaded) * 1e3:.1f} ms")
    assert min(taken) > 10_000
    assert max(loaded) <= LATE_MOST_S
