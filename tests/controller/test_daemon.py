"""The daemon's own rules, without waiting: one at a time, never cold for want of a disk."""

import fcntl
import json
import logging
import signal
import threading

import pytest

from config.load import ConfigError
from controller.daemon import AlreadyRunning, Daemon
from controller.journal.reader import open_reader
from controller.records import Act
from controller.service_manager import Bell

TEXT = """
site = {{ name = "Alder Lane", timezone = "UTC", latitude_deg = 53.3, longitude_deg = -6.5, tick_s = 0.5 }}
journal = {{ path = "{journal}" }}
links.board = {{ kind = "serial", port = "{port}" }}
[benches.north]
recipe = "semi_ripe"
[benches.north.bays.left]
probes = [{{ link = "board", channel = "base1", kind = "base_temperature" }}]
mat = {{ link = "board", channel = "mat1", power_w = 120 }}
"""  # noqa: E501


@pytest.fixture
def bench_file(tmp_path):
    def write(journal=None, **changes):
        text = TEXT.format(journal=journal or tmp_path / "bench.db", port=tmp_path / "no_port")
        for old, new in changes.items():
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text)
        return path

    return write


@pytest.fixture
def ticks(monkeypatch):
    """ticks(daemon, *steps): run it without waiting; after each tick the next step is called."""

    def run(daemon, *steps):
        left = list(steps)

        def rest(_bell, _longest_s):
            if left:
                left.pop(0)()
            else:
                signal.raise_signal(signal.SIGTERM)

        monkeypatch.setattr(Bell, "wait", rest)
        daemon.run()

    return run


def nothing():
    pass


def test_second_daemon_on_the_same_journal_is_refused_until_the_first_is_gone(bench_file, ticks):
    path = bench_file()
    refused = []

    def second():
        with pytest.raises(AlreadyRunning, match="another warmfoot already keeps") as error:
            Daemon(path).run()
        refused.append(str(error.value))

    ticks(Daemon(path), second, nothing)
    assert "stop it first" in refused[0]
    ticks(Daemon(path), nothing)


@pytest.mark.parametrize("told", [True, False], ids=["", "and no picture can be written"])
def test_second_daemon_is_refused_also_after_the_locks_file_was_deleted(
    bench_file, ticks, tmp_path, monkeypatch, told
):
    monkeypatch.setattr("controller.daemon.LIVE_EVERY_S", 0.0)
    if not told:
        (tmp_path / "bench.live.json").mkdir()
    path = bench_file()
    refused = []

    def second():
        with pytest.raises(AlreadyRunning):
            Daemon(path).run()
        refused.append(True)

    ticks(Daemon(path), (tmp_path / "bench.db.lock").unlink, second)
    assert refused


def test_one_that_began_while_the_locks_file_was_gone_is_told_of_once(
    bench_file, ticks, tmp_path, monkeypatch, caplog
):
    monkeypatch.setattr("controller.daemon.LIVE_EVERY_S", 0.0)
    other = []

    def another_begins():
        lock = tmp_path / "bench.db.lock"
        lock.unlink()
        other.append(lock.open("w"))
        fcntl.flock(other[0], fcntl.LOCK_EX)

    with caplog.at_level(logging.ERROR):
        ticks(Daemon(bench_file()), another_begins, nothing, nothing)
    other[0].close()
    assert sum("another warmfoot keeps the same journal" in r.message for r in caplog.records) == 1


def test_live_picture_lasts_as_long_as_the_daemon(bench_file, ticks, tmp_path):
    seen = []
    live = tmp_path / "bench.live.json"
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)}
    ticks(Daemon(bench_file()), lambda: seen.append(json.loads(live.read_text())))
    assert seen[0]["site"] == "Alder Lane"
    assert seen[0]["links"]["board"]["up"] is False
    assert not live.exists()
    assert {number: signal.getsignal(number) for number in before} == before


def test_disk_that_takes_no_file_does_not_leave_the_bench_cold(bench_file, ticks, tmp_path, caplog):
    (tmp_path / "file").write_text("in the way of the journal's directory")
    decided = []
    daemon = Daemon(bench_file(journal=tmp_path / "file" / "bench.db"))
    with caplog.at_level(logging.ERROR):
        ticks(daemon, *[lambda: decided.append(1)] * 30)
    assert len(decided) == 30
    said = [record.message for record in caplog.records]
    assert any("no lock beside the journal" in text for text in said)
    assert sum("live picture" in text for text in said) == 1, "said once, not at every tick"
    assert any(f"{tmp_path / 'file'} must be a folder" in text for text in said)
    assert not any("Errno" in text for text in said)
    assert not any(record.exc_info for record in caplog.records)


def test_machine_without_a_thread_left_for_page_and_alerts_does_not_leave_the_bench_cold(
    bench_file, ticks, tmp_path, monkeypatch
):
    start = threading.Thread.start

    def scarce(thread):
        if thread.name in ("page", "notify", "housekeeping"):
            raise RuntimeError("can't start new thread")
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", scarce)
    monkeypatch.setenv("WF_MARY", "json://mary/")
    path = bench_file()
    path.write_text(path.read_text() + '[alerts.routes.mary]\nurl_env = "WF_MARY"\n')
    daemon = Daemon(path)
    decided = []
    ticks(daemon, *[lambda: decided.append(1)] * 30)
    assert len(decided) == 30
    with open_reader(tmp_path / "bench.db") as reader:
        told = {event.place: event.text for event in reader.events() if event.kind == "fault"}
    assert told.keys() == {"alerts", "housekeeping", "page"}
    assert "can't start new thread" in told["page"]


def test_state_goes_out_over_mqtt_though_the_disk_takes_no_picture(bench_file, ticks, monkeypatch):
    published = []

    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Daemon, "_write_live", full)
    monkeypatch.setattr(
        "controller.publish.Publisher.publish", lambda _self, now, _changes: published.append(now)
    )
    ticks(Daemon(bench_file()), nothing)
    assert published[0]["site"] == "Alder Lane"


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("bench.db", "other.db", "the journal's path or the site's name was changed"),
        ("power_w = 120", "power_w = 0", "power_w"),
        ("semi_ripe", "semi_rip", "semi_ripe"),
    ],
)
def test_bench_file_that_cannot_be_taken_leaves_the_old_one_in_force(
    bench_file, ticks, tmp_path, old, new, why
):
    daemon = Daemon(bench_file())

    def spoil():
        bench_file(**{old: new})
        signal.raise_signal(signal.SIGHUP)

    ticks(daemon, spoil, nothing, nothing)
    with open_reader(tmp_path / "bench.db") as reader:
        assert [run.reason for run in reader.runs()] == ["signal SIGTERM"]
        (refused,) = [e.text for e in reader.events() if e.kind == "reload_refused"]
    assert why in refused


def test_new_bench_file_begins_a_new_run_on_the_same_journal(bench_file, ticks, tmp_path):
    daemon = Daemon(bench_file())

    def change():
        bench_file(**{"power_w = 120": "power_w = 90"})
        signal.raise_signal(signal.SIGHUP)

    ticks(daemon, change, nothing, nothing)
    assert daemon.site.benches["north"].bays["left"].mat.power_w == 90.0
    with open_reader(tmp_path / "bench.db") as reader:
        assert [run.reason for run in reader.runs()] == ["new bench file", "signal SIGTERM"]


def test_bench_file_that_is_not_sound_is_refused_before_anything_is_touched(bench_file, tmp_path):
    with pytest.raises(ConfigError, match="power_w"):
        Daemon(bench_file(**{"power_w = 120": "power_w = 0"}))
    assert not (tmp_path / "bench.db").exists()


def test_stop_that_comes_before_the_first_tick_is_not_lost(bench_file, monkeypatch):
    daemon = Daemon(bench_file())
    whole = Daemon._keep

    def stopped(self, controller):
        signal.raise_signal(signal.SIGTERM)
        whole(self, controller)

    monkeypatch.setattr(Daemon, "_keep", stopped)
    daemon.run()


def test_answer_to_an_act_comes_when_the_page_can_show_what_was_done(bench_file, ticks):
    daemon, seen = Daemon(bench_file()), []

    def asked():
        act = Act("hold_heat", "north.left", "Maeve", span_s=600.0)
        daemon._desk.ask(act, lambda done: seen.append((done.done, daemon._board.latest.state)))

    ticks(daemon, asked, nothing)
    ((done, state),) = seen
    assert done
    assert state.bays[("north", "left")].hold == "off"
