"""Probes that fall silent: what goes on, for how long, and who is told."""

import pytest

from simulator.faults import make_fault

BASE1, BASE2 = "north.left.base1", "north.left.base2"


def silent(probe):
    return make_fault("probe_silent", 0.0, target=probe)


def mat_share(play, hours):
    """Share of the time for which the simulated mat's relay is closed."""
    on = 0
    steps = round(hours * 3600 / play.tick_s)
    for _ in range(steps):
        play.step()
        on += play.rig.boards["board"].relay_on("mat1")
    return on / steps


def test_one_of_two_base_probes_lost_and_heat_goes_on(played):
    play = played(start="2026-02-10T08:00", weather="spring_mixed")
    play.play(10.0)
    struck_s = play.utc_s
    play.strike(silent(BASE1))
    took_s = play.play_until(lambda: play.alarm("probe_silent", BASE1) == "UNACK", 0.2)
    # Two minutes without a sample, and the table's 40 s.
    assert 60.0 < took_s <= 160.0 + 2 * play.tick_s
    bay = play.controller.decision.bays[0]
    assert bay.mode == "D1"
    assert play.controller.state.alarms["probe_silent", BASE1].priority == 3
    assert mat_share(play, 3.0) > 0.2
    assert abs(play.base_c - bay.target_c) < 1.0
    assert play.alarm_rows("base_cold", struck_s + 1) == []

    play.strike()
    play.play_until(lambda: play.controller.decision.bays[0].mode == "normal", 0.1)
    play.play_until(lambda: play.alarm("probe_silent", BASE1) == "RTNUN", 0.2)


@pytest.mark.parametrize("cutout", [True, False])
def test_base_and_air_lost_gives_a_stopgap_only_with_a_cutout_and_then_no_heat(
    played, bench_text, cutout
):
    text = bench_text() if cutout else bench_text(mat="")
    play = played(text, start="2026-02-10T08:00", weather="spring_mixed", tick_s=20.0)
    play.play(24.0)
    usual = play.controller.state.bays["north", "left"]
    usual_share = min(usual.duty_day, usual.integral)
    assert 0.2 < usual_share < 1.0
    play.strike(silent(BASE1), silent(BASE2), silent("north.air"))
    play.play_until(lambda: play.controller.decision.bays[0].mode == "D2", 0.1)
    play.play(0.1)
    if cutout:
        assert play.controller.decision.bays[0].duty == pytest.approx(0.7 * usual_share, abs=0.05)
        assert play.controller.decision.bays[0].reason.code == "lost_carried"
        assert mat_share(play, 5.0) == pytest.approx(0.7 * usual_share, abs=0.1)
        play.play(1.1)
    assert play.controller.decision.bays[0].reason.code == "lost"
    assert play.controller.decision.bays[0].mode == "D2"
    assert mat_share(play, 2.0) == 0.0
    held = play.controller.state.alarms["probe_silent", BASE1]
    assert (held.state, held.priority) == ("UNACK", 2)


def test_the_air_probe_bridges_a_night_without_base_probes(played):
    play = played(start="2026-02-10T08:00", weather="winter_dull", tick_s=20.0)
    play.play(36.0)
    play.strike(silent(BASE1), silent(BASE2))
    bases_c = []
    for _ in range(24):
        play.play(0.5)
        bases_c.append(play.base_c)
    assert play.controller.decision.bays[0].reason.code == "lost_by_air"
    target_c = play.controller.aims.bays["north", "left"].target_c
    assert target_c - 3.0 < min(bases_c) <= max(bases_c) < target_c + 2.0


def test_one_frozen_probe_is_named_and_the_other_believed(played):
    play = played(start="2026-02-10T08:00", weather="spring_mixed", tick_s=20.0)
    play.play(30.0)
    play.strike(make_fault("probe_frozen", 0.0, target=BASE1))
    play.play_until(lambda: play.alarm("probe_frozen", BASE1) == "UNACK", 8.0)
    play.play(0.1)
    assert play.controller.decision.bays[0].mode == "D1"
    assert play.alarm("probe_frozen", BASE2) == "NORM"
    play.strike()
    play.play_until(lambda: play.controller.decision.bays[0].mode == "normal", 1.0)


def test_heat_is_dropped_within_minutes_when_the_last_base_probe_dies_without_a_cutout(
    played, bench_text
):
    play = played(bench_text(mat=""), start="2026-02-10T06:00", weather="frost")
    play.play(2.0)
    assert play.rig.boards["board"].relay_on("mat1")
    play.strike(silent(BASE1), silent(BASE2))
    # A sample counts for three of its intervals (10 s each); the lease ends what is left.
    took_s = play.play_until(lambda: not play.rig.boards["board"].relay_on("mat1"), 0.1)
    assert took_s <= 30 + 2 * play.tick_s


def test_humidity_lost_brings_timed_mist_by_day(played):
    play = played(start="2026-05-11T08:00", weather="spring_bright")
    play.stick()
    play.play(1.0)
    play.strike(silent("north.rh"))
    play.play_until(lambda: play.controller.decision.mist[0].mode == "D3", 0.1)
    before = play.rig.benches["north"].truth.bursts
    play.play(2.0)
    every_min = play.site.benches["north"].mist.survival_every_min
    assert play.rig.benches["north"].truth.bursts - before == pytest.approx(120 / every_min, abs=1)
    held = play.controller.state.alarms["probe_silent", "north.rh"]
    assert (held.state, held.priority) == ("UNACK", 2)
