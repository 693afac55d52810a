"""The alarm engine: conditions in, states and changes out. Pure; nothing is altered in place.

Only alarms that are not plainly NORM are kept, so a quiet tick ends after the conditions. Acts of
persons are handled in `alarm_acts`, the moves between states in `alarm_states`.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import inf
from types import MappingProxyType
from typing import Final, NamedTuple

from config.model import AlarmChange, Site
from controller.decide import quiet
from controller.decide.aims import Aims
from controller.decide.alarm_acts import ALARM_ACTS, handle
from controller.decide.alarm_changes import AlarmChangeError, check_changes
from controller.decide.alarm_states import (
    IN_ALARM,
    KNOWN,
    NOT_SHOWN,
    STANDING,
    Signal,
    successor,
    timed,
)
from controller.decide.alarm_table import REMIND_S, Row, rows
from controller.decide.alarm_words import Scene, measured, noted, over, said, weigh
from controller.decide.state import AlarmState, State
from controller.decide.watch import Scan, find_probe, scan
from controller.decide.watch_slow import Watch, is_day, remember
from controller.records import (
    Act,
    ActDone,
    AlarmChanged,
    BayDecision,
    MistDecision,
)
from controller.records import AlarmStateName as S
from sensors.clock import Now
from sensors.readings import Snapshot

__all__ = ["AlarmChangeError", "alarms", "check_changes"]

Key = tuple[str, str]
Held = dict[Key, AlarmState]

GROUP_S: Final = 600.0
"""Alarms raised within this of each other are one group; the earliest is marked first."""
_NOTHING: Final[Mapping[str, float]] = MappingProxyType({})
_FRESH: Final = AlarmState()


def alarms(
    aims: Aims,
    before: State,
    after: State,
    snapshot: Snapshot,
    bays: tuple[BayDecision, ...],
    mist: tuple[MistDecision, ...],  # noqa: ARG001  (the mister's state says all that is needed)
    acts: tuple[Act, ...],
    now: Now,
    dt_s: float,
    service: Mapping[str, float] = _NOTHING,
) -> tuple[Held, Watch, tuple[AlarmChanged, ...], tuple[ActDone, ...]]:
    """(alarms, watch, changes, acts done): every alarm moved on by one tick.

    before: the state whose alarms and watch are moved on.  after: holds the new bays and mist.
    dt_s: seconds since the last tick, 0 after a gap, over which no delay goes on.
    service: what the decision cannot see by itself, all optional: away_s (without control before
    this start), clock_step_s and clock_step_at_s (the last step and its monotonic time),
    journal_failed_s, disk_free_share (0..1), route_failed_s.
    The same dict objects come back when nothing in them changed.
    """
    watch = remember(aims, before.watch, after, snapshot, bays, now)
    held = before.alarms
    beyond = quiet.beyond(aims, after, watch, snapshot, bays, service, now)
    wanted = [act for act in acts if act.kind in ALARM_ACTS] if acts else []
    minute = watch is not before.watch
    if not wanted:
        if not beyond and not held:
            return held, watch, (), ()
        # Each minute the alarms that stand are weighed anew; those that are gone need it not.
        if (not minute or not beyond) and _steady(held, beyond, now.mono_s):
            return held, watch, (), ()
    places = {place for _, place in held} | {act.place for act in wanted}
    scans = scan(aims, after, watch, snapshot, bays, service, now, places)
    scene = Scene(aims, after, snapshot, watch, service, is_day(after), now.mono_s)
    tick = _Tick(scene, now, dt_s, minute)
    new, changes = _advance(held, beyond, _excess_of(held, scans), tick)
    done: tuple[ActDone, ...] = ()
    if wanted:
        new, told, done = handle(new, wanted, scene, _clearable(new, scans))
        changes += told
    kept = {key: alarm for key, alarm in new.items() if not _is_plain(alarm)}
    return (held if kept == held else kept), watch, tuple(changes), done


class _Tick(NamedTuple):
    """What one tick brings. minute: a minute is over, so priorities are weighed anew."""

    scene: Scene
    now: Now
    dt_s: float
    minute: bool


def _steady(held: Held, beyond: dict[Key, float], now_s: float) -> bool:
    """True when exactly the alarms in alarm are beyond, and none has anything to wait for.

    One that has gone and waits only for its acknowledgement is steady too.
    """
    gone = 0
    for key, alarm in held.items():
        if alarm.under != alarm.state or alarm.pending_s != inf:
            return False
        if alarm.under == S.RTNUN and key not in beyond:
            gone += 1
        elif (
            key not in beyond
            or alarm.under not in IN_ALARM
            or _reminder(alarm, alarm.priority, now_s) is not None
        ):
            return False
    return len(held) == len(beyond) + gone


def _excess_of(held: Held, scans: list[Scan]) -> dict[Key, float]:
    """How far each alarm held is beyond; those whose place is gone are left out."""
    if not held:
        return {}
    by_place = {(names[0], place): (names, excess) for names, place, excess in scans}
    found: dict[Key, float] = {}
    for key in held:
        row = rows().get(key[0])
        entry = by_place.get((_FIRST[row.scope], key[1])) if row is not None else None
        if entry is not None:
            found[key] = entry[1][entry[0].index(key[0])]
    return found


_FIRST: Final = MappingProxyType(
    {
        "bay": "base_cold",
        "bench": "top_hot",
        "probe": "probe_silent",
        "link": "link_lost",
        "site": "controller_away",
    }
)
"""The first name of each scope's conditions, by which a scan is known."""


def _clearable(held: Held, scans: list[Scan]) -> dict[Key, bool]:
    """For each alarm held: whether its condition is known to have gone."""
    return {key: x <= -rows()[key[0]].deadband for key, x in _excess_of(held, scans).items()}


def _is_plain(alarm: AlarmState) -> bool:
    return alarm.under == S.NORM and alarm.pending_s == inf and alarm.state == S.NORM


def _advance(
    held: Held, beyond: dict[Key, float], excess: dict[Key, float], tick: _Tick
) -> tuple[Held, list[AlarmChanged]]:
    """Every alarm that is held or beyond, moved on: first the states, then what is shown."""
    new: Held = {}
    changes: list[AlarmChanged] = []
    merged = {**excess, **beyond}
    for key, alarm in held.items():
        if key in merged:
            continue
        if alarm.state != S.NORM:
            changes.append(_change(key, alarm.state, S.NORM, alarm, "its place is gone"))
    grouped = [a.raised_s for a in held.values() if a.under in STANDING]
    for key, x in merged.items():
        row = rows()[key[0]]
        old = held.get(key, _FRESH)
        if old.under not in KNOWN:
            old = _FRESH
        moved = _move(row, key[1], old, x, tick)
        if moved.under == S.UNACK and moved.raised_s == tick.now.mono_s and moved is not old:
            first = not any(tick.now.mono_s - raised_s < GROUP_S for raised_s in grouped)
            moved = replace(moved, first=first)
            grouped.append(moved.raised_s)
        new[key] = moved
    for key, moved in new.items():
        old = held.get(key, _FRESH)
        state = _shown(rows()[key[0]], key, old, moved, new, merged[key], tick)
        final, change = _settle(key, old, moved, state)
        new[key] = final
        if change is not None:
            changes.append(change)
    return new, changes


def _move(row: Row, place: str, old: AlarmState, x: float, tick: _Tick) -> AlarmState:
    """The alarm after its timers, whether or not it is shown."""
    scene, now = tick.scene, tick.now
    if x != x and not row.in_rest and _rests(row, place, scene.aims):
        x = -inf
    on_s, off_s = _delays(row, place, scene)
    pending_s, signal = timed(old, x, on_s, off_s, row.deadband, now.mono_s, tick.dt_s)
    priority = old.priority
    if signal is None and old.under in IN_ALARM:
        if tick.minute:
            priority = weigh(row, place, scene)
        signal = _reminder(old, priority, now.mono_s)
    under = successor(old.under, signal, row.latched) if signal is not None else None
    if under is None:
        if pending_s == old.pending_s and priority == old.priority:
            return old
        return replace(old, pending_s=pending_s, priority=priority)
    value = measured(row, place, scene)
    if signal is Signal.RISE:
        return replace(
            old,
            under=under,
            pending_s=inf,
            raised_s=now.mono_s,
            raised_utc_s=now.utc_s,
            acked_by="",
            acked_s=now.mono_s,
            value=value,
            text=said(row, value, x) + noted(row, place, scene),
            priority=weigh(row, place, scene),
        )
    if signal is Signal.REMIND:
        return replace(
            old,
            under=under,
            acked_by="",
            acked_s=now.mono_s,
            value=value,
            text=said(row, value, x) + noted(row, place, scene),
            priority=priority,
        )
    if old.state in NOT_SHOWN and under == S.RTNUN:
        # Nobody was shown it, so there is nothing left to acknowledge.
        under = S.NORM
    return replace(old, under=under, pending_s=inf, value=value, text=over(row, value))


def _reminder(old: AlarmState, priority: int, now_s: float) -> Signal | None:
    """A standing alarm is said again after a time, or when it comes to weigh more.

    An acknowledgement from a time that has not come yet, after a restart, counts as long ago.
    """
    if priority < old.priority:
        return Signal.REMIND
    after_s = REMIND_S.get(priority, inf)
    if 0.0 <= now_s - old.acked_s < after_s:
        return None
    return Signal.REMIND if after_s < inf else None


def _rests(row: Row, place: str, aims: Aims) -> bool:
    """True when nothing is asked of the bay or bench that an alarm belongs to."""
    bench, _, bay = place.partition(".")
    if row.scope == "bay":
        found = aims.bays.get((bench, bay))
        return found is not None and found.resting
    if row.scope == "bench":
        return all(found.resting for (name, _), found in aims.bays.items() if name == bench)
    if row.scope == "probe":
        at_bay = aims.bays.get((bench, bay.partition(".")[0]))
        return at_bay is not None and at_bay.resting
    return False


def _change_for(row: Row, place: str, site: Site) -> AlarmChange | None:
    if row.scope in ("link", "site"):
        return None
    bench = site.benches.get(place.partition(".")[0])
    return bench.alarms.get(row.name) if bench is not None else None


def _delays(row: Row, place: str, scene: Scene) -> tuple[float, float]:
    """(on, off) delays in force, seconds."""
    on_s, off_s = row.on_delay_s, row.off_delay_s
    if row.night_on_delay_s is not None and not scene.day:
        on_s = row.night_on_delay_s
    change = _change_for(row, place, scene.aims.site)
    if change is not None:
        on_s = on_s if change.on_delay_s is None else change.on_delay_s
        off_s = off_s if change.off_delay_s is None else change.off_delay_s
    return on_s, off_s


def _shown(
    row: Row, key: Key, old: AlarmState, moved: AlarmState, new: Held, x: float, tick: _Tick
) -> str:
    """What is shown: out of service, shelved, hidden by a parent, or the state itself."""
    if moved.under != S.NORM and not row.in_rest and _rests(row, key[1], tick.scene.aims):
        return S.OOSRV
    if old.state == S.SHLVD and _still_shelved(row, old, moved, tick.now.mono_s):
        return S.SHLVD
    if moved.under == S.NORM or not row.parents:
        return moved.under
    if _parent_stands(row, key, new, tick.scene.aims):
        return S.DSUPR
    # The parent is gone but its child has not had its own off-delay yet: nothing new to shout.
    waits = old.state == S.DSUPR and moved.under in IN_ALARM and not x > 0.0
    return S.DSUPR if waits else moved.under


def _still_shelved(row: Row, old: AlarmState, moved: AlarmState, now_s: float) -> bool:
    """False when the time is over, when its end is not known, or is further off than allowed.

    OPC UA Part 9 v1.05, 5.8.17.1: a shelving that cannot be established after a restart has ended.
    """
    if old.one_shot and old.under in IN_ALARM and moved.under not in IN_ALARM:
        return False
    longest_s = row.shelve_longest_s(moved.priority or row.priority)
    return 0.0 < moved.shelved_until_s - now_s <= longest_s


def _parent_stands(row: Row, key: Key, new: Held, aims: Aims) -> bool:
    for parent in row.parents:
        scope = rows()[parent].scope
        place: str | None = key[1]
        if scope == "link" and row.scope != "link":
            if not any(name == parent for name, _ in new):
                continue
            place = _link_of(row, key[1], aims.site)
        found = new.get((parent, place)) if place is not None else None
        if found is not None and found.under in STANDING:
            return True
    return False


def _link_of(row: Row, place: str, site: Site) -> str | None:
    if row.scope == "probe":
        probe = find_probe(site, place)
        return probe.link if probe is not None else None
    bench, _, bay = place.partition(".")
    return site.benches[bench].bays[bay].mat.link


def _settle(
    key: Key, old: AlarmState, moved: AlarmState, state: str
) -> tuple[AlarmState, AlarmChanged | None]:
    """The alarm with what is shown of it, and the change to tell, if any."""
    said_again = moved.under == old.under == S.UNACK and moved.acked_s != old.acked_s
    if state == old.state and moved.under == old.under and not said_again:
        return moved, None
    if old.state == S.SHLVD and state != S.SHLVD:
        moved = replace(moved, shelved_until_s=-inf, one_shot=False)
    final = replace(moved, state=state)
    text = final.text
    if old.state == S.SHLVD and state != S.SHLVD:
        text = f"no longer shelved. {text}".rstrip()
    elif state in NOT_SHOWN and state == old.state:
        text = f"not shown, now {final.under}: {text}"
    return final, _change(key, old.state, state, final, text)


def _change(key: Key, was: str, state: str, alarm: AlarmState, text: str) -> AlarmChanged:
    priority = alarm.priority or rows()[key[0]].priority
    return AlarmChanged(key[0], key[1], str(was), str(state), priority, text)
