"""Water budgets, the hard share of an hour, and never nothing for unrooted leaves by day."""

from math import isfinite, nan
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.decide.state import MistState


def _most_in_an_hour_s(starts: list[tuple[float, float, str]]) -> float:
    """Most mist in any hour, counting each burst's own seconds; windows end where bursts end."""
    most = 0.0
    for end_s in [utc_s + burst_s for utc_s, burst_s, _ in starts]:
        used = sum(
            max(0.0, min(s + b, end_s) - max(s, end_s - 3600)) for s, b, _ in starts if s <= end_s
        )
        most = max(most, used)
    return most


def test_spent_hour_budget_falls_to_survival_timing_for_unrooted_leaves(rig: Any) -> None:
    rig.rh_pct = 40.0
    rig.aim(hour_budget_s=20.0)
    rig.settled().run(3 * 3600)
    assert rig.codes()[:4] == ["mist_dryness"] * 4
    assert "mist_survival_budget" in rig.codes()
    assert max(rig.intervals_s()) <= 1200.0


def test_spent_day_budget_never_means_nothing_by_day(rig: Any) -> None:
    rig.rh_pct = 60.0
    rig.aim(day_budget_s=30.0)
    rig.at("2026-05-10T07:00")
    rig.settled().run(10 * 3600)
    assert rig.codes().count("mist_dryness") == 6
    assert set(rig.codes()[6:]) == {"mist_survival_budget"}
    assert max(rig.intervals_s()) == 1200.0


def test_spent_budget_stops_mist_once_there_are_roots(rig: Any) -> None:
    rig.rh_pct = 40.0
    rig.aim(day_budget_s=30.0, unrooted=False)
    decision = rig.settled().run(4 * 3600)
    assert len(rig.starts) == 6
    assert decision.reason == ("mist_budget", ("day",))


def test_spent_budget_stops_mist_by_night_unless_the_air_wilts(rig: Any) -> None:
    rig.rh_pct = 60.0  # 0.94 kPa
    rig.aim(hour_budget_s=1.0)
    rig.at("2026-05-10T22:30")
    rig.settled().run(2 * 3600)
    assert rig.starts == []
    rig.rh_pct = 40.0  # 1.4 kPa
    rig.run(3600)
    assert rig.codes()[0] == "mist_survival_budget"


def test_day_budget_begins_anew_at_local_midnight(rig: Any) -> None:
    rig.rh_pct = 40.0
    rig.aim(day_budget_s=30.0, unrooted=False)
    rig.at("2026-05-10T22:00")  # 23:00 in Dublin
    rig.settled().run(7200)
    assert len(rig.starts) == 12
    assert rig.state.day_used_s == 30.0


def test_survival_timing_set_too_close_is_still_held_to_a_quarter_of_the_hour(rig: Any) -> None:
    rig.rh_pct = nan
    rig.aim(survival_every_s=120.0, survival_burst_s=60.0)
    rig.settled().run(3 * 3600)
    assert _most_in_an_hour_s(rig.starts) <= 900.0
    assert "mist_share" not in rig.codes()
    assert len(rig.starts) >= 40


def test_burst_longer_than_the_bound_is_cut(rig: Any) -> None:
    rig.rh_pct = nan
    rig.aim(survival_burst_s=300.0)
    rig.settled().run(3600)
    assert {burst_s for _, burst_s, _ in rig.starts} == {60.0}


climates = st.lists(
    st.tuples(
        st.sampled_from([nan, -5.0, 10.0, 20.0, 30.0, 40.0, 85.0]),
        st.sampled_from([nan, 5.0, 40.0, 80.0, 100.0, 101.0]),
        st.sampled_from([nan, 0.0, 200.0, 1000.0]),
        st.sampled_from(["", "", "on", "off"]),
        st.sampled_from([0.0, 0.0, 7.0, 400.0, nan]),
        st.sampled_from([0.0, 0.0, 0.0, 1500.0, 40000.0]),
    ),
    min_size=4,
    max_size=12,
)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    climate=climates,
    gap_s=st.sampled_from([30.0, 240.0]),
    burst_s=st.sampled_from([5.0, 60.0]),
    must_dry=st.booleans(),
    trusted=st.booleans(),
)
def test_no_climate_passes_the_hard_share_or_leaves_the_finite(
    rig: Any, climate: Any, gap_s: float, burst_s: float, must_dry: bool, trusted: bool
) -> None:
    rig.state, rig.trusted, rig.tick_s = MistState(), trusted, 20.0
    rig.starts.clear()
    rig.aim(
        shortest_gap_s=gap_s, burst_s=burst_s, hour_budget_s=900.0, day_budget_s=21600.0,
        must_dry=must_dry,
    )  # fmt: skip
    for top_c, rh_pct, light, hold, hand_s, skip_s in climate:
        believable = top_c != 85.0 and rh_pct != 101.0
        rig.top_c, rig.rh_pct, rig.light = (top_c, rh_pct, light) if believable else (nan,) * 3
        rig.remember(hold=hold, hold_until_s=rig.mono_s + 1000, hand_burst_s=hand_s)
        rig.skip(skip_s)
        for _ in range(60):
            decision = rig.step()
            assert isfinite(decision.dryness_kpa_min)
            assert 0.0 <= rig.state.film_kpa_min <= 27.0
            assert 0.0 <= decision.burst_s <= 60.0
            assert isfinite(rig.state.day_used_s)
            assert not (hold == "off" and decision.on and rig.mono_s < rig.state.hold_until_s)
    assert _most_in_an_hour_s(rig.starts) <= 900.0 + 1e-6


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.lists(st.sampled_from([nan, 35.0, 60.0]), min_size=6, max_size=12))
def test_unrooted_leaves_in_dry_or_unknown_air_never_go_without_by_day(
    rig: Any, data: list[float]
) -> None:
    rig.state = MistState()
    rig.starts.clear()
    rig.at("2026-05-10T08:00")
    rig.aim(hour_budget_s=10.0, day_budget_s=20.0)
    for rh_pct in data:
        rig.rh_pct = rh_pct
        rig.run(1800)
    waits = [*rig.intervals_s(), rig.utc_s - rig.starts[-1][0]]
    assert max(waits) <= 1200.0 + 2 * rig.tick_s


@pytest.mark.parametrize("rh_pct", [30.0, 70.0, 90.0])
def test_hour_budget_of_the_bench_file_is_never_passed_by_dryness(rig: Any, rh_pct: float) -> None:
    rig.rh_pct = rh_pct
    rig.aim(hour_budget_s=30.0, unrooted=False)
    rig.settled().run(8 * 3600)
    assert _most_in_an_hour_s(rig.starts) <= 30.0
