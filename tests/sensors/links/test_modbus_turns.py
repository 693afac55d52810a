"""Who is asked when on a Modbus line, with a line whose time is counted and not waited for."""

from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.modbus import ModbusPoint, ModbusReport, ModbusSwitch
from sensors.links.modbus_frames import Answer, Ask
from sensors.links.modbus_map import Contact, ModbusMap, Place
from sensors.links.modbus_state import Turn
from sensors.links.modbus_turns import REPEAT_S, REPORT_S, SILENT_SHARE, Turns

ANSWER_S = 0.3
ASK_S = 0.03
"""One ask of a unit that answers: 24 characters at 9600 baud."""


def place(unit: int, every_s: float = 10.0, address: int = 0) -> Place:
    point = ModbusPoint(unit=unit, table="input_register", address=address)
    return Place(f"p{unit}.{address}", f"unit{unit}", point, every_s)


def contact(unit: int, address: int = 0, report: ModbusReport | None = None) -> Contact:
    switch = ModbusSwitch(unit=unit, address=address, report=report)
    return Contact(f"r{unit}.{address}", f"unit{unit}.{address}", switch)


class Bus:
    """Plays the line's thread. dead: what is not answered.  log: (began, turn, answered)."""

    def __init__(self, *wired: Place | Contact) -> None:
        probes = tuple(one for one in wired if isinstance(one, Place))
        relays = tuple(one for one in wired if isinstance(one, Contact))
        self.turns = Turns(ModbusMap(probes, relays), ANSWER_S)
        self.now_s = 1000.0
        self.dead: Callable[[Ask], bool] = lambda _ask: False
        self.refuse: Callable[[Ask], int] = lambda _ask: 0
        self.log: list[tuple[float, Turn, bool]] = []
        self.turns.begin(self.now_s)

    def play(self, span_s: float, act: Callable[[float], None] = lambda _: None) -> None:
        """act: the loop, called each second with the time."""
        ends_s, tick_s = self.now_s + span_s, self.now_s
        while self.now_s < ends_s:
            while tick_s <= self.now_s:
                act(tick_s)
                tick_s += 1.0
            turn = self.turns.next(self.now_s)
            if turn is None:
                due_s = self.turns.next_s(self.now_s)
                assert due_s > self.now_s
                self.now_s = min(due_s, tick_s, ends_s)
                continue
            began_s = self.now_s
            answered = not self.dead(turn.ask)
            self.now_s += ASK_S if answered else ANSWER_S
            refused = self.refuse(turn.ask)
            answer = Answer(() if refused else (turn.ask.value,), refused) if answered else None
            self.turns.done(turn, answer, self.now_s)
            self.log.append((began_s, turn, answered))

    def order(self, relay: Contact, lease_s: float) -> bool:
        return self.turns.order(relay.node, {relay.key: lease_s}, self.now_s)

    def heard(self, of: Place) -> list[float]:
        return [at_s for at_s, turn, answered in self.log if turn.of is of and answered]

    def written(self, of: Contact) -> list[bool]:
        return [t.on for _, t, ok in self.log if t.of is of and t.ask.write and ok]


def dead_units(*units: int) -> Callable[[Ask], bool]:
    return lambda ask: ask.unit in units


def test_each_probe_is_read_on_its_own_beat() -> None:
    quick, slow = place(1, 2.0), place(2, 10.0)
    bus = Bus(quick, slow)
    bus.play(60.5)
    assert [len(bus.heard(one)) for one in (quick, slow)] == [31, 7]
    gaps = [b - a for a, b in pairwise(bus.heard(quick))]
    assert max(gaps) < 2.0 + 2 * ASK_S
    assert min(gaps) > 2.0 - 2 * ASK_S


def test_dead_units_leave_the_live_ones_their_period() -> None:
    """Three dead of six: each wait for one costs ten live readings' time, yet none comes late."""
    live = [place(unit, 2.0) for unit in (1, 2, 3)]
    bus = Bus(*live, *(place(unit, 2.0) for unit in (7, 8, 9)))
    bus.dead = dead_units(7, 8, 9)
    bus.play(30.0)  # the first misses
    bus.log.clear()
    bus.play(600.0)
    for one in live:
        gaps = [b - a for a, b in pairwise(bus.heard(one))]
        assert len(gaps) >= 298
        assert max(gaps) < 2.0 + ANSWER_S + 4 * ASK_S
    wasted_s = ANSWER_S * sum(not answered for _, _, answered in bus.log)
    assert wasted_s < 600.0 * SILENT_SHARE / 3  # backed off to a try a minute each
    assert wasted_s > 0


def test_many_dead_relay_boards_take_no_more_than_their_share() -> None:
    """A relay board that is silent is tried at least every five seconds, if the line has time."""
    live = place(1, 1.0)
    bus = Bus(live, *(contact(unit) for unit in range(10, 30)))
    bus.dead = dead_units(*range(10, 30))
    bus.play(60.0)
    bus.log.clear()
    bus.play(300.0)
    wasted_s = ANSWER_S * sum(not answered for _, _, answered in bus.log)
    assert wasted_s <= 300.0 * SILENT_SHARE + ANSWER_S
    assert len(bus.heard(live)) >= 299


def test_an_order_waits_for_no_more_than_the_ask_under_way() -> None:
    mat, mist = contact(2), contact(2, 1)
    bus = Bus(*(place(unit, 1.0) for unit in range(1, 9)), mat, mist)
    bus.dead = dead_units(6, 7, 8)
    bus.play(40.0)
    given: list[float] = []

    def act(at_s: float) -> None:
        on = int(at_s) % 4 < 2
        if on is not (int(at_s - 1) % 4 < 2):
            given.append(bus.now_s)
        assert bus.order(mat, 20.0 if on else 0.0)

    bus.log.clear()
    bus.play(400.0, act)
    done = [
        (at_s, turn.on) for at_s, turn, ok in bus.log if turn.of is mat and turn.ask.write and ok
    ]
    changes = [(at_s, on) for (_, was), (at_s, on) in pairwise(done) if was is not on]
    assert len(changes) >= len(given) - 2 >= 150
    # An order is given between two asks here, so the wait for one that misses does not count.
    for at_s, _ in changes:
        assert min(abs(at_s - one) for one in given) < ASK_S


def test_nothing_goes_on_before_it_was_switched_off_and_answered() -> None:
    mat = contact(2)
    bus = Bus(mat)
    assert not bus.order(mat, 30.0)
    bus.play(0.01)
    assert bus.written(mat) == [False]
    assert bus.order(mat, 30.0)
    bus.play(0.1)
    assert bus.written(mat) == [False, True]


def test_a_relay_goes_off_when_its_order_is_not_renewed() -> None:
    mat = contact(2)
    bus = Bus(mat)
    bus.play(1.0)
    ordered_s = bus.now_s
    assert bus.order(mat, 5.0)
    bus.play(30.0)
    offs = [at for at, turn, _ in bus.log if turn.ask.write and not turn.on and at > ordered_s]
    assert offs[0] == pytest.approx(ordered_s + 5.0, abs=ASK_S)


def test_a_relay_is_told_again_for_units_that_switch_off_by_themselves() -> None:
    mat = contact(2)
    bus = Bus(mat)
    bus.play(1.0)
    bus.log.clear()
    bus.play(65.0, lambda _: bus.order(mat, 20.0) or None)
    ons = [at_s for at_s, turn, _ in bus.log if turn.on]
    assert max(b - a for a, b in pairwise(ons)) < REPEAT_S + 2 * ASK_S
    assert len(ons) == 7


def test_every_relay_is_read_back_and_at_once_after_a_change() -> None:
    report = ModbusReport(unit=5, table="discrete_input", address=3)
    mat = contact(2, report=report)
    bus = Bus(mat)
    bus.play(21.0)
    reads = [at_s for at_s, turn, _ in bus.log if not turn.ask.write]
    assert {turn.ask for _, turn, _ in bus.log if not turn.ask.write} == {
        Ask(5, "discrete_input", 3, 1)
    }
    assert max(b - a for a, b in pairwise(reads)) < REPORT_S + 2 * ASK_S
    assert bus.order(mat, 20.0)
    bus.log.clear()
    bus.play(0.1)
    assert [turn.ask.write for _, turn, _ in bus.log] == [True, False]


def test_a_relay_board_that_was_away_is_switched_off_before_it_is_ordered_again() -> None:
    mat, mist = contact(2), contact(2, 1)
    bus = Bus(mat, mist)
    bus.play(1.0)
    bus.order(mat, 60.0)
    bus.play(1.0)
    bus.dead = dead_units(2)
    refused: list[bool] = []
    bus.play(30.0, lambda _: refused.append(not bus.order(mat, 60.0)))
    assert refused[-10:] == [True] * 10
    assert list(bus.turns.silent()) == [2]
    assert bus.turns.all_silent
    bus.dead = dead_units()
    bus.log.clear()
    bus.play(6.0)  # it is looked for at least every five seconds
    for relay in (mat, mist):
        assert set(bus.written(relay)) == {False}
        assert bus.order(relay, 30.0)
    assert not bus.turns.silent()


def test_an_answer_lost_once_is_no_silence() -> None:
    mat, probe = contact(2), place(1)
    bus = Bus(mat, probe)
    bus.play(1.0)
    lost = [True]
    bus.dead = lambda ask: ask.write and bool(lost) and lost.pop()
    assert bus.order(mat, 20.0)
    bus.play(1.5)
    assert bus.written(mat)[-1] is True
    assert not bus.turns.silent()


def test_a_write_whose_answer_was_lost_is_taken_back_too() -> None:
    """Perhaps the relay closed and only the answer was lost: "off" must go out all the same."""
    mat = contact(2)
    bus = Bus(mat)
    bus.play(1.0)
    bus.order(mat, 20.0)
    bus.dead = lambda ask: ask.write
    bus.play(0.2)
    bus.dead = dead_units()
    assert bus.order(mat, 0.0)
    bus.log.clear()
    bus.play(1.0)
    assert bus.written(mat) == [False]


def test_one_place_without_answer_costs_the_line_little() -> None:
    """Some units say nothing at all, in place of an exception, when they have no such register."""
    good, bad = place(1, 1.0), place(1, 1.0, address=9)
    bus = Bus(good, bad)
    bus.dead = lambda ask: ask.address == 9
    bus.play(300.0)
    wasted_s = ANSWER_S * sum(not answered for _, _, answered in bus.log)
    assert wasted_s < 6.0
    assert len(bus.heard(good)) > 290
    assert not bus.turns.silent()


def test_a_relay_that_never_answers_leaves_its_neighbour_alone() -> None:
    """A wrong address must not make the mat beside it blink, nor take the line's time."""
    mat, lost = contact(2), contact(2, 9)
    bus = Bus(mat, lost, place(2, 2.0))
    bus.dead = lambda ask: ask.address == 9
    bus.play(1.0)
    taken: list[tuple[bool, bool]] = []
    bus.log.clear()

    def act(_: float) -> None:
        taken.append((bus.order(mat, 20.0), bus.order(lost, 20.0)))
        assert not bus.turns.silent()

    bus.play(60.0, act)
    assert set(taken) == {(True, False)}
    assert set(bus.written(mat)) == {True}
    assert sum(not answered for _, _, answered in bus.log) < 30


def test_a_relay_that_answers_no_more_takes_no_order_and_comes_back_off() -> None:
    """Its unit answers all the while, at its other addresses."""
    mat, lost = contact(2), contact(2, 9)
    bus = Bus(mat, lost, place(2, 2.0))
    bus.play(1.0)
    assert bus.order(lost, 120.0)
    bus.play(1.0)
    bus.dead = lambda ask: ask.address == 9
    bus.play(2 * REPEAT_S)
    assert not bus.turns.silent()
    assert not bus.order(lost, 120.0)
    bus.dead = dead_units()
    bus.play(REPEAT_S)
    assert bus.written(lost)[-1] is False
    assert bus.order(lost, 120.0)


def test_an_order_to_a_unit_that_answers_goes_before_one_to_a_unit_that_did_not() -> None:
    doubtful, sure = contact(2), contact(3)
    bus = Bus(doubtful, sure)
    bus.play(1.0)
    bus.dead = dead_units(2)
    bus.order(doubtful, 20.0)
    bus.play(0.01)
    bus.now_s += 10 * ANSWER_S
    bus.order(sure, 20.0)
    turn = bus.turns.next(bus.now_s)
    assert turn is not None
    assert turn.of is sure


def test_off_goes_before_on() -> None:
    first, second = contact(2), contact(3)
    bus = Bus(first, second)
    bus.play(1.0)
    bus.order(second, 20.0)
    bus.play(1.0)
    bus.order(first, 20.0)
    bus.order(second, 0.0)
    bus.log.clear()
    bus.play(0.1)
    assert [(turn.of, turn.on) for _, turn, _ in bus.log if turn.ask.write] == [
        (second, False),
        (first, True),
    ]


def test_no_relay_of_a_silent_unit_takes_an_order() -> None:
    mat, mist = contact(2), contact(2, 1)
    bus = Bus(mat, mist, place(2, 1.0))
    bus.play(1.0)
    bus.dead = dead_units(2)
    while not bus.turns.silent():
        bus.play(0.1)
    assert not bus.order(mist, 5.0)
    assert not bus.order(mat, 5.0)


def test_a_busy_unit_is_told_again_soon_and_a_refusing_one_seldom() -> None:
    mat = contact(2)
    for code, times in ((6, 30), (2, 3)):
        bus = Bus(mat)
        bus.refuse = lambda ask, code=code: code if ask.write else 0
        bus.play(29.0)
        assert len(bus.written(mat)) == pytest.approx(times, abs=2)
        assert not bus.order(mat, 20.0)


def test_after_a_miss_the_same_unit_is_left_alone_for_as_long_as_an_answer_may_take() -> None:
    """Else its late answer would be taken for that to the next ask, and a value for another."""
    bus = Bus(place(1, 1.0), place(1, 1.0, address=1), place(2, 1.0))
    bus.dead = lambda ask: ask.unit == 1 and int(bus.now_s) % 7 == 0
    bus.play(120.0)
    mine = [(at_s, ok) for at_s, turn, ok in bus.log if turn.ask.unit == 1]
    for (missed_s, ok), (next_s, _) in pairwise(mine):
        if not ok:
            assert next_s - missed_s >= 2 * ANSWER_S - 1e-9


def test_an_off_that_is_refused_is_told_again_within_a_second() -> None:
    """The relay is on all that time; an "on" that is refused does no harm."""
    mat = contact(2)
    bus = Bus(mat)
    bus.play(1.0)
    assert bus.order(mat, 5.0)
    bus.play(1.0)
    bus.refuse = lambda ask: 4 if ask.write else 0
    bus.order(mat, 0.0)
    began_s = bus.now_s
    bus.play(8.0)
    tries = [at_s for at_s, turn, _ in bus.log if turn.ask.write and at_s >= began_s]
    assert max(later - at_s for at_s, later in pairwise(tries)) < 1.2
    bus.refuse = lambda _ask: 0
    bus.play(1.2)
    bus.play(REPEAT_S / 2)
    assert len([at_s for at_s, turn, _ in bus.log if turn.ask.write]) == len(tries) + 3


def test_at_the_end_relays_that_hear_come_before_the_silent() -> None:
    dead, live = contact(2), contact(3)
    bus = Bus(dead, live)
    bus.dead = dead_units(2)
    bus.play(10.0)
    turns = bus.turns.offs()
    assert [turn.of for turn in turns] == [live, dead]
    assert not any(turn.on or turn.ask.value for turn in turns)


def test_orders_for_what_is_not_there_change_nothing() -> None:
    mat = contact(2)
    bus = Bus(mat)
    bus.play(1.0)
    assert not bus.turns.order(mat.node, {mat.key: 30.0, "other": 30.0}, bus.now_s)
    assert not bus.turns.order("elsewhere", {mat.key: 30.0}, bus.now_s)
    bus.play(1.0)
    assert True not in bus.written(mat)


@settings(max_examples=80)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["on", "off", "die", "lose", "live", "wait"]),
            st.integers(0, 1),
            st.floats(0.01, 20.0),
        ),
        max_size=30,
    )
)
def test_whatever_happens_a_relay_is_told_on_by_an_order_that_lasts_and_never_else(
    course: list[tuple[str, int, float]],
) -> None:
    report = ModbusReport(unit=1, table="discrete_input", address=3)
    relays = [contact(2, 0, report), contact(2, 1)]
    bus = Bus(*relays, place(1, 2.0))
    until_s = dict.fromkeys(relays, -1.0)
    for what, which, span_s in course:
        relay = relays[which]
        if what in ("on", "off"):
            lease_s = span_s if what == "on" else 0.0
            if bus.order(relay, lease_s):
                until_s[relay] = bus.now_s + lease_s
        elif what == "lose":  # every other answer
            bus.dead = lambda ask: ask.unit == 2 and len(bus.log) % 2 == 0
        elif what in ("die", "live"):
            bus.dead = dead_units(*([2] if what == "die" else []))
        start = len(bus.log)
        bus.play(span_s)
        for at_s, turn, _ in bus.log[start:]:
            assert not turn.on or (isinstance(turn.of, Contact) and at_s < until_s[turn.of])
    bus.dead = dead_units()
    bus.play(40.0)
    for relay in relays:
        assert bus.written(relay)[-1] is False
        assert bus.order(relay, 1.0)
