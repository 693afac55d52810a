"""Leaves dry once a day and stay dry by night from callus on; blind mist keeps them alive."""

from itertools import pairwise

import pytest

from simulator.bench_parts import WET_SHARE
from simulator.faults import make_fault
from simulator.weather import sun_sine

PRESETS = ["propagator", "bench", "bay"]


def is_wet(play):
    model = play.rig.benches["north"].model
    return model.film_kg_m2 / (model.params.film_kg_m2 * model.params.leaf_area) > WET_SHARE


def is_night(play):
    return sun_sine(play.utc_s, 53.3, -6.5) < -0.1


def is_bright(play):
    return sun_sine(play.utc_s, 53.3, -6.5) > 0.1


def bursts(play):
    return play.rig.benches["north"].truth.bursts


@pytest.mark.parametrize(
    ("preset", "weather"),
    [("propagator", "summer_mild"), ("bench", "spring_mixed"), ("bay", "summer_mild")],
)
def test_from_callus_on_leaves_dry_every_day_and_get_no_mist_by_night(played, preset, weather):
    """Common practice, no source."""
    play = played(start="2026-05-11T08:00", weather=weather, preset=preset)
    play.play(0.1)
    play.wean(play.stick(kind="softwood"), "callus")
    play.play(22.0)
    for _ in range(2):
        dry_min = night_bursts = day_bursts = 0.0
        for _ in range(24 * 60):
            before = bursts(play)
            play.play(1 / 60)
            if is_night(play):
                night_bursts += bursts(play) - before
            else:
                day_bursts += bursts(play) - before
                dry_min += not is_wet(play)
        assert dry_min >= 30.0
        assert night_bursts == 0
        assert day_bursts >= 5


@pytest.mark.parametrize("preset", PRESETS)
def test_new_leaves_are_wet_for_most_of_the_day_and_misted_by_night_too(played, preset):
    play = played(start="2026-05-11T08:00", weather="spring_mixed", preset=preset)
    play.play(0.1)
    play.stick(kind="softwood")
    play.play(2.0)
    wet_min = day_min = 0
    night_bursts = 0
    for _ in range(24 * 60):
        before = bursts(play)
        play.play(1 / 60)
        if is_night(play):
            night_bursts += bursts(play) - before
        else:
            day_min += 1
            wet_min += is_wet(play)
    assert wet_min > 0.6 * day_min
    assert night_bursts >= 1


@pytest.mark.parametrize("preset", PRESETS)
def test_blind_mist_keeps_its_interval_by_day_and_longer_ones_by_night(played, preset):
    """Survival timing of the bench file: 20 min by day, 5 s; by night six times as long."""
    play = played(start="2026-05-11T08:00", weather="spring_bright", preset=preset)
    play.play(0.1)
    play.stick(kind="softwood")
    play.play(3.0)
    play.strike(make_fault("probe_silent", 0.0, 48.0, target="north.rh"))
    play.play(0.5)
    starts = []
    seen = bursts(play)
    for _ in range(20 * 360):
        play.step()
        if bursts(play) != seen:
            seen = bursts(play)
            starts.append((play.utc_s, is_bright(play), is_night(play)))
    pairs = list(pairwise(starts))
    by_day = [b[0] - a[0] for a, b in pairs if a[1] and b[1] and b[0] - a[0] < 14_400.0]
    by_night = [b[0] - a[0] for a, b in pairs if a[2] and b[2]]
    assert by_day
    assert by_day == pytest.approx([1200.0] * len(by_day), abs=20.0)
    assert by_night
    assert by_night == pytest.approx([7200.0] * len(by_night), abs=20.0)
