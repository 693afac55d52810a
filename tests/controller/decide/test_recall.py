"""What a late journal brings back: what holds heat and water off, never what the run has since."""

from dataclasses import replace

from controller.decide.recall import recalled
from controller.decide.state import AlarmState, BayState, MistState, State

BAY = ("north", "left")


def state(bay=None, mist=None, alarms=None):
    return State(
        bays={BAY: bay or BayState()}, mist={"north": mist or MistState()}, alarms=alarms or {}
    )


def test_trips_and_locks_of_either_are_in_force():
    saved = state(BayState(tripped=True), MistState(stuck=True))
    now = state()
    found = recalled(now, saved)
    assert found.bays[BAY].tripped
    assert found.mist["north"].stuck
    assert not now.bays[BAY].tripped, "the given state was changed"
    assert recalled(saved, state()) == replace(saved, mist=recalled(saved, state()).mist)
    assert recalled(saved, state()).mist["north"].stuck


def test_what_the_run_has_learned_and_was_asked_stays():
    saved = state(BayState(on=True, duty=0.9, hold="on", hold_until_s=900.0))
    now = state(BayState(duty=0.2, hold="off", hold_until_s=500.0))
    found = recalled(now, saved).bays[BAY]
    assert (found.on, found.duty, found.hold, found.hold_until_s) == (False, 0.2, "off", 500.0)
    found = recalled(state(BayState(duty=0.2)), saved).bays[BAY]
    assert (found.on, found.duty, found.hold, found.hold_until_s) == (False, 0.2, "on", 900.0)


def test_water_of_both_counts_against_the_budget():
    saved = state(mist=MistState(day_number=5, day_used_s=100.0, bursts_s=((10.0, 5.0),)))
    now = state(mist=MistState(day_number=5, day_used_s=20.0, bursts_s=((50.0, 5.0),)))
    found = recalled(now, saved).mist["north"]
    assert found.day_used_s == 120.0
    assert found.bursts_s == ((10.0, 5.0), (50.0, 5.0))
    other = state(mist=MistState(day_number=6, day_used_s=20.0))
    assert recalled(other, saved).mist["north"].day_used_s == 20.0


def test_latches_and_acts_of_a_person_come_back_and_nothing_new_is_covered():
    latched = AlarmState(state="LATCH_UNACK", under="LATCH_UNACK", priority=1)
    shelved = AlarmState(state="SHLVD", under="UNACK", priority=3, shelved_until_s=900.0)
    gone = AlarmState(state="RTNUN", under="RTNUN", priority=2)
    new = AlarmState(state="UNACK", under="UNACK", priority=2)
    saved = state(alarms={("a", "x"): latched, ("b", "x"): shelved, ("c", "x"): gone})
    now = state(alarms={("b", "x"): new, ("c", "x"): new, ("d", "x"): new})
    found = recalled(now, saved).alarms
    assert found == {("a", "x"): latched, ("b", "x"): shelved, ("c", "x"): new, ("d", "x"): new}
