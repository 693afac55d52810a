"""SIGKILL again and again on a real wire: nothing committed is lost, relays let go, all comes back.

What outlasts each kill is judged by the checker of tests/faults. A dozen kills in the suite;
`pytest -m benchmark -s tests/flows/daemon/test_killed.py` for two hundred.
"""

import json
import random
import signal
import sys
import threading
import time
from pathlib import Path

import pytest
from paho.mqtt import publish

sys.path.insert(0, str(Path(__file__).parents[2] / "faults"))

from check_records import i7, i8, rows_of
from evidence import Evidence

from config.load import loads
from sensors.lines import decode
from sensors.topics import slug
from simulator.board import SimBoard
from simulator.serve import rewired
from simulator.wires import MqttWire

pytestmark = pytest.mark.wire
OFF = {"mat1": "0", "mist": "0"}
BACK_S = 15.0
MOMENTS = ("start", "first order", "heating", "commit", "random")


class NodeOnBroker:
    """A simulated board on a broker, with the same face as the one on the pseudo-terminal."""

    def __init__(self, broker, site):
        values = {"base1": "15.00", "base2": "15.10", "air": "10.00", "rh": "80.0", "house": "9.0"}
        probes = {name: (lambda text=text: text) for name, text in values.items()}
        self.board = SimBoard(
            probes, {"mat1": 120.0, "mist": 60.0}, every_s=dict.fromkeys(probes, 0.2)
        )
        self.heard = []
        self.speed = 1.0
        self._wire = MqttWire(broker.host, broker.port, slug(site.site.name), "board")
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    @property
    def heating(self):
        return self.board.relay_on("mat1")

    def _live(self):
        last_s = time.monotonic()
        while not self._done.wait(0.02):
            now_s = time.monotonic()
            for line in self._wire.read():
                self.heard.append((now_s, decode(line)[2]))
                self.board.receive(line)
            self.board.advance((now_s - last_s) * self.speed)
            last_s = now_s
            self._wire.write(self.board.lines())

    def close(self):
        self._done.set()
        self._thread.join(5.0)
        self._wire.close()


class Killing:
    """Starts and kills one daemon after another on the same journal."""

    def __init__(self, warmfoot, board, bench_file, journal, eventually, slowness, seed):
        self.warmfoot, self.board, self.bench_file = warmfoot, board, bench_file
        self.journal, self.eventually, self.slowness = journal, eventually, slowness
        self.chance = random.Random(seed)
        self.back_s = []
        self.committed = {}

    def shelve(self):
        """Shelve the alarm of the missing cut-out, so that every later start must know of it."""
        process = self.warmfoot.start("run", self.bench_file)
        self.eventually(lambda: self.board.heating, BACK_S)
        done = self.warmfoot.run(
            "alarms", "shelve", "cutout_missing", "north.left", "--for", "100h",
            "--note", "ordered", "--journal", self.journal,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        self.eventually(lambda: self.shelved, 10.0)
        process.kill()
        process.wait(30.0)
        self.committed = rows_of(self.journal)

    @property
    def shelved(self):
        try:
            alarms = json.loads(self.journal.with_suffix(".live.json").read_text())["alarms"]
        except (OSError, ValueError):
            return False
        return ("cutout_missing", "SHLVD") in {(a["alarm"], a["state"]) for a in alarms}

    def kill_at(self, moment):
        board = self.board
        board.speed = 1.0
        heard = len(board.heard)
        self.journal.with_suffix(".live.json").unlink(missing_ok=True)
        begun_s = time.monotonic()
        process = self.warmfoot.start("run", self.bench_file)
        if moment == "start":
            time.sleep(self.chance.uniform(0.05, 1.0))
        else:
            self.eventually(lambda: len(board.heard) > heard, BACK_S)
            assert board.heard[heard][1] == OFF, "not off at first"
        if moment in ("heating", "commit", "random"):
            self.eventually(lambda: board.heating, BACK_S)
            self.back_s.append(time.monotonic() - begun_s)
            self.eventually(lambda: self.shelved, 10.0)
        if moment == "commit":
            rows = len(rows_of(self.journal)["decision"])
            until_s = time.monotonic() + 2.0
            while len(rows_of(self.journal)["decision"]) == rows and time.monotonic() < until_s:
                time.sleep(0.002)
        if moment == "random":
            time.sleep(self.chance.uniform(0.0, 2.0))
        before = rows_of(self.journal)
        process.kill()
        process.wait(30.0)
        self.check(before, heard)

    def check(self, before, heard):
        board = self.board
        lost = list(i8(Evidence(self.journal, 0.5, committed=before)))
        lost += list(i8(Evidence(self.journal, 0.5, committed=self.committed)))
        assert lost == []
        self.committed = before
        # No burst of relays: the mat was switched on once at most since the start.
        values = [fields["mat1"] != "0" for _, fields in board.heard[heard:]]
        starts = sum(now and not was for was, now in zip([False, *values], values, strict=False))
        assert starts <= 1, f"{starts} starts of the mat in {len(values)} orders"
        leases_s = [float(fields["mat1"]) for _, fields in board.heard[heard:]]
        assert max(leases_s, default=0.0) <= 60.0
        # The board's own clock is turned on, so that no test waits for a lease.
        board.speed = 40.0
        self.eventually(lambda: not board.heating, 60.0 / 40.0 + 1.0)

    def end(self):
        """Everything that was ever written makes sense, and there was no second alarm of one."""
        found = list(i7(Evidence(self.journal, 0.5)))
        assert found == []
        assert self.back_s
        assert max(self.back_s) < BACK_S * self.slowness(), self.back_s


@pytest.fixture
def killing(warmfoot, board, bench_file, tmp_path, eventually, slowness):
    return Killing(warmfoot, board, bench_file, tmp_path / "bench.db", eventually, slowness, 7)


@pytest.fixture
def killing_by_broker(broker, warmfoot, bench_text, tmp_path, eventually, slowness):
    link = {"kind": "mqtt", "host": broker.host, "port": broker.port}
    text = rewired(
        bench_text(
            site="tick_s = 0.5",
            bench='recipe = "semi_ripe"\nheat = { shortest_s = 5 }',
            mat="",
            more=f'[journal]\npath = "{tmp_path / "bench.db"}"',
        ),
        {"board": link},
    )
    path = tmp_path / "bench.toml"
    path.write_text(text)
    node = NodeOnBroker(broker, loads(text, "bench.toml"))
    yield Killing(warmfoot, node, path, tmp_path / "bench.db", eventually, slowness, 8)
    node.close()


def test_killed_over_serial(killing):
    killing.shelve()
    for moment in (*MOMENTS, "start", "random", "commit"):
        killing.kill_at(moment)
    killing.end()


def test_killed_over_a_broker(killing_by_broker):
    killing_by_broker.shelve()
    for moment in ("start", "first order", "random", "commit"):
        killing_by_broker.kill_at(moment)
    killing_by_broker.end()


def test_forged_order_lasts_until_the_next_tick_and_a_retained_one_does_nothing(
    killing_by_broker, broker, eventually
):
    """Every tick orders every relay anew, so whoever slips in an order has half a second of it."""
    killing, node = killing_by_broker, killing_by_broker.board
    killing.warmfoot.start("run", killing.bench_file)
    eventually(lambda: node.heating, BACK_S)
    heard = len(node.heard)

    def forge(*, retain):
        publish.single(
            "warmfoot/1/alder-lane-nursery/board/order",
            '{"seq": 9, "values": {"mist": 50, "mat1": 50}}',
            qos=1, retain=retain, hostname=broker.host, port=broker.port,
        )  # fmt: skip

    forge(retain=False)
    eventually(lambda: any(f["mist"] == "50" for _, f in node.heard[heard:]), 5.0)
    forged_s = max(at_s for at_s, f in node.heard if f["mist"] == "50")
    eventually(lambda: node.heard[-1][0] > forged_s, 5.0)
    at_s, fields = next(one for one in node.heard if one[0] > forged_s)
    assert at_s - forged_s < 2.0
    assert float(fields["mist"]) < 10.0, "its own burst at most"
    count = sum(f["mist"] == "50" for _, f in node.heard)
    forge(retain=True)
    node.close()
    again = NodeOnBroker(broker, loads(killing.bench_file.read_text(), "bench.toml"))
    try:
        eventually(lambda: again.heating, BACK_S)
        assert not any(f["mist"] == "50" for _, f in again.heard), "an order of unknown age obeyed"
    finally:
        again.close()
    assert count == 1


def test_frozen_process_lets_the_relays_go_and_heats_again_when_it_is_let_go_on(
    warmfoot, board, bench_file, eventually
):
    process = warmfoot.start("run", bench_file)
    eventually(lambda: board.heating, BACK_S)
    process.send_signal(signal.SIGSTOP)
    board.speed = 40.0
    eventually(lambda: not board.heating, 60.0 / 40.0 + 1.0)
    board.speed = 1.0
    heard = len(board.heard)
    process.send_signal(signal.SIGCONT)
    eventually(lambda: len(board.heard) > heard + 1 and board.heating, BACK_S)
    assert process.poll() is None


@pytest.mark.benchmark
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("wire", ["killing", "killing_by_broker"])
def test_killed_a_hundred_times(request, wire, capsys):
    killing = request.getfixturevalue(wire)
    killing.shelve()
    for number in range(100):
        killing.kill_at(MOMENTS[number % len(MOMENTS)])
    killing.end()
    with capsys.disabled():
        print(f"\n{wire}: 100 kills; heat again after {max(killing.back_s):.1f} s at most")
