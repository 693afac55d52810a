"""Lid, watering can and changing weather are no faults: nothing is said of mist or dry air.

Sixty such days on each bench are played by tests/benchmarks/control/compare.py --faults.
"""

import pytest

from simulator.faults import make_fault

DAY_S = 86400.0
MIST_ALARMS = ("air_dry", "air_very_dry", "mist_no_answer", "mister_stuck", "mist_budget_spent")


@pytest.mark.parametrize("preset", ["propagator", "bench", "bay"])
def test_a_lid_lifted_in_bright_noon_and_a_watering_raise_nothing(played, preset):
    lids = [make_fault("lid_open", day * DAY_S + 18000.0, 0.5, "north") for day in range(3)]
    watering = make_fault("watering", DAY_S + 14400.0, target="north")
    play = played(
        start="2026-04-20T08:00", weather="spring_bright", preset=preset, faults=(*lids, watering)
    )
    play.play(0.1)
    play.stick(kind="softwood")
    play.play(60.0)
    assert play.rig.benches["north"].truth.bursts >= 20
    assert [row for alarm in MIST_ALARMS for row in play.alarm_rows(alarm)] == []


@pytest.mark.parametrize("preset", ["propagator", "bench", "bay"])
def test_a_dead_mister_on_a_bright_day_is_told_before_new_leaves_wilt(played, preset):
    """New cuttings without water wilt in 72 min in the dark: Alem and Faust 2019, Acta Hort."""
    play = played(start="2026-04-20T08:00", weather="spring_bright", preset=preset)
    play.play(0.1)
    play.stick(kind="softwood")
    play.play(3.0)
    play.strike(make_fault("mister_blocked", 0.0, target="north.mister", size=0.0))
    play.play_until(lambda: play.alarm("mist_no_answer", "north") == "UNACK", 1.0)
    dry = ("air_dry", "air_very_dry")
    play.play_until(lambda: "UNACK" in [play.alarm(name, "north") for name in dry], 1.5)
    wilts_s = 72.0 * 60.0
    assert play.rig.benches["north"].model.dry_kpa_s < wilts_s
    play.play(1.0)
    assert play.alarm("mist_no_answer", "north") == "UNACK"
