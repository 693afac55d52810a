"""The virtual clock waits in no time, and a step of the wall clock leaves monotonic time alone."""

import pytest

from sensors.clock import Clock
from simulator.clock import VirtualClock


def test_waiting_turns_both_clocks_on_and_never_back():
    clock: Clock = VirtualClock(1000.0, 5.0)
    clock.wait_until(65.0)
    assert clock.now()[:2] == (1060.0, 65.0)
    clock.wait_until(10.0)
    assert clock.now().mono_s == 65.0


def test_wall_clock_steps_alone():
    clock = VirtualClock(1000.0)
    clock.advance(10.0)
    clock.step_utc(-7200.0)
    assert clock.now()[:2] == (-6190.0, 10.0)
    clock.trusted = False
    assert not clock.now().trusted


def test_it_cannot_be_turned_back():
    with pytest.raises(ValueError, match="turned back"):
        VirtualClock(0.0).advance(-1.0)
