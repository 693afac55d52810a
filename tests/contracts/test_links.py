"""What every link promises, whatever the wire.

`any_end` is a link of any kind; `far_end` one whose far end speaks by itself and counts its
messages. The units on a Modbus line speak only when asked.
"""

import time
from collections.abc import Callable
from typing import Any

import pytest

from sensors.messages import HELLO, NO_SEQ, ORDER, PROBE, RELAY, Arrival, Message

pytestmark = pytest.mark.usefixtures("no_thread_left")

Eventually = Callable[..., None]


def probe(seq: int, **fields: str) -> Message:
    return Message(PROBE, seq, fields or {"base1": "20.12"})


def poll_for(far_end: Any, count: int, within_s: float = 5.0) -> list[Arrival]:
    """Poll until so many messages came, or time is up."""
    got: list[Arrival] = []
    deadline = time.monotonic() + within_s
    while len(got) < count and time.monotonic() < deadline:
        got += far_end.link.poll()
        time.sleep(0.002)
    return got


def say_until_heard(far_end: Any, message: Message) -> list[Arrival]:
    """Say one message and return all that came up to it."""
    far_end.say(message)
    got: list[Arrival] = []
    deadline = time.monotonic() + 5
    while not any(is_that(arrival.message, message) for arrival in got):
        assert time.monotonic() < deadline, f"{message} never came"
        got += far_end.link.poll()
        time.sleep(0.002)
    return got


def is_that(message: Message, said: Message) -> bool:
    """Whether it is what was said; units that are asked count no messages."""
    return message == said or message == said._replace(seq=NO_SEQ)


def order_until_heard(far_end: Any, message: Message, eventually: Eventually) -> None:
    assert far_end.link.send(message, far_end.node)
    eventually(lambda: far_end.took(message))


def test_what_a_board_says_arrives_as_it_was_said(far_end: Any) -> None:
    said = [
        Message(HELLO, 0, {"id": "b1", "fw": "1.0", "up": "3", "ch": "mat1,mist"}),
        probe(1, base1="20.10", air="-3.5", rh="007"),
        Message(RELAY, 2, {"mat1": "1/28", "mist": "0/0"}),
    ]
    for message in said:
        far_end.say(message)
    got = poll_for(far_end, 3)
    assert [arrival.message for arrival in got] == said
    assert {arrival.node for arrival in got} == {far_end.node}
    assert not any(arrival.retained for arrival in got)
    assert far_end.link.health().heard == 3


def test_arrivals_are_stamped_when_they_come_not_when_polled(far_end: Any) -> None:
    clock = time.clock_gettime
    before = clock(time.CLOCK_BOOTTIME)
    far_end.say(probe(1))
    time.sleep(0.1)
    between = clock(time.CLOCK_BOOTTIME)
    time.sleep(0.1)
    (arrival,) = poll_for(far_end, 1)
    assert before <= arrival.mono_s <= between


def test_an_order_reaches_the_board(any_end: Any, eventually: Eventually) -> None:
    order_until_heard(any_end, Message(ORDER, 88, {"mat1": "30", "mist": "0"}), eventually)


def test_order_is_kept_both_ways(far_end: Any, eventually: Eventually) -> None:
    for seq in range(30):
        far_end.say(probe(seq))
        assert far_end.link.send(Message(ORDER, seq, {"mat1": "30"}), far_end.node)
    assert [arrival.message.seq for arrival in poll_for(far_end, 30)] == list(range(30))
    eventually(lambda: far_end.heard and far_end.heard[-1].seq == 29)
    assert [message.seq for message in far_end.heard] == list(range(30))


def test_repeats_and_late_messages_are_dropped(far_end: Any) -> None:
    for seq in (5, 6, 6, 4, 7):
        far_end.say(probe(seq))
    got = say_until_heard(far_end, probe(8))
    assert [arrival.message.seq for arrival in got] == [5, 6, 7, 8]
    assert far_end.link.health().rejected == 2


def test_sequence_runs_over_its_end(far_end: Any) -> None:
    for seq in (65534, 65535, 0):
        far_end.say(probe(seq))
    got = say_until_heard(far_end, probe(1))
    assert [arrival.message.seq for arrival in got] == [65534, 65535, 0, 1]


def test_a_restarted_board_is_heard_at_once(far_end: Any) -> None:
    far_end.say(probe(30))
    hello = Message(HELLO, 0, {"id": "b1", "up": "0"})
    say_until_heard(far_end, hello)
    assert [a.message.seq for a in say_until_heard(far_end, probe(1))] == [1]


def test_garbage_is_refused_and_the_next_message_is_read(far_end: Any) -> None:
    far_end.say(probe(1))
    far_end.say_raw(b"\xff\x00probe 2 base1=99.9 *00\n")
    far_end.say_raw(b"probe 3 base1=99.9 *00\n")
    got = say_until_heard(far_end, probe(4))
    assert [arrival.message.seq for arrival in got] == [1, 4]
    assert far_end.link.health().rejected == 2


def test_half_a_message_at_an_unplug_never_parses(far_end: Any, eventually: Eventually) -> None:
    far_end.say_raw(b"probe 3 base1=21." if far_end.carries_text else b'{"seq":3,"values":{"ba')
    time.sleep(0.05)
    far_end.unplug()
    eventually(lambda: not far_end.link.health().up)
    far_end.plug_in()
    eventually(lambda: far_end.link.health().up)
    far_end.say_raw(b"5 *FD\n" if far_end.carries_text else b"5")
    got = say_until_heard(far_end, probe(4))
    assert [arrival.message for arrival in got] == [probe(4)]


def test_an_unplugged_wire_says_so_and_comes_back_by_itself(
    any_end: Any, eventually: Eventually
) -> None:
    say_until_heard(any_end, probe(1))
    order_until_heard(any_end, Message(ORDER, 1, {"mat1": "30"}), eventually)
    any_end.unplug()
    eventually(lambda: not any_end.link.health().up)
    assert any_end.link.health().why
    assert not any_end.link.send(Message(ORDER, 2, {"mat1": "30"}), any_end.node)
    any_end.link.poll()  # what came before
    assert any_end.link.poll() == []
    any_end.plug_in()
    eventually(lambda: any_end.link.health().up)
    assert any_end.link.health().why == ""
    assert any_end.link.health().reopened >= 1
    say_until_heard(any_end, probe(2))
    order_until_heard(any_end, Message(ORDER, 3, {"mat1": "0"}), eventually)
    assert 2 not in [message.seq for message in any_end.heard]


def test_messages_that_no_wire_can_carry_are_not_taken(any_end: Any) -> None:
    for fields in ({"mat 1": "30"}, {"mat1": "3 0"}, {"mat1": ""}, {"mät": "1"}, {"m\n": "1"}):
        assert not any_end.link.send(Message(ORDER, 1, fields), any_end.node)
    assert not any_end.link.send(Message(ORDER, 65536, {"mat1": "30"}), any_end.node)
    assert not any_end.link.send(Message("sing", 1, {"mat1": "30"}), any_end.node)


def test_a_stopped_link_stays_quiet_and_can_be_stopped_again(any_end: Any) -> None:
    any_end.link.stop()
    any_end.link.stop()
    any_end.link.poll()  # what came before
    time.sleep(0.1)
    assert any_end.link.poll() == []
    assert not any_end.link.send(Message(ORDER, 1, {"mat1": "30"}), any_end.node)
    health = any_end.link.health()
    assert (health.up, health.why) == (False, "stopped")


def test_the_last_orders_go_out_before_a_stop(any_end: Any, eventually: Eventually) -> None:
    off = Message(ORDER, 9, {"mat1": "0", "mist": "0"})
    assert any_end.link.send(off, any_end.node)
    any_end.link.stop()
    eventually(lambda: any_end.took(off))


def test_a_flood_keeps_the_newest_and_counts_the_rest(far_end: Any, eventually: Eventually) -> None:
    length = far_end.queue
    for seq in range(length + 200):
        far_end.say(probe(seq))
    eventually(lambda: far_end.link.health().dropped >= 200)
    got = far_end.link.poll()
    assert [arrival.message.seq for arrival in got] == list(range(200, length + 200))
    assert far_end.link.health().dropped == 200
