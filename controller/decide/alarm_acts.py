"""What persons do with alarms: acknowledge, shelve, unshelve, reset. Four acts, each with a name.

None of them changes a relay. Resetting lets the guards heat again only where they agree.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import inf
from typing import Final

from config.near import near
from controller.decide.alarm_states import LATCHED, STANDING, Signal, successor
from controller.decide.alarm_table import Row, rows, span_words
from controller.decide.alarm_words import Scene, weigh
from controller.decide.state import AlarmState
from controller.records import Act, ActDone, ActKind, AlarmChanged
from controller.records import AlarmStateName as S

Key = tuple[str, str]
Held = dict[Key, AlarmState]
Answer = tuple[AlarmState | None, str]
"""(the alarm afterwards, None when refused; plain words)"""

ONCE: Final = "once"
"""Act.value of a shelving that ends at the next return to normal."""


def handle(
    held: Held, acts: Iterable[Act], scene: Scene, gone: Mapping[Key, bool]
) -> tuple[Held, list[AlarmChanged], tuple[ActDone, ...]]:
    """The alarms after the acts, what changed, and how each act ended.

    gone: for the alarms held, whether their condition is known to have gone.
    """
    new = dict(held)
    changes: list[AlarmChanged] = []
    done: list[ActDone] = []
    for act in acts:
        refusal = _unknown(act, scene)
        if refusal:
            done.append(ActDone(act, False, refusal))
            continue
        key = act.alarm, act.place
        old = new.get(key, AlarmState())
        alarm, text = _HANDLERS[act.kind](act, rows()[act.alarm], old, scene, gone.get(key, True))
        done.append(ActDone(act, alarm is not None, text))
        if alarm is not None:
            new[key] = alarm
            priority = alarm.priority or rows()[act.alarm].priority
            changes.append(
                AlarmChanged(
                    act.alarm, act.place, str(old.state), str(alarm.state), priority,
                    text, act.by, act.note,
                )
            )  # fmt: skip
    return new, changes, tuple(done)


def _unknown(act: Act, scene: Scene) -> str:
    """Why the act names no alarm that there is, or ""."""
    row = rows().get(act.alarm)
    if row is None:
        return f"there is no alarm {act.alarm!r}{near(act.alarm, rows())}"
    places = places_of(row, scene)
    if act.place not in places:
        hint = near(act.place, places) or f"; it can be: {', '.join(places)}"
        return f"alarm {row.name} has no place {act.place!r}{hint}"
    return ""


def places_of(row: Row, scene: Scene) -> list[str]:
    """Every place at which this alarm can stand."""
    if row.scope == "bay":
        return [f"{bench}.{bay}" for bench, bay in scene.aims.bays]
    if row.scope == "bench":
        return list(scene.aims.mist)
    if row.scope == "link":
        return list(scene.snapshot.links)
    if row.scope == "site":
        return ["site"]
    return [
        view.reading.probe
        for bench in scene.snapshot.benches.values()
        for view in (*bench.air, *(v for bay in bench.bays.values() for v in bay.probes))
    ]


def _shown(old: AlarmState, under: str) -> str:
    """Set aside or hidden stays so; else what is shown is the state itself."""
    return under if old.state == old.under else old.state


def _acknowledge(act: Act, row: Row, old: AlarmState, scene: Scene, _gone: bool) -> Answer:
    under = successor(old.under, Signal.ACKNOWLEDGE, row.latched)
    if under is None:
        if old.under in STANDING:
            return None, f"{row.title}: already acknowledged by {old.acked_by or 'someone'}"
        return None, f"{row.title}: does not stand, so there is nothing to acknowledge"
    state = _shown(old, under)
    if state in (S.DSUPR, S.OOSRV) and under == S.NORM:
        state = S.NORM
    alarm = replace(old, under=under, state=state, acked_by=act.by, acked_s=scene.now_s)
    return alarm, f"{row.title}: acknowledged"


def _shelve(act: Act, row: Row, old: AlarmState, scene: Scene, _gone: bool) -> Answer:
    priority = old.priority if old.under in STANDING else weigh(row, act.place, scene)
    longest_s = row.shelve_longest_s(priority)
    if longest_s == 0.0:
        return None, f"{row.title}: may never be shelved"
    if not act.note.strip():
        return None, f"{row.title}: give the reason it is set aside"
    once = act.value == ONCE
    span_s = longest_s if once and act.span_s == 0.0 else act.span_s
    if not 0.0 < span_s <= longest_s:
        return None, (
            f"{row.title}: an alarm of priority {priority} may be shelved for at most "
            f"{span_words(longest_s)}, not {span_words(span_s)}"
        )
    alarm = replace(
        old,
        state=S.SHLVD,
        shelved_until_s=scene.now_s + span_s,
        one_shot=once,
        priority=priority,
    )
    until = " or until it returns to normal" if once else ""
    return alarm, f"{row.title}: shelved for {span_words(span_s)}{until}"


def _unshelve(_act: Act, row: Row, old: AlarmState, _scene: Scene, _gone: bool) -> Answer:
    if old.state != S.SHLVD:
        return None, f"{row.title}: is not shelved"
    alarm = replace(old, state=old.under, shelved_until_s=-inf, one_shot=False)
    return alarm, f"{row.title}: no longer shelved"


def _reset(act: Act, row: Row, old: AlarmState, scene: Scene, gone: bool) -> Answer:
    if not row.latched:
        return None, f"{row.title}: clears by itself; there is nothing to reset"
    if old.under not in STANDING:
        return None, f"{row.title}: does not stand, so there is nothing to reset"
    if old.under not in LATCHED or not gone or _tripped(row, act.place, scene):
        return None, f"{row.title}: the cause still stands or is not known to be gone. {row.action}"
    under = successor(old.under, Signal.RESET, row.latched)
    assert under is not None
    alarm = replace(old, under=under, state=_shown(old, under), acked_by=act.by)
    return alarm, f"{row.title}: reset"


def _tripped(row: Row, place: str, scene: Scene) -> bool:
    """True while the guards keep the bay's heat tripped all the same."""
    bench, _, bay = place.partition(".")
    held = scene.after.bays.get((bench, bay))
    return row.name == "base_overheat" and held is not None and held.tripped


_HANDLERS: Final[dict[str, Callable[[Act, Row, AlarmState, Scene, bool], Answer]]] = {
    ActKind.ACKNOWLEDGE: _acknowledge,
    ActKind.SHELVE: _shelve,
    ActKind.UNSHELVE: _unshelve,
    ActKind.RESET: _reset,
}
ALARM_ACTS: Final = frozenset(_HANDLERS)
