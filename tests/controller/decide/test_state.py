"""What is remembered survives a restart, or fails to the safe side."""

import json
from math import inf, isnan, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.decide.drift import NO_DRIFT, Drift
from controller.decide.state import AlarmState, BayState, MistState, State, dump, load
from controller.records import Reason
from sensors.clock import Now

KEY = ("north", "left")
THEN = Now(1_771_200_000.0, 90_000.0)
LATER = Now(1_771_200_600.0, 55.0)  # ten minutes on, after a reboot


PAST_C = (nan,) * 7 + (8.5,) + (nan,) * (len(NO_DRIFT.past_c) - 8)
DRIFT = Drift(1000, 19.5, 0.3, 4.0, 12, PAST_C)


def full_state() -> State:
    bay = BayState(
        on=True, since_s=89_000.0, duty=0.4, integral=0.35, holding_duty_per_k=0.07, tripped=True,
        hold="off", hold_until_s=93_600.0, rate_k_s=5e-4, delay_s=1800.0, on_24h_s=9000.0,
        seen_24h_s=30_000.0, duty_day=0.3, drift=DRIFT, reason=Reason("part", (19.0, 20.0, 40)),
    )  # fmt: skip
    mist = MistState(
        on_until_s=90_004.0, last_burst_s=89_990.0, dryness_kpa_min=3.5, unanswered=2,
        bursts_s=((88_000.0, 5.0), (89_990.0, 5.0)), day_used_s=80.0, answers=(0.1, 0.2),
    )  # fmt: skip
    alarm = AlarmState(
        state="SHLVD", under="LATCH_ACK", raised_s=80_000.0, shelved_until_s=91_800.0,
        acked_by="Ann", text='says "NaN, Infinity"',
    )  # fmt: skip
    return State(
        started_s=10.0,
        last_s=90_000.0,
        bays={KEY: bay},
        mist={"north": mist},
        alarms={("mat_stuck_on", "north.left"): alarm},
        watch={("base", "north.left"): (1.0, nan, -inf)},
    )


def test_dump_is_strict_json():
    def refuse(word):
        raise AssertionError(word)

    data = json.loads(dump(full_state(), THEN), parse_constant=refuse)
    assert data["version"] == 1


def test_everything_learned_and_latched_comes_back():
    state = load(dump(full_state(), THEN), LATER)
    bay = state.bays[KEY]
    assert bay.tripped
    assert (bay.integral, bay.rate_k_s, bay.delay_s) == (0.35, 5e-4, 1800.0)
    assert (bay.holding_duty_per_k, bay.duty_day) == (0.07, 0.3)
    assert [c for c in bay.drift.past_c if c == c] == [8.5]
    assert isnan(bay.drift.start_c)  # its half hour was broken off
    assert state.mist["north"].dryness_kpa_min == 3.5
    assert state.mist["north"].unanswered == 2
    alarm = state.alarms["mat_stuck_on", "north.left"]
    assert (alarm.state, alarm.under, alarm.acked_by) == ("SHLVD", "LATCH_ACK", "Ann")
    assert alarm.text == 'says "NaN, Infinity"'
    numbers = state.watch["base", "north.left"]
    assert numbers[0] == 1.0
    assert isnan(numbers[1])
    assert numbers[2] == -inf


def test_times_are_moved_to_the_new_clock():
    state = load(dump(full_state(), THEN), LATER)
    # An hour of hold was left; ten minutes of it went by in the dark.
    assert state.bays[KEY].hold_until_s - LATER.mono_s == pytest.approx(3000.0)
    assert LATER.mono_s - state.mist["north"].last_burst_s == pytest.approx(610.0)
    shelved = state.alarms["mat_stuck_on", "north.left"].shelved_until_s
    assert shelved - LATER.mono_s == pytest.approx(1200.0)


def test_relays_count_as_off():
    state = load(dump(full_state(), THEN), LATER)
    assert not state.bays[KEY].on
    assert state.mist["north"].on_until_s <= LATER.mono_s


def test_ended_hold_stays_ended():
    state = load(dump(full_state(), THEN), LATER, gap_s=7200.0)
    assert state.bays[KEY].hold == ""


def test_gap_of_unknown_length_ends_holds_and_shelvings():
    unsure = LATER._replace(trusted=False)
    state = load(dump(full_state(), THEN), unsure)
    assert state.bays[KEY].hold == ""
    assert state.bays[KEY].tripped
    assert state.alarms["mat_stuck_on", "north.left"].state == "LATCH_ACK"
    assert all(start <= unsure.mono_s for start, _ in state.mist["north"].bursts_s)
    assert max(start for start, _ in state.mist["north"].bursts_s) == unsure.mono_s


def test_clock_set_back_counts_as_unknown():
    earlier = LATER._replace(utc_s=THEN.utc_s - 86_400.0)
    assert load(dump(full_state(), THEN), earlier).bays[KEY].hold == ""


@pytest.mark.parametrize("text", ["", "null", "[]", "{", '{"version": 99}', "\x00", "1e999"])
def test_unreadable_state_starts_anew(text):
    assert load(text, LATER) == State(started_s=LATER.mono_s)


def test_unreadable_part_leaves_the_latch():
    data = json.loads(dump(full_state(), THEN))
    data["bays"][0][2].update(integral="much", hold=5, hold_until_s=[1], since_s={}, duty="inf")
    data["alarms"][0][2]["shelved_until_s"] = "soon"
    state = load(json.dumps(data), LATER)
    bay = state.bays[KEY]
    assert bay.tripped
    assert isnan(bay.integral)
    assert bay.hold == ""
    assert bay.duty == 0.0
    assert state.alarms["mat_stuck_on", "north.left"].state == "LATCH_ACK"


def test_out_of_range_numbers_are_brought_back():
    data = json.loads(dump(full_state(), THEN))
    data["bays"][0][2].update(integral=7.0, duty=-3.0)
    bay = load(json.dumps(data), LATER).bays[KEY]
    assert (bay.integral, bay.duty) == (1.0, 0.0)


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(
                st.sampled_from(["version", "bays", "mist", "alarms", "watch", "integral", "hold"]),
                inner,
            )
        ),
        max_leaves=12,
    )
)
def test_load_never_raises(junk):
    if isinstance(junk, dict):
        junk["version"] = 1
    assert isinstance(load(json.dumps(junk), LATER), State)


def test_saved_state_runs_on(make_rig):
    rig = make_rig(mister=True, recipe="softwood", probes=2)
    rig.hold(3 * 3600, 19.7, fitted=2)
    before = rig.bay
    rig.state = load(dump(rig.state, rig.now), rig.now, 0.0)
    rig.hold(120, 19.7, fitted=2)
    assert rig.bay.integral == pytest.approx(before.integral, abs=0.02)
    assert rig.bay.duty == pytest.approx(before.duty, abs=0.05)


def test_saved_twice_is_saved_the_same():
    state = load(dump(full_state(), THEN), THEN, 0.0)
    again = load(dump(state, THEN), THEN, 0.0)
    assert repr(again) == repr(state)
