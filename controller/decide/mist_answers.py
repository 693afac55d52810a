"""Did the climate answer the bursts? Several without answer mean a blocked nozzle or no water.

A burst of a few seconds moves the air by little: some hundredths of a kPa and a few tenths of a
kelvin, hardly more than a probe's noise. So the minute after a burst, as a mean, is held against
the line that the minutes before it drew, VPD and temperature are taken together, and bursts that
were not answered plainly are judged by their mean. The bench's usual answer is learned, for each
kPa of VPD: with it even damp air can tell, as long as it has room for more than noise, and a mister
once accused is not let off by what is far less than it used to do. All figures are this program's
own choice, tried on simulated benches; no published source.
"""

from math import nan
from typing import Any, Final

from controller.decide.changing import changed
from controller.decide.state import MistState, Stretch, Trail
from sensors.moist_air import svp_kpa

STRETCH_S: Final = 60.0
DELAY_S: Final = 10.0
"""Probes in still air need this long to begin to follow."""
PAST_MOST: Final = 4
PAST_LEAST_S: Final = 50.0
"""Less seen before a burst draws no line, so bursts closer than about two minutes go unjudged."""
DRY_ENOUGH_KPA: Final = 0.3
"""Damper air than this hardly answers, so nothing is judged in it while the usual is not known."""
DAMP_KPA: Final = 0.15
ROOM: Final = 1.5
"""Air down to this is judged where the usual answer would be so many plain ones."""
FOLLOWED_KPA: Final = 0.14
LEARNS: Final = 1.0 / 8.0
"""Share of each answer in the usual one; its first value is half the first answer."""
PLAIN_RH_PCT: Final = 1.0
PLAIN_K: Final = 0.2
"""VPD lower by so many points of humidity, or the top cooler by so much, is a plain answer by
itself. In points, because warm air takes up more and a probe's noise weighs more in it."""
STEEP: Final = 3.0
"""Air that moves by itself by so many plain answers in a minute or two cannot tell."""
FULL_BURST_S: Final = 5.0
SHORT_SHARE: Final = 0.5
"""A shorter burst is asked for less, down to this share."""
MEAN_LEAST: Final = 0.5
MEAN_OF: Final = 5
FEWEST: Final = 3
"""The last bursts, three to five, whose mean answer reaches half a plain one have been answered."""
ACQUITS: Final = 2.0
MEAN_ACQUITS: Final = 1.0
ACQUITS_OF_USUAL: Final = 1.0 / 3.0
"""Once three have gone unanswered noise alone must not end it: what is asked for then, of one burst
and of the mean, and at least of the usual answer."""
_new: Final = tuple.__new__


def follow(trail: Trail | None, vpd_kpa: float, top_c: float, mono_s: float) -> Trail | None:
    """The trail with one sample more. None in damp or unknown air, unless a burst waits."""
    if trail is None:
        trail = Trail(mono_s)
    since_s, n, vpd_sum, top_sum, burst_s, past = trail
    if burst_s == 0.0:
        if not (vpd_kpa > FOLLOWED_KPA and -40.0 < top_c < 70.0):
            return None
        if not 0.0 <= mono_s - since_s < STRETCH_S:
            return Trail(mono_s, 1, vpd_kpa, top_c, 0.0, _kept(trail, mono_s))
    elif mono_s < since_s or vpd_kpa != vpd_kpa or not -40.0 < top_c < 70.0:
        return trail
    return _new(Trail, (since_s, n + 1, vpd_sum + vpd_kpa, top_sum + top_c, burst_s, past))


def begun(trail: Trail, burst_s: float, mono_s: float) -> Trail:
    """The trail as a burst of `burst_s` seconds begins: what follows is its answer."""
    past = _kept(trail, mono_s) if trail.burst_s == 0.0 else ()
    return Trail(mono_s + DELAY_S, 0, 0.0, 0.0, burst_s, past)


def is_over(trail: Trail, mono_s: float) -> bool:
    """Whether a burst waits to be judged and its minute is over."""
    return trail.burst_s > 0.0 and not mono_s < trail.since_s + STRETCH_S


def answer(trail: Trail, usual_per_kpa: float = nan) -> float:
    """How plainly the last burst was answered: 0 not at all, 1 plainly; NaN where none can tell.

    usual_per_kpa: the usual answer for each kPa of VPD, NaN while it is not known.
    """
    past, n = trail.past, trail.n
    if n < 2 or not past:
        return nan
    vpd_kpa = past[-1].vpd_kpa
    has_room = vpd_kpa > DAMP_KPA and usual_per_kpa * vpd_kpa >= ROOM
    if not (vpd_kpa > DRY_ENOUGH_KPA or has_room):
        return nan
    if trail.since_s - DELAY_S - past[0].since_s < PAST_LEAST_S:
        return nan
    mid_s = trail.since_s + STRETCH_S / 2.0
    drier_kpa = _line([(part.mid_s, part.n, part.vpd_kpa) for part in past], mid_s)
    warmer_c = _line([(part.mid_s, part.n, part.top_c) for part in past], mid_s)
    plain_kpa = PLAIN_RH_PCT / 100.0 * svp_kpa(past[-1].top_c)
    if abs(drier_kpa - past[-1].vpd_kpa) > STEEP * plain_kpa:
        return nan
    fall = (drier_kpa - trail.vpd_sum / n) / plain_kpa
    fall += (warmer_c - trail.top_sum / n) / PLAIN_K
    return fall / min(1.0, max(SHORT_SHARE, trail.burst_s / FULL_BURST_S))


def judged(state: MistState, trail: Trail) -> MistState:
    """The mister's state with the burst of `trail` judged; what cannot tell counts neither way."""
    plainly = answer(trail, state.usual_answer)
    if plainly != plainly:
        return state
    vpd_kpa = trail.past[-1].vpd_kpa
    answers = (*state.answers, plainly)[-MEAN_OF:]
    accused = state.unanswered >= FEWEST
    plain, least = 1.0, MEAN_LEAST
    if accused:
        part = ACQUITS_OF_USUAL * state.usual_answer * vpd_kpa
        plain, least = (max(plain, part) for plain in (ACQUITS, MEAN_ACQUITS))
    enough = len(answers) >= FEWEST and sum(answers) >= least * len(answers)
    if plainly >= plain or enough:
        changes: dict[str, Any] = {"unanswered": 0, "answers": ()} if state.unanswered else {}
        if plainly >= plain and state.metered.missed:
            # Water came, so it is the meter that counts none.
            changes["metered"] = state.metered._replace(known=0, missed=0)
        if vpd_kpa > DRY_ENOUGH_KPA and not accused:
            changes["usual_answer"] = _learned(state.usual_answer, plainly / vpd_kpa)
        return changed(state, changes) if changes else state
    return changed(state, {"unanswered": state.unanswered + 1, "answers": answers})


def _learned(usual_per_kpa: float, found_per_kpa: float) -> float:
    if usual_per_kpa != usual_per_kpa:
        return found_per_kpa / 2.0
    return usual_per_kpa + LEARNS * (found_per_kpa - usual_per_kpa)


def _kept(trail: Trail, mono_s: float) -> tuple[Stretch, ...]:
    """The past with the running stretch added to it, if it holds enough to count."""
    since_s, n, vpd_sum, top_sum, _, past = trail
    if n < 2 or not 0.0 <= mono_s - since_s <= 2.0 * STRETCH_S:
        return past
    stretch = Stretch(since_s, (since_s + mono_s) / 2.0, n, vpd_sum / n, top_sum / n)
    return (*past[1 - PAST_MOST :], stretch)


def _line(points: list[tuple[float, int, float]], at_s: float) -> float:
    """Straight line through (time, weight, value), weighted least squares, continued to `at_s`."""
    weight = sum(n for _, n, _ in points)
    mid_s = sum(n * t_s for t_s, n, _ in points) / weight
    mean = sum(n * y for _, n, y in points) / weight
    spread = sum(n * (t_s - mid_s) ** 2 for t_s, n, _ in points)
    if spread <= 0.0:
        return mean
    slope = sum(n * (t_s - mid_s) * (y - mean) for t_s, n, y in points) / spread
    return mean + slope * (at_s - mid_s)
