"""The heat balance of a bay, as far as it has been learned: what ought to happen to its base.

    base slope = rate x (duty felt at the probe - need x (base - air)) + sun

rate: rise at full duty before losses, K/s.  need: duty that holds one kelvin of base over air.
Both are learned on the bay itself and bounded (`learn`); the duty is felt late, by the bay's delay.
An energy balance of one lump: nothing in it is particular to a kind of mat or tray.
"""

from math import exp, inf, isfinite, radians, sin
from typing import Final

from controller.decide import learn
from controller.decide.aims import BayAims
from controller.decide.schedule import Sky
from controller.decide.state import BayState
from controller.decide.tuning import COMPOST_J_M2K, bounded

SUN_SHARE: Final = 0.7
"""Most of the light that compost can take up as heat: wet peat is dark (common practice, no
source)."""
SUN_STORED_S: Final = 3600.0
"""Sun taken up by the surface goes on warming what is below for about so long."""
_STAGE_SHARE: Final = 0.7
_STAGE_LEAST_S: Final = 300.0


def delay_s(aims: BayAims, state: BayState) -> float:
    """From the mat to the base probe: as learned, else as expected, s."""
    return state.delay_s if isfinite(state.delay_s) else aims.delay_s


def felt(
    before: tuple[float, float], duty: float, lag_s: float, dt_s: float
) -> tuple[float, float]:
    """Duty as felt at the probe: two lags in a row that together are about the bay's delay.

    before: the two stages, 0..1; the second is the answer.  lag_s: the delay.
    """
    tau_s = max(_STAGE_LEAST_S, _STAGE_SHARE * lag_s)
    share = dt_s / (tau_s + dt_s)
    first = before[0] + share * (duty - before[0])
    return first, before[1] + share * (first - before[1])


def heat_share(
    aims: BayAims, state: BayState, need_per_k: float, slope_k_s: float, lift_k: float
) -> float:
    """Heat that the base shows it is getting, as a share of the mat's full power; NaN if unknown.

    slope_k_s: of the base.  lift_k: base minus air over the same time.
    """
    return slope_k_s / learn.rate_k_s(aims, state) + need_per_k * lift_k


def brightest_w_m2(sky: Sky | None, light_w_m2: float) -> float:
    """Most sunlight that may fall on the bench now: the light probe's, else a clear sky's.

    Clear sky by B. Haurwitz, J. Meteorology 2 (1945) 154-166: 1098 sin h exp(-0.057 / sin h) W/m2
    at sun height h (constants from memory). inf where neither sun nor light is known.
    """
    if isfinite(light_w_m2):
        return max(0.0, light_w_m2)
    if sky is None or not sky.trusted:
        return inf
    sine = sin(radians(sky.sun_height_deg))
    return 1098.0 * sine * exp(-0.057 / sine) if sine > 0.01 else 0.0


def sun_remembered(before_w_m2: float, now_w_m2: float, dt_s: float) -> float:
    """The brightest of late, W/m2: at once up, slowly down."""
    if not isfinite(before_w_m2) or now_w_m2 >= before_w_m2:
        return now_w_m2
    return max(now_w_m2, before_w_m2 * exp(-dt_s / SUN_STORED_S))


def sun_k_s(sun_w_m2: float) -> float:
    """Rise of the base that so much sun could bring at most, K/s."""
    return SUN_SHARE * sun_w_m2 / COMPOST_J_M2K


def sun_heat_share(aims: BayAims, state: BayState, sun_w_m2: float) -> float:
    """Heat that so much sun could bring at most, as a share of the mat's full power."""
    return sun_k_s(sun_w_m2) / learn.rate_k_s(aims, state)


def carried_duty(need_per_k: float, aim_c: float, air_c: float, most: float) -> float:
    """Duty that holds a base that nobody sees at `aim_c`, from the air; 0..most."""
    return bounded(need_per_k * (aim_c - air_c), 0.0, most)
