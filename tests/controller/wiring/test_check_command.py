"""`warmfoot check --wires` as a person types it, on a simulated bench; and its records."""

import json
import re
import threading
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from filelock import FileLock
from paho.mqtt import publish

from controller.cli import common, main, wires
from controller.cli.wires import _seen
from controller.journal.care import checks
from controller.journal.reader import open_reader
from controller.wiring import found
from sensors.links.ports import Port

ON_A_BROKER = """
site = {{ name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }}
links.house = {{ kind = "mqtt", host = "127.0.0.1", port = {port} }}
[benches.north.bays.left]
probes = [{{ link = "house", topic = "shed/north/base", kind = "base_temperature" }}]
mat = {{ link = "house", node = "n1", channel = "mat1", power_w = 120 }}
"""  # noqa: E501


@pytest.fixture
def checked_bench(on_bench, monkeypatch, tmp_path, state_home):  # noqa: ARG001
    """checked_bench(...): a simulated bench that the command finds at the end of its wires."""

    def make(**how):
        bench = on_bench(**how)
        monkeypatch.setattr(wires, "make_clock", lambda: bench.clock)
        monkeypatch.setattr(wires, "make_links", lambda *_: bench.links)
        monkeypatch.setattr(found, "serial_ports", list)
        # A link of kind memory is refused in a file.
        bench.file = tmp_path / "bench.toml"
        bench.file.write_text(bench.text.replace('"memory"', '"serial", port = "/dev/none"'))
        return bench

    return make


def run(bench, *words, **more):
    return CliRunner().invoke(main, ["check", str(bench.file), "--wires", *words], **more)


def journal(state_home):
    return state_home / "warmfoot" / "alder-lane.db"


def test_without_a_terminal_it_only_listens_and_says_so(checked_bench):
    bench = checked_bench()
    done = run(bench)
    assert done.exit_code == 0, done.output
    assert "No terminal to ask at: listening only" in done.stderr
    assert "good     heard    north.left.base1: " in done.stderr
    assert not any(float(v) for _, fields in bench.orders for v in fields.values())


def test_without_a_terminal_switching_is_refused_kindly(checked_bench):
    bench = checked_bench()
    done = run(bench, "--only", "relays")
    assert done.exit_code == common.EXIT_REFUSED
    assert "add --yes, and --saw RELAY=yes|no" in done.stderr
    assert bench.orders == []


def test_whole_check_is_kept_and_shown_again(checked_bench, state_home):
    bench = checked_bench()
    saw = [f"--saw={one}=yes" for one in ("north.left.mat", "north.right.mat", "north.mister")]
    done = run(bench, "--yes", *saw, "--by", "Maeve", "--json")
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert (data["by"], data["ending"], data["number"]) == ("Maeve", "done", 1)
    assert {step["step"] for step in data["steps"]} == {"link", "heard", "relay", "mat", "mist"}
    assert {step["verdict"] for step in data["steps"]} == {"good"}
    assert bench.is_off()
    with open_reader(journal(state_home)) as reader:
        (kept,) = checks(reader)
    assert kept.by == "Maeve"
    assert [step._asdict() for step in kept.steps] == data["steps"]
    shown = CliRunner().invoke(main, ["checked", "1"])
    assert shown.exit_code == 0
    assert "Check 1 of the wires, by Maeve" in shown.output
    assert shown.output.count("good ") == len(data["steps"])
    listed = CliRunner().invoke(main, ["checked"])
    assert "Maeve" in listed.output
    assert CliRunner().invoke(main, ["checked", "7"]).exit_code == common.EXIT_REFUSED


def test_a_fault_is_told_by_the_exit_code(checked_bench):
    bench = checked_bench(faults=(("mat_dead", "north.left.mat"),))
    done = run(bench, "--yes", "--only", "mats")
    assert done.exit_code == common.EXIT_FAULT
    assert "no probe rose" in done.stderr


def test_ctrl_c_leaves_everything_off_and_the_record_of_what_was_done(checked_bench, state_home):
    bench = checked_bench()

    def strike():
        raise KeyboardInterrupt

    bench.at[1000.0] = strike
    done = run(bench, "--yes", "--only", "heard", "--only", "mats")
    assert done.exit_code == common.EXIT_REFUSED
    assert "Everything is off (stopped by hand)" in done.stderr
    assert bench.is_off()
    with open_reader(journal(state_home)) as reader:
        (kept,) = checks(reader)
    assert kept.ending == "stopped by hand"
    assert {step.step for step in kept.steps} == {"link", "heard"}


def test_on_dead_wires_nothing_is_switched(checked_bench):
    bench = checked_bench()
    bench.rig.boards["board"].lines = list
    done = run(bench, "--yes")
    assert done.exit_code == common.EXIT_FAULT
    assert "Nothing is heard on any wire, so nothing is switched" in done.stderr
    assert "unsure   found    ports: there is no other serial port on this machine" in done.stderr
    assert not any(float(v) for _, fields in bench.orders for v in fields.values())


def test_while_another_warmfoot_keeps_the_bench_it_is_refused(checked_bench, state_home):
    bench = checked_bench()
    path = journal(state_home)
    path.parent.mkdir(parents=True)
    with FileLock(path.with_name(path.name + ".lock")):
        done = run(bench, "--yes")
    assert done.exit_code == common.EXIT_RUNNING
    assert "stop it first" in done.stderr
    assert bench.orders == []


def test_a_lock_that_can_not_be_taken_is_told_in_words(checked_bench, state_home):
    """It belongs to somebody else, or, here, is no file."""
    bench = checked_bench()
    path = journal(state_home)
    path.with_name(path.name + ".lock").mkdir(parents=True)
    done = run(bench, "--yes")
    assert done.exit_code == common.EXIT_REFUSED, done.output
    assert "alder-lane.db.lock: can't be locked (Is a directory)" in done.stderr
    assert bench.orders == []


def test_a_daemon_can_not_start_meanwhile(checked_bench, state_home):
    from filelock import Timeout

    bench = checked_bench()
    seen = []

    def try_to_start():
        lock = FileLock(str(journal(state_home)) + ".lock")
        try:
            lock.acquire(timeout=0)
        except Timeout:
            seen.append("held")

    bench.at[5.0] = try_to_start
    run(bench)
    assert seen == ["held"]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--yes", "--saw", "north.left.mat"], "write north.left.mat=yes or"),
        (["--yes", "--saw", "north.mat=yes"], "no relay 'north.mat'"),
        (["--only", "roof"], "Invalid value"),
        (["--listen", "soon"], "is not a stretch of time"),
    ],
)
def test_slips_of_the_pen_are_told(checked_bench, words, text):
    bench = checked_bench()
    done = run(bench, *words)
    assert (done.exit_code, text in done.stderr) == (2, True), done.stderr
    assert bench.orders == []


def test_options_of_the_wires_want_the_wires(tmp_path):
    done = CliRunner().invoke(main, ["check", str(tmp_path / "x.toml"), "--yes"])
    assert (done.exit_code, "go with --wires" in done.stderr) == (2, True)
    assert CliRunner().invoke(main, ["check"]).exit_code == 2
    both = CliRunner().invoke(main, ["check", str(tmp_path / "x.toml"), "--wires", "--find"])
    assert (both.exit_code, "first look with --find" in both.stderr) == (2, True)


def test_to_listen_for_no_time_is_not_taken_for_the_usual_time(checked_bench):
    bench = checked_bench()
    before_s = bench.clock.now().mono_s
    run(bench, "--listen", "0s")
    assert bench.clock.now().mono_s - before_s < 5.0


def test_unsound_file_is_told_before_anything_is_opened(checked_bench):
    bench = checked_bench()
    bench.file.write_text(bench.file.read_text().replace("power_w = 120", "power_w = -1"))
    done = run(bench, "--yes")
    assert done.exit_code == common.EXIT_BENCH_FILE
    assert bench.orders == []


def test_records_are_given_as_csv(checked_bench, state_home, tmp_path):  # noqa: ARG001
    bench = checked_bench()
    run(bench)
    from io import StringIO

    from controller.journal.upkeep import export_csv

    out = StringIO(newline="")
    rows = export_csv(journal(state_home), "checks", out, bench.site.site.zone, 0.0, 4e9)
    lines = out.getvalue().splitlines()
    assert lines[0] == "utc,local,check,by,step,place,seen,verdict"
    assert rows == len(lines) - 1 == 5


# -- looking for boards -----------------------------------------------------------------------


@pytest.fixture
def pty_board(tmp_path):
    """A simulated board at a pseudo-terminal, lived by a thread in real time."""
    from simulator.board import SimBoard
    from simulator.wires import PtyWire

    wire = PtyWire(tmp_path / "ttyBENCH")
    board = SimBoard({"base1": lambda: "18.50"}, {"mat1": 120.0, "mist": 60.0}, name="shed",
                     every_s={"base1": 0.5})  # fmt: skip
    done = threading.Event()

    def live():
        last_s = time.monotonic()
        while not done.wait(0.02):
            for line in wire.read():
                board.receive(line)
            now_s = time.monotonic()
            board.advance(now_s - last_s)
            last_s = now_s
            if lines := board.lines():
                wire.write(lines)

    thread = threading.Thread(target=live)
    thread.start()
    yield board, Path(wire.port)
    done.set()
    thread.join()
    wire.close()


@pytest.mark.wire
def test_board_at_a_port_is_found_with_the_line_for_the_bench_file(
    pty_board, monkeypatch, tmp_path
):
    _, port = pty_board
    ports = [Port(str(port), str(port), "USB thing"), Port(str(tmp_path / "no"), "x", "")]
    monkeypatch.setattr(found, "serial_ports", lambda: ports)
    done = CliRunner().invoke(main, ["check", "--find", "--listen", "1s"])
    assert done.exit_code == 0, done.output
    assert "a board named shed with base1, mat1, mist" in done.output
    assert f'links.board = {{ kind = "serial", port = "{port}" }}' in done.output
    assert "is not there; plugged in?" in done.output
    data = json.loads(
        CliRunner().invoke(main, ["check", "--find", "--listen", "1s", "--json"]).output
    )
    assert data["boards"][1]["why"]


@pytest.mark.wire
def test_board_that_is_at_another_port_is_found(pty_board, monkeypatch, tmp_path, state_home):  # noqa: ARG001
    _, port = pty_board
    file = tmp_path / "bench.toml"
    example = Path("config/examples/one_tray_serial.toml").read_text()
    file.write_text(example.replace("/dev/ttyACM0", str(tmp_path / "gone")))
    here, there = (Port(str(one), str(one), "") for one in (tmp_path / "gone", port))
    monkeypatch.setattr(found, "serial_ports", lambda: [here, there])
    done = CliRunner().invoke(main, ["check", str(file), "--wires", "--listen", "2s"])
    assert done.exit_code == common.EXIT_FAULT
    told = rf"unsure   found    port {port}: a board .*base1.*; if it is the one, this is its port"
    assert re.search(told, done.stderr), done.stderr
    assert f"found    port {here.name}" not in done.stderr, "the bench file names that one"


@pytest.mark.wire
def test_topics_are_told_where_a_device_is_not_heard_and_only_there(broker, tmp_path, state_home):  # noqa: ARG001
    file = tmp_path / "bench.toml"
    file.write_text(ON_A_BROKER.format(port=broker.port))
    stop = threading.Event()

    def talk():
        while not stop.wait(0.1):
            publish.single("shed/north/base", "18.5", hostname=broker.host, port=broker.port)

    thread = threading.Thread(target=talk)
    thread.start()
    words = ["check", str(file), "--wires", "--listen", "2s"]
    try:
        right = CliRunner().invoke(main, words)
        file.write_text(file.read_text().replace("shed/north/base", "shed/nort/base"))
        slip = CliRunner().invoke(main, words)
    finally:
        stop.set()
        thread.join()
    assert "good     heard    north.left.base" in right.stderr, right.stderr
    assert " found " not in right.stderr
    told = r"unsure   found    house shed/north/base: says '18.5', \d+ times"
    assert re.search(told, slip.stderr), slip.stderr


def test_no_port_is_said_at_once_and_listening_is_said_before_it_begins(monkeypatch):
    monkeypatch.setattr(found, "serial_ports", list)
    began_s = time.monotonic()
    done = CliRunner().invoke(main, ["check", "--find"])
    assert time.monotonic() - began_s < found.PORT_S / 2
    assert done.stderr == "listening for up to 15 s ...\n"
    assert done.stdout.startswith("no serial port here")
    assert json.loads(CliRunner().invoke(main, ["check", "--find", "--json"]).output) == {
        "boards": []
    }


@pytest.mark.wire
def test_real_serial_link_is_checked_too(pty_board, tmp_path, state_home):  # noqa: ARG001
    board, port = pty_board
    file = tmp_path / "bench.toml"
    example = Path("config/examples/one_tray_serial.toml").read_text()
    file.write_text(example.replace("/dev/ttyACM0", str(port)))
    seen = []
    receive = board.receive
    board.receive = lambda line: (seen.append(line), receive(line))
    done = CliRunner().invoke(
        main,
        ["check", str(file), "--wires", "--yes", "--only", "heard", "--only", "relays",
         "--listen", "2s"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "good     heard    tray.only.base1: 18.50 °C" in done.stderr
    assert "unsure   relay    tray.only.mat: on and off by its board; nobody looked" in done.stderr
    assert "mist" in done.stderr, "the channel that nobody named"
    assert "order" in seen[0]
    assert "mat1=0" in seen[0]
    assert "mat1=0" in seen[-1]
    assert not board.relay_on("mat1")


@pytest.mark.wire
def test_topics_of_a_broker_are_listed(broker):
    stop = threading.Event()

    def talk():
        while not stop.wait(0.1):
            publish.single("shed/air", '{"t": 14.2}', hostname=broker.host, port=broker.port)

    publish.single("shed/old", "7", retain=True, hostname=broker.host, port=broker.port)
    thread = threading.Thread(target=talk)
    thread.start()
    try:
        place = f"{broker.host}:{broker.port}"
        done = CliRunner().invoke(main, ["check", "--broker", place, "--listen", "1s", "--json"])
    finally:
        stop.set()
        thread.join()
    assert done.exit_code == 0, done.output
    topics = {one["topic"]: one for one in json.loads(done.output)["topics"]}
    assert topics["shed/air"]["last"] == '{"t": 14.2}'
    assert topics["shed/air"]["times"] >= 2
    assert (topics["shed/old"]["times"], topics["shed/old"]["retained"]) == (0, True)


def test_broker_that_is_not_there_is_told(tmp_path):  # noqa: ARG001
    done = CliRunner().invoke(main, ["check", "--broker", "127.0.0.1:1", "--listen", "1s"])
    assert done.exit_code == common.EXIT_REFUSED
    assert "no broker answers at 127.0.0.1:1" in done.stderr
    assert CliRunner().invoke(main, ["check", "--broker", "x:y"]).exit_code == 2


@pytest.mark.parametrize(
    ("typed", "meant"), [("y", "yes"), ("Yes", "yes"), ("n", "no"), ("uns", "unseen")]
)
def test_what_was_seen_may_be_said_by_its_first_letters(typed, meant):
    assert _seen(typed) == meant


@pytest.mark.parametrize("typed", ["", " ", "maybe", "yesno", "1"])
def test_what_was_seen_is_asked_again_when_it_is_not_known(typed):
    with pytest.raises(click.UsageError, match="write yes, no or unseen"):
        _seen(typed)
