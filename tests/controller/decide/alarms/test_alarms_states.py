"""Moves between states, against OPC UA Part 9 v1.05 (IEC 62541-9), the readable form of
ISA-18.2 / IEC 62682: clauses 4.8 (latching), 5.8.2 and B.1.5 (delays, deadband)."""

from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.decide.alarm_states import Signal, successor, timed
from controller.decide.state import AlarmState

# (state, signal, next when not latched, next when latched); None: the signal means nothing there.
# Written out by hand from the state tables, not taken from the program.
WALK = [
    ("NORM", "rise", "UNACK", "UNACK"),
    ("NORM", "fall", None, None),
    ("NORM", "acknowledge", None, None),
    ("NORM", "reset", None, None),
    ("NORM", "remind", None, None),
    ("UNACK", "rise", None, None),
    ("UNACK", "fall", "RTNUN", "LATCH_UNACK"),
    ("UNACK", "acknowledge", "ACKED", "ACKED"),
    ("UNACK", "reset", None, None),
    ("UNACK", "remind", "UNACK", "UNACK"),
    ("ACKED", "rise", None, None),
    ("ACKED", "fall", "NORM", "LATCH_ACK"),
    ("ACKED", "acknowledge", None, None),
    ("ACKED", "reset", None, None),
    ("ACKED", "remind", "UNACK", "UNACK"),
    ("RTNUN", "rise", "UNACK", "UNACK"),
    ("RTNUN", "fall", None, None),
    ("RTNUN", "acknowledge", "NORM", "NORM"),
    ("RTNUN", "reset", None, None),
    ("RTNUN", "remind", None, None),
    ("LATCH_UNACK", "rise", None, "UNACK"),
    ("LATCH_UNACK", "fall", None, None),
    ("LATCH_UNACK", "acknowledge", None, "LATCH_ACK"),
    ("LATCH_UNACK", "reset", None, "RTNUN"),
    ("LATCH_UNACK", "remind", None, None),
    ("LATCH_ACK", "rise", None, "UNACK"),
    ("LATCH_ACK", "fall", None, None),
    ("LATCH_ACK", "acknowledge", None, None),
    ("LATCH_ACK", "reset", None, "NORM"),
    ("LATCH_ACK", "remind", None, None),
]


@pytest.mark.parametrize(("state", "signal", "plain", "latched"), WALK)
def test_every_signal_in_every_state_leads_where_the_standard_says(
    state: str, signal: str, plain: str | None, latched: str | None
) -> None:
    assert successor(state, Signal(signal), latched=False) == plain
    assert successor(state, Signal(signal), latched=True) == latched


def test_the_walk_leaves_no_state_and_no_signal_out() -> None:
    states = {"NORM", "UNACK", "ACKED", "RTNUN", "LATCH_UNACK", "LATCH_ACK"}
    assert {(s, g) for s, g, _, _ in WALK} == {(s, str(g)) for s in states for g in Signal}


def drive(
    excesses: list[float], on_s: float = 30.0, off_s: float = 20.0, band: float = 0.5
) -> list[str]:
    """Names of the signals that a sequence of ten-second samples gives."""
    held = AlarmState()
    found = []
    for i, x in enumerate(excesses):
        pending_s, signal = timed(held, x, on_s, off_s, band, 10.0 * i, 10.0)
        under = successor(held.under, signal, False) if signal else None
        held = replace(held, pending_s=pending_s, under=under or held.under)
        found.append(str(signal) if signal else "")
    return found


def test_on_delay_ends_exactly_on_its_tick() -> None:
    assert drive([1, 1, 1, 1]) == ["", "", "", "rise"]


def test_one_sample_inside_sets_the_on_delay_back() -> None:
    assert "rise" not in drive([1, 1, 1, 0, 1, 1, 1])


def test_no_delay_rises_at_once() -> None:
    assert drive([1], on_s=0.0) == ["rise"]


def test_coming_back_inside_the_deadband_is_not_a_return() -> None:
    assert "fall" not in drive([1, 1, 1, 1, *[-0.4] * 20])


def test_off_delay_runs_from_beyond_the_deadband() -> None:
    assert drive([1, 1, 1, 1, -0.6, -0.6, -0.6])[-3:] == ["", "", "fall"]


def test_swinging_back_into_the_deadband_sets_the_off_delay_back() -> None:
    assert "fall" not in drive([1, 1, 1, 1, -0.6, -0.6, -0.4, -0.6, -0.6])


def test_unknown_time_counts_towards_no_delay() -> None:
    assert drive([1, 1, nan, nan, nan, 1, 1]) == ["", "", "", "", "", "", "rise"]


def test_unknown_neither_raises_nor_clears() -> None:
    assert set(drive([nan] * 50, on_s=0.0, off_s=0.0)) == {""}
    assert set(drive([1, 1, 1, 1, *[nan] * 50])[4:]) == {""}


@given(
    st.lists(st.sampled_from([1.0, -0.2, -1.0, nan]), max_size=60),
    st.integers(0, 6),
    st.integers(0, 6),
)
def test_signals_never_come_before_their_whole_delay(
    excesses: list[float], on_ticks: int, off_ticks: int
) -> None:
    found = drive(excesses, 10.0 * on_ticks, 10.0 * off_ticks)
    for i, name in enumerate(found):
        if name == "rise":
            known = [x for x in excesses[: i + 1] if x == x][-(on_ticks + 1) :]
            assert all(x > 0 for x in known)
            assert len(known) == on_ticks + 1
        if name == "fall":
            known = [x for x in excesses[: i + 1] if x == x][-(off_ticks + 1) :]
            assert all(x == -1.0 for x in known)
    assert AlarmState().pending_s == inf


def test_a_gap_begins_the_delay_anew() -> None:
    held = AlarmState(pending_s=0.0)
    assert timed(held, 1.0, 30.0, 20.0, 0.5, 1000.0, 0.0) == (1000.0, None)
