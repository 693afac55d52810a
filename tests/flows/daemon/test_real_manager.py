"""The unit file, as it is installed, under a real systemd that runs nothing else.

systemd is booted as process 1 of namespaces of its own, over a copy of this machine's files that
is gone afterwards (boot.sh). In that copy the unit lies unchanged in /etc/systemd/system, with the
user, the groups and the places it names; only the watchdog is made quicker by a drop-in.
`pytest -m benchmark -s tests/flows/daemon/test_real_manager.py` waits for the unit's own.
"""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import threading
import time
from importlib.resources import files
from itertools import count
from pathlib import Path

import pytest

pytestmark = pytest.mark.wire
ROOT = Path(__file__).parents[3]
OFF = {"mat1": "0", "mist": "0"}
BACK_S = 15.0
QUICK_S, OWN_S = 3.0, 30.0
"""The watchdog of the drop-in, and of the unit file."""
LEASE_MOST_S = 60.0
NAMESPACES = ("--mount", "--pid", "--fork", "--cgroup", "--uts", "--ipc")
DROP_IN = """
[Service]
WatchdogSec={watchdog_s:.0f}
# Only for where this test keeps Python.
Environment=LD_LIBRARY_PATH=/opt/python/lib PYTHONDONTWRITEBYTECODE=1
"""
TARGETS = ("quiet", "sysinit", "basic", "shutdown", "time-set", "multi-user")
EMPTY = """
[Unit]
Description=Nothing
DefaultDependencies=no
"""
COMMAND = """#!/opt/python/bin/{python}
import sys
sys.path[:0] = ["/opt/source", "/opt/packages"]
from controller.cli import main
main()
"""


INSIDE = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/nowhere", "LANG": "C.UTF-8"}


def cgroup_tree() -> Path | None:
    """Where the second kind of control groups is mounted and may be written."""
    for line in Path("/proc/mounts").read_text().splitlines():
        _, place, kind, options, *_ = line.split()
        if kind == "cgroup2" and "rw" in options.split(","):
            return Path(place)
    return None


def why_not() -> str:
    """Why no systemd can be booted here, or "" when it can."""
    if not Path("/lib/systemd/systemd").exists():
        return "no systemd here; install it: apt-get install systemd"
    if os.geteuid() != 0:
        return "only root may boot a systemd of its own"
    if cgroup_tree() is None:
        return "no control groups that may be written, so no systemd can be booted"
    tried = subprocess.run(
        ["unshare", *NAMESPACES, "true"], capture_output=True, text=True, timeout=20
    )
    if tried.returncode:
        return f"no namespaces may be made here ({tried.stderr.strip()})"
    return ""


class Manager:
    """A systemd of our own, alone with the unit of Warmfoot."""

    def __init__(self, work: Path, bench_text: str, watchdog_s: float) -> None:
        self.watchdog_s = watchdog_s
        self._said: list[str] = []
        self._console, terminal = os.openpty()
        self._listener = threading.Thread(target=self._listen, name="console")
        self._listener.start()
        tree = cgroup_tree()
        assert tree is not None
        self._cgroup = next(
            path for n in count() if not (path := tree / f"warmfoot-{os.getpid()}-{n}").exists()
        )
        self.state = work / "state"
        for name in ("bench", "units", "units/warmfoot.service.d", "state"):
            (work / name).mkdir()
        (work / "bench" / "bench.toml").write_text(bench_text)
        unit = files("config").joinpath("warmfoot.service").read_text(encoding="utf-8")
        (work / "units" / "warmfoot.service").write_text(unit)
        (work / "units" / "warmfoot.service.d" / "here.conf").write_text(
            DROP_IN.format(watchdog_s=watchdog_s)
        )
        for target in TARGETS:
            (work / "units" / f"{target}.target").write_text(EMPTY)
        python = Path(sys.executable).resolve().name
        (work / "warmfoot").write_text(COMMAND.format(python=python))
        self._cgroup.mkdir()
        # unshare must be born in the group, for what it makes sees the group as its root.
        enter = 'echo $$ > "$0/cgroup.procs" && exec "$@"'
        self._unshare = subprocess.Popen(
            [
                "sh", "-c", enter, self._cgroup, "unshare", *NAMESPACES, "--kill-child=KILL",
                Path(__file__).with_name("boot.sh"), work, os.ttyname(terminal),
                sys.base_prefix, sysconfig.get_path("purelib"), ROOT,
            ],
            stdout=terminal,
            stderr=terminal,
        )  # fmt: skip
        os.close(terminal)

    def _listen(self) -> None:
        with contextlib.suppress(OSError):  # when the last that speaks is gone
            while heard := os.read(self._console, 65536):
                self._said.append(heard.decode(errors="replace"))

    @property
    def said(self) -> str:
        """All that systemd has said."""
        return "".join(self._said)

    @property
    def pid(self) -> int:
        """systemd's own, seen from here."""
        children = Path(f"/proc/{self._unshare.pid}/task/{self._unshare.pid}/children")
        return int(children.read_text().split()[0])

    def systemctl(self, *words: str) -> str:
        """What it prints."""
        return self.inside("systemctl", *words)

    def inside(self, *words: str) -> str:
        """What a command on that machine prints; one that fails, fails the test."""
        done = subprocess.run(
            ["nsenter", f"--target={self.pid}", "--mount", "--pid", "--cgroup", "--root", "--wd",
             *words],
            capture_output=True, text=True, timeout=60, check=False, env=INSIDE,
        )  # fmt: skip
        assert done.returncode == 0, (words, done.stdout, done.stderr, self.said[-3000:])
        return done.stdout

    def ready(self) -> bool:
        try:
            self.systemctl("is-active", "quiet.target")
        except (AssertionError, OSError, IndexError):
            return False
        return True

    def shown(self, what: str) -> str:
        return self.systemctl("show", "--value", f"--property={what}", "warmfoot").strip()

    @property
    def main_pid(self) -> int:
        """Of the daemon, seen from here."""
        inside = self.shown("MainPID")
        for status in Path("/proc").glob("[0-9]*/status"):
            with contextlib.suppress(OSError):
                text = status.read_text()
                numbers = next(x for x in text.splitlines() if x.startswith("NSpid:")).split()[1:]
                if len(numbers) > 1 and numbers[-1] == inside and f"\nPPid:\t{self.pid}\n" in text:
                    return int(status.parent.name)
        raise ProcessLookupError(inside)

    def close(self) -> None:
        (self._cgroup / "cgroup.kill").write_text("1")
        self._unshare.wait(10.0)
        self._listener.join(5.0)
        os.close(self._console)
        for folder, _, _ in os.walk(self._cgroup, topdown=False):
            for _ in range(100):
                with contextlib.suppress(OSError):
                    Path(folder).rmdir()
                    break
                time.sleep(0.02)


@pytest.fixture(params=[QUICK_S, pytest.param(OWN_S, marks=pytest.mark.benchmark)])
def manager(request, board, bench_text, tmp_path, eventually):
    if why := why_not():
        if "apt-get" in why and os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    port = board.alias.resolve()
    # As a serial port is on a real machine: for the group that the unit joins.
    shutil.chown(port, "root", "dialout")
    port.chmod(0o660)
    text = bench_text(
        site="tick_s = 0.5",
        link=f'kind = "serial"\nport = "{port}"',
        bench='recipe = "semi_ripe"\nheat = { shortest_s = 5 }',
    )
    made = Manager(tmp_path, text, request.param)
    try:
        eventually(made.ready, 20.0)
        yield made
    finally:
        made.close()


def heard_of(said: str, word: str) -> int:
    """How often systemd took note of such a line of ours."""
    return sum("Got notification message" in x and word in x for x in said.splitlines())


def test_unit_lives_under_a_real_systemd(manager, board, eventually, slowness):
    # Active only when the relays have been ordered off and all stands ready.
    manager.systemctl("start", "--no-block", "warmfoot")
    state = ""
    while state in ("", "inactive", "activating"):
        ready = heard_of(manager.said, "READY=1")  # asked before the state, which it changes
        state = manager.shown("ActiveState")
        assert ready == 0 or state == "active", manager.said[-3000:]
    assert state == "active", manager.said[-3000:]
    eventually(lambda: heard_of(manager.said, "READY=1") == 1, 1.0)
    eventually(lambda: board.heard, 0.5)  # the board's thread looks every 20 ms
    assert board.heard[0][1] == OFF
    assert manager.shown("StatusText") == "keeping Alder Lane Nursery"
    eventually(lambda: board.heating, BACK_S)
    eventually(lambda: heard_of(manager.said, "WATCHDOG=1") > 0, manager.watchdog_s)

    # Closed as the unit says, and at work all the same.
    status = dict(
        x.split(":\t", 1) for x in Path(f"/proc/{manager.main_pid}/status").read_text().splitlines()
    )
    assert status["Uid"].split() == ["990"] * 4
    assert int(status["CapEff"], 16) == 0
    assert (status["NoNewPrivs"], status["Seccomp"]) == ("1", "2")
    assert [p.name for p in (manager.state / "warmfoot").glob("*.db")] == ["alder-lane-nursery.db"]

    # A hang: relays let go within their lease, systemd ends it and starts another.
    before = manager.main_pid
    os.kill(before, signal.SIGSTOP)
    stopped_s = time.monotonic()
    board.speed = 40.0
    eventually(lambda: not board.heating, LEASE_MOST_S / board.speed + 0.5)
    board.speed = 1.0
    heard = len(board.heard)
    eventually(lambda: "Watchdog timeout" in manager.said, manager.watchdog_s + 2.0)
    killed_s = time.monotonic()
    eventually(lambda: len(board.heard) > heard, BACK_S)
    assert board.heard[heard][1] == OFF
    eventually(lambda: board.heating, BACK_S)
    back_s = time.monotonic() - killed_s
    assert back_s < BACK_S * slowness()
    assert (manager.shown("NRestarts"), manager.main_pid != before) == ("1", True)
    print(f"killed {killed_s - stopped_s:.1f} s after the hang, heat back in {back_s:.1f} s")

    # A new bench file on reload, and an end in good order.
    manager.systemctl("reload", "warmfoot")
    eventually(lambda: board.heard[-1][1] == OFF)
    eventually(lambda: board.heating, BACK_S)
    assert manager.shown("NRestarts") == "1"
    manager.systemctl("stop", "warmfoot")
    eventually(lambda: heard_of(manager.said, "STOPPING=1") == 1, 1.0)
    assert board.heard[-1][1] == OFF
    assert (manager.shown("ActiveState"), manager.shown("Result")) == ("inactive", "success")


def test_service_is_installed_and_removed_under_a_real_systemd(manager, board, eventually):
    def service(*words):
        # Where this test keeps Python; the unit is told by the drop-in.
        python = "LD_LIBRARY_PATH=/opt/python/lib"
        return manager.inside("env", python, "/opt/warmfoot/bin/warmfoot", "service", *words)

    # A machine that knows nothing of Warmfoot yet.
    assert "rm /etc/systemd/system/warmfoot.service" in service("remove")
    manager.inside("userdel", "warmfoot")
    manager.inside("mv", "/etc/warmfoot/bench.toml", "/opt/mine.toml")

    install = ("install", "/opt/mine.toml", "--program", "/opt/warmfoot/bin/warmfoot")
    said = service(*install)
    assert [x for x in said.splitlines() if x[:2] in ("1.", "8.")] == [
        "1. make the user warmfoot, who can't log in, and the group of the same name",
        "8. start it now",
    ]
    eventually(lambda: board.heating, BACK_S)
    user = manager.inside("id", "-u", "warmfoot").strip()
    status = Path(f"/proc/{manager.main_pid}/status").read_text()
    assert f"\nUid:\t{user}\t{user}\t{user}\t{user}\n" in status
    assert manager.inside("stat", "--format=%U %a", "/var/lib/warmfoot") == "warmfoot 2770\n"

    told = json.loads(service("status", "--json"))
    assert (told["running"], told["starts_with_the_machine"]) == (True, True)
    assert told["journal"] == "/var/lib/warmfoot/alder-lane-nursery.db"
    assert told["table_version"]
    before = manager.main_pid
    assert "Nothing to do" in service(*install)
    assert manager.main_pid == before

    # Another bench file: read without another process. Then away with it, relays off.
    heard = len(board.heard)
    manager.inside("sed", "-i", "$ a # looked at again", "/opt/mine.toml")
    assert "systemctl reload warmfoot" in service(*install)
    eventually(lambda: OFF in [orders for _, orders in board.heard[heard:]], BACK_S)
    eventually(lambda: board.heating, BACK_S)
    assert manager.main_pid == before
    service("remove")
    assert board.heard[-1][1] == OFF
    assert manager.shown("LoadState") in ("not-found", "inactive")
    assert "alder-lane-nursery.db" in manager.inside("ls", "/var/lib/warmfoot")


def test_people_of_the_group_work_with_the_services_journal(manager, board, eventually):
    def type_(line):
        """What Maeve sees, with the exit code at its end."""
        said = manager.inside(
            "runuser", "-u", "maeve", "--", "env", "HOME=/tmp",
            "LD_LIBRARY_PATH=/opt/python/lib", "sh", "-c",
            f"umask 022; /opt/warmfoot/bin/warmfoot {line} 2>&1; echo $?",
        )  # fmt: skip
        *text, code = said.splitlines()
        return "\n".join(text), int(code)

    manager.systemctl("start", "warmfoot")
    eventually(lambda: board.heating, BACK_S)
    manager.inside("useradd", "--create-home", "--groups", "dialout", "maeve")
    said, code = type_("batch list")
    assert (code, "sudo usermod -aG warmfoot maeve" in said) == (4, True)
    manager.inside("usermod", "--append", "--groups", "warmfoot", "maeve")
    assert json.loads(type_("status --json")[0])["site"] == "Alder Lane Nursery"
    stick = "batch stick Fuchsia --kind softwood --bay north.left --count 60"
    assert type_(stick)[1] == 0

    # While the service is stopped her commands make the files that it will need.
    manager.systemctl("stop", "warmfoot")
    manager.inside("sh", "-c", "rm -f /var/lib/warmfoot/*.lock")
    assert type_(stick)[1] == 0
    said, code = type_("check /etc/warmfoot/bench.toml --wires --listen 1s")
    assert (code, "listening only" in said) == (0, True)
    made = manager.inside("sh", "-c", "find /var/lib/warmfoot -user maeve -printf '%g %m %f\n'")
    assert "warmfoot 660 alder-lane-nursery.db.lock" in made.splitlines()
    assert {x.split()[0] for x in made.splitlines()} == {"warmfoot"}
    heard = len(board.heard)
    manager.systemctl("start", "warmfoot")
    eventually(lambda: any(x["mat1"] != "0" for _, x in board.heard[heard:]), BACK_S)
    assert len(json.loads(type_("batch list --json")[0])) == 2
    assert "the journal" not in manager.shown("StatusText")
