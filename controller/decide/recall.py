"""What was saved, taken up late: the journal could not be read when control began.

Until then a run without memory has kept the bench. What holds heat or water back for a person's
sake comes in; what the present run has seen or been asked for since stays as it is. Pure.
"""

from dataclasses import replace
from math import inf
from typing import Any

from controller.decide.alarm_states import STANDING
from controller.decide.state import AlarmState, BayState, MistState, State
from controller.records import AlarmStateName


def recalled(state: State, saved: State) -> State:
    """The present state with the trips, locks, holds and alarms of `saved`.

    saved: as `state.load` gives it for this instant. Nothing given is changed.
    """
    bays = {key: _bay(held, saved.bays.get(key)) for key, held in state.bays.items()}
    mist = {key: _mist(held, saved.mist.get(key)) for key, held in state.mist.items()}
    alarms = dict(state.alarms)
    for key, old in saved.alarms.items():
        if _outlasts(old, alarms.get(key)):
            alarms[key] = old
    # A place not yet decided for has no state of its own to be kept.
    return replace(
        state,
        bays={**{k: b for k, b in saved.bays.items() if k not in bays}, **bays},
        mist={**{k: m for k, m in saved.mist.items() if k not in mist}, **mist},
        alarms=alarms,
        weighed=None,
    )


def _bay(held: BayState, old: BayState | None) -> BayState:
    if old is None:
        return held
    return replace(
        held,
        tripped=held.tripped or old.tripped,
        sunned=held.sunned or old.sunned,
        **_hold(held, old),
    )


def _mist(held: MistState, old: MistState | None) -> MistState:
    if old is None:
        return held
    used_s = held.day_used_s
    if old.day_number == held.day_number:
        used_s += old.day_used_s
    return replace(
        held,
        stuck=held.stuck or old.stuck,
        day_used_s=used_s,
        bursts_s=tuple(sorted({*old.bursts_s, *held.bursts_s})),
        look_s=-inf,
        **_hold(held, old),
    )


def _hold(held: BayState | MistState, old: BayState | MistState) -> dict[str, Any]:
    if held.hold or not old.hold:
        return {}
    return {"hold": old.hold, "hold_until_s": old.hold_until_s}


def _outlasts(old: AlarmState, held: AlarmState | None) -> bool:
    """Whether the saved alarm says more than the present one: a latch, or a person's own act."""
    if held is None or held.under == AlarmStateName.NORM:
        return old.under != AlarmStateName.NORM
    by_hand = old.state == AlarmStateName.SHLVD or old.under == AlarmStateName.ACKED
    latched = old.under in (AlarmStateName.LATCH_UNACK, AlarmStateName.LATCH_ACK)
    return latched or (by_hand and old.under in STANDING)
