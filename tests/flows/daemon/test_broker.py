"""A broker that is restarted, or does not want us: control goes on and says so."""

import itertools
import threading
import time

import pytest

from config.load import loads
from controller.app import build
from controller.records import Act, ActKind
from sensors.clock import SystemClock
from sensors.lines import decode
from sensors.topics import slug
from simulator.board import SimBoard
from simulator.serve import rewired
from simulator.wires import MqttWire

pytestmark = pytest.mark.wire


class BrokerBoard:
    """A simulated board on a broker, in a thread. heard: (seq, fields) of every order."""

    def __init__(self, broker, site):
        values = {"base1": "15.00", "base2": "15.10", "air": "10.00", "rh": "80.0", "house": "9.0"}
        probes = {name: (lambda text=text: text) for name, text in values.items()}
        self.board = SimBoard(
            probes, {"mat1": 120.0, "mist": 60.0}, every_s=dict.fromkeys(probes, 0.2)
        )
        self.heard = []
        self._wire = MqttWire(broker.host, broker.port, slug(site.site.name), "board")
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._live)
        self._thread.start()

    def _live(self):
        last_s = time.monotonic()
        while not self._done.wait(0.02):
            for line in self._wire.read():
                self.heard.append(decode(line)[1:])
                self.board.receive(line)
            now_s = time.monotonic()
            self.board.advance(now_s - last_s)
            last_s = now_s
            self._wire.write(self.board.lines())

    def close(self):
        self._done.set()
        self._thread.join(5.0)
        self._wire.close()


@pytest.fixture
def mqtt_text(bench_text):
    def text(broker, **more):
        link = {"kind": "mqtt", "host": broker.host, "port": broker.port, **more}
        return rewired(bench_text(site="tick_s = 0.5"), {"board": link})

    return text


@pytest.mark.usefixtures("no_thread_left")
def test_broker_restarted_and_readings_and_orders_resume_and_no_old_order_comes_back(
    broker, mqtt_text, tmp_path, eventually
):
    text = mqtt_text(broker)
    site = loads(text, "bench.toml")
    controller = build(
        site, clock=SystemClock(), journal=tmp_path / "b.db", site_text=text, threaded=True
    )
    board = BrokerBoard(broker, site)

    def tick_until(claim, within_s=15.0):
        def ticked():
            controller.tick()
            time.sleep(0.05)
            return claim()

        eventually(ticked, within_s)

    try:
        controller.start()
        tick_until(lambda: board.board.relay_on("mat1"))
        # What is on its way when the broker dies must not come out of it afterwards.
        broker.stop()
        for _ in range(5):
            controller.tick()
        controller.ask(Act(ActKind.HOLD_HEAT, "north.left", "Aoife", span_s=3600.0, value="off"))
        tick_until(lambda: not controller.links["board"].health().up)
        heard = len(board.heard)
        broker.start()
        tick_until(lambda: len(board.heard) > heard + 5, 30.0)
        assert all(fields["mat1"] == "0" for _, fields in board.heard[heard:])
        assert all(a < b for (a, _), (b, _) in itertools.pairwise(board.heard))
        assert not board.board.relay_on("mat1")
        tick_until(lambda: controller.snapshot.benches["north"].bays["left"].usable == 2)
        assert controller.snapshot.links["board"].health.reopened >= 1
        assert controller.decision.bays[0].reason.code == "hold_off"
        controller.ask(Act(ActKind.RELEASE, "north.left", "Aoife"))
        tick_until(lambda: controller.decision.bays[0].reason.code == "full")
    finally:
        controller.stop("test over")
        board.close()


def test_wrong_password_is_said_and_the_daemon_keeps_running(
    make_broker, mqtt_text, warmfoot, tmp_path, eventually
):
    passwords = tmp_path / "passwords"
    passwords.write_text("")
    broker = make_broker("allow_anonymous false", f"password_file {passwords}")
    text = mqtt_text(broker, user="warmfoot", password_env="BENCH_PASSWORD")
    path = tmp_path / "bench.toml"
    path.write_text(text)
    process = warmfoot.start("run", path, BENCH_PASSWORD="wrong")

    def status():
        return warmfoot.run("status").stdout

    eventually(lambda: "password" in status(), 20.0)
    assert process.poll() is None


def test_password_that_is_nowhere_is_named_and_the_daemon_keeps_running(
    broker, mqtt_text, warmfoot, tmp_path, eventually
):
    path = tmp_path / "bench.toml"
    path.write_text(mqtt_text(broker, user="warmfoot", password_env="BENCH_PASSWORD"))
    process = warmfoot.start("run", path)
    eventually(lambda: "BENCH_PASSWORD" in warmfoot.run("status").stdout, 20.0)
    assert process.poll() is None
