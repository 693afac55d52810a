"""Queues and sequences, with times given by hand."""

import pytest

from sensors.lines import LineError
from sensors.links.addresses import Switch
from sensors.links.inbox import Inbox, SequenceFilter, WireState
from sensors.links.outbox import Outbox
from sensors.links.switches import Switches
from sensors.messages import HELLO, NO_SEQ, PROBE, RELAY, Message


def taken(filter_: SequenceFilter, *said: tuple[float, int], node: str = "") -> list[int]:
    return [seq for at, seq in said if filter_.accept(Message(PROBE, seq, {}), at, node)]


def test_a_full_inbox_drops_the_oldest_and_counts() -> None:
    inbox: Inbox[int] = Inbox(3)
    for item in range(5):
        inbox.put(item)
    assert inbox.take() == [2, 3, 4]
    assert inbox.dropped == 2
    assert inbox.take() == []


def test_lost_messages_are_no_reason_to_refuse_later_ones() -> None:
    assert taken(SequenceFilter(), (0, 1), (10, 9), (20, 30000)) == [1, 9, 30000]


def test_a_board_restarted_long_after_is_heard_at_once() -> None:
    assert taken(SequenceFilter(), (0, 500), (10, 0), (20, 1)) == [500, 0, 1]


def test_a_board_restarted_soon_without_hello_is_heard_after_three_messages() -> None:
    said = [(0.0, 30), (10.0, 0), (20.0, 1), (30.0, 2), (40.0, 3)]
    assert taken(SequenceFilter(), *said) == [30, 2, 3]


def test_a_burst_of_old_messages_is_no_restart() -> None:
    said = [(0.0, 30), (1.0, 27), (1.1, 28), (1.2, 29), (1.3, 30), (10.0, 31)]
    assert taken(SequenceFilter(), *said) == [30, 31]


def test_one_message_repeated_for_ever_is_never_a_restart() -> None:
    said = [(10.0 * n, 30) for n in range(100)] + [(10.0 * n, 29) for n in range(100)]
    assert taken(SequenceFilter(), *said) == [30]


def test_hello_forgets_only_its_own_node() -> None:
    sequences = SequenceFilter()
    assert taken(sequences, (0, 5), node="a") == [5]
    assert taken(sequences, (0, 5), node="b") == [5]
    assert sequences.accept(Message(HELLO, 0, {}), 1.0, "a")
    assert taken(sequences, (2, 1), node="a") == [1]
    assert taken(sequences, (2, 1), node="b") == []


def test_each_word_is_counted_for_itself_and_uncounted_devices_always_pass() -> None:
    sequences = SequenceFilter()
    assert taken(sequences, (0, 5)) == [5]
    assert sequences.accept(Message(RELAY, 5, {}), 0.0)
    assert [sequences.accept(Message(PROBE, NO_SEQ, {}), 0.0) for _ in range(2)] == [True, True]


def test_what_waited_too_long_is_never_sent() -> None:
    outbox: Outbox[str] = Outbox(3)
    for at, item in ((0.0, "old"), (8.5, "a"), (9.0, "b"), (9.5, "c")):
        outbox.put(item, at)
    assert outbox.take(10.8) == ["b", "c"]
    assert len(outbox) == 0


def test_a_wire_tells_since_when_it_is_down() -> None:
    state = WireState("not started", 0.0)
    state.set_down("not there", 5.0)
    assert state.now == (False, "not there", 0.0)
    state.set_open(6.0)
    assert state.now == (True, "", 6.0)
    assert state.reopened == 0
    state.set_down("gone", 9.0)
    state.set_open(11.0)
    assert state.now == (True, "", 11.0)
    assert state.reopened == 1


PLUGS = {"plug": Switch("plug/set", "ON", "OFF")}


def test_a_switch_is_told_changes_at_once_and_the_same_every_ten_seconds() -> None:
    switches = Switches(PLUGS)
    said = [len(switches.order({"plug": "30"}, float(at))) for at in range(0, 24, 2)]
    assert said == [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0]
    assert switches.order({"plug": "0"}, 23.0) == [("plug/set", "OFF", 0.0)]
    assert switches.order({"plug": "0"}, 32.9) == []
    assert switches.order({"plug": "0"}, 33.0) == [("plug/set", "OFF", 0.0)]


def test_a_switch_goes_off_when_its_lease_is_not_renewed() -> None:
    switches = Switches(PLUGS)
    switches.order({"plug": "30"}, 0.0)
    switches.order({"plug": "30"}, 8.0)
    assert switches.expire(37.9) == []
    assert switches.expire(38.0) == [("plug/set", "OFF")]
    assert switches.expire(99.0) == []
    assert switches.order({"plug": "30"}, 100.0) == [("plug/set", "ON", 30.0)]


def test_an_order_that_is_no_number_switches_nothing() -> None:
    with pytest.raises(LineError):
        Switches(PLUGS).order({"plug": "nan"}, 0.0)
