"""What the engine promises about showing, hiding, shelving, latching and restarting."""

from dataclasses import replace
from math import nan
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.decide.alarm_table import rows
from controller.records import AlarmStateName, BayDecision
from sensors.readings import RelayReport

HOUR_S = 3600.0
LEGAL = {str(state) for state in AlarmStateName}


def test_a_quiet_tick_gives_back_the_very_same_records(room: Any) -> None:
    room.run(120)
    room.tick()
    alarms, watch = room.state.alarms, room.state.watch
    assert room.tick() == ()
    assert room.state.alarms is alarms
    assert room.state.watch is watch


def test_a_steady_base_raises_nothing_in_six_hours(room: Any) -> None:
    room.base_span_k = 0.0
    assert room.run(6 * HOUR_S) == []


def test_a_watering_dip_raises_nothing(room: Any) -> None:
    room.run(2 * HOUR_S)
    room.bases(19.0 - 0.2)
    room.run(300)
    room.bases(21.0)
    assert room.run(2 * HOUR_S) == []
    assert room.changes == []


def test_a_watering_dip_under_a_mat_at_rest_is_no_stuck_mat(room: Any) -> None:
    room.bay = replace(room.bay, on=False, duty=0.0, since_s=room.now_s)
    room.run(2 * HOUR_S)
    room.bases(19.2)
    room.run(300)
    for step in range(30):
        room.bases(19.2 + 1.8 * step / 30)
        room.run(60)
    assert "mat_stuck_on" not in {change.alarm for change in room.changes}


def test_base_cold_comes_after_a_quarter_of_an_hour_and_not_before(room: Any) -> None:
    room.run(600)
    room.bases(18.9)
    assert room.run(900) == []
    (change,) = room.tick()
    assert (change.alarm, change.place, change.was, change.state) == (
        "base_cold", "north.left", "NORM", "UNACK",
    )  # fmt: skip
    assert change.priority == 2
    assert change.text == "Base cold: 18.9 °C, limit 19.0 °C"


def test_base_cold_returns_only_past_its_deadband(room: Any) -> None:
    room.run(600)
    room.bases(18.9)
    room.run(920)
    room.bases(19.3)
    room.run(HOUR_S)
    assert room.shown("base_cold") == "UNACK"
    room.bases(19.6)
    room.run(920)
    assert room.shown("base_cold") == "RTNUN"
    assert room.ask("acknowledge", "base_cold").done
    assert room.shown("base_cold") == "NORM"
    assert ("base_cold", "north.left") not in room.state.alarms


def test_a_lost_base_reading_raises_no_temperature_alarm(room: Any) -> None:
    room.run(600)
    room.bases(nan)
    room.top_c = room.vpd_kpa = room.rh_pct = nan
    room.run(4 * HOUR_S)
    assert {change.alarm for change in room.changes} == {"probe_silent"}


def test_a_lost_reading_does_not_clear_an_alarm(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    room.bases(nan)
    room.run(HOUR_S)
    assert room.shown("base_cold") == "UNACK"


def test_acknowledging_names_the_person_and_can_not_be_done_twice(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    assert room.ask("acknowledge", "base_cold", note="seen").done
    assert room.changes[-1].by == "Mary"
    assert room.changes[-1].note == "seen"
    assert room.shown("base_cold") == "ACKED"
    again = room.ask("acknowledge", "base_cold")
    assert not again.done
    assert again.text == "Base cold: already acknowledged by Mary"


def test_an_acknowledged_alarm_that_stands_is_called_out_again(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    room.ask("acknowledge", "base_cold")
    room.run(12 * HOUR_S - 60)
    assert room.shown("base_cold") == "ACKED"
    room.run(120)
    assert room.shown("base_cold") == "UNACK"


def test_very_cold_hides_cold_and_gives_it_back(room: Any) -> None:
    room.run(600)
    room.bases(18.5)
    room.run(920)
    room.bases(15.5)
    room.run(320)
    assert room.shown("base_very_cold") == "UNACK"
    assert room.shown("base_cold") == "DSUPR"
    room.bases(18.0)
    room.run(920)
    assert room.shown("base_very_cold") == "RTNUN"
    assert room.shown("base_cold") == "UNACK"


def test_a_lost_link_hides_the_silence_of_its_probes(room: Any) -> None:
    room.run(600)
    room.link_up = False
    room.run(120)
    room.bases(nan)
    room.top_c = room.rh_pct = room.vpd_kpa = nan
    room.run(600)
    assert room.shown("link_lost", "board") == "UNACK"
    for probe in ("north.left.base1", "north.left.base2", "north.air", "north.rh"):
        assert room.shown("probe_silent", probe) == "DSUPR"
    shown = {c.alarm for c in room.changes if c.state == "UNACK"}
    assert shown == {"link_lost"}


def test_one_that_is_over_and_was_hidden_meanwhile_shows_again_to_be_acknowledged(
    room: Any,
) -> None:
    room.run(600)
    room.bases(18.5)
    room.run(920)
    room.bases(21.0)
    room.run(920)
    assert room.shown("base_cold") == "RTNUN"
    room.bases(14.0)
    room.run(320)
    assert room.shown("base_cold") == "DSUPR"
    room.bases(21.0)
    room.run(920)
    assert room.shown("base_very_cold") == "RTNUN"
    assert room.shown("base_cold") == "RTNUN"


def test_children_of_a_link_that_comes_back_stay_quiet(room: Any) -> None:
    room.run(600)
    room.link_up = False
    room.run(120)
    room.bases(nan)
    room.top_c = room.rh_pct = room.vpd_kpa = nan
    room.run(600)
    room.link_up = True
    room.bases(21.0)
    room.top_c, room.rh_pct, room.vpd_kpa = 17.0, 85.0, 0.3
    room.run(HOUR_S)
    assert {c.alarm for c in room.changes if c.state == "UNACK"} == {"link_lost"}
    assert room.shown("probe_silent", "north.air") == "NORM"
    assert room.shown("link_lost", "board") == "RTNUN"


def test_one_silent_base_probe_of_two_is_minor_and_the_last_is_not(room: Any) -> None:
    room.run(600)
    room.base_c = [nan, 21.0]
    room.run(60)
    change = next(c for c in room.changes if c.alarm == "probe_silent")
    assert (change.place, change.priority) == ("north.left.base1", 3)
    room.base_c = [nan, nan]
    room.run(60)
    last = next(c for c in room.changes if c.place == "north.left.base2")
    assert last.priority == 2


def test_a_trip_latches_until_reset_after_the_cause_has_gone(room: Any) -> None:
    room.run(600)
    room.bases(30.5)
    room.bay = replace(room.bay, tripped=True, on=False, since_s=room.now_s)
    room.tick()
    assert room.shown("base_overheat") == "UNACK"
    assert not room.ask("reset", "base_overheat").done
    room.bases(27.0)
    room.tick()
    assert room.shown("base_overheat") == "LATCH_UNACK"
    room.ask("acknowledge", "base_overheat")
    assert room.shown("base_overheat") == "LATCH_ACK"
    refused = room.ask("reset", "base_overheat")
    assert not refused.done  # the guards still hold the trip
    room.bay = replace(room.bay, tripped=False)
    assert room.ask("reset", "base_overheat").done
    assert room.shown("base_overheat") == "NORM"


def test_a_trip_with_no_reading_left_stays_in_alarm(room: Any) -> None:
    room.run(600)
    room.bases(nan)
    room.bay = replace(room.bay, tripped=True)
    room.run(HOUR_S)
    assert room.shown("base_overheat") == "UNACK"


def test_getting_hot_again_before_the_reset_is_a_new_occurrence(room: Any) -> None:
    room.run(600)
    room.bases(30.5)
    room.bay = replace(room.bay, tripped=True, on=False)
    room.tick()
    first_s = room.held("base_overheat").raised_s
    room.ask("acknowledge", "base_overheat")
    room.bases(27.0)
    room.tick()
    room.bases(31.0)
    room.tick()
    held = room.held("base_overheat")
    assert held.state == "UNACK"
    assert held.raised_s > first_s
    assert held.acked_by == ""


@pytest.mark.parametrize("alarm", ["base_overheat", "mat_stuck_on"])
def test_the_dangerous_ones_can_not_be_shelved(room: Any, alarm: str) -> None:
    room.tick()
    refused = room.ask("shelve", alarm, span_s=600.0, note="busy")
    assert not refused.done
    assert "never" in refused.text


@pytest.mark.parametrize("alarm", ["base_overheat", "mat_stuck_on", "mister_stuck"])
def test_the_dangerous_ones_are_hidden_by_nothing(alarm: str) -> None:
    row = rows()[alarm]
    assert row.parents == ()
    assert not row.may_shelve
    assert row.in_rest
    assert row.latched


def test_shelving_needs_a_reason_and_keeps_to_its_longest(room: Any) -> None:
    room.tick()
    assert "reason" in room.ask("shelve", "base_cold", span_s=600.0).text
    refused = room.ask("shelve", "base_cold", span_s=13 * HOUR_S, note="mat out")
    assert not refused.done
    assert "at most 12 h" in refused.text
    assert not room.ask("shelve", "base_very_cold", span_s=2 * HOUR_S, note="mat out").done
    assert not room.ask("shelve", "mat_weak", span_s=8 * 86400.0, note="mat out").done
    assert not room.ask("shelve", "base_cold", span_s=-5.0, note="mat out").done
    assert not room.ask("shelve", "base_cold", span_s=nan, note="mat out").done


def test_a_shelved_alarm_is_still_watched_and_comes_back_in_time(room: Any) -> None:
    room.run(600)
    assert room.ask("shelve", "base_cold", span_s=HOUR_S, note="mat out").done
    room.bases(18.0)
    room.run(920)
    assert room.shown("base_cold") == "SHLVD"
    assert room.held("base_cold").under == "UNACK"
    assert room.changes[-1].state == "SHLVD"  # recorded although not shown
    room.run(HOUR_S)
    assert room.shown("base_cold") == "UNACK"


def test_a_one_shot_shelving_ends_with_the_return_to_normal(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    assert room.ask("shelve", "base_cold", note="mat out", value="once").done
    room.bases(21.0)
    room.run(920)
    assert room.shown("base_cold") == "NORM"


@pytest.mark.parametrize("until_s", [nan, float("-inf"), float("inf"), 1e9])
def test_a_shelving_without_a_sound_end_is_over_after_a_restart(room: Any, until_s: float) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    room.ask("shelve", "base_cold", span_s=HOUR_S, note="mat out")
    key = "base_cold", "north.left"
    loaded = {key: replace(room.state.alarms[key], shelved_until_s=until_s)}
    room.state = replace(room.state, alarms=loaded)
    room.tick()
    assert room.shown("base_cold") == "UNACK"


def test_unshelving_brings_it_back(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    assert not room.ask("unshelve", "base_cold").done
    room.ask("shelve", "base_cold", span_s=HOUR_S, note="mat out")
    assert room.ask("unshelve", "base_cold").done
    assert room.shown("base_cold") == "UNACK"


def test_a_resting_bay_is_out_of_service_but_for_the_dangerous_ones(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    room.bay_aims = replace(room.bay_aims, resting=True)
    room.run(60)
    assert room.shown("base_cold") == "OOSRV"
    room.bay = replace(room.bay, tripped=True)
    room.bases(31.0)
    room.tick()
    assert room.shown("base_overheat") == "UNACK"


def test_a_wrong_name_is_refused_with_the_nearest(room: Any) -> None:
    room.tick()
    assert "did you mean base_cold?" in room.ask("acknowledge", "base_kold").text
    assert "did you mean north.left?" in room.ask("acknowledge", "base_cold", "north.lef").text


def test_the_first_of_a_group_is_marked(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(700)
    room.mist_aims = replace(room.mist_aims, relay="", unrooted=False)
    room.top_c = 27.0
    room.run(HOUR_S / 2)
    assert room.held("base_cold").first
    assert not room.held("top_hot", "north").first
    room.run(HOUR_S)
    room.trusted = False
    room.run(620)
    assert room.held("clock_untrusted", "site").first


def test_an_alarm_whose_place_is_gone_is_let_go(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    key = "base_cold", "north.gone"
    room.state = replace(room.state, alarms={key: room.state.alarms["base_cold", "north.left"]})
    changes = room.tick()
    assert any((c.place, c.state) == ("north.gone", "NORM") for c in changes)


def test_delays_and_limits_of_the_bench_file_are_kept(make_room: Any) -> None:
    room = make_room(alarms={"base_cold": {"limit": 1.0, "on_delay_s": 60.0}})
    room.run(600)
    room.bases(19.9)
    assert room.run(60) == []
    assert room.tick()[0].alarm == "base_cold"


def test_a_heavier_hour_calls_an_acknowledged_alarm_out_again(room: Any) -> None:
    room.run(600)
    room.mist_aims = replace(room.mist_aims, relay="")
    room.air(0.3, 27.0)
    room.run(720)
    assert room.held("top_hot", "north").priority == 2
    room.ask("acknowledge", "top_hot", "north")
    room.air(1.6, 27.0)
    room.run(800)
    held = room.held("top_hot", "north")
    assert (held.state, held.priority) == ("UNACK", 1)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_run_of_conditions_and_acts_leads_to_an_illegal_state(make_room: Any, data: Any) -> None:
    room = make_room()
    values = st.sampled_from([nan, 10.0, 15.0, 18.0, 21.0, 25.0, 31.0])
    kinds = st.sampled_from(["", "acknowledge", "shelve", "unshelve", "reset"])
    names = st.sampled_from(["base_cold", "base_overheat", "air_dry", "link_lost", "nonsense"])
    for _ in range(data.draw(st.integers(1, 25))):
        room.bases(data.draw(values))
        room.bay = replace(room.bay, tripped=room.base_c[0] >= 30.0)
        room.vpd_kpa = data.draw(st.sampled_from([nan, 0.05, 0.3, 0.8, 2.0]))
        room.link_up = data.draw(st.booleans())
        room.bay_aims = replace(room.bay_aims, resting=data.draw(st.integers(0, 9)) == 0)
        kind = data.draw(kinds)
        if kind:
            name = data.draw(names)
            place = {"air_dry": "north", "link_lost": "board"}.get(name, "north.left")
            room.ask(kind, name, place, span_s=600.0, note="x")
        room.run(data.draw(st.sampled_from([10.0, 300.0, 1200.0])), dt_s=30.0)
        for (alarm, _), held in room.state.alarms.items():
            assert held.state in LEGAL
            assert held.under in LEGAL - {"SHLVD", "DSUPR", "OOSRV"}
            assert rows()[alarm].latched or not held.under.startswith("LATCH")
            if not rows()[alarm].may_shelve:
                assert held.state not in ("SHLVD", "DSUPR", "OOSRV")


def test_a_report_that_is_old_accuses_nobody(room: Any) -> None:
    room.run(600)
    room.bay = replace(room.bay, on=False, since_s=room.now_s)
    room.report = RelayReport(True, 5.0, room.now_s)
    room.run(HOUR_S)
    assert room.shown("mat_stuck_on") == "NORM"
    assert isinstance(room.decisions()[0][0], BayDecision)


def test_an_unreadable_state_from_a_journal_is_judged_afresh(room: Any) -> None:
    room.run(600)
    room.bases(18.0)
    room.run(920)
    key = "base_cold", "north.left"
    spoilt = {key: replace(room.state.alarms[key], under="nonsense")}
    room.state = replace(room.state, alarms=spoilt)
    room.run(920)
    assert room.shown("base_cold") == "UNACK"
