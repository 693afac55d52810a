"""Leaves must go dry: from callus on once by day, and every night.

Common practice, no source.
"""

from datetime import UTC, datetime
from math import nan
from typing import Any

import pytest

from config.model import MistTime


def _local_hours(rig: Any) -> list[float]:
    """Dublin summer time of each burst, hours."""
    starts = [datetime.fromtimestamp(utc_s, UTC) for utc_s, _, _ in rig.starts]
    return [(t.hour + 1) % 24 + t.minute / 60 for t in starts]


@pytest.fixture
def callus(rig: Any) -> Any:
    rig.aim(phase="callus", must_dry=True, night_mist=False, dose_kpa_min=8.0)
    return rig


def test_night_mist_off_means_no_burst_between_sunset_and_sunrise(rig: Any) -> None:
    rig.aim(night_mist=False)
    rig.rh_pct = 75.0
    rig.at("2026-05-10T10:00")
    decision = rig.settled().run(24 * 3600)
    hours = _local_hours(rig)
    assert decision.reason.code != "mist_night"
    assert all(5.5 < hour < 21.3 for hour in hours)  # sun up 05:38 to 21:11
    assert max(hours) > 20.5


def test_first_nights_may_be_misted(rig: Any) -> None:
    rig.rh_pct = 75.0
    rig.at("2026-05-10T21:30")
    rig.settled().run(4 * 3600)
    assert rig.starts


def test_must_dry_stops_well_before_sunset(callus: Any) -> None:
    callus.rh_pct = 60.0
    callus.at("2026-05-10T10:00")
    callus.settled().run(12 * 3600)
    assert 19.0 < max(_local_hours(callus)) < 19.75
    assert callus.state.reason.code == "mist_night"


def test_leaf_not_dried_by_afternoon_waits_until_it_is(callus: Any) -> None:
    """Every dose comes before the film (10 kPa min of a 5 s burst) is gone, so it never dries."""
    callus.rh_pct = 80.0
    callus.at("2026-05-10T09:00")
    callus.settled().run(10 * 3600)
    hours = _local_hours(callus)
    longest = max(callus.intervals_s()[5:])
    index = callus.intervals_s().index(longest)
    assert longest > 1.2 * callus.intervals_s()[2]
    assert hours[index] <= 14.3
    assert hours[index + 1] >= 14.0
    assert callus.state.dried_day == callus.sky().day_number


def test_unrooted_new_cuttings_are_not_made_to_dry(rig: Any) -> None:
    rig.rh_pct = 80.0
    rig.at("2026-05-10T09:00")
    rig.settled().run(10 * 3600)
    assert max(rig.intervals_s()) - min(rig.intervals_s()) <= rig.tick_s


def test_leaf_that_dried_in_the_morning_is_misted_in_the_afternoon(callus: Any) -> None:
    callus.aim(dose_kpa_min=15.0)
    callus.rh_pct = 70.0
    callus.at("2026-05-10T09:00")
    callus.settled().run(8 * 3600)
    assert max(callus.intervals_s()) - min(callus.intervals_s()) <= callus.tick_s


def test_after_its_drying_of_the_day_a_wet_leaf_may_be_misted_again(callus: Any) -> None:
    callus.rh_pct = 80.0
    callus.at("2026-05-10T14:00")
    callus.remember(film_kpa_min=20.0, dried_day=callus.sky().day_number)
    callus.settled().run(3600)
    assert len(callus.starts) == 3


def test_must_dry_has_the_night_even_where_night_mist_is_allowed(callus: Any) -> None:
    callus.aim(night_mist=True)
    callus.rh_pct = 70.0
    callus.at("2026-05-10T22:00")
    assert callus.settled().run(4 * 3600).reason.code == "mist_night"
    assert callus.starts == []


def test_clock_times_that_must_wait_do_not_starve_blind_unrooted_leaves(callus: Any) -> None:
    callus.rh_pct = nan
    callus.schedule = (MistTime(every_min=1.0, start="00:00", end="00:00"),)
    callus.at("2026-05-10T18:50")
    callus.settled().run(3600)
    assert set(callus.codes()) == {"mist_survival"}
    assert max(callus.intervals_s()) <= 1200.0


def test_film_left_wet_overnight_does_not_count_as_the_days_drying(callus: Any) -> None:
    callus.at("2026-05-10T22:00")
    callus.remember(film_kpa_min=1.0)
    callus.settled().run(3600)
    assert callus.state.film_kpa_min == 0.0
    assert callus.state.dried_day == 0


@pytest.mark.parametrize("when", ["2026-05-10T14:30", "2026-05-10T19:30", "2026-05-10T23:30"])
def test_wilting_air_overrules_dry_leaves_for_unrooted_cuttings(callus: Any, when: str) -> None:
    callus.at(when)
    callus.top_c, callus.rh_pct = 25.0, 55.0  # 1.43 kPa
    callus.remember(film_kpa_min=20.0)
    callus.settled().run(3600)
    assert callus.starts
    callus.starts.clear()
    callus.aim(unrooted=False)
    callus.at(when)
    callus.remember(film_kpa_min=27.0)
    callus.run(600)
    assert not callus.starts


def test_clock_times_yield_to_dry_leaves(callus: Any) -> None:
    callus.rh_pct = 100.0
    callus.schedule = (MistTime(every_min=30.0, start="00:00", end="00:00"),)
    callus.at("2026-05-10T21:00")
    callus.settled().run(5 * 3600)
    assert callus.starts == []


def test_cooling_yields_to_dry_leaves(callus: Any) -> None:
    callus.aim(dose_kpa_min=400.0)
    callus.top_c, callus.rh_pct = 30.0, 85.0
    callus.at("2026-05-10T19:00")
    callus.settled().run(1800)
    assert callus.starts == []


def test_lost_humidity_keeps_unrooted_leaves_alive_through_the_afternoon(callus: Any) -> None:
    callus.rh_pct = nan
    callus.remember(film_kpa_min=20.0)
    callus.at("2026-05-10T14:00")
    callus.settled().run(5 * 3600)
    assert set(callus.intervals_s()) == {1200.0}
