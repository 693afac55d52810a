"""Did the climate answer the last burst? A run of bursts without answer means a blocked nozzle."""

from math import inf, isfinite, nan
from typing import Final, NamedTuple

from controller.decide.state import MistState
from sensors.readings import BenchView

JUDGE_WITHIN_S: Final = 300.0
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
    unanswered: int


def can_be_judged(state: MistState, bench: BenchView, mono_s: float) -> bool:
    """Whether a burst waits to be judged, and the climate has answered it or the wait is over."""
    if state.judged_burst_s == -inf:
        return False
    return _answered(state, bench) or not 0 <= mono_s - state.judged_burst_s < JUDGE_WITHIN_S


def judged(state: MistState, bench: BenchView) -> Answers:
    """The judging part of the state with the waiting burst judged by the climate as it is now.

    A burst that ends its wait with humidity unknown is not counted either way.
    """
    unanswered = state.unanswered + isfinite(bench.vpd_kpa)
    return Answers(-inf, nan, nan, 0 if _answered(state, bench) else unanswered)


def awaiting(state: MistState, bench: BenchView, mono_s: float) -> Answers:
    """The judging part of the state as a burst begins at monotonic time `mono_s`."""
    unanswered = state.unanswered
    if state.judged_burst_s > -inf:
        unanswered = judged(state, bench).unanswered
    if not bench.vpd_kpa > DRY_ENOUGH_KPA:
        return Answers(-inf, nan, nan, unanswered)
    return Answers(mono_s, bench.vpd_kpa, bench.rh_pct, unanswered)


def _answered(state: MistState, bench: BenchView) -> bool:
    return (
        bench.vpd_kpa <= VPD_ANSWER * state.vpd_before_kpa
        or bench.rh_pct >= state.rh_before_pct + RH_ANSWER_PCT
    )
