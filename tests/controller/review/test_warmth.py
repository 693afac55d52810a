"""Warmth is the same to the last digit, live or made again, and never invented."""

import random
import timeit
from math import nan
from statistics import median

import numpy as np
import pytest

from config.recipes import Recipe, recipe_for
from controller.records import MinuteRow, Warmth
from controller.review.warmth import LiveWarmth, bay_base, bay_minute, middle, warmth_of
from controller.scaled import milli

T0 = 1_772_409_600


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    return recipe_for("semi_ripe").model_copy(
        update={
            "warmth_floor_c": 10.0, "warmth_cap_c": 28.0, "harmful_low_c": 8.0,
            "slow_below_c": 16.0, "hot_above_c": 26.0, "harmful_high_c": 30.0,
        }
    )  # fmt: skip


def arrays(rows: list[tuple[int, int | None]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    t_s = np.array([t for t, _ in rows], dtype=np.int64)
    base = np.array([b or 0 for _, b in rows], dtype=np.int64)
    return t_s, base, np.array([b is not None for _, b in rows], dtype=bool)


def live(rows: list[tuple[int, int | None]], recipe: Recipe, stuck_s: float = T0) -> Warmth:
    sums = LiveWarmth(recipe, stuck_s)
    for t_s, base in rows:
        sums.add(t_s, base)
    return sums.warmth()


def remade(rows: list[tuple[int, int | None]], recipe: Recipe, stuck_s: float = T0) -> Warmth:
    return warmth_of(*arrays(rows), recipe, stuck_s)


def steady(base_mc: int | None, minutes: int, start: int = 0) -> list[tuple[int, int | None]]:
    return [(T0 + 60 * (start + i), base_mc) for i in range(minutes)]


def test_an_hour_at_20_above_10_is_10_degree_hours(recipe: Recipe) -> None:
    warmth = live(steady(20_000, 61), recipe)
    assert warmth.degree_hours == 10.0
    assert (warmth.covered_s, warmth.span_s) == (3600, 3600)
    assert warmth.bands_s == (0, 0, 3600, 0, 0)


def test_nothing_is_gained_below_the_floor_nor_more_above_the_cap(recipe: Recipe) -> None:
    assert live(steady(9_999, 61), recipe).degree_hours == 0.0
    assert live(steady(40_000, 61), recipe).degree_hours == 18.0


@pytest.mark.parametrize("missing_min", [10, 11, 600])
def test_nothing_is_gained_across_a_gap(recipe: Recipe, missing_min: int) -> None:
    rows = steady(20_000, 31) + steady(20_000, 31, 30 + missing_min)
    warmth = live(rows, recipe)
    bridged_h = 10 / 60 if missing_min == 10 else 0.0
    assert warmth.degree_hours == pytest.approx(10.0 * (1 + bridged_h))
    assert warmth.covered_s == 3600 * (1 + bridged_h)
    assert warmth.span_s == 3600 + 60 * missing_min
    assert remade(rows, recipe) == warmth


def test_nothing_is_gained_from_minutes_without_a_usable_reading(recipe: Recipe) -> None:
    rows = steady(20_000, 30) + steady(None, 1, 30) + steady(20_000, 30, 31)
    warmth = live(rows, recipe)
    assert warmth.covered_s == 2 * 29 * 60
    assert warmth.sum2_mk_s == 2 * 10_000 * 2 * 29 * 60
    assert remade(rows, recipe) == warmth


@pytest.mark.parametrize(
    ("base_mc", "band"),
    [(8_000, 0), (8_001, 1), (15_999, 1), (16_000, 2), (26_000, 2), (26_001, 3), (29_999, 3),
     (30_000, 4)],
)  # fmt: skip
def test_bands_meet_at_the_recipes_limits(recipe: Recipe, base_mc: int, band: int) -> None:
    rows = steady(base_mc, 11)
    wanted = [0] * 5
    wanted[band] = 600
    assert list(live(rows, recipe).bands_s) == wanted
    assert remade(rows, recipe) == live(rows, recipe)


def test_minutes_before_sticking_do_not_count(recipe: Recipe) -> None:
    rows = steady(20_000, 120)
    assert live(rows, recipe, T0 + 1800.0).covered_s == 89 * 60
    assert remade(rows, recipe, T0 + 1800.0) == live(rows, recipe, T0 + 1800.0)


def test_minute_that_comes_again_is_not_counted_again(recipe: Recipe) -> None:
    rows = steady(20_000, 61)
    assert live(rows + rows[20:], recipe) == live(rows, recipe)


def random_life(chance: random.Random) -> list[tuple[int, int | None]]:
    rows: list[tuple[int, int | None]] = []
    t_s, base = T0 - 3600, 20_000
    for _ in range(chance.randrange(2, 4000)):
        t_s += 60 * chance.choice((1, 1, 1, 1, 1, 1, 1, 2, 9, 10, 11, 500))
        base += chance.randrange(-400, 401)
        base = min(max(base, -5_000), 45_000)
        rows.append((t_s, None if chance.random() < 0.03 else base))
    return rows


@pytest.mark.parametrize("seed", range(25))
def test_live_and_remade_are_equal_to_the_last_digit(recipe: Recipe, seed: int) -> None:
    """Random lives with gaps, unusable minutes and restarts at random moments."""
    chance = random.Random(seed)
    rows = random_life(chance)
    whole = remade(rows, recipe)
    assert live(rows, recipe) == whole
    cut = chance.randrange(len(rows))
    taken_up = LiveWarmth.resumed(*arrays(rows[:cut]), recipe, T0)
    for t_s, base in rows[cut:]:
        taken_up.add(t_s, base)
    assert taken_up.warmth() == whole
    assert sum(whole.bands_s) == whole.covered_s <= whole.span_s


@pytest.mark.parametrize("seed", range(10))
def test_sum_agrees_with_exact_fractions(recipe: Recipe, seed: int) -> None:
    """Against a plain statement of the definition, in exact arithmetic."""
    from fractions import Fraction
    from itertools import pairwise

    rows = [row for row in random_life(random.Random(seed)) if row[0] >= T0]
    total = Fraction(0)
    for (t_a, a), (t_b, b) in pairwise(rows):
        if a is not None and b is not None and t_b - t_a <= 600:
            gained = [Fraction(min(max(x, 10_000), 28_000) - 10_000, 1000) for x in (a, b)]
            total += (gained[0] + gained[1]) / 2 * Fraction(t_b - t_a, 3600)
    assert live(rows, recipe).sum2_mk_s == total * 2 * 1000 * 3600


@pytest.mark.parametrize("seed", range(10))
def test_bay_base_is_the_median_of_the_usable_probes(seed: int) -> None:
    chance = random.Random(seed)
    probes = chance.randrange(1, 5)
    minutes: dict[int, list[MinuteRow]] = {}
    for probe in range(probes):
        for index in range(300):
            if chance.random() < 0.1:
                continue
            n = 0 if chance.random() < 0.1 else 6
            mean = chance.uniform(-5, 40) if n else nan
            row = MinuteRow(T0 + 60 * index, f"p{probe}", mean, mean, mean, n, 1)
            minutes.setdefault(row.t_s, []).append(row)
    series = []
    for probe in range(probes):
        own = [row for t in sorted(minutes) for row in minutes[t] if row.probe == f"p{probe}"]
        series.append((
            np.array([row.t_s for row in own]),
            np.array([milli(row.mean) if row.n else 0 for row in own]),
            np.array([row.n for row in own]),
        ))  # fmt: skip
    t_s, base, usable = bay_base(series)
    assert t_s.tolist() == sorted(minutes)
    for at, value, good in zip(t_s.tolist(), base.tolist(), usable.tolist(), strict=True):
        one = bay_minute(minutes[at])
        assert one == (value if good else None)
        means = [milli(row.mean) for row in minutes[at] if row.n]
        if means:
            assert one == median(means) // 1


def test_median_of_an_even_number_is_rounded_down() -> None:
    assert middle([3, 1]) == 2
    assert middle([2, 1]) == 1
    assert middle([-2, -1]) == -2
    assert middle([5, 9, 1]) == 5


def test_no_minutes_make_no_warmth(recipe: Recipe) -> None:
    assert remade([], recipe) == Warmth()
    assert live([], recipe) == Warmth()
    assert len(bay_base([])[0]) == 0


@pytest.mark.benchmark
def test_one_minute_of_live_warmth_takes_under_3_microseconds(recipe: Recipe) -> None:
    sums = LiveWarmth(recipe, T0)
    times = iter(range(T0, T0 + 60 * 10_000_000, 60))
    each_s = min(timeit.repeat(lambda: sums.add(next(times), 20_000), number=20_000)) / 20_000
    print(f"live warmth: {each_s * 1e6:.2f} us a minute")
    assert each_s < 3e-6
