"""What the real daemon costs a small machine: memory, processor, disk."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from config.model import Site
from simulator.run import Rehearsal
from simulator.scenario import load_scenario

pytestmark = [pytest.mark.benchmark, pytest.mark.timeout(300)]
Tell = Callable[[str, str, str], None]
WARMFOOT = [
    sys.executable,
    "-c",
    "import sys; sys.modules['pandas'] = None; from controller.cli import main; main()",
]
"""As in an install without the test extra: sqlite-utils loads pandas, 34 MB, where it finds it."""


def _proc(pid: int) -> tuple[float, float]:
    """(resident memory MB, processor seconds) of a process."""
    status = Path(f"/proc/{pid}/status").read_text()
    kb = int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1])
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return kb / 1024, (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_daemon_memory_and_processor_share(tell: Tell, tmp_path: Path) -> None:
    env = {**os.environ, "XDG_STATE_HOME": str(tmp_path)}
    board = subprocess.Popen(
        [*WARMFOOT, "rehearse", "--serve", "pty"],
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert board.stdout is not None
    for line in board.stdout:
        if "warmfoot run" in line:
            bench_file = line.rpartition("warmfoot run ")[2].strip()
            break
    daemon = subprocess.Popen([*WARMFOOT, "run", bench_file], env=env, stderr=subprocess.DEVNULL)
    try:
        time.sleep(10)
        _, before_s = _proc(daemon.pid)
        time.sleep(40)
        memory_mb, after_s = _proc(daemon.pid)
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(20)
        board.send_signal(signal.SIGINT)
        board.wait(20)
    tell("daemon memory (RSS)", f"{memory_mb:.0f} MB", "<= 80 MB")
    tell("daemon processor share, 2 s ticks", f"{(after_s - before_s) / 40:.2%}", "<= 1 %")


def test_journal_bytes_per_bench_day(
    tell: Tell, demo: Site, demo_text: str, tmp_path: Path
) -> None:
    path = tmp_path / "j.db"
    days = 4
    with Rehearsal(
        demo, load_scenario("alder_lane"), journal_path=path, days=days, site_text=demo_text
    ) as rehearsal:
        rehearsal.run()
    size = sum(file.stat().st_size for file in tmp_path.glob("j.db*"))
    tell("journal", f"{size / days / 1000:,.0f} kB per bench-day", "(5 probes, 2 relays)")
