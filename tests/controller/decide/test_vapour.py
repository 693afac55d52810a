"""A fall of humidity that the temperature shares, and one that it does not."""

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.decide.vapour import doubted_kpa, vapour_kpa
from sensors.moist_air import svp_kpa
from sensors.readings import BenchView

HOUSE_C, TOP_C, RH_PCT = 10.0, 18.0, 92.0
BEFORE_KPA = svp_kpa(TOP_C) * RH_PCT / 100.0


def view(top_c: float, rh_pct: float, house_c: float = HOUSE_C) -> BenchView:
    return BenchView(top_c, rh_pct, nan, nan, nan, house_c, nan, {}, ())


def judged(seen: BenchView, minutes: int = 15, before_c: float = TOP_C) -> float:
    """What is doubted so many minutes after the air changed from the usual to what is seen."""
    new = minutes // 5
    kpa = vapour_kpa(seen)
    past_kpa = (*[BEFORE_KPA] * (16 - new), *[kpa] * new)
    past_c = (*[before_c] * (16 - new), *[seen.top_c] * new)
    return doubted_kpa(0.0, kpa, past_kpa, past_c, seen)


def test_a_fall_to_a_fifth_beside_a_top_that_stands_is_doubted_after_ten_minutes() -> None:
    assert judged(view(TOP_C, 20.0), 5) == 0.0
    assert judged(view(TOP_C, 20.0), 10) == pytest.approx(BEFORE_KPA)


@given(st.floats(0.05, 1.0), st.floats(5.0, 100.0))
def test_air_let_in_is_never_doubted(share: float, house_rh_pct: float) -> None:
    """Mixed as heat and vapour mix, whatever the house's own humidity."""
    top_c = TOP_C + share * (HOUSE_C - TOP_C)
    house_kpa = svp_kpa(HOUSE_C) * house_rh_pct / 100.0
    kpa = BEFORE_KPA + share * (house_kpa - BEFORE_KPA)
    assert judged(view(top_c, 100.0 * kpa / svp_kpa(top_c))) == 0.0


@pytest.mark.parametrize(
    "seen",
    [view(TOP_C, 20.0, nan), view(TOP_C, 20.0, TOP_C - 1.0), view(TOP_C, nan), view(nan, 20.0)],
    ids=["no house probe", "house as warm", "humidity lost", "top lost"],
)
def test_what_cannot_tell_doubts_nothing(seen: BenchView) -> None:
    assert judged(seen) == 0.0


def test_a_slow_fall_over_an_hour_is_not_doubted() -> None:
    past = tuple(BEFORE_KPA * (1.0 - 0.05 * step) for step in range(16))
    for now in range(6, 17):
        shown = (*[BEFORE_KPA] * (16 - now), *past[:now])
        seen = view(TOP_C, RH_PCT * past[now - 1] / BEFORE_KPA)
        assert doubted_kpa(0.0, past[now - 1], shown, (TOP_C,) * 16, seen) == 0.0


def test_the_doubt_ends_when_the_humidity_is_back_and_stands_while_the_probe_is_lost() -> None:
    low = (0.4,) * 16
    for kpa, held in ((0.45, True), (nan, True), (0.7, False), (BEFORE_KPA, False)):
        seen = view(TOP_C, 100.0 * kpa / svp_kpa(TOP_C))
        found = doubted_kpa(BEFORE_KPA, kpa, low, (TOP_C,) * 16, seen)
        assert (found == BEFORE_KPA) is held
