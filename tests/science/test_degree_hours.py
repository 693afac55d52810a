"""The warmth sum against published degree-days, exact integrals and open data.

The product sums whole thousandths of a degree, of any scale, so degrees Fahrenheit are summed as
thousandths of a degree Fahrenheit here, and published tables need no conversion.
"""

import csv
from collections.abc import Callable
from datetime import UTC, datetime
from math import cos, pi, sin
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import vega_datasets

from config.recipes import Recipe, recipe_for
from controller.review.warmth import clipped_sum2, joined, warmth_of

DAY_S = 86400
NO_CAP = 10**9


def degree_hours(
    t_s: np.ndarray, values: np.ndarray, base: float, upper: float | None, gap_s: int = 600
) -> float:
    """Degree-hours of `values` at `t_s` by the sum that the product uses."""
    milli = np.round(values * 1000).astype(np.int64)
    dt_s = joined(t_s, np.ones(len(t_s), dtype=bool), gap_s)
    cap = NO_CAP if upper is None else round(upper * 1000)
    return clipped_sum2(dt_s, milli, round(base * 1000), cap) / 2 / 1000 / 3600


def day(shape: Callable[[float], float], low: float, high: float, after: float) -> np.ndarray:
    """A day by the minute: from `low` up to `high` in 12 h, then down to `after`.

    shape: share of the way up at a share of the half day, 0..1 to 0..1.
    """
    up = [low + (high - low) * shape(i / 720) for i in range(720)]
    down = [after + (high - after) * shape(1 - i / 720) for i in range(721)]
    return np.array(up + down)


def sine(share: float) -> float:
    return (1 - cos(pi * share)) / 2


def triangle(share: float) -> float:
    return share


def degree_days(values: np.ndarray, base: float, upper: float | None) -> float:
    return degree_hours(np.arange(0, 60 * len(values), 60), values, base, upper) / 24


# -- published tables -------------------------------------------------------------------------

ZALOM = [
    # low, high, next low, single triangle, double triangle, single sine, double sine
    (96, 110, 91, 35.00, 35.00, 35.00, 35.00),
    (45, 54, 38, 0.00, 0.00, 0.00, 0.00),
    (60, 80, 75, 15.00, 18.75, 15.00, 18.75),
    (75, 88, 60, 26.50, 22.75, 26.50, 22.75),
    (50, 82, 45, 11.39, 10.62, 11.85, 11.31),
    (45, 70, 50, 4.50, 5.06, 5.31, 5.70),
    (60, 100, 75, 23.75, None, 22.82, 26.26),
    (75, 95, 60, 29.38, 25.76, 28.91, 25.30),
    (50, 101, 48, 19.56, 19.19, 18.95, 18.69),
    (48, 95, 50, 16.76, 17.13, 16.96, 17.23),
]  # fmt: skip
"""Zalom, Goodell, Wilson, Barnett, Bentley (1983), Degree-days: the calculation and use of heat
units in pest management, UC Leaflet 21373, Table 7: degrees F, base 55, upper 90, horizontal
cut-off. As quoted in the test data of the UC ANR degree-day package. The double triangle of
60/100/75 is left out: its printed 24.88 does not follow from the method (27.13 does)."""


@pytest.mark.parametrize("case", ZALOM, ids=lambda case: f"{case[0]}-{case[1]}-{case[2]}")
def test_days_of_zalom_1983(case: tuple[float, ...]) -> None:
    """Tolerance: the rounding of the table, 0.005, and a little for sampling by the minute."""
    low, high, after, *published = case
    ours = [
        degree_days(day(triangle, low, high, low), 55, 90),
        degree_days(day(triangle, low, high, after), 55, 90),
        degree_days(day(sine, low, high, low), 55, 90),
        degree_days(day(sine, low, high, after), 55, 90),
    ]
    for value, printed in zip(ours, published, strict=True):
        if printed is not None:
            assert value == pytest.approx(printed, abs=0.0065)


UC_IPM = [
    # low, high, sine, triangle
    (34, 47, 0.00, 0.00),
    (38, 55, 1.19, 0.74),
    (36, 67, 5.71, 4.66),
    (49, 67, 8.10, 8.03),
    (54, 67, 10.50, 10.50),
    (53, 83, 14.18, 15.18),
    (63, 100, 18.68, 19.34),
    (71, 103, 20.00, 20.00),
    (46, 81, 11.37, 12.00),
    (43, 81, 10.71, 11.05),
    (44, 81, 10.91, 11.35),
]
"""UC ANR, Degree Days Validation Challenge: answers of the UC IPM site for station Esparto-A, 2020;
degrees F, base 50, upper 70, horizontal cut-off."""


@pytest.mark.parametrize("case", UC_IPM, ids=lambda case: f"{case[0]}-{case[1]}")
def test_days_of_the_uc_ipm_reference_answers(case: tuple[float, ...]) -> None:
    low, high, by_sine, by_triangle = case
    assert degree_days(day(sine, low, high, low), 50, 70) == pytest.approx(by_sine, abs=0.006)
    assert degree_days(day(triangle, low, high, low), 50, 70) == pytest.approx(
        by_triangle, abs=0.006
    )


@pytest.mark.parametrize(
    ("low", "high", "by_sine"),
    [(7, 14, 0.4681), (13, 14, 1.5), (13, 40, 12.9443), (7, 40, 10.9397)],
)
def test_days_in_degrees_celsius(low: float, high: float, by_sine: float) -> None:
    """Base 12, upper 33 degC, single sine: values of the TrenchR package's tests (0.47, 1.5, 12.94,
    10.94), here with the digits of Baskerville and Emin's formula (1969, Ecology 50:514)."""
    assert degree_days(day(sine, low, high, low), 12, 33) == pytest.approx(by_sine, abs=0.001)


# -- exact integrals --------------------------------------------------------------------------


def sinusoid(minutes: int = 1441) -> tuple[np.ndarray, np.ndarray]:
    t_s = np.arange(0, 60 * minutes, 60)
    return t_s, np.array([15 + 5 * sin(2 * pi * t / DAY_S) for t in t_s])


@pytest.mark.parametrize(
    ("base", "upper", "exact"),
    [(10.0, None, 120.0), (15.0, None, 24 * 5 / pi), (10.0, 18.0, 110.6943)],
)
def test_sinusoid_of_a_day(base: float, upper: float | None, exact: float) -> None:
    """Closed forms of the integral of 15 + 5 sin over 24 h, degC h."""
    assert degree_hours(*sinusoid(), base, upper) == pytest.approx(exact, abs=0.002)


def test_constant_day_is_exact() -> None:
    t_s = np.arange(0, DAY_S + 60, 60)
    assert degree_hours(t_s, np.full(len(t_s), 20.0), 10.0, None) == 240.0


def test_ramp_through_the_floor_comes_close_only_with_frequent_samples() -> None:
    """8 to 12 degC in 4 h above 10: exactly 2; hourly samples give 2, the two ends alone 4."""
    ends = degree_hours(np.array([0, 14400]), np.array([8.0, 12.0]), 10.0, None, 14400)
    hours = degree_hours(np.arange(0, 14401, 3600), np.arange(8.0, 12.1), 10.0, None, 3600)
    minutes = degree_hours(np.arange(0, 14401, 60), np.linspace(8, 12, 241), 10.0, None)
    assert (ends, hours) == (4.0, 2.0)
    assert minutes == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize(("day_of", "hours"), [((2024, 3, 31), 23), ((2024, 10, 27), 25)])
def test_local_days_of_clock_changes_have_their_true_length(
    day_of: tuple[int, int, int], hours: int
) -> None:
    """20 degC through a local day in London, above 10: 230 and 250 degC h (EU summer time)."""
    london = ZoneInfo("Europe/London")
    start = datetime(*day_of, tzinfo=london).astimezone(UTC).timestamp()
    year, month, date = day_of
    # 31 March and 27 October are both followed by a day of the plain calendar.
    following = (year, month + 1, 1) if (month, date) == (3, 31) else (year, month, date + 1)
    end = datetime(*following, tzinfo=london).astimezone(UTC).timestamp()
    t_s = np.arange(int(start), int(end) + 60, 60)
    assert degree_hours(t_s, np.full(len(t_s), 20.0), 10.0, None) == 10.0 * hours


# -- open data --------------------------------------------------------------------------------

Normals = tuple[np.ndarray, np.ndarray, list[datetime]]


def normals(name: str) -> Normals:
    """Hourly normals of NOAA (30-year, labelled 2010), degrees F, from the vega_datasets package.

    Seconds are of the wall clock as written: the data skip 03:00 on 14 March.
    """
    path = Path(vega_datasets.__file__).parent / "_data" / f"{name}-temps.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    stamps = [datetime.fromisoformat(row["date"].replace("/", "-")) for row in rows]
    t_s = np.array([int(stamp.replace(tzinfo=UTC).timestamp()) for stamp in stamps])
    return t_s, np.array([float(row["temp"]) for row in rows]), stamps


@pytest.fixture(scope="module")
def cities() -> dict[str, Normals]:
    return {name: normals(name) for name in ("seattle", "sf")}


def month(city: Normals, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Readings of a month, and the next 00:00."""
    t_s, temp_f, stamps = city
    inside = np.array([stamp.month == number for stamp in stamps])
    last = np.flatnonzero(inside)[-1] + 1
    inside[last] = True
    return t_s[inside], temp_f[inside]


MONTHS = [
    # city, month, trapezoid of the readings, exact integral of the line through them, hours >= 10
    ("seattle", 1, 0.0, 0.0, 0),
    ("seattle", 3, 102.555556, 99.027680, 140),
    ("seattle", 4, 703.666667, 699.337142, 322),
    ("seattle", 7, 6154.444444, 6154.444444, 744),
    ("seattle", 11, 32.277778, 31.043740, 56),
    ("sf", 1, 497.166667, 494.385420, 353),
    ("sf", 3, 1666.777778, 1664.360636, 635),
    ("sf", 4, 2258.583333, 2257.629280, 694),
    ("sf", 7, 4863.305556, 4863.305556, 744),
    ("sf", 11, 2093.250000, 2092.667311, 671),
]
"""Degree C hours above 10 degC, computed with scipy's trapezoid over the same readings, and by
exact integration of the straight lines between them."""


@pytest.mark.parametrize("case", MONTHS, ids=lambda case: f"{case[0]}-{case[1]}")
def test_months_of_open_data(cities: dict[str, Normals], case: tuple[str, int, float]) -> None:
    """The readings are tenths of a degree F, and base 10 degC is 50 F, so the sum is exact."""
    name, number, trapezoid, _, _ = case
    t_s, temp_f = month(cities[name], number)
    hourly = degree_hours(t_s, temp_f, 50.0, None, 7200) / 1.8
    assert hourly == pytest.approx(trapezoid, abs=1e-6)


@pytest.mark.parametrize("case", MONTHS, ids=lambda case: f"{case[0]}-{case[1]}")
def test_months_of_open_data_by_the_minute(
    cities: dict[str, Normals], case: tuple[str, int, float, float]
) -> None:
    """Sampled by the minute, as the product does, the floor is met where the line crosses it."""
    name, number, _, exact, _ = case
    t_s, temp_f = month(cities[name], number)
    each = np.arange(t_s[0], t_s[-1] + 60, 60)
    by_minute = degree_hours(each, np.interp(each, t_s, temp_f), 50.0, None) / 1.8
    assert by_minute == pytest.approx(exact, abs=0.02)


@pytest.fixture(scope="module")
def fahrenheit_recipe() -> Recipe:
    """A recipe whose limits are read as degrees F, to sum the data as they are."""
    return recipe_for("semi_ripe").model_copy(
        update={
            "warmth_floor_c": 50.0, "warmth_cap_c": 999.0, "harmful_low_c": -99.0,
            "slow_below_c": 50.0, "hot_above_c": 998.0, "harmful_high_c": 999.0,
        }
    )  # fmt: skip


@pytest.mark.parametrize("case", MONTHS, ids=lambda case: f"{case[0]}-{case[1]}")
def test_hours_in_band_of_open_data(
    cities: dict[str, Normals], fahrenheit_recipe: Recipe, case: tuple[str, int, float, float, int]
) -> None:
    """Hours at or above 10 degC, counted by numpy on the same readings."""
    name, number, trapezoid, _, hours = case
    t_s, temp_f = month(cities[name], number)
    t_s = np.arange(len(t_s)) * 3600 + t_s[0]  # an hour each, over the clock change too
    base = np.round(temp_f * 1000).astype(np.int64)
    usable = np.ones(len(base), dtype=bool)
    warmth = warmth_of(t_s, base, usable, fahrenheit_recipe, float(t_s[0]), max_gap_s=3600)
    assert warmth.bands_s[2] == hours * 3600
    assert warmth.covered_s == (len(t_s) - 1) * 3600
    if number != 3:
        assert warmth.degree_hours / 1.8 == pytest.approx(trapezoid, abs=1e-6)
