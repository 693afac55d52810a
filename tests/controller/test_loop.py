"""The loop: off first and last, faults survived, gaps and clock steps noted, stages counted."""

import json
import logging
from itertools import pairwise

import pytest

from controller.journal.reader import open_reader
from controller.loop import Progress
from controller.records import Act, ActKind

OFF = {"mat1": "0", "mist": "0"}


def told(made, kind):
    made.controller.recorder.flush()
    with open_reader(made.journal) as reader:
        return [(event.place, event.text) for event in reader.events() if event.kind == kind]


def test_everything_is_ordered_off_before_anything_is_decided_and_at_the_end(bench):
    made = bench()
    made.controller.start()
    assert made.orders == [OFF]
    made.tick(3)
    assert float(made.orders[-1]["mat1"]) > 0
    made.controller.stop("enough")
    assert made.orders[-1] == OFF
    sent = len(made.orders)
    made.controller.stop("enough")
    assert len(made.orders) == sent, "the wire is closed"


def test_with_block_stops_in_good_order_and_says_why(bench):
    made = bench()
    with pytest.raises(KeyError), made.controller:
        made.controller.links.pop("nobody")
    assert made.orders[-1] == OFF
    with open_reader(made.journal) as reader:
        assert [run.reason for run in reader.runs()] == ["stopped by <class 'KeyError'>"]


def test_every_tick_orders_every_relay(bench):
    made = bench()
    with made.controller:
        made.tick(20)
        assert all(fields.keys() == OFF.keys() for fields in made.orders)
        assert len(made.orders) == 1 + 20


def test_tick_before_start_is_refused(bench):
    made = bench()
    with pytest.raises(RuntimeError, match="before start"):
        made.controller.tick()


@pytest.mark.parametrize(
    ("earlier", "later", "beyond"),
    [
        (Progress(1, 1, 1, 1), Progress(2, 2, 2, 2), True),
        (Progress(1, 1, 1, 1), Progress(1, 2, 2, 2), False),
        (Progress(1, 1, 1, 1), Progress(2, 1, 2, 2), False),
        (Progress(1, 1, 1, 1), Progress(2, 2, 1, 2), False),
        (Progress(1, 1, 1, 1), Progress(2, 2, 2, 1), False),
    ],
)
def test_progress_is_only_beyond_when_every_stage_has_moved(earlier, later, beyond):
    assert later.all_beyond(earlier) is beyond


def test_all_stages_count(bench):
    made = bench()
    with made.controller:
        made.tick(7)
        before = made.controller.progress
        made.tick(7)
        assert made.controller.progress.all_beyond(before)
        assert made.controller.progress.decided == 14


def test_gap_is_told_and_the_relays_are_not_counted_over_it(bench):
    made = bench()
    with made.controller:
        made.tick(6)
        made.clock.advance(3600.0)
        made.tick(6)
        ((place, text),) = told(made, "gap")
        assert (place, text[:21]) == ("site", "no control for 3610 s")
        with open_reader(made.journal) as reader:
            on_s, starts = reader.relay_sums(["north.left.mat"], 0, 4e9)["north.left.mat"]
        assert on_s <= 120.0
        assert starts <= 2


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_clock_step_is_told_and_control_does_not_notice(bench, step_s):
    made = bench()
    with made.controller:
        made.tick(12)
        before = made.controller.state.bays["north", "left"].duty
        made.clock.step_utc(step_s)
        made.tick(1)
        assert made.controller.state.bays["north", "left"].duty == before
        assert made.controller.service["clock_step_s"] == step_s
        ((_, text),) = told(made, "clock_step")
        assert f"{step_s:+.0f} s" in text
        assert told(made, "gap") == []


def test_small_drift_of_the_wall_clock_is_no_step(bench):
    made = bench()
    with made.controller:
        for _ in range(10):
            made.clock.step_utc(30.0)
            made.tick()
        assert told(made, "clock_step") == []


def test_same_fault_is_logged_once_a_minute_and_kept(bench, monkeypatch, caplog):
    made = bench()
    with made.controller:
        made.tick(7)

        def broken(*_args, **_more):
            raise ZeroDivisionError("a bug")

        monkeypatch.setattr("controller.loop.step", broken)
        with caplog.at_level(logging.ERROR, "controller.loop"):
            made.tick(18)
        assert 3 <= len(caplog.records) <= 4
        assert made.orders[-1] == OFF
        assert ("decision", "ZeroDivisionError: a bug") in told(made, "fault")


@pytest.mark.parametrize(
    "part",
    [
        "controller.loop.dump",
        "controller.loop.build_aims",
        "controller.warmths.WarmthBook.add",
        "controller.minutes.MinuteBook.close",
        "controller.minutes.MinuteBook.sample",
    ],
)
def test_fault_in_the_books_stops_neither_heat_nor_a_good_end(bench, monkeypatch, part):
    made = bench()
    with made.controller:
        made.tick(2)

        def broken(*_args, **_more):
            raise ZeroDivisionError("a bug")

        monkeypatch.setattr(part, broken)
        made.tick(100)
        assert float(made.orders[-1]["mat1"]) > 0
        assert told(made, "fault")
    assert made.orders[-1] == OFF


def test_reason_is_kept_when_it_changes_and_not_at_every_tick(bench):
    made = bench()
    with made.controller:
        made.tick(30)
        made.values["base1"] = "19.80"
        made.tick(60)
        made.controller.recorder.flush()
        with open_reader(made.journal) as reader:
            codes = [row.code for row in reader.reasons("north.left")]
    assert codes[0] in ("full", "lost")
    assert "full" in codes
    assert len(codes) <= 6
    assert all(a != b for a, b in pairwise(codes))


def test_act_is_taken_once_and_answered(bench):
    made = bench()
    with made.controller:
        made.tick()
        act = Act(ActKind.HOLD_HEAT, "north.left", "Aoife", span_s=600.0, value="off")
        made.controller.ask(act)
        made.tick()
        assert [done.done for done in made.controller.decision.acts] == [True]
        assert made.orders[-1]["mat1"] == "0"
        made.tick()
        assert made.controller.decision.acts == ()


def test_state_is_saved_as_plain_json(bench):
    made = bench()
    with made.controller:
        made.tick(40)
    with open_reader(made.journal) as reader:
        saved = reader.last_state()
    assert json.loads(saved.json)["version"] == 1
    assert "NaN" not in saved.json
