"""Did the climate answer the last burst? A run of bursts without answer means a blocked nozzle."""

from math import inf, isfinite, isnan, nan
from typing import Final, NamedTuple

from controller.decide.state import MistState
from sensors.readings import BenchView

JUDGE_WITHIN_S: Final = 300.0
JUDGE_LOOK_S: Final = 20.0
"""How often to look while an answer is awaited; it may last a minute only."""
DRY_ENOUGH_KPA: Final = 0.3
"""Damper air than this hardly answers, so nothing is judged in it."""
VPD_ANSWER: Final = 0.9
RH_ANSWER_PCT: Final = 2.0
"""An answer: VPD down by a tenth or humidity up by 2 points; this program's own choice."""


class Answers(NamedTuple):
    """The judging part of MistState, under the same names."""

    judged_burst_s: float
    vpd_before_kpa: float
    rh_before_pct: float
    best_vpd_kpa: float
    best_rh_pct: float
    unanswered: int


def awaited(state: MistState) -> bool:
    """Whether a burst still waits to be judged."""
    return state.judged_burst_s > -inf


def judged(state: MistState, bench: BenchView, mono_s: float, last_call: bool = False) -> Answers:
    """The judging part of the state after a look at the climate.

    last_call: judge now, because another burst begins. A burst during whose wait humidity was
    never known is not counted either way.
    """
    best_vpd_kpa = _least(state.best_vpd_kpa, bench.vpd_kpa)
    best_rh_pct = -_least(-state.best_rh_pct, -bench.rh_pct)
    unanswered = state.unanswered
    if (
        best_vpd_kpa <= VPD_ANSWER * state.vpd_before_kpa
        or best_rh_pct >= state.rh_before_pct + RH_ANSWER_PCT
    ):
        return _nothing_awaited(0)
    if last_call or not 0 <= mono_s - state.judged_burst_s < JUDGE_WITHIN_S:
        return _nothing_awaited(unanswered + isfinite(best_vpd_kpa))
    return Answers(
        state.judged_burst_s,
        state.vpd_before_kpa,
        state.rh_before_pct,
        best_vpd_kpa,
        best_rh_pct,
        unanswered,
    )


def awaiting(bench: BenchView, mono_s: float, unanswered: int) -> Answers:
    """The judging part of the state as a burst begins at monotonic time `mono_s`."""
    if not bench.vpd_kpa > DRY_ENOUGH_KPA:
        return _nothing_awaited(unanswered)
    return Answers(mono_s, bench.vpd_kpa, bench.rh_pct, nan, nan, unanswered)


def _nothing_awaited(unanswered: int) -> Answers:
    return Answers(-inf, nan, nan, nan, nan, unanswered)


def _least(one: float, other: float) -> float:
    """The lesser of two numbers, either of which may be NaN."""
    return one if one <= other or isnan(other) else other
