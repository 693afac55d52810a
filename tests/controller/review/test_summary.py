"""Energy, cost, dry hours and spells of a batch."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from config.model import Tariff, TariffWindow
from config.recipes import Recipe, recipe_for
from controller.records import Batch
from controller.review.summary import (
    Climate,
    Energy,
    Hole,
    add_energy,
    dry_hours,
    energy,
    free_warmth_kh,
    local_minutes,
    spells,
    summarise,
    vpd_kpa,
)
from sensors.moist_air import vpd_kpa as scalar_vpd_kpa

T0 = 1_772_409_600
DUBLIN = ZoneInfo("Europe/Dublin")
LORD_HOWE = ZoneInfo("Australia/Lord_Howe")
Series = tuple[np.ndarray, np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    return recipe_for("semi_ripe").model_copy(
        update={
            "warmth_floor_c": 10.0, "warmth_cap_c": 28.0, "harmful_low_c": 8.0,
            "slow_below_c": 16.0, "hot_above_c": 26.0, "harmful_high_c": 30.0,
        }
    )  # fmt: skip


def series(values: list[float], start: int = T0) -> Series:
    count = len(values)
    return (
        np.arange(start, start + 60 * count, 60),
        np.round(np.array(values) * 1000).astype(np.int64),
        np.ones(count, dtype=bool),
    )


def minutes(hours: float, on_s: float) -> tuple[np.ndarray, np.ndarray]:
    count = int(hours * 60)
    return np.arange(T0, T0 + 60 * count, 60), np.full(count, int(on_s * 1000))


def test_energy_and_cost_of_a_published_example() -> None:
    """200 W, 4 h a day for 120 days: 96 kWh, 8.16 at 0.085 per kWh.

    Source: the worked example of an electricity co-operative's appliance estimator, also printed
    in guidance of the US Department of Energy with another price.
    """
    t_s, on_ms = minutes(120 * 24, 10.0)
    found = energy(t_s, on_ms, 200.0, Tariff(currency="USD", price_per_kwh=0.085), DUBLIN)
    assert found.kwh == pytest.approx(96.0, abs=1e-9)
    assert found.cost == pytest.approx(8.16, abs=1e-9)
    assert (found.currency, found.on_s) == ("USD", 4 * 3600 * 120)


def test_cost_is_summed_by_the_window_in_which_it_was_used() -> None:
    tariff = Tariff(
        price_per_kwh=0.30,
        windows=(TariffWindow(start=time(23), end=time(8), price_per_kwh=0.10),),
    )
    t_s, on_ms = minutes(24, 60.0)  # a winter day, local time is UTC
    found = energy(t_s, on_ms, 1000.0, tariff, DUBLIN)
    assert found.kwh == pytest.approx(24.0)
    assert found.cost == pytest.approx(9 * 0.10 + 15 * 0.30)
    assert found.priced == ((0.10, pytest.approx(9.0)), (0.30, pytest.approx(15.0)))
    twice = add_energy([found, found])
    assert twice.priced == ((0.10, pytest.approx(18.0)), (0.30, pytest.approx(30.0)))


def test_first_of_two_windows_that_fit_counts() -> None:
    windows = (
        TariffWindow(start=time(10), end=time(12), price_per_kwh=0.5),
        TariffWindow(start=time(8), end=time(20), price_per_kwh=0.2),
    )
    t_s, on_ms = minutes(24, 60.0)
    found = energy(t_s, on_ms, 1000.0, Tariff(price_per_kwh=0.1, windows=windows), DUBLIN)
    assert found.cost == pytest.approx(2 * 0.5 + 10 * 0.2 + 12 * 0.1)


@pytest.mark.parametrize(
    ("day", "night_h"), [((2026, 3, 29), 8.0), ((2026, 10, 25), 10.0), ((2026, 6, 1), 9.0)]
)
def test_night_rate_is_right_on_clock_change_days(
    day: tuple[int, int, int], night_h: float
) -> None:
    """The local night 23:00-08:00 is 8 h long in spring and 10 h in autumn."""
    start = int(datetime(*day, 12, tzinfo=UTC).timestamp()) - 86400
    t_s = np.arange(start, start + 86400, 60)
    night = TariffWindow(start=time(23), end=time(8), price_per_kwh=1.0)
    tariff = Tariff(price_per_kwh=0.0, windows=(night,))
    found = energy(t_s, np.full(1440, 60_000), 1000.0, tariff, DUBLIN)
    assert found.cost == pytest.approx(night_h)


def test_half_hour_clock_changes_are_followed() -> None:
    t_s = np.arange(T0 - T0 % 86400 + 86400 * 20, T0 + 86400 * 60, 450)
    wanted = [
        local.hour * 60 + local.minute
        for local in (datetime.fromtimestamp(int(t), LORD_HOWE) for t in t_s)
    ]
    assert local_minutes(t_s, LORD_HOWE).tolist() == wanted


def test_without_a_tariff_the_cost_is_not_known() -> None:
    found = energy(*minutes(1, 60.0), 100.0, None, DUBLIN)
    assert (found.kwh, found.cost) == (pytest.approx(0.1), None)


def test_array_vpd_is_that_of_the_sensors() -> None:
    for temp_c in (-10.0, 0.0, 15.0, 21.5, 40.0):
        for rh_pct in (0.0, 37.5, 92.0, 100.0):
            one = vpd_kpa(np.array([temp_c]), np.array([rh_pct]))[0]
            assert one == pytest.approx(scalar_vpd_kpa(temp_c, rh_pct), abs=1e-12)


def test_dry_hours_follow_the_phase() -> None:
    """20 degC: 0.468 kPa at 80 %; above a limit of 0.4, below one of 0.6."""
    base = series([20.0] * 241)
    climate = Climate(base, series([20.0] * 241), series([80.0] * 241))
    assert dry_hours(climate, [(T0, 0.4)]) == (4.0, 4.0)
    assert dry_hours(climate, [(T0, 0.6)]) == (0.0, 4.0)
    assert dry_hours(climate, [(T0, 0.4), (T0 + 3600, 0.6)]) == (1.0, 4.0)


def test_dry_hours_need_air_and_humidity_together() -> None:
    base = series([20.0] * 241)
    late = series([50.0] * 121, T0 + 7200)
    assert dry_hours(Climate(base, series([20.0] * 241), late), [(T0, 0.4)]) == (2.0, 2.0)
    nothing = (base[0][:0], base[1][:0], base[2][:0])
    assert dry_hours(Climate(base, nothing, late), [(T0, 0.4)]) == (0.0, 0.0)


def test_worst_spell_comes_first_and_short_ones_are_left_out(recipe: Recipe) -> None:
    values = [20.0] * 60 + [14.0] * 120 + [20.0] * 60 + [31.0] * 60 + [20.0] * 60 + [5.0] * 20
    found = spells(series([*values, 20.0, 20.0]), recipe)
    assert [(s.kind, (s.from_s - T0) // 60, (s.to_s - T0) // 60) for s in found] == [
        ("harmful hot", 240, 300), ("slow", 60, 180),
    ]  # fmt: skip
    assert [s.worst_c for s in found] == [31.0, 14.0]
    assert [s.beyond_kh for s in found] == pytest.approx([5.0, 4.0])


def test_spell_does_not_reach_across_a_gap(recipe: Recipe) -> None:
    first, second = series([10.0] * 61), series([10.0] * 61, T0 + 6 * 3600)
    both = tuple(np.concatenate(pair) for pair in zip(first, second, strict=True))
    found = spells(both, recipe)  # type: ignore[arg-type]
    assert sorted((s.to_s - s.from_s) for s in found) == [3600, 3600]


def test_free_warmth_is_that_of_hours_without_heat(recipe: Recipe) -> None:
    base = series([20.0] * 241)
    mat = (np.array([T0 + 3600]), np.array([1000]))
    assert free_warmth_kh(base, *mat, recipe) == pytest.approx(30.0)


def test_summary_tells_known_share_and_means(recipe: Recipe) -> None:
    batch = Batch(
        1, "Buxus", "semi_ripe", "north", "left", "", 60, float(T0), "{}", "0", "stick",
        float(T0), None, {},
    )  # fmt: skip
    base, top = series([21.0] * 121), series([18.0] * 121)
    summary = summarise(
        batch, recipe, Climate(base, top, series([80.0] * 121)),
        until_s=T0 + 4 * 3600.0, mat=minutes(2, 30.0), heat=Energy(2.0, 0.5, "EUR", 3600.0),
        bay_share=0.25, mist_on_ms=600_000, mist_bursts=120, flow_ml_per_s=12.0,
        limits=[(T0, 0.4)], gaps=[Hole(T0 + 7260.0, T0 + 14400.0, "stopped")],
    )  # fmt: skip
    assert summary.known_share == 0.5
    assert (summary.mean_base_c, summary.mean_top_c, summary.mean_difference_k) == (21, 18, 3)
    assert summary.warmth.degree_hours == 22.0
    assert summary.good_h == 2.0
    assert summary.litres == pytest.approx(7.2)
    assert (summary.batch_kwh, summary.batch_cost) == (0.5, 0.125)
    assert summary.mist_bursts == 120
    assert len(summary.gaps) == 1


def test_summary_of_nothing_says_unknown_not_zero(recipe: Recipe) -> None:
    batch = Batch(
        1, "Buxus", "semi_ripe", "north", "left", "", 60, float(T0), "{}", "0", "stick",
        float(T0), None, {},
    )  # fmt: skip
    nothing = (np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0, bool))
    summary = summarise(
        batch, recipe, Climate(nothing, nothing, nothing), until_s=T0 + 3600.0,
        mat=nothing[:2], heat=Energy(0.0, None, "", 0.0), bay_share=1.0, mist_on_ms=0,
        mist_bursts=0, flow_ml_per_s=None, limits=[(T0, 0.4)], gaps=[],
    )  # fmt: skip
    assert summary.known_share == 0.0
    assert summary.mean_base_c is summary.mean_difference_k is summary.litres is None
