"""A bench on which nothing is wrong is left alone, and half a mat is named in its first night."""

import pytest

from controller.decide.alarm_table import rows
from simulator.faults import make_fault

ACCUSING = ("mat_", "relay_", "probe")
BAY = "north.left"
DAY_S = 86400.0


def accused(play):
    """Alarms raised against a mat, a relay or a probe; a mat may truly be at its limit."""
    names = [n for n in rows() if n.startswith(ACCUSING) and n != "mat_at_limit"]
    return {n for n in names if any(state == "UNACK" for _, _, state in play.alarm_rows(n))}


def small(text):
    """The same bench file for a windowsill propagator."""
    return text.replace("power_w = 120, area_m2 = 1.2", "power_w = 20, area_m2 = 0.2")


@pytest.mark.parametrize(
    ("preset", "weather", "start"),
    [
        ("propagator", "spring_bright", "2026-04-13T18:00"),
        ("bench", "autumn_gales", "2026-10-26T18:00"),
    ],
)
def test_days_of_sun_water_and_lifted_lids_accuse_nothing(
    played, bench_text, preset, weather, start
):
    waterings = [make_fault("watering", (day + 0.7) * DAY_S, target="north") for day in (1, 3)]
    lids = [make_fault("lid_open", (day + 0.8) * DAY_S, 0.5, "north") for day in range(4)]
    text = small(bench_text()) if preset == "propagator" else bench_text()
    play = played(text, start, weather, faults=(*waterings, *lids), preset=preset)
    play.play(4 * 24.0)
    assert accused(play) == set()


def test_half_a_mat_is_named_within_three_hours_of_not_holding(played, bench_text):
    dead = make_fault("mat_half", 42.0 * 3600.0, 48.0, f"{BAY}.mat")
    play = played(
        small(bench_text()),
        "2026-10-12T18:00",
        "autumn_damp",
        faults=(dead,),
        preset="propagator",
    )
    play.play(42.0)
    assert accused(play) == set()
    held_c = play.controller.decision.bays[0].target_c
    play.play_until(lambda: play.base_c < held_c - 0.5, 24.0)
    play.play_until(lambda: play.alarm("mat_weak", BAY) == "UNACK", 3.0)
    assert accused(play) == {"mat_weak"}
