"""The README's way from parts to a bench, typed line by line by a newcomer, on a simulated bench.

What takes hours there (a mat that warms, a probe that comes to rest in ice) is lived in virtual
time; the board that is looked for and the bench that is kept are on a real pseudo-terminal.
"""

import os
import re
import shlex
import signal
import subprocess
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import click.testing
import pytest
from click.testing import CliRunner

from config.load import load
from controller.cli import bench, calibrate, calibrated, main, wires
from controller.journal.care import calibrations, checks
from controller.journal.reader import open_reader
from controller.wiring import found
from sensors.links.ports import Port
from simulator.wires import PtyWire

pytestmark = [
    pytest.mark.wire,
    pytest.mark.filterwarnings("ignore:.*imghdr:DeprecationWarning"),  # a library of apprise
]
ROOT = Path(__file__).parents[3]
CHAPTER = re.search(
    r"^## From parts to bench\n(.*?)(?=^## )",
    (ROOT / "README.md").read_text(encoding="utf-8"),
    re.M | re.S,
)
assert CHAPTER
LINES = [
    line
    for block in re.findall(r"^```sh\n(.*?)^```", CHAPTER[1], re.M | re.S)
    for line in block.splitlines()
]
(ROUTE,) = re.findall(r"^```toml\n(.*?)^```", CHAPTER[1], re.M | re.S)
JOURNAL = Path(".local/state/warmfoot/my-nursery.db")


class OverWire:
    """Lets a simulated bench live in real time, its board at the end of a pseudo-terminal."""

    def __init__(self, rig, wire):
        self._rig, self.board, self._wire = rig, rig.boards["board"], wire
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._live, name="board")
        self._thread.start()

    def _live(self):
        last_s = time.monotonic()
        while not self._over.wait(0.05):
            for line in self._wire.read():
                self.board.receive(line)
            now_s = time.monotonic()
            self._rig.advance(now_s - last_s, time.time())
            last_s = now_s
            self._wire.write(self.board.lines())

    def close(self):
        self._over.set()
        self._thread.join(5.0)


class Phone:
    """Where messages arrive."""

    def __init__(self):
        self.got = []
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                phone.got.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_):
                pass

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"json://127.0.0.1:{self._server.server_port}/"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))
        self._thread.start()

    def close(self):
        self._server.shutdown()
        self._thread.join(5.0)
        self._server.server_close()


class Newcomer:
    """Types the chapter's lines, answers what is asked, and does by hand what it says between."""

    def __init__(self, folder, on_bench, monkeypatch, phone):
        self.folder, self.on_bench, self.patch, self.phone = folder, on_bench, monkeypatch, phone
        self.wire = PtyWire()
        self.file = folder / "bench.toml"
        self.bench = on_bench(text=memory(proposed_file()))

    def type_(self, line, answers=""):
        words = shlex.split(line, comments=True)
        done = CliRunner().invoke(main, words[1:], input=answers)
        assert done.exit_code == 0, (line, done.output)
        return done.output

    def over_wire(self):
        return OverWire(self.bench.rig, self.wire)

    def sits_at_the_bench(self):
        """From here on the bench file's wires end at the simulated bench, in virtual time."""
        self.bench = self.on_bench(text=memory(self.file.read_text()))
        for module in (calibrate, calibrated, wires):
            self.patch.setattr(module, "make_clock", lambda: self.bench.clock)
            self.patch.setattr(module, "make_links", lambda *_: self.bench.links)

    def lies_in(self, celsius, off_k=0.0):
        for name, probe in self.bench.rig.probes.items():
            if "rh" not in name:
                probe.truth, probe.offset = lambda: celsius, off_k


def memory(text):
    return re.sub(r'kind = "serial"\nport = .*', 'kind = "memory"', text)


def proposed_file():
    """What `warmfoot bench` writes when every proposal is taken."""
    done = CliRunner().invoke(main, ["bench", "first.toml", "--yes"])
    assert done.exit_code == 0, done.output
    return Path("first.toml").read_text()


@pytest.fixture
def newcomer(tmp_path, monkeypatch, on_bench):
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "XDG_STATE_HOME", "WARMFOOT_JOURNAL"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("TZ", "Europe/Dublin")
    monkeypatch.chdir(tmp_path)
    phone = Phone()
    monkeypatch.setenv("MAEVE_URL", phone.url)
    made = Newcomer(tmp_path, on_bench, monkeypatch, phone)
    yield made
    made.wire.close()
    phone.close()


def test_every_line_of_the_chapter_does_what_it_says(newcomer, monkeypatch, eventually):
    left = list(LINES)

    def next_(start):
        line = left.pop(0)
        assert line.startswith(start), line
        return line

    # 3. Which port is it?
    port = Port(newcomer.wire.device, newcomer.wire.device, "")
    monkeypatch.setattr(found, "serial_ports", lambda: [port])
    monkeypatch.setattr(bench, "serial_ports", lambda: [port])
    monkeypatch.setattr(wires, "PORT_S", 2.0)
    world = newcomer.over_wire()
    said = newcomer.type_(next_("warmfoot check --find"))
    assert f'links.board = {{ kind = "serial", port = "{newcomer.wire.device}" }}' in said
    world.close()

    # 4. The bench file: every proposal is taken, but for who is told.
    asked = newcomer.type_(next_("warmfoot bench bench.toml"), "\n" * 30)
    assert "Name of the nursery" in asked
    assert "no alarm" not in newcomer.type_(next_("warmfoot check bench.toml"))
    site = load(newcomer.file)
    (bay,) = site.benches["bench_1"].bays
    assert (site.site.name, bay) == ("My nursery", "bay1")

    # 5. The probes, before they are buried.
    assert "Ice bath" in newcomer.type_(next_("warmfoot calibrate how"))
    newcomer.sits_at_the_bench()
    newcomer.lies_in(20.0)
    assert "agrees" in newcomer.type_(next_("warmfoot calibrate together bench.toml"))
    newcomer.lies_in(0.0, off_k=0.4)
    monkeypatch.setattr(click.testing._NamedTextIOWrapper, "isatty", lambda _: True)
    newcomer.type_(next_("warmfoot calibrate probe"), "\ny\n")
    assert load(newcomer.file).benches["bench_1"].bays["bay1"].probes[0].offset_c == (
        pytest.approx(-0.4, abs=0.05)
    )

    # 6. The bench: all is agreed to, and all is seen.
    newcomer.sits_at_the_bench()
    said = newcomer.type_(next_("warmfoot check bench.toml --wires"), "y\nyes\n" * 30)
    assert newcomer.bench.is_off()
    with open_reader(newcomer.folder / JOURNAL) as reader:
        (done,) = checks(reader)
        assert [one.outcome for one in calibrations(reader)] == ["written"]
    assert {step.step for step in done.steps} >= {"heard", "relay", "mat"}
    assert {step.verdict for step in done.steps} == {"good"}, said

    # 7. A night without cuttings, as far as a test can wait.
    remark = '# recipe = "softwood"'
    text = newcomer.file.read_text()
    assert text.count(remark) == 1
    newcomer.file.write_text(text.replace(remark, remark[2:]))
    world = newcomer.over_wire()
    words = shlex.split(next_("warmfoot run"))[1:]
    run = [sys.executable, "-c", "from controller.cli import main; main()", *words]
    with subprocess.Popen(
        run, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE, text=True
    ) as daemon:
        eventually(lambda: world.board.relay_on("mat1"), 20.0)
        eventually(lambda: CliRunner().invoke(main, ["status"]).exit_code in (0, 8), 10.0)
        left.insert(0, next_("warmfoot status"))
        status = CliRunner().invoke(main, shlex.split(left.pop(0))[1:])
        assert "bench_1" in status.output
        assert "bay1" in newcomer.type_(next_("warmfoot why"))
        daemon.send_signal(signal.SIGINT)
        daemon.stderr.read()
        assert daemon.wait(10.0) == 0
    world.close()

    # 8. Someone who is told.
    route = "\n" + ROUTE
    newcomer.file.write_text(newcomer.file.read_text() + route)
    newcomer.type_(next_("warmfoot alarms test"))
    assert len(newcomer.phone.got) == 1

    # 9. With the machine; here an image of one.
    (newcomer.folder / "machine").mkdir()
    line = next_("sudo /opt/warmfoot/bin/warmfoot service install").removeprefix("sudo ")
    newcomer.type_(
        line.replace("~", str(newcomer.folder))
        + " --program /opt/warmfoot/bin/warmfoot --root machine"
    )
    assert load(newcomer.folder / "machine/etc/warmfoot/bench.toml") == load(newcomer.file)
    with open_reader(newcomer.folder / "machine/var/lib/warmfoot/my-nursery.db") as reader:
        assert len(checks(reader)) == 1

    # 10. The first batch.
    assert "can be stuck now" in newcomer.type_(next_("warmfoot season"))
    newcomer.type_(next_("warmfoot batch stick"), "\n" * 30)
    assert "Fuchsia" in newcomer.type_("warmfoot batch list")
    assert left == []
