"""What is to be told to whom now. Pure: time and alarms come in, deliveries go out.

A delivery counts as made only when `delivered` is told so; until then it is planned again, with
whatever has changed meanwhile, so that a retry never tells old news.
"""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time
from math import inf
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from config.model import Alerts, Route
from controller.decide.alarm_table import rows
from controller.records import AlarmChanged
from controller.records import AlarmStateName as S
from sensors.clock import Now

BURST_ALARMS: Final = 5
BURST_S: Final = 600.0
"""This many alarms in this time are a flood, told in one message."""

Key = tuple[str, str]


class Case(NamedTuple):
    """One alarm as the routes know it. since_s: monotonic, of its being raised or called out again.

    told: routes that know.  acked: someone has it.  over: it has gone.  told_over: routes that
    know that.
    """

    change: AlarmChanged
    since_s: float
    told: frozenset[str] = frozenset()
    acked: bool = False
    over: bool = False
    told_over: frozenset[str] = frozenset()


class Delivery(NamedTuple):
    """One message for one route. keys: the alarms it tells of.  over: it tells of their end.

    morning: it is the daily message.
    """

    route: str
    title: str
    body: str
    keys: tuple[Key, ...] = ()
    over: bool = False
    morning: bool = False


@dataclass(frozen=True, slots=True)
class Desk:
    """All that is known. sent_s: route -> monotonic times of alarms sent in the last BURST_S.

    summary_s: route -> when a flood was last summed up.  checked_utc_s: up to when the daily
    message has been thought of.  morning: routes still to be given it.
    """

    cases: dict[Key, Case] = field(default_factory=dict)
    sent_s: dict[str, tuple[float, ...]] = field(default_factory=dict)
    summary_s: dict[str, float] = field(default_factory=dict)
    checked_utc_s: float = inf
    morning: frozenset[str] = frozenset()


def heard(desk: Desk, change: AlarmChanged, now: Now) -> Desk:
    """The desk after one change of an alarm's state."""
    key = change.alarm, change.place
    cases = dict(desk.cases)
    case = cases.get(key)
    if change.state == S.UNACK:
        cases[key] = Case(change, now.mono_s)
    elif case is None:
        return desk
    elif change.state in (S.ACKED, S.LATCH_ACK):
        cases[key] = case._replace(acked=True)
    elif change.state in (S.RTNUN, S.LATCH_UNACK, S.NORM) and change.by == "":
        cases[key] = case._replace(change=change._replace(priority=case.change.priority), over=True)
    else:
        del cases[key]
    return replace(desk, cases=cases)


def plan_deliveries(
    desk: Desk,
    alerts: Alerts,
    zone: ZoneInfo,
    site: str,
    now: Now,
    blocked: frozenset[str] = frozenset(),
) -> tuple[Desk, tuple[Delivery, ...]]:
    """(desk, deliveries) due now. site: its title.  blocked: routes not to be tried yet."""
    desk = _morning_due(desk, alerts, zone, now)
    quiet = is_quiet(alerts, zone, now)
    found: list[Delivery] = []
    for name, route in alerts.routes.items():
        if name in blocked:
            continue
        found += _raised(desk, name, route, site, now, quiet)
        found += _ended(desk, name, site, quiet)
        if name in desk.morning:
            found.append(_morning(desk, name, site))
    return _without_finished(desk), tuple(found)


def delivered(desk: Desk, delivery: Delivery, now: Now) -> Desk:
    """The desk after a delivery has been made."""
    route = delivery.route
    if delivery.morning:
        return replace(desk, morning=desk.morning - {route})
    cases = dict(desk.cases)
    for key in delivery.keys:
        case = cases.get(key)
        if case is None:
            continue
        told_over = case.told_over | {route} if case.over else case.told_over
        cases[key] = case._replace(told=case.told | {route}, told_over=told_over)
    if delivery.over:
        return replace(desk, cases=cases)
    recent = _recent(desk, route, now.mono_s)
    sent_s = {**desk.sent_s, route: (*recent, *(now.mono_s for _ in delivery.keys))}
    summary_s = desk.summary_s
    if len(recent) + len(delivery.keys) >= BURST_ALARMS:
        summary_s = {**summary_s, route: now.mono_s}
    return replace(desk, cases=cases, sent_s=sent_s, summary_s=summary_s)


def is_quiet(alerts: Alerts, zone: ZoneInfo, now: Now) -> bool:
    """Within the quiet hours, which may span midnight. Never with a clock that is not trusted."""
    if alerts.quiet_from is None or alerts.quiet_until is None or not now.trusted:
        return False
    local = datetime.fromtimestamp(now.utc_s, UTC).astimezone(zone).time()
    start, end = alerts.quiet_from, alerts.quiet_until
    if start <= end:
        return start <= local < end
    return local >= start or local < end


def _raised(
    desk: Desk, name: str, route: Route, site: str, now: Now, quiet: bool
) -> list[Delivery]:
    due = [
        (key, case)
        for key, case in desk.cases.items()
        if _is_due(case, name, route, now.mono_s) and (not quiet or case.change.priority == 1)
    ]
    if not due:
        return []
    due.sort(key=lambda item: item[1].since_s)
    if len(due) + len(_recent(desk, name, now.mono_s)) < BURST_ALARMS:
        return [_single(name, site, key, case) for key, case in due]
    lately = now.mono_s - desk.summary_s.get(name, -inf) < BURST_S
    if lately and all(case.change.priority > 1 for _, case in due):
        return []
    return [_summary(name, site, due)] if len(due) > 1 else [_single(name, site, *due[0])]


def _is_due(case: Case, name: str, route: Route, mono_s: float) -> bool:
    if name in case.told or case.acked or case.change.priority > route.least_priority:
        return False
    if case.over and route.after_min > 0.0:
        return False
    return mono_s - case.since_s >= 60.0 * route.after_min


def _ended(desk: Desk, name: str, site: str, quiet: bool) -> list[Delivery]:
    return [
        Delivery(name, f"{site}: over", f"{_place(key)}: {case.change.text}", (key,), over=True)
        for key, case in desk.cases.items()
        if case.over and name in case.told and name not in case.told_over
        if not quiet or case.change.priority == 1
    ]


def _without_finished(desk: Desk) -> Desk:
    """Without the alarms that are over, of which everyone who was told also knows the end."""
    done = [
        key
        for key, case in desk.cases.items()
        if case.over and case.told <= case.told_over and (case.told or case.acked)
    ]
    if not done:
        return desk
    return replace(desk, cases={k: c for k, c in desk.cases.items() if k not in done})


def _recent(desk: Desk, route: str, mono_s: float) -> tuple[float, ...]:
    return tuple(at_s for at_s in desk.sent_s.get(route, ()) if 0.0 <= mono_s - at_s < BURST_S)


def _place(key: Key) -> str:
    return key[1].replace(".", " ")


def _single(name: str, site: str, key: Key, case: Case) -> Delivery:
    row = rows().get(key[0])
    lines = [f"{_place(key)}: {case.change.text}"]
    if case.over:
        lines.append("It is over since; nobody has acknowledged it.")
    elif row is not None:
        lines += [row.consequence, row.action, f"warmfoot alarms ack {key[0]} {key[1]}"]
    title = f"{site}: {row.title if row is not None else key[0]}"
    return Delivery(name, f"{title} (priority {case.change.priority})", "\n".join(lines), (key,))


def _summary(name: str, site: str, due: list[tuple[Key, Case]]) -> Delivery:
    first_key, first = due[0]
    lines = [f"First: {_place(first_key)}: {first.change.text}"]
    lines += [f"{_place(key)}: {case.change.text}" for key, case in due[1:]]
    title = f"{site}: {len(due)} alarms at once"
    return Delivery(name, title, "\n".join(lines), tuple(key for key, _ in due))


def _morning_due(desk: Desk, alerts: Alerts, zone: ZoneInfo, now: Now) -> Desk:
    """Note the daily message when its time has come since the last look."""
    at = alerts.all_well_at
    if at is None or not now.trusted:
        return desk
    due_utc_s = _today_utc_s(at, zone, now.utc_s)
    if desk.checked_utc_s < due_utc_s <= now.utc_s:
        first = {name for name, route in alerts.routes.items() if route.after_min == 0.0}
        desk = replace(desk, morning=frozenset(first or alerts.routes))
    return replace(desk, checked_utc_s=now.utc_s)


def _today_utc_s(at: time, zone: ZoneInfo, utc_s: float) -> float:
    local = datetime.fromtimestamp(utc_s, UTC).astimezone(zone)
    return datetime.combine(local.date(), at, zone).timestamp()


def _morning(desk: Desk, name: str, site: str) -> Delivery:
    standing = [(key, case) for key, case in desk.cases.items() if not case.over]
    if not standing:
        return Delivery(name, f"{site}: all well", "No alarm stands.", morning=True)
    lines = [f"{_place(key)}: {case.change.text}" for key, case in standing]
    return Delivery(name, f"{site}: {len(lines)} alarms stand", "\n".join(lines), morning=True)
