"""A humidity probe that reads dry all at once, told by the temperature that did not go with it.

Only other air makes a bench's air dry within minutes. Mixed in at a share f, it leaves of the
vapour pressure at least the part 1 - f, and of the lift over the house the same part, for heat and
vapour leave wet leaves and compost alike (Lewis relation; Monteith and Unsworth, Principles of
Environmental Physics, from memory). So vapour that falls to a third while the top stays as far
over the house as before is a fault of the probe. What is not known is judged by nothing: no house
probe, a house nearly as warm as the bench. Limits are this program's own choice.
"""

from math import nan
from typing import Final

from sensors.moist_air import svp_kpa
from sensors.readings import BenchView

FALLS_TO: Final = 0.35
"""Share of its vapour that the air keeps at most, when it is looked at."""
BACK_AT: Final = 0.6
RISES_BY: Final = 1.5
LIFT_LEAST_K: Final = 1.5
BEFORE: Final = -5
"""Of values five minutes apart, newest last: how it was before; the last two are how it is."""


def vapour_kpa(view: BenchView) -> float:
    """Vapour pressure of a bench's air by its probes, kPa; NaN while one is lost."""
    if not -40.0 < view.top_c < 70.0:
        return nan
    return svp_kpa(view.top_c) * view.rh_pct / 100.0


def doubted_kpa(
    old_kpa: float,
    now_kpa: float,
    past_kpa: tuple[float, ...],
    past_c: tuple[float, ...],
    view: BenchView,
) -> float:
    """Vapour pressure before a fall that is not believed, kPa; 0 when nothing is doubted.

    old_kpa: as of a minute ago.  past_kpa, past_c: vapour pressure and top, five minutes apart.
    """
    if now_kpa != now_kpa:
        return old_kpa
    if old_kpa > 0.0:
        back = now_kpa >= BACK_AT * old_kpa or now_kpa >= RISES_BY * past_kpa[BEFORE]
        return 0.0 if back else old_kpa
    before_kpa, before_c = past_kpa[BEFORE], past_c[BEFORE]
    late_kpa = max(now_kpa, past_kpa[-1], past_kpa[-2])
    if not late_kpa <= FALLS_TO * before_kpa or past_kpa[-1] != past_kpa[-1]:
        return 0.0
    lift_k = before_c - view.house_c
    shared = 1.0 - late_kpa / before_kpa
    kept = view.top_c - view.house_c > (1.0 - shared / 2.0) * lift_k
    return before_kpa if lift_k >= LIFT_LEAST_K and kept else 0.0
