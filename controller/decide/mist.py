"""Mist of one bench: a burst now, or why not.

Order: guards; hand; blind (climate not known) or else gap, dryness, schedule, cooling - of which
the first that wants a burst is overruled by leaves that are to be dry, then by the shortest gap and
the water budgets. Timed survival bursts stand in where the budget or the climate fails, so that
unrooted leaves never go without by day. The hard share of an hour has the last word over all.

The state holds until when nothing can fall due, so most ticks return at once.
"""

from math import inf, nan
from typing import Any, Final

from config.bounds import BURST_LONGEST_S
from config.model import MistTime, SiteInfo
from controller.decide import mist_rules as rules
from controller.decide.aims import MistAims
from controller.decide.changing import changed
from controller.decide.leaf import climate_known, film_after_burst, is_day, leaf_deficit_kpa
from controller.decide.mist_rules import LOOK_LONGEST_S, Choice, View
from controller.decide.schedule import Sky
from controller.decide.state import MistState
from controller.records import MistDecision, Reason
from sensors.clock import Now
from sensors.readings import BenchView

SUM_LONGEST_S: Final = 120.0
"""Most time over which one look may add dryness; what lies before it was not seen."""
DRYNESS_MOST_KPA_MIN: Final = 10_000.0
_REST: Final = Reason("mist_rest")
_NONE: Final = Reason("mist_none")


def mist(
    aims: MistAims,
    state: MistState,
    bench: BenchView,
    sky: Sky,
    now: Now,
    dt_s: float,
    schedule: tuple[MistTime, ...],
    info: SiteInfo,
) -> tuple[MistState, MistDecision]:
    """The mister's next state and decision.

    aims, bench: of this bench.  sky: of about this minute.  dt_s: seconds since the last step, used
    for the first look only.  schedule: the bench file's clock times.  info: place and zone.
    Raises ValueError for a clock time in `schedule` that cannot be read.
    """
    mono_s = now.mono_s
    if aims.resting or not aims.relay:
        return _at_rest(aims, state, mono_s)
    if mono_s < state.on_until_s <= mono_s + BURST_LONGEST_S:
        if not state.stuck and not _held_off(state, mono_s):
            return state, _decision(aims, state, on=True)
        state = changed(state, {"on_until_s": mono_s})
    elif (
        mono_s < state.look_s <= mono_s + LOOK_LONGEST_S
        and not state.hold
        and not state.hand_burst_s > 0
    ):
        return state, _decision(aims, state)
    view = _view(aims, state, bench, sky, now, dt_s, schedule, info)
    choice = _within_guards(view, _chosen(view))
    if choice.burst_s > 0:
        state = _begun(view, choice)
        return state, _decision(aims, state, on=True, burst_s=choice.burst_s)
    state = _waits(view, choice)
    return state, _decision(aims, state)


def is_waiting(aims: MistAims, state: MistState, last: MistDecision, mono_s: float) -> bool:
    """True when the decision made last, from this very state, is that of this instant too."""
    return (
        mono_s < state.look_s <= mono_s + LOOK_LONGEST_S
        and last[5] is state.reason
        and last[4] == aims.dose_kpa_min
        and not last[1]
        and not state.hold
        and not state.hand_burst_s > 0
        and not mono_s < state.on_until_s
        and not aims.resting
    )


def _at_rest(aims: MistAims, state: MistState, mono_s: float) -> tuple[MistState, MistDecision]:
    if state.on_until_s > mono_s or state.hand_burst_s > 0:
        state = changed(state, {"on_until_s": mono_s, "hand_burst_s": 0.0})
    reason = _REST if aims.relay else _NONE
    return state, MistDecision(aims.bench, False, 0.0, state.dryness_kpa_min, nan, reason)


def _held_off(state: MistState, mono_s: float) -> bool:
    return state.hold == "off" and mono_s < state.hold_until_s


def _view(
    aims: MistAims,
    state: MistState,
    bench: BenchView,
    sky: Sky,
    now: Now,
    dt_s: float,
    schedule: tuple[MistTime, ...],
    info: SiteInfo,
) -> View:
    """What the rules look at, with dryness and film brought up to now."""
    unseen_s = _since(state.seen_s, now.mono_s)
    day = is_day(bench, sky)
    known = climate_known(bench)
    deficit_kpa = leaf_deficit_kpa(bench, sky) if known else nan
    film, dried_day = state.film_kpa_min, state.dried_day
    summed_min = max(0.0, min(dt_s if unseen_s == inf else unseen_s, SUM_LONGEST_S)) / 60
    if known:
        gained = deficit_kpa * summed_min
        if film > 0:
            film = max(0.0, film - gained)
            # Drying in the night is not the day's drying: leaves are dry then anyway.
            if film == 0 and day:
                dried_day = sky.day_number
    else:
        gained = _assumed_kpa_min(aims, day, summed_min)
    return View(
        aims,
        state,
        bench,
        sky,
        now,
        schedule,
        info,
        day,
        known,
        deficit_kpa,
        min(DRYNESS_MOST_KPA_MIN, state.dryness_kpa_min + gained),
        film,
        dried_day,
        unseen_s,
        _since(state.last_burst_s, now.mono_s),
    )


def _assumed_kpa_min(aims: MistAims, day: bool, span_min: float) -> float:
    """Dryness assumed while the climate is not known: by day, a dose in each survival interval."""
    if aims.dose_kpa_min is None or not day:
        return 0.0
    return aims.dose_kpa_min * span_min * 60 / aims.survival_every_s


def _since(then_s: float, mono_s: float) -> float:
    """Seconds since `then_s`; inf for never, and for a time that has not come yet."""
    return mono_s - then_s if then_s <= mono_s else inf


def _chosen(view: View) -> Choice:
    """The order of the rules."""
    if view.state.stuck:
        return Choice(0.0, Reason("mist_stuck"))
    hand = rules.by_hand(view)
    if hand is not None:
        return hand
    scheduled = rules.by_schedule(view)
    wish = rules.after_gap(view)
    if wish is None:
        wish = rules.for_dryness(view) or scheduled or rules.to_cool_top(view)
    if wish is None:
        return rules.blind(view) or rules.waiting(view)
    if scheduled is not None:
        wish = wish._replace(served_utc_s=scheduled.served_utc_s)
    dry = rules.kept_dry(view)
    if dry is not None:
        choice = dry._replace(served_utc_s=wish.served_utc_s)
    else:
        choice = rules.budgeted(view, wish)
    if choice.burst_s > 0:
        return choice
    survival = rules.blind(view)
    if survival is not None and survival.burst_s > 0:
        return survival._replace(served_utc_s=choice.served_utc_s)
    return choice


def _within_guards(view: View, choice: Choice) -> Choice:
    """The choice, cut to the longest burst and the hard share of an hour."""
    if choice.burst_s <= 0:
        return choice
    left_s = rules.share_left_s(view.state, view.now.mono_s)
    burst_s = min(choice.burst_s, BURST_LONGEST_S, left_s)
    if burst_s < min(choice.burst_s, rules.BURST_SHORTEST_S):
        return Choice(0.0, Reason("mist_share"), served_utc_s=choice.served_utc_s)
    return choice._replace(burst_s=burst_s)


def _begun(view: View, choice: Choice) -> MistState:
    """The state as a burst begins."""
    state, mono_s, burst_s = view.state, view.now.mono_s, choice.burst_s
    changes = _looked(view, choice)
    changes["on_until_s"] = mono_s + burst_s
    changes["last_burst_s"] = mono_s
    changes["last_burst_len_s"] = burst_s
    changes["dryness_kpa_min"] = 0.0
    changes["film_kpa_min"] = film_after_burst(view.film_kpa_min, burst_s, view.aims.film_kpa_min_s)
    changes["bursts_s"] = (*rules.hour_bursts_s(state, mono_s), (mono_s, burst_s))
    changes["day_used_s"] = rules.day_used_s(view) + burst_s
    changes["look_s"] = -inf
    return changed(state, changes)


def _waits(view: View, choice: Choice) -> MistState:
    """The state while nothing is begun, with the next time anything can fall due."""
    state, mono_s = view.state, view.now.mono_s
    changes = _looked(view, choice)
    ahead_s = min(choice.ahead_s, LOOK_LONGEST_S)
    if view.schedule and view.sky.trusted:
        # Clock times fall on whole minutes.
        ahead_s = min(ahead_s, 60 - view.now.utc_s % 60)
    if state.hold and not mono_s < state.hold_until_s:
        changes["hold"] = ""
    changes["dryness_kpa_min"] = view.dryness_kpa_min
    changes["film_kpa_min"] = view.film_kpa_min
    changes["day_used_s"] = rules.day_used_s(view)
    changes["look_s"] = mono_s + ahead_s
    return changed(state, changes)


def _looked(view: View, choice: Choice) -> dict[str, Any]:
    """What every look changes in the state, whether a burst begins or not."""
    changes: dict[str, Any] = {
        "dried_day": view.dried_day,
        "day_number": view.sky.day_number,
        "seen_s": view.now.mono_s,
        "hand_burst_s": 0.0,
        "mode": "D3" if not view.known else "normal" if view.sky.trusted else "D4",
        "reason": choice.reason,
    }
    if choice.served_utc_s > -inf:
        changes["last_sched_utc_s"] = choice.served_utc_s
    return changes


def _decision(
    aims: MistAims, state: MistState, on: bool = False, burst_s: float = 0.0
) -> MistDecision:
    dose = aims.dose_kpa_min
    return MistDecision(
        aims.bench,
        on,
        burst_s,
        state.dryness_kpa_min,
        nan if dose is None else dose,
        state.reason,
        state.mode,
    )
