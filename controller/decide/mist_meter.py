"""Did water run with the bursts, and only with them? What a water meter in the pipe can tell.

The air answers a burst late and in little; a meter counts it at once. Two bursts running in which
it counted nothing are no water. That is asked only of a meter that counted with each burst before,
so that one with coarse pulses, or one that is dead, accuses nobody for long: an answer of the air
takes it back. And water that runs long after the last burst is a valve that does not close, or a
leak. Own choice of figures, tried on simulated benches; no published source.
"""

from math import isfinite
from typing import Final

from controller.decide.aims import BenchPlan
from controller.decide.changing import changed
from controller.decide.state import Metered, MistState
from sensors.quality import LATE_PERIODS
from sensors.readings import BenchView

METER: Final = "water_meter"
BURST_LEAST_S: Final = 2.0
"""A shorter burst may pass between two pulses of the meter."""
REPORT_S: Final = 5.0
LATE_MOST_S: Final = 60.0
"""A burst that is looked at so long after its time had a gap in it, and is not judged."""
KNOWN: Final = 3
"""Bursts running that the meter must have counted before it is asked."""
WATERLESS: Final = 2
"""Bursts running without water from which on there is none."""
WATER_LEAST: Final = 0.2
"""Share of the usual water of a burst: less is a drip."""
LEARNS: Final = 1.0 / 8.0

SETTLES_S: Final = 10.0
"""A valve has closed, and the pipe run empty, so long after its burst."""
MINUTE_MOST_ML: Final = 100.0
"""No minute counts for more: a nozzle tried or a can filled is no leak."""
FORGET_S: Final = 3600.0
STOPPED_S: Final = 600.0
"""Without a pulse for so long it runs no more."""


def waterless(held: MistState) -> bool:
    """Whether the meter says that no water comes with the bursts."""
    return held.metered.missed >= WATERLESS


def followed(
    held: MistState, plan: BenchPlan, bench: BenchView, burst_s: float, mono_s: float
) -> MistState:
    """The mister's state with what the meter counted, and the last burst judged when it is time.

    burst_s: length of the burst that begins now, 0 for none.
    """
    waits, most_ml_s, usual_ml, known, missed = was = held.metered
    if burst_s >= BURST_LEAST_S:
        now = Metered(True, 0.0, usual_ml, known, missed)
        return changed(held, {"metered": now})
    if not waits:
        return held
    flow_ml_s = bench.flow_ml_s
    over_s = mono_s - held.last_burst_s - held.last_burst_len_s - plan.meter_late_s - REPORT_S
    if not isfinite(flow_ml_s) or not over_s <= LATE_MOST_S:
        return changed(held, {"metered": was._replace(waits=False)})
    most_ml_s = max(most_ml_s, flow_ml_s)
    if over_s >= 0.0:
        # A flow is a mean over the time between two counts, most of which a burst does not fill.
        every_s = plan.meter_late_s / LATE_PERIODS
        water_ml = most_ml_s * every_s / max(1.0, min(held.last_burst_len_s, every_s))
        now = _judged(water_ml, usual_ml, known, missed)
    else:
        now = was._replace(most_ml_s=most_ml_s)
    return held if now == was else changed(held, {"metered": now})


def _judged(water_ml: float, usual_ml: float, known: int, missed: int) -> Metered:
    """water_ml: counted for each second of the burst."""
    ran = water_ml > 0.0 if usual_ml != usual_ml else water_ml >= WATER_LEAST * usual_ml
    if ran:
        usual_ml = water_ml if usual_ml != usual_ml else usual_ml + LEARNS * (water_ml - usual_ml)
        return Metered(False, 0.0, usual_ml, min(KNOWN, known + 1), 0)
    if known < KNOWN:
        return Metered(False, 0.0, usual_ml, 0, 0)
    return Metered(False, 0.0, usual_ml, known, missed + 1)


def leaked(
    leak_ml: float,
    dry_s: float,
    plan: BenchPlan,
    held: MistState,
    bench: BenchView,
    started_s: float,
    now_s: float,
    dt_s: float,
) -> tuple[float, float]:
    """(ml that ran unasked of late, seconds since the last of it), a minute later.

    Only a count taken wholly after the last burst is held against the valve; what ran before this
    start of the program is not known.
    """
    flow_ml_s = bench.flow_ml_s
    if flow_ml_s != flow_ml_s or not plan.aims.relay:
        return leak_ml, dry_s
    ages_s = [p.age_s for p, kind in zip(bench.air, plan.kinds, strict=False) if kind == METER]
    counted_from_s = now_s - max(ages_s, default=0.0) - plan.meter_late_s
    if counted_from_s < max(held.on_until_s, started_s) + SETTLES_S:
        return leak_ml, dry_s
    leak_ml *= max(0.0, 1.0 - dt_s / FORGET_S)
    if flow_ml_s > 0.0:
        return leak_ml + min(MINUTE_MOST_ML, flow_ml_s * dt_s), 0.0
    dry_s += dt_s
    return (0.0 if dry_s >= STOPPED_S else leak_ml), dry_s
