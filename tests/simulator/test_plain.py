"""The three-equation bay: held when all is well, and each trouble does what it says."""

import numpy as np
import pytest

from simulator.plain import KINDS, PER_DAY, Trouble, plain_climate

START = 1_767_225_600 + 60 * 86400
WEATHER = ("spring_mixed", 1, 0.0)


def bay(*troubles, weather=WEATHER, days=10.0):
    return plain_climate(
        weather, START, days, target_c=21.0, callus_day=7.0, root_day=14.0, troubles=troubles
    )


def trouble(kind, size=0.0):
    return Trouble(kind, 3.0, 6.0, size)


SPAN = slice(3 * PER_DAY, 6 * PER_DAY)


def test_a_sound_bay_holds_its_target_under_a_cool_top():
    made = bay()
    assert made.base_c.mean() == pytest.approx(21.0, abs=0.5)
    assert made.base_c.min() > 18.0
    assert made.top_c.mean() < 18.0
    assert made.seen.all()
    assert ((made.rh_pct > 0) & (made.rh_pct <= 100.0)).all()


def test_a_steady_bay_stands_where_the_balance_says():
    """Without sun or waves, a mat of 8 K lift holds a base 8 K over a house of 12."""
    made = plain_climate(
        ("steady", 1, 0.0), START, 10, target_c=25.0, lift_k=8.0, callus_day=7, root_day=14
    )
    assert made.base_c[-1] == pytest.approx(20.0, abs=0.05)


def test_a_dead_mat_lets_the_base_go_by_its_time_constant():
    made = plain_climate(
        ("steady", 1, 0.0), START, 10, target_c=21.0, callus_day=7, root_day=14,
        troubles=(trouble("mat"),),
    )  # fmt: skip
    after = made.base_c[3 * PER_DAY + 33]  # 5.5 h: one time constant
    assert after - 12.0 == pytest.approx((21.0 - 12.0) / np.e, rel=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_each_trouble_shows(kind):
    sound, made = bay(), bay(trouble(kind, 0.5 if kind == "shade" else 0.0))
    changed = {
        "mat": (made.base_c, sound.base_c, -1),
        "mat_night": (made.base_c, sound.base_c, -1),
        "welded": (made.base_c, sound.base_c, +1),
        "no_mist": (made.deficit_kpa, sound.deficit_kpa, +1),
        "dry_day": (made.deficit_kpa, sound.deficit_kpa, +1),
        "leak": (made.rh_pct, sound.rh_pct, +1),
        "power": (made.base_c, sound.base_c, -1),
        "record": (made.seen.astype(float), sound.seen.astype(float), -1),
        "shade": (made.light_w_m2, sound.light_w_m2, -1),
    }
    now, before, side = changed[kind]
    assert side * (now[SPAN].mean() - before[SPAN].mean()) > 0.01
    assert (now[: 3 * PER_DAY] == before[: 3 * PER_DAY]).all()
