"""A fault in one part never stops the heat of another."""

import sqlite3
import time

import pytest

from controller.decide import heat
from controller.journal.reader import open_reader
from controller.records import ActKind

SECOND_BAY = """
[benches.north.bays.right]
probes = [{ link = "board", channel = "base3", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 120, area_m2 = 1.2 }
"""
SECOND_LINK = """
[links.other]
kind = "memory"
[benches.south]
recipe = "semi_ripe"
[benches.south.bays.only]
probes = [{ link = "other", channel = "base1", kind = "base_temperature" }]
mat = { link = "other", channel = "mat1", power_w = 120, area_m2 = 1.2 }
"""
TRIGGERS = "SELECT name FROM sqlite_master WHERE type = 'trigger'"


def events(play, kind):
    with open_reader(play.journal_path) as reader:
        return [(e.place, e.text) for e in reader.events() if e.kind == kind]


def test_fault_in_one_bay_leaves_the_other_warm(played, bench_text, monkeypatch):
    play = played(bench_text(more=SECOND_BAY), start="2026-02-10T08:00", weather="frost")
    play.play(0.5)
    think = heat.think

    def broken(aims, *args, **more):
        if aims.bay == "left":
            raise ZeroDivisionError("a bug in one bay")
        return think(aims, *args, **more)

    monkeypatch.setattr(heat, "think", broken)
    play.play(0.5)
    assert play.orders[-1][1]["mat1"] == "0"
    assert float(play.orders[-1][1]["mat2"]) > 0
    left, right = play.controller.decision.bays
    assert left.reason.code == "fault"
    assert right.reason.code == "full"
    monkeypatch.undo()
    play.play(0.1)
    assert float(play.orders[-1][1]["mat1"]) > 0


@pytest.mark.parametrize("method", ["poll", "send", "health"])
def test_fault_in_one_link_leaves_the_bench_on_the_other_warm(played, bench_text, method):
    play = played(bench_text(more=SECOND_LINK), start="2026-02-10T08:00", weather="frost")
    play.play(0.5)

    def broken(*_args, **_more):
        raise OSError("a bug in one link")

    setattr(play.links["other"], method, broken)
    play.play(0.5)
    assert play.rig.boards["board"].relay_on("mat1")
    assert play.controller.decision.bays[0].mode == "normal"


def test_fault_in_the_decision_orders_everything_off_and_control_comes_back(played, monkeypatch):
    play = played(start="2026-02-10T08:00", weather="frost")
    play.play(0.5)
    assert play.rig.boards["board"].relay_on("mat1")

    def broken(*_args, **_more):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr("controller.loop.step", broken)
    play.ask(ActKind.BURST, "north", span_s=5.0)
    assert play.orders[-1][1] == {"mat1": "0", "mist": "0"}
    play.play(0.1)
    assert not play.rig.boards["board"].relay_on("mat1")
    monkeypatch.undo()
    play.play(0.2)
    assert play.rig.boards["board"].relay_on("mat1")
    play.saved()
    assert ("decision", "ZeroDivisionError: a bug") in events(play, "fault")
    with open_reader(play.journal_path) as reader:
        done = reader.query("SELECT status, answer FROM act")
    assert done == [("refused", "not done: a fault in the program")]


def test_batch_with_a_spoilt_recipe_holds_up_no_other(played):
    play = played(start="2026-02-10T08:00", weather="frost")
    good, bad = play.stick(), play.stick()
    play.play(0.2)
    # As a damaged page would leave it: the journal itself lets nobody change a frozen recipe.
    with sqlite3.connect(play.journal_path) as spoiler:
        for (name,) in spoiler.execute(TRIGGERS).fetchall():
            spoiler.execute(f"DROP TRIGGER {name}")
        spoiler.execute("UPDATE batch SET recipe_json = '{\"x\": 1}' WHERE number = ?", (bad,))
    play.play(0.2)
    assert [batch.number for batch in play.controller.batches] == [good]
    play.stop()
    play.start()
    play.play(0.2)
    assert play.controller.decision.bays[0].target_c == 22.0
    assert play.rig.boards["board"].relay_on("mat1")
    play.saved()
    assert f"batch {bad}" in {place for place, _ in events(play, "fault")}


def test_journal_that_cannot_be_opened_does_not_stop_control_and_loses_nothing(
    played, eventually, tmp_path
):
    blocked = tmp_path / "flow0.db"
    blocked.mkdir()
    play = played(start="2026-02-10T08:00", weather="frost", threaded=True)
    slowest_s = 0.0
    for _ in range(120):
        begun_s = time.monotonic()
        play.step()
        slowest_s = max(slowest_s, time.monotonic() - begun_s)
    assert slowest_s < 2.0, "SQLite itself would wait for 5 s"
    assert play.rig.boards["board"].relay_on("mat1")
    # The worker tries in real time, which goes on beside the clock of the play.
    eventually(lambda: not play.controller.recorder.health().ok)

    def raised():
        play.step()
        return play.alarm("journal_failing", "site") == "UNACK"

    eventually(raised)
    # While the worker tries, the rows are in its hands.
    eventually(lambda: play.controller.recorder.health().buffered_rows > 100)
    blocked.rmdir()
    play.play(0.05)
    eventually(lambda: play.controller.recorder.health().ok, 10.0)
    with open_reader(blocked) as reader:
        base = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
        assert len(base.t_s) >= 20
        assert set(base.t_s[1:] - base.t_s[:-1]) == {60}
        assert reader.runs()


def test_journal_locked_by_another_program_does_not_delay_a_tick(played, eventually):
    play = played(start="2026-02-10T08:00", weather="frost", threaded=True)
    play.play(0.1)
    thief = sqlite3.connect(play.journal_path, isolation_level=None)
    thief.execute("BEGIN IMMEDIATE")
    slowest_s = 0.0
    for _ in range(60):
        begun_s = time.monotonic()
        play.step()
        slowest_s = max(slowest_s, time.monotonic() - begun_s)
    assert slowest_s < 2.0, "SQLite itself would wait for 5 s"
    assert play.rig.boards["board"].relay_on("mat1")
    thief.execute("ROLLBACK")
    thief.close()

    def stored():
        with open_reader(play.journal_path) as reader:
            return len(reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"].t_s)

    play.play(0.05)
    eventually(lambda: play.controller.recorder.health().ok and stored() >= 17, 15.0)


def test_full_disk_does_not_stop_control_and_rows_go_in_when_there_is_room(played):
    play = played(start="2026-02-10T08:00", weather="frost")
    play.play(1.0)
    play.saved()
    conn = play.controller.recorder._journal._db.conn
    pages = conn.execute("PRAGMA page_count").fetchone()[0]
    conn.execute(f"PRAGMA max_page_count = {pages}")
    play.play(5.0)
    health = play.controller.recorder.health()
    assert "the disk is full" in health.why
    assert play.alarm("journal_failing", "site") == "UNACK"
    assert play.rig.boards["board"].relay_on("mat1")
    conn.execute("PRAGMA max_page_count = 1000000")
    play.play(0.1)
    play.saved()
    assert play.controller.recorder.health().ok
    with open_reader(play.journal_path) as reader:
        base = reader.minutes(["north.left.base1"], 0, 4e9)["north.left.base1"]
    assert set(base.t_s[1:] - base.t_s[:-1]) == {60}
    assert len(base.t_s) >= 365
