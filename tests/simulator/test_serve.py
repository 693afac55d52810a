"""Served boards can be spoken to from outside, as a daemon would."""

import contextlib
import os
import shutil
import socket
import subprocess
import threading
import time

import pytest

from config.load import loads
from sensors.clock import SystemClock
from sensors.lines import LineAssembler, decode, encode
from sensors.links import make_link
from sensors.messages import Message
from simulator.scenario import load_scenario
from simulator.serve import open_mqtt, open_ptys, play, rewired, served_rig
from simulator.wires import MqttWire, PtyWire, WireError


@pytest.fixture
def played():
    """Plays a rig in a thread until the test ends."""
    done = threading.Event()
    threads = []

    def begin(rig, wires):
        thread = threading.Thread(
            target=play, args=(rig, wires, time.time()), kwargs={"stopped": done.is_set}
        )
        threads.append(thread)
        thread.start()

    yield begin
    done.set()
    for thread in threads:
        thread.join(5.0)
        assert not thread.is_alive()


def until(check, deadline_s=10.0):
    end_s = time.monotonic() + deadline_s
    while time.monotonic() < end_s:
        if check():
            return True
        time.sleep(0.02)
    return False


@pytest.mark.wire
def test_board_on_a_pseudo_terminal_reports_and_takes_orders(site, tmp_path, played):
    rig = served_rig(site, load_scenario("alder_lane"))
    wires = open_ptys(rig, tmp_path)
    port = os.open(wires["board"].port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    played(rig, wires)
    assembler, words = LineAssembler(), []

    def heard(word):
        with contextlib.suppress(BlockingIOError):
            words.extend(decode(line) for line in assembler.feed(os.read(port, 4096)))
        return any(w == word for w, _, _ in words)

    assert until(lambda: heard("probe"))
    os.write(port, encode("order", 1, {"mat1": "30"}).encode())
    assert until(lambda: rig.boards["board"].relay_on("mat1"))
    assert until(lambda: heard("relay"))
    os.close(port)


@pytest.mark.wire
def test_pseudo_terminal_keeps_its_name_and_takes_it_away(tmp_path):
    alias = tmp_path / "board"
    wire = PtyWire(alias)
    assert os.path.realpath(alias) == wire.device
    wire.close()
    wire.close()
    assert not alias.is_symlink()


@pytest.mark.wire
def test_write_to_a_terminal_that_nobody_reads_does_not_block(tmp_path):
    wire = PtyWire(tmp_path / "board")
    began_s = time.monotonic()
    for _ in range(2000):
        wire.write([encode("probe", 1, {"base1": "20.1250"})])
    assert time.monotonic() - began_s < 5.0
    wire.close()


def test_mqtt_site_is_not_served_on_a_terminal(broker_site, tmp_path):
    rig = served_rig(broker_site, load_scenario("alder_lane"))
    with pytest.raises(WireError, match="--serve mqtt"):
        open_ptys(rig, tmp_path)


def test_broker_that_is_not_there_is_named():
    with pytest.raises(WireError, match=r"no broker at 127\.0\.0\.1:1"):
        MqttWire("127.0.0.1", 1, "alder-lane", "")


def test_rewired_bench_file_is_sound_and_keeps_the_rest(demo_text):
    made = rewired(demo_text, {"board": {"kind": "serial", "port": "/tmp/here"}})
    site = loads(made, "made.toml")
    assert site.links["board"].port == "/tmp/here"
    assert site.benches == loads(demo_text, "demo.toml").benches
    broker = rewired(demo_text, {"board": {"kind": "mqtt", "host": "localhost", "port": 1883}})
    served = loads(broker, "made.toml")
    assert served.links["board"].port == 1883
    assert served.benches["north"].mister.node == "board"


def test_inline_link_is_left_to_the_grower():
    assert (
        rewired('links = { board = { kind = "memory" } }\n', {"board": {"kind": "serial"}}) is None
    )


@pytest.fixture
def broker(tmp_path):
    """A real broker on a free port."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        why = "no mosquitto here; install it: apt-get install mosquitto"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = tmp_path / "broker.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    process = subprocess.Popen([program, "-c", str(config)], stderr=subprocess.DEVNULL)

    def answers():
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) == 0

    assert until(answers)
    yield port
    process.terminate()
    process.wait(30.0)


@pytest.mark.wire
def test_board_on_a_broker_reports_to_the_real_link_and_takes_its_orders(demo_text, broker, played):
    made = rewired(demo_text, {"board": {"kind": "mqtt", "host": "127.0.0.1", "port": broker}})
    site = loads(made, "made.toml")
    rig = served_rig(site, load_scenario("alder_lane"))
    link = make_link("board", site.links["board"], SystemClock(), site)
    link.start()
    played(rig, open_mqtt(rig, "127.0.0.1", broker))
    heard = []

    def probes_heard():
        heard.extend(arrival.message for arrival in link.poll())
        return any(message.word == "probe" for message in heard)

    assert until(probes_heard, 20.0)
    seqs = iter(range(1, 1000))

    def order_taken():
        link.send(Message("order", next(seqs), {"mat1": "30"}), "board")
        return rig.boards["board/board"].relay_on("mat1")

    assert until(order_taken)
    link.stop()
