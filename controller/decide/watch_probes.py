"""The slow windows of single base probes: one that repeats itself, and one that drifts away.

A frozen probe repeats its value to the last digit. A steady base can do that too, for a while; so
what the probe should have shown meanwhile is summed up from the heat balance, and its neighbours
are asked. Once a minute; QARTOD's flat-line test with a threshold that depends on what happened.
"""

from math import nan
from typing import Final, NamedTuple

from controller.decide import learn, watch_base
from controller.decide.aims import BayAims
from controller.decide.state import BayState
from sensors.readings import BayView

FIRST_S: Final = 3600.0
"""How the bay stood in the first hour of repeating is what later hours are compared with."""
LEAST_S: Final = 2 * 3600.0
"""No probe is called frozen before it has repeated itself for so long, and its mat had time to
show."""
ALONE_S: Final = 12 * 3600.0
"""From here on repetition is proof enough while the bay is heated: weather alone moves a base."""
BESIDE_S: Final = 6 * 3600.0
"""... and from here on, beside a neighbour that is seen to move."""
NEIGHBOUR_SPAN_K: Final = 0.15
NEIGHBOUR_K: Final = 0.25
"""Move of a neighbour's hourly mean that this probe should have shared."""
SWING_K: Final = 0.5
"""Foretold move by what changed in heat and air since the first hour."""
DUE_K: Final = 1.0
DUE_SHARE: Final = 0.3
"""Foretold move by heat and loss that do not balance: so many kelvin, and this share of the larger
of the two, because the learned loss may be out by a quarter."""
LOSS_LEAST_PER_S: Final = 1.0 / (16 * 3600.0)
"""Loss of the slowest tray, where none has been learned."""
AIR_SHARE: Final = 0.5
"""Air under a lifted lid swings far, and only part of what the base loses, it loses to that air."""
MEAN_TAU_S: Final = 2400.0
SAME: Final = 1e-6
SPAN_SEEN_S: Final = 3900.0
"""The span of an hour is taken over closed five minutes."""

DRIFT_K: Final = 1.2
"""Two probes this much farther apart than they usually are have drifted."""
DRIFT_S: Final = 3 * 3600.0
"""... when they were so for this long, counted by night: sun may strike one of them alone."""
USUAL_S: Final = 21 * 86400.0
USUAL_FIRST_S: Final = 6 * 3600.0
DAY_S: Final = 86400.0
SLOPE_MOST_K: Final = 3.0
"""Most that the mat may do to the difference of two probes at different heights, at full duty."""

# 0 value, 1 repeated_s, 2 mean of late, 3 neighbours' mean then, 4 duty felt then, 5 air then,
# 6 most sun then, K/s, 7 foretold by changes, K, 8 foretold by heat less loss, K, 9 the larger of
# the two alone, K.
FRESH_STILL: Final = (nan, 0.0, nan, nan, nan, nan, 0.0, 0.0, 0.0, 0.0)
# Of a probe against the first of its bay: 0 mean difference, 1 mean duty felt, 2 variance of that
# duty, 3 covariance of both, 4 seen_s, 5 difference of late, 6 apart_s.
FRESH_PAIR: Final = (nan, 0.0, 0.0, 0.0, 0.0, nan, 0.0)


class Bay(NamedTuple):
    """What the probes of one bay are judged by. need_per_k: usual holding duty, NaN if unknown.

    felt: duty felt at the probes, 0..1.  air_c: NaN when not known.  sun_k_s: rise that sun could
    bring at most.  dt_s: 0 after a gap.
    """

    aims: BayAims
    held: BayState
    view: BayView
    need_per_k: float
    felt: float
    air_c: float
    sun_k_s: float
    night: bool
    dt_s: float


def still(
    old: tuple[float, ...], bay: Bay, index: int, others: tuple[tuple[float, ...], ...]
) -> tuple[float, ...]:
    """The window of the probe at `index` a minute later. others: the windows of its neighbours."""
    probe = bay.view.probes[index]
    value, dt_s = probe.reading.value, bay.dt_s
    if value != value:
        return FRESH_STILL
    mean_c = old[2] + (value - old[2]) * dt_s / (MEAN_TAU_S + dt_s) if old[2] == old[2] else value
    # Within the hour only whole minutes are compared; then its span holds every sample.
    moved = old[1] > SPAN_SEEN_S and probe.span_1h > SAME
    if not moved and old[1] > SPAN_SEEN_S and probe.span_1h != probe.span_1h:
        return old  # just after a start: wait until its span is known
    if moved or not dt_s > 0.0 or not abs(value - old[0]) <= SAME:
        return (value, 0.0, mean_c, *FRESH_STILL[3:])
    for_s = old[1] + dt_s
    near_c = _mean_of(others)
    if not for_s >= FIRST_S or old[4] != old[4]:
        share = min(1.0, dt_s / for_s) if for_s > 0.0 else 1.0
        duty = bay.felt if old[4] != old[4] else old[4] + share * (bay.felt - old[4])
        air_c = bay.air_c if old[5] != old[5] else old[5] + share * (bay.air_c - old[5])
        sun_k_s = max(old[6], bay.sun_k_s)
        return (value, for_s, mean_c, near_c, duty, air_c, sun_k_s, 0.0, 0.0, 0.0)
    changes_k, due_k, most_k = _foretold(old, bay, value)
    return (value, for_s, mean_c, *old[3:7], old[7] + changes_k, old[8] + due_k, old[9] + most_k)


def _foretold(old: tuple[float, ...], bay: Bay, value: float) -> tuple[float, float, float]:
    """Kelvin by which the base should have moved in this minute, three ways (see FRESH_STILL).

    Sun may take the place of heat, and heat that of sun, so only what no sun can explain counts.
    """
    dt_s = bay.dt_s
    rate_k_s = learn.rate_k_s(bay.aims, bay.held)
    learned = bay.need_per_k > 0.0
    loss = rate_k_s * bay.need_per_k if learned else LOSS_LEAST_PER_S
    gained = rate_k_s * (bay.felt - old[4])
    air_k = bay.air_c - old[5]
    if air_k == air_k:
        gained += AIR_SHARE * loss * air_k
    gained = _without_sun(gained, old[6], bay.sun_k_s)
    lift_k = value - bay.air_c
    if lift_k != lift_k or not (learned or bay.felt < 0.02):
        return gained * dt_s, 0.0, 0.0
    heat, lost = rate_k_s * bay.felt, loss * lift_k
    due = _without_sun(heat - lost, 0.0, bay.sun_k_s)
    return gained * dt_s, due * dt_s, max(heat, abs(lost)) * dt_s


def _without_sun(moves_k_s: float, sun_then_k_s: float, sun_now_k_s: float) -> float:
    """What is left of a foretold move when sun that went or came takes the most from it."""
    if moves_k_s >= 0.0:
        return max(0.0, moves_k_s - sun_then_k_s)
    return min(0.0, moves_k_s + sun_now_k_s)


def _mean_of(others: tuple[tuple[float, ...], ...]) -> float:
    """Mean of late of the neighbours that do not repeat themselves."""
    means = [window[2] for window in others if window[1] < LEAST_S and window[2] == window[2]]
    return sum(means) / len(means) if means else nan


def frozen(
    window: tuple[float, ...], bay: Bay, index: int, others: tuple[tuple[float, ...], ...]
) -> bool:
    """Whether a probe that repeats itself must be frozen."""
    for_s = window[1]
    if for_s < max(LEAST_S, watch_base.answered_s(bay.held)):
        return False
    if abs(window[7]) >= SWING_K:
        return True
    if abs(window[8]) >= max(DUE_K, DUE_SHARE * window[9]):
        return True
    if abs(_mean_of(others) - window[3]) >= NEIGHBOUR_K:
        return True
    if for_s >= BESIDE_S and _beside_a_mover(bay.view, index):
        return True
    return for_s >= ALONE_S and bay.felt > 0.02


def _beside_a_mover(view: BayView, index: int) -> bool:
    spans_k = [probe.span_3h for i, probe in enumerate(view.probes) if i != index]
    return any(span_k >= NEIGHBOUR_SPAN_K for span_k in spans_k)


def pair(old: tuple[float, ...], bay: Bay, apart_k: float) -> tuple[float, ...]:
    """The window of two probes a minute later. apart_k: their difference, NaN when not known.

    What the difference usually is, is learned with the duty (probes at different heights part
    while the mat works) by a running linear regression that forgets over three weeks.
    """
    if apart_k != apart_k:
        return old
    dt_s, felt = bay.dt_s, bay.felt
    mean_k, mean_duty, variance, covariance, seen_s, late_k, apart_s = old
    if mean_k != mean_k or late_k != late_k:
        return (apart_k, felt, 0.0, 0.0, 0.0, apart_k, 0.0)
    late_k += (apart_k - late_k) * dt_s / (MEAN_TAU_S + dt_s)
    beyond_k = abs(late_k - usual_apart_k(old, felt))
    if beyond_k < 0.75 * DRIFT_K or seen_s < DAY_S:
        apart_s = 0.0
    elif beyond_k >= DRIFT_K and bay.night:
        apart_s = min(apart_s + dt_s, 2 * DRIFT_S)
    share = dt_s / (min(max(seen_s, USUAL_FIRST_S), USUAL_S) + dt_s)
    off_k, off_duty = late_k - mean_k, felt - mean_duty
    return (
        mean_k + share * off_k,
        mean_duty + share * off_duty,
        (1.0 - share) * (variance + share * off_duty * off_duty),
        (1.0 - share) * (covariance + share * off_duty * off_k),
        seen_s + dt_s,
        late_k,
        apart_s,
    )


def usual_apart_k(window: tuple[float, ...], felt: float) -> float:
    """Difference that two probes usually have at this duty, K."""
    slope_k = window[3] / max(window[2], 0.01)
    return window[0] + min(SLOPE_MOST_K, max(-SLOPE_MOST_K, slope_k)) * (felt - window[1])


def drifted(window: tuple[float, ...]) -> bool:
    return window[6] >= DRIFT_S


def probes(
    watch: dict[tuple[str, str], tuple[float, ...]], bay: Bay
) -> tuple[dict[tuple[str, str], tuple[float, ...]], float, int]:
    """(windows of all base probes of a bay, above 0 when two have drifted apart, number frozen)."""
    found: dict[tuple[str, str], tuple[float, ...]] = {}
    count = 0
    names = [probe.reading.probe for probe in bay.view.probes]
    windows = [_sound(watch.get(("still", name)), FRESH_STILL) for name in names]
    values = []
    for index, name in enumerate(names):
        others = tuple(windows[:index] + windows[index + 1 :])
        window = still(windows[index], bay, index, others)
        found["still", name] = window
        if frozen(window, bay, index, others):
            found["frozen", name] = (1.0,)
            count += 1
            values.append(nan)
        else:
            values.append(bay.view.probes[index].reading.value)
    apart = -1.0
    for name, value in zip(names[1:], values[1:], strict=True):
        window = pair(_sound(watch.get(("pair", name)), FRESH_PAIR), bay, value - values[0])
        found["pair", name] = window
        if drifted(window):
            apart = 1.0
    return found, apart, count


def _sound(found: tuple[float, ...] | None, fresh: tuple[float, ...]) -> tuple[float, ...]:
    return found if found is not None and len(found) == len(fresh) else fresh
