"""When probes are due, and how far they have moved."""

from pathlib import Path

import pytest

from config.load import load, loads
from controller.care_due import DAY_S, calibrated_probes, drift, due, due_words
from controller.journal.care import Calibrated, Held

TEXT = Path("config/examples/alder_lane.toml").read_text(encoding="utf-8")
SITE = loads(TEXT, "alder_lane.toml")
T0 = 1_772_409_600.0


def done(days, offset, probe="north.left.base1", outcome="written", u=0.1, gain=1.0, unit="degC"):
    held = (Held("ice", 0.0, -offset, 0.05),)
    return Calibrated(
        T0 + days * DAY_S, probe, unit, "Ann", held, 1.0, 0.0, gain, offset, u, outcome
    )


def test_temperature_and_humidity_are_calibrated_and_light_is_not():
    site = load(Path("config/examples/two_benches_mqtt.toml"))
    probes = calibrated_probes(site)
    assert probes["north.rh"] == "%"
    assert set(probes.values()) == {"degC", "%"}
    kinds = [p.kind for bench in site.benches.values() for p in bench.air.probes]
    kinds += [p.kind for b in site.benches.values() for y in b.bays.values() for p in y.probes]
    assert len(probes) == len([kind for kind in kinds if kind != "light"])


def test_due_a_year_after_the_last_and_from_the_start_where_there_is_none():
    rows = due(SITE, [done(10, -0.3), done(400, -0.2, outcome="refused")], T0)
    dues = {one.probe: one for one in rows}
    assert dues["north.left.base1"].due_s == T0 + 375 * DAY_S
    assert dues["north.left.base2"] == ("north.left.base2", None, T0 + 365 * DAY_S)
    assert rows[-1].probe == "north.left.base1"
    assert due_words(rows, T0 + 364 * DAY_S) == ""
    words = due_words(rows, T0 + 380 * DAY_S)
    assert "due again: north.left.base1;" in words
    assert "never held against a known value: north.air" in words


@pytest.mark.parametrize(("days", "count"), [(0, 0), (30, 5)])
def test_the_site_says_how_often_or_never(days, count):
    site = loads(TEXT + f"\n[calibration]\nevery_days = {days}\n", "x.toml")
    rows = due(site, [], T0)
    assert len(rows) == count
    assert all(one.due_s == T0 + days * DAY_S for one in rows)


def test_drift_is_this_time_against_the_time_before():
    rows = [done(0, -0.30), done(100, 9.0, outcome="refused"), done(365.25, -0.55)]
    moved = drift(rows, "north.left.base1")
    assert (moved.change, moved.sure) == (pytest.approx(-0.25), True)
    assert "it drifts, -0.25 K a year" in moved.words
    assert drift(rows[:1], "north.left.base1") is None
    assert drift(rows, "north.left.base2") is None


def test_what_two_calibrations_can_not_tell_apart_is_no_drift():
    """Uncertainties of 0.1 and 0.1 K make 0.14 K between the two (root of the squares)."""
    assert not drift([done(0, -0.30), done(365, -0.43)], "north.left.base1").sure
    assert drift([done(0, -0.30), done(365, -0.45)], "north.left.base1").sure


def test_gain_counts_at_the_usual_value():
    """At 20 °C a gain of 1.01 adds 0.2 K."""
    moved = drift([done(0, 0.0), done(365, 0.0, gain=1.01)], "north.left.base1")
    assert moved.change == pytest.approx(0.2)


def test_a_jump_within_days_is_doubted():
    assert "do both again" in drift([done(0, 0.0), done(2, 0.5)], "north.left.base1").words
