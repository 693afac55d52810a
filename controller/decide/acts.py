"""What a person asks of a running bench: holds, release, a burst, resetting a trip.

Acts on alarms are not answered here; they are handed on.
"""

from dataclasses import replace
from math import inf, isfinite
from typing import Final, NamedTuple

from config.bounds import BURST_LONGEST_S, HOLD_LONGEST_S, MIST_HOUR_SHARE
from controller.decide.aims import Aims, BayAims
from controller.decide.guards import HOUR_S, RESET_BELOW_TRIP_K, may_reset
from controller.decide.state import BayState, MistState, State
from controller.records import Act, ActDone, ActKind
from sensors.clock import Now
from sensors.readings import Snapshot

BURST_SHORTEST_S: Final = 0.5
HOLD_SHORTEST_S: Final = 60.0
_HANDED_ON: Final = frozenset((ActKind.ACKNOWLEDGE, ActKind.SHELVE, ActKind.UNSHELVE))


class Applied(NamedTuple):
    """state: after the acts.  done: those answered here.  on: those for the alarms to answer."""

    state: State
    done: tuple[ActDone, ...]
    on: tuple[Act, ...]


class _Answer(NamedTuple):
    done: bool
    text: str
    bay: BayState | None = None
    mist: MistState | None = None


def apply(aims: Aims, state: State, snapshot: Snapshot, acts: tuple[Act, ...], now: Now) -> Applied:
    """Carry out acts in order. A refused act changes nothing and says why."""
    done: list[ActDone] = []
    on: list[Act] = []
    for act in acts:
        if act.kind in _HANDED_ON:
            on.append(act)
            continue
        answer = _answer(aims, state, snapshot, act, now)
        state = _with(state, act.place, answer)
        if act.kind == ActKind.RESET and act.alarm and answer.done:
            on.append(act)
        else:
            done.append(ActDone(act, answer.done, answer.text))
    return Applied(state, tuple(done), tuple(on))


def bay_key(place: str) -> tuple[str, str]:
    """("north", "left") for "north.left"."""
    bench, _, bay = place.partition(".")
    return bench, bay


def _with(state: State, place: str, answer: _Answer) -> State:
    if answer.bay is not None:
        state = replace(state, bays={**state.bays, bay_key(place): answer.bay})
    if answer.mist is not None:
        state = replace(state, mist={**state.mist, place: answer.mist})
    return state


def _answer(aims: Aims, state: State, snapshot: Snapshot, act: Act, now: Now) -> _Answer:
    key = bay_key(act.place)
    bay_aims = aims.bays.get(key)
    mist_aims = aims.mist.get(act.place)
    if act.kind == ActKind.RESET:
        return _reset(state, snapshot, bay_aims, act)
    if act.kind == ActKind.HOLD_HEAT:
        if bay_aims is None:
            return _no_place(act, "bay", [".".join(name) for name in aims.bays])
        held = state.bays.get(key, BayState())
        return _hold_heat(held, bay_aims, act, now)
    if act.kind in (ActKind.HOLD_MIST, ActKind.BURST):
        if mist_aims is None or not mist_aims.relay:
            misters = [bench for bench, found in aims.mist.items() if found.relay]
            return _no_place(act, "bench with a mister", misters)
        mist = state.mist.get(act.place, MistState())
        if act.kind == ActKind.BURST:
            return _burst(mist, mist_aims.burst_s, act, now)
        return _hold_mist(mist, act, now)
    if act.kind == ActKind.RELEASE:
        return _release(aims, state, act)
    return _Answer(False, f"{act.kind}: there is no such act")


def _no_place(act: Act, what: str, places: list[str]) -> _Answer:
    known = ", ".join(places) or "none"
    return _Answer(False, f'"{act.place}" is not a {what} of this site; there is: {known}')


def _span_s(act: Act) -> float | None:
    """Length of the hold, at most the bound; None for one that makes no sense."""
    if not isfinite(act.span_s) or act.span_s < HOLD_SHORTEST_S:
        return None
    return min(act.span_s, HOLD_LONGEST_S)


def _held_text(what: str, act: Act, span_s: float) -> str:
    text = f"{what} held {act.value} for {span_s / 60.0:.0f} min"
    if span_s < act.span_s:
        text += f"; {HOLD_LONGEST_S / 3600.0:.0f} h is the longest a hold may last"
    return text


def _bad_hold(act: Act) -> _Answer | None:
    if act.value not in ("off", "on"):
        return _Answer(False, f'a hold is "off" or "on", not "{act.value}"')
    if _span_s(act) is None:
        return _Answer(
            False, f"a hold needs a length of at least 1 min; {act.span_s:g} s was asked for"
        )
    return None


def _hold_heat(held: BayState, aims: BayAims, act: Act, now: Now) -> _Answer:
    bad = _bad_hold(act)
    if bad is not None:
        return bad
    if act.value == "on" and held.tripped:
        return _Answer(False, "heat is tripped; find the cause and reset it first")
    span_s = _span_s(act) or 0.0
    text = _held_text("heat", act, span_s)
    if act.value == "on":
        text += f"; it still stops at {aims.ceiling_c:g} °C"
    bay = replace(held, hold=act.value, hold_until_s=now.mono_s + span_s)
    return _Answer(True, text, bay=bay)


def _hold_mist(held: MistState, act: Act, now: Now) -> _Answer:
    bad = _bad_hold(act)
    if bad is not None:
        return bad
    if act.value == "on" and held.stuck:
        return _Answer(False, "the mister is locked off because it seemed stuck; reset it first")
    span_s = _span_s(act) or 0.0
    mist = replace(held, hold=act.value, hold_until_s=now.mono_s + span_s)
    return _Answer(True, _held_text("mist", act, span_s), mist=mist)


def _burst(held: MistState, usual_s: float, act: Act, now: Now) -> _Answer:
    """One burst now; by hand it may pass the wanted budget, never the hard share of an hour."""
    wanted_s = act.span_s if act.span_s > 0.0 else usual_s
    if not isfinite(wanted_s):
        return _Answer(False, f"a burst needs a length in seconds; {act.span_s} was asked for")
    if held.stuck:
        return _Answer(False, "the mister is locked off because it seemed stuck; reset it first")
    if held.hold == "off" and now.mono_s < held.hold_until_s:
        return _Answer(False, "mist is held off by hand; release it first")
    if now.mono_s < held.on_until_s:
        return _Answer(False, "a burst is running already")
    used_s = sum(length for start, length in held.bursts_s if now.mono_s - start < HOUR_S)
    left_s = MIST_HOUR_SHARE * HOUR_S - used_s
    if left_s < BURST_SHORTEST_S:
        return _Answer(False, "a quarter of the last hour is used up; no more mist for now")
    burst_s = max(BURST_SHORTEST_S, min(wanted_s, BURST_LONGEST_S, left_s))
    text = f"burst of {burst_s:g} s"
    if burst_s < wanted_s:
        text += f"; {min(BURST_LONGEST_S, left_s):g} s is the longest there may be now"
    return _Answer(True, text, mist=replace(held, hand_burst_s=burst_s))


def _release(aims: Aims, state: State, act: Act) -> _Answer:
    """End a hold: of a bay's heat, or of a bench's mist."""
    key = bay_key(act.place)
    if key in aims.bays:
        bay = state.bays.get(key, BayState())
        if not bay.hold:
            return _Answer(False, f"heat of {act.place} is not held")
        return _Answer(
            True, "heat is back to automatic", bay=replace(bay, hold="", hold_until_s=-inf)
        )
    if act.place in aims.mist:
        mist = state.mist.get(act.place, MistState())
        if not mist.hold:
            return _Answer(False, f"mist of {act.place} is not held")
        return _Answer(
            True, "mist is back to automatic", mist=replace(mist, hold="", hold_until_s=-inf)
        )
    return _no_place(act, "bay or bench", [".".join(name) for name in aims.bays] + [*aims.mist])


def _reset(state: State, snapshot: Snapshot, aims: BayAims | None, act: Act) -> _Answer:
    """Let a trip go when the base is cool enough; unlock a mister. Alarms answer for themselves."""
    mist = state.mist.get(act.place)
    if mist is not None and act.alarm in ("", "mister_stuck"):
        if not mist.stuck and not act.alarm:
            return _Answer(False, f"nothing on {act.place} waits for a reset")
        return _Answer(True, "mister unlocked", mist=replace(mist, stuck=False))
    if aims is None or act.alarm not in ("", "base_overheat"):
        return _Answer(bool(act.alarm), f"nothing on {act.place} waits for a reset")
    bay = state.bays.get((aims.bench, aims.bay), BayState())
    if not bay.tripped:
        return _Answer(bool(act.alarm), f"heat of {act.place} is not tripped")
    view = snapshot.benches[aims.bench].bays[aims.bay]
    if not may_reset(aims, view):
        cool_c = aims.trip_c - RESET_BELOW_TRIP_K
        if view.usable:
            text = f"base is at {view.hottest_c:.1f} °C; reset at {cool_c:.1f} °C or below"
        else:
            text = f"no base probe can be believed; reset once it reads {cool_c:.1f} °C or below"
        return _Answer(False, text)
    return _Answer(True, "heat may run again", bay=replace(bay, tripped=False, trip_since_s=inf))
