"""What a batch's tests say of the day of rooting, and how warmth makes days longer or shorter."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.recipes import recipe_for
from controller.records import Entry
from controller.review.history import Look, got_of, is_like, looks_of, rooting, warm_clock

T0, DAY = 1_772_409_600.0, 86400.0
SOFTWOOD = recipe_for("softwood")  # target 22, floor 10, cap 25


def days(found):
    return found and tuple((at - T0) / DAY if at != inf else inf for at in found)


def looks(*rows):
    return [Look(T0 + day * DAY, tested, rooted) for day, tested, rooted in rows]


@pytest.mark.parametrize(
    ("rows", "closed", "expected"),
    [
        ((), False, (0, inf)),
        (((7, 10, 0), (10, 10, 2)), False, (10, inf)),
        (((7, 10, 0), (10, 10, 5)), False, (7, 10)),
        (((10, 10, 6),), False, (0, 10)),
        (((7, 10, 0), (10, 10, 6), (13, 10, 3), (16, 10, 8)), True, (7, 10)),
        (((7, 10, 0), (10, 2, 2), (13, 10, 1)), False, (13, inf)),
        (((7, 10, 0), (30, 100, 20)), True, None),
        (((7, 10, 0), (30, 100, 60)), True, (7, 30)),
    ],
)
def test_half_rooted_between_two_tests(rows, closed, expected):
    assert days(rooting(T0, looks(*rows), closed)) == expected


def test_rooting_as_known_at_an_earlier_day():
    rows = looks((7, 10, 0), (10, 10, 6))
    assert days(rooting(T0, rows, False, T0 + 8 * DAY)) == (7, inf)


def test_closing_counts_those_that_live(batch):
    one = batch(1, [(7, 10, 0)], closed=(30, 60))
    entries = [
        Entry(1, 1, T0 + 5 * DAY, "lost", "me", {"lost": "20", "cause": "rotted"}),
        Entry(2, 1, T0 + 30 * DAY, "closed", "me", {"rooted": "60"}),
    ]
    assert looks_of(one.batch, entries) == (Look(T0 + 30 * DAY, 80, 60),)


@pytest.mark.parametrize(("base_c", "pace"), [(22, 1.0), (16, 0.5), (25, 1.25), (30, 1.25), (8, 0)])
def test_pace_is_warmth_beside_that_of_the_target(batch, base_c, pace):
    one = batch(1, base_c=base_c, now=10)
    assert one.got.pace == pytest.approx(pace)
    assert one.clock.lately == pytest.approx(pace)
    assert one.clock.warm_at(10.0) == pytest.approx(10.0 * pace, abs=0.02)
    assert one.got.mean_base_c == base_c
    assert one.got.warmth_kh_day == pytest.approx(12 * 24 * pace)


def test_hours_cold_and_hot_are_those_out_of_the_band(batch):
    assert batch(1, base_c=14, now=10).got.cold_h == pytest.approx(240, abs=1)
    assert batch(1, base_c=29, now=10).got.hot_h == pytest.approx(240, abs=1)
    fine = batch(1, base_c=21, now=10).got
    assert (fine.cold_h, fine.hot_h) == (0, 0)


def test_what_is_not_on_record_counts_as_at_target_and_is_said(batch):
    one = batch(1, base_c=None, now=10)
    assert one.got.pace is None
    assert one.got.known_share == 0
    assert one.clock.lately is None
    assert one.clock.warm_at(10) == pytest.approx(10)
    # Five days at 16, then nothing for five: 5 * 0.5 + 5.
    t_s = np.arange(int(T0), int(T0 + 5 * DAY), 900)
    seen = (t_s, np.full(len(t_s), 16_000), np.ones(len(t_s), dtype=bool))
    clock = warm_clock(*seen, SOFTWOOD, T0, T0 + 10 * DAY)
    assert clock.warm_at(10) == pytest.approx(7.5, abs=0.02)
    assert got_of(*seen, SOFTWOOD, T0, T0 + 10 * DAY).known_share == pytest.approx(0.5, abs=0.01)


@given(
    st.lists(st.integers(0, 35), min_size=1, max_size=60),
    st.floats(0.0, 90.0),
    st.floats(0.3, 1.5),
)
def test_the_clock_and_its_inverse_agree(bases, day, ahead):
    t_s = np.arange(len(bases)) * 3600 + int(T0)
    seen = (t_s, np.array(bases) * 1000, np.ones(len(bases), dtype=bool))
    clock = warm_clock(*seen, SOFTWOOD, T0, T0 + len(bases) * 3600)
    warm = clock.warm_at(day, ahead)
    assert clock.warm_at(clock.days_at(warm, ahead), ahead) == pytest.approx(warm, abs=1e-6)


def test_like_is_the_same_plant_and_kind_then_the_same_plants_recipe(batch):
    one = batch(1, plant="Pelargonium hortorum", kind="herbaceous")
    assert is_like(one, batch(2, plant=" pelargonium HORTORUM", kind="herbaceous")) == 2
    assert is_like(one, batch(3, plant="Pelargonium hortorum 'Red'", kind="herbaceous")) == 1
    assert is_like(one, batch(4, plant="Chrysanthemum", kind="herbaceous")) == 0
    assert is_like(one, batch(5, plant="Pelargonium hortorum", kind="softwood")) == 0
    assert is_like(one, one) == 0
