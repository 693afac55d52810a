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
FLOW_USUAL_ML_S_M2: Final = 6.0
"""Mist over a bench whose file gives no flow; about 15 to 65 mL/m2 a burst are usual (this
program's own estimate from published water use under mist)."""
FILM_USUAL_KPA_MIN_S: Final = 2.4
FILM_MOST_KPA_MIN: Final = 27.0
"""Water that mist of the usual flow leaves on the leaves, as kPa min of dryness per second, and the
most that stays on them. This program's own estimate: 0.6 of 6 mL/s m2 caught by 1.5 m2 of leaf is
2.4 g/m2 a second; a free film that is fed heat from both sides of the leaf through 80 s/m of still
air loses 2.7 g/m2 for each kPa min at 20 degC (Penman-Monteith without surface resistance, FAO-56
Eq. 3), so 0.9 kPa min if it lay as a sheet. Drops that cover a third of the leaf or all of it as
they begin, and ever less, take 3.5 to 2 times as long: 1.8 to 3.2. Of 30 to 80 g/m2 as the most
that a leaf holds: 11 to 60 kPa min; the lower part, so that no leaf is taken for wet that is dry.
"""

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


def leaf_rise_k(bench: BenchView, sky: Sky | None) -> float:
    """How much warmer than the air a leaf is in the light it gets now, K, 0..6.

    By the light probe if there is one, otherwise by the height of the sun.
    """
    if isfinite(bench.light):
        rise_k = BRIGHT_RISE_K * bench.light / BRIGHT_W_M2
        return min(RISE_HIGHEST_K, max(0.0, rise_k))
    if sky is None or not sky.trusted:
        return UNKNOWN_SUN_RISE_K
    if sky.sun_height_deg <= 0:
        return 0.0
    return BRIGHT_RISE_K * USUAL_SKY * sin(radians(sky.sun_height_deg))


def leaf_deficit_kpa(bench: BenchView, sky: Sky | None) -> float:
    """Leaf-to-air vapour pressure deficit, kPa, never below 0; call only with a known climate."""
    leaf_c = bench.top_c + leaf_rise_k(bench, sky)
    return max(0.0, leaf_vpd_kpa(leaf_c, bench.top_c, min(100.0, bench.rh_pct)))


def film_kpa_min_s(flow_ml_per_s: float | None, area_m2: float | None) -> float:
    """What a second of mist leaves on the leaves, kPa min, 0.5..9, by the bench file's flow."""
    if flow_ml_per_s is None or area_m2 is None:
        return FILM_USUAL_KPA_MIN_S
    times_usual = flow_ml_per_s / area_m2 / FLOW_USUAL_ML_S_M2
    return min(9.0, max(0.5, FILM_USUAL_KPA_MIN_S * times_usual))


def film_after_burst(film_kpa_min: float, burst_s: float, per_s: float) -> float:
    """Water on the leaves after a burst of `burst_s` seconds, kPa min, 0..27.

    per_s: what a second leaves, see `film_kpa_min_s`.
    """
    return min(FILM_MOST_KPA_MIN, film_kpa_min + per_s * burst_s)
