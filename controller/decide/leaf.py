"""What the climate does to a leaf: how much warmer than the air it is, and how fast it dries.

Humidity alone hides sunshine: at 20 degC and 90 % a leaf at air temperature loses water to a
deficit of 0.23 kPa, one that is 3 K warmer to 0.70 kPa (FAO-56 Eq. 11 at both temperatures).
"""

from math import isfinite, radians, sin
from typing import Final

from controller.decide.schedule import Sky
from sensors.moist_air import leaf_vpd_kpa
from sensors.readings import BenchView

BRIGHT_RISE_K: Final = 3.0
"""Leaf above air in the brightest light of a shaded rooting bench; this program's own choice."""
BRIGHT_W_M2: Final = 250.0
"""That light at the cuttings: about a quarter of full sun; this program's own choice."""
RISE_HIGHEST_K: Final = 6.0
USUAL_SKY: Final = 0.7
"""Light of a usual sky as a share of a clear one: FAO-56 Eq. 35 with its a 0.25, b 0.50 and sun for
55 % of the day (own choice), over the same with sun all day."""
UNKNOWN_SUN_RISE_K: Final = 1.0
"""Without light probe and without a clock to place the sun; own choice."""
DARK_W_M2: Final = 2.0
FILM_PER_BURST_S: Final = 2.0
FILM_MOST_KPA_MIN: Final = 27.0
"""Water a burst leaves on the leaves, as kPa min of dryness per second of burst, and the most that
stays on them. Own choice, from 30 to 80 g/m2 of water drying through the still air layer of a leaf
(60 to 150 s/m): 4 to 27 kPa min."""

_TOP_LOWEST_C: Final = -40.0
_TOP_HIGHEST_C: Final = 70.0


def is_day(bench: BenchView, sky: Sky) -> bool:
    """Whether it is day at the bench.

    While the clock is not trusted: by the light probe (W/m2) if there is one, otherwise yes,
    because leaves die sooner of a day taken for night than of the reverse.
    """
    if sky.trusted:
        return sky.is_day
    return not bench.light < DARK_W_M2


def climate_known(bench: BenchView) -> bool:
    """Whether top temperature and humidity are both known and believable."""
    return (
        _TOP_LOWEST_C <= bench.top_c <= _TOP_HIGHEST_C
        and bench.rh_pct >= 0
        and isfinite(bench.rh_pct)
    )


def leaf_rise_k(bench: BenchView, sky: Sky) -> float:
    """How much warmer than the air a leaf is in the light it gets now, K, 0..6.

    By the light probe if there is one, otherwise by the height of the sun.
    """
    if isfinite(bench.light):
        rise_k = BRIGHT_RISE_K * bench.light / BRIGHT_W_M2
        return min(RISE_HIGHEST_K, max(0.0, rise_k))
    if not sky.trusted:
        return UNKNOWN_SUN_RISE_K
    if sky.sun_height_deg <= 0:
        return 0.0
    return BRIGHT_RISE_K * USUAL_SKY * sin(radians(sky.sun_height_deg))


def leaf_deficit_kpa(bench: BenchView, sky: Sky) -> float:
    """Leaf-to-air vapour pressure deficit, kPa, never below 0; call only with a known climate."""
    leaf_c = bench.top_c + leaf_rise_k(bench, sky)
    return max(0.0, leaf_vpd_kpa(leaf_c, bench.top_c, min(100.0, bench.rh_pct)))


def film_after_burst(film_kpa_min: float, burst_s: float) -> float:
    """Water on the leaves after a burst of `burst_s` seconds, kPa min, 0..27."""
    return min(FILM_MOST_KPA_MIN, film_kpa_min + FILM_PER_BURST_S * burst_s)
