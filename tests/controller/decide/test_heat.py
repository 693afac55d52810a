"""Heat from the base to a duty and a pulse."""

from itertools import pairwise
from math import inf, isfinite, isnan, nan

import pytest


def starts(ons: list[bool]) -> int:
    return sum(1 for before, after in zip([False, *ons], ons, strict=False) if after and not before)


def test_cold_base_heats_at_once_and_in_full(rig):
    decision = rig.tick(12.0)
    assert decision.orders[0].lease_s > 0
    assert decision.bays[0].duty == 1.0
    assert decision.bays[0].reason.code == "full"


def test_warm_base_gets_no_heat(rig):
    decision = rig.hold(600, 22.0)
    assert decision.orders == (("north.left.mat", 0.0),)
    assert decision.bays[0].reason.code == "warm_enough"


def test_resting_bay_says_why(make_rig):
    rig = make_rig(heat={})
    decision = rig.hold(300, 5.0)
    assert decision.orders[0].lease_s == 0.0
    assert decision.bays[0].reason.code == "rest"
    assert isnan(decision.bays[0].target_c)


def test_lost_probe_drops_heat(rig):
    rig.hold(300, 15.0)
    assert rig.bay.on
    decision = rig.tick(nan)  # no cut-out share yet known to lean on for more than a moment
    assert decision.bays[0].mode == "D2"
    assert decision.bays[0].duty <= 0.7


def test_lost_probe_without_cutout_is_off_at_once(make_rig):
    rig = make_rig(mat={"cutout": "none"})
    rig.hold(300, 15.0)
    decision = rig.tick(nan)
    assert decision.orders[0].lease_s == 0.0
    assert decision.bays[0].reason.code == "lost"


def test_lost_probe_without_an_air_probe_carries_on_for_six_hours_at_most(make_rig):
    rig = make_rig(tick_s=30.0)
    rig.hold(6 * 3600, 19.6)
    usual = rig.bay.duty_day
    assert usual > 0.1
    decision = rig.hold(60, nan, nan)
    assert decision.bays[0].reason.code == "lost_carried"
    assert 0 < decision.bays[0].duty <= 0.7 * usual + 0.01
    rig.hold(5.9 * 3600, nan, nan)
    assert rig.bay.duty > 0
    decision = rig.hold(600, nan, nan)
    assert decision.bays[0].duty == 0.0
    assert decision.orders[0].lease_s == 0.0


def test_lost_probe_is_bridged_from_the_air_for_two_days_at_most(make_rig):
    """Duty of the learned 0.05 per kelvin, for a base of 19: half-way from 20 to the low end."""
    rig = make_rig(tick_s=30.0)
    rig.hold(3600, 19.9, 12.0)
    rig.teach(holding_duty_per_k=0.05)
    for air_c, duty in ((12.0, 0.35), (9.0, 0.5), (18.9, 0.005), (22.0, 0.0), (-6.0, 0.9)):
        decision = rig.hold(120, nan, air_c)
        assert decision.bays[0].mode == "D2"
        assert decision.bays[0].duty == pytest.approx(duty, abs=1e-6)
    assert decision.bays[0].reason.code == "lost_by_air"
    rig.hold(47.7 * 3600, nan, 12.0)
    assert rig.bay.duty > 0.0
    decision = rig.hold(1800, nan, 12.0)
    assert decision.bays[0].duty == 0.0
    assert decision.bays[0].reason.code == "lost"


def test_one_of_two_probes_lost_goes_on_with_integral_held(make_rig):
    rig = make_rig(probes=2)
    rig.hold(3600, 19.7, fitted=2)
    before = rig.bay.integral
    decision = rig.hold(3600, 19.7, usable=1, fitted=2)
    assert decision.bays[0].mode == "D1"
    assert rig.bay.integral == before
    assert decision.bays[0].duty > 0


def test_losing_a_probe_does_not_look_like_a_falling_base(make_rig):
    rig = make_rig(probes=2)
    rig.hold(3600, 20.0, fitted=2)
    slope = rig.bay.derivative
    rig.hold(60, 19.0, usable=1, fitted=2)
    assert rig.bay.derivative == pytest.approx(slope, abs=1e-6)


def test_integral_moves_only_within_a_kelvin(rig):
    rig.hold(600, 19.5)
    begun = rig.bay.integral
    rig.hold(3600, 18.5)
    assert rig.bay.integral == begun
    rig.hold(7200, 19.95)  # the slope of the jump has died away
    settled = rig.bay.integral
    rig.hold(1800, 19.95)
    assert rig.bay.integral > settled


def test_integral_holds_while_saturated(rig):
    rig.hold(1200, 19.9)
    begun = rig.bay.integral
    rig.hold(4 * 3600, 20.9)
    assert rig.bay.duty == 0.0
    assert rig.bay.integral >= begun - 0.15  # it stops as soon as the output is at its end


def test_falling_base_is_met_before_it_is_cold(rig):
    rig.hold(3600, 20.0)
    steady = rig.bay.duty
    for minute in range(30):
        rig.hold(60, 20.0 - 0.01 * minute)
    with_slope = rig.bay.duty
    assert with_slope - steady > 0.2


@pytest.mark.parametrize(("top_c", "timed"), [(10.0, True), (13.0, False)])
def test_a_heat_up_under_warmer_air_is_not_timed(rig, top_c, timed):
    """The air would lift the base long before a slow tray feels its mat."""
    rig.tick(12.0, top_c)
    rig.mono_s += 2 * 3600.0
    rig.hold(300, 11.5, top_c)
    assert (rig.bay.rise_since_s < inf) is timed


def test_air_that_turns_warmer_ends_the_timing_of_a_heat_up(rig):
    rig.tick(12.0, 10.0)
    rig.mono_s += 2 * 3600.0
    rig.hold(300, 11.5, 10.0)
    assert rig.bay.rise_since_s < inf
    rig.hold(300, 11.6, 13.0)
    assert rig.bay.rise_since_s == inf


def test_nothing_is_learned_or_summed_over_a_gap(rig):
    rig.hold(1800, 19.8)
    integral, day = rig.bay.integral, rig.bay.seen_24h_s
    rig.mono_s += 8 * 3600
    rig.tick(19.0)
    assert rig.bay.integral == pytest.approx(integral, abs=0.02)
    assert rig.bay.seen_24h_s <= day
    assert rig.bay.derivative == 0.0


def test_relay_counts_as_off_after_a_gap(rig):
    rig.tick(12.0)
    assert rig.bay.on
    rig.mono_s += 600
    decision = rig.tick(25.0)
    assert decision.orders[0].lease_s == 0.0
    assert not rig.bay.on


def test_no_time_passed_changes_nothing(rig):
    rig.hold(600, 19.5)
    before = rig.bay
    rig.mono_s -= rig.dt_s
    rig.tick(19.5)
    assert rig.bay == before


def test_wall_clock_step_does_not_reach_the_loop(make_rig):
    steady, stepped = make_rig(), make_rig()
    for _ in range(200):
        steady.tick(19.6)
        stepped.tick(19.6)
        stepped.shift_s += 3600.0 if stepped.mono_s == 5_600.0 else 0.0
    assert steady.bay.duty == stepped.bay.duty
    assert steady.bay.integral == stepped.bay.integral


def test_untrusted_clock_is_named(rig):
    rig.trusted = False
    assert rig.tick(19.0).bays[0].mode == "D4"


def test_nan_never_reaches_the_pid(rig):
    # simple-pid keeps a NaN for ever once it has met one.
    rig.hold(1200, 19.6)
    rig.hold(300, nan)
    rig.hold(1200, 19.6)
    assert isfinite(rig.bay.integral)
    assert 0.0 < rig.bay.duty <= 1.0


def test_never_more_than_forty_starts_a_day(make_rig):
    rig = make_rig(tick_s=30.0)
    ons = []
    for minute in range(24 * 60):
        base_c = 20.0 + (0.3 if minute % 50 < 25 else -0.3)  # as unquiet as can be
        for _ in range(2):
            ons.append(rig.tick(base_c).orders[0].lease_s > 0)
    assert 10 < starts(ons) <= 40


def test_shortest_times_hold(rig):
    ons = []
    for minute in range(600):
        for _ in range(6):
            ons.append(rig.tick(20.0 + 0.4 * ((minute * 7919) % 11 - 5) / 5).orders[0].lease_s > 0)
    runs, length = [], 1
    for before, after in pairwise(ons):
        if before == after:
            length += 1
        else:
            runs.append(length)
            length = 1
    assert min(runs[1:]) * 10.0 >= 60.0


def test_target_yields_to_a_hot_top_but_never_below_the_band(make_rig):
    rig = make_rig(heat={"target_c": 21.0, "good_low_c": 19.0, "difference_c": 3.0})
    assert rig.hold(600, 21.0, 15.0).bays[0].target_c == 21.0
    decision = rig.hold(2 * 3600, 21.0, 29.0)
    assert decision.bays[0].target_c == pytest.approx(19.0)
    rig.hold(3600, 18.5, 29.0)
    decision = rig.hold(600, 18.5, 29.0)
    assert decision.bays[0].reason.code == "cool_top"
    assert decision.bays[0].target_c == pytest.approx(19.0)
    assert rig.hold(3 * 3600, 19.0, 15.0).bays[0].target_c == 21.0


def test_target_yields_when_a_warm_top_comes_close(make_rig):
    rig = make_rig(heat={"target_c": 25.0, "good_low_c": 22.0, "difference_c": 3.0})
    near = rig.hold(3 * 3600, 25.0, 26.5).bays[0].target_c
    assert 22.0 < near < 25.0
    rig = make_rig(heat={"target_c": 25.0, "good_low_c": 22.0, "difference_c": 3.0})
    assert rig.hold(3 * 3600, 25.0, 24.0).bays[0].target_c == 25.0  # close, but not warm
