"""How well the alarms serve: counted from the record, beside what a grower can live with.

The words are those of ISA-18.2 / IEC 62682 and EEMUA 191. Their rates are for a person who sits at
a desk all day; a grower does not, so the figures here are this program's own choice: at most one
interruption a day, seldom one by night, and none that teaches to look away.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import datetime
from statistics import median
from typing import Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

from controller.records import AlarmRow
from controller.records import AlarmStateName as S

DAY_S: Final = 86400.0
NIGHT_FROM: Final = 22
NIGHT_UNTIL: Final = 6
GROUP_S: Final = 600.0
CHATTER: Final = 3
FLOOD: Final = 5
STALE_S: Final = DAY_S
COMMONEST: Final = 3
NEW: Final = frozenset({S.UNACK, S.LATCH_UNACK})
UP: Final = frozenset({S.UNACK, S.ACKED, S.LATCH_UNACK, S.LATCH_ACK})
SEEN: Final = frozenset({S.ACKED, S.LATCH_ACK})
QUIET: Final = frozenset({S.NORM, S.RTNUN, S.DSUPR, S.SHLVD, S.OOSRV})

Verdict = Literal["fine", "watch", "act"]
Key = tuple[str, str]


class Raised(NamedTuple):
    """One occurrence of an alarm. Times UTC s; None for what has not come. seen_s: acknowledged."""

    alarm: str
    place: str
    priority: int
    at_s: float
    seen_s: float | None = None
    gone_s: float | None = None


class Load(NamedTuple):
    """What the alarms of a window came to. Rates are per day or per week of the window,
    which counts as a day where it is shorter.

    mix: share of each priority, 0..1, of what was raised.  chattering: (alarm, place) that returned
    CHATTER times within ten minutes.  stale: that stood unbroken for a day.  floods: times when
    FLOOD were raised within ten minutes, with the one that came first.  unseen: share that went
    away before anybody acknowledged.  to_seen_s: median time to acknowledge by priority.
    shelved_often: set aside more than twice in seven days.  commonest: up to COMMONEST that were
    raised most, with how often, most first; only those raised more than once.
    """

    days: float
    raised: int
    interrupting_a_day: float
    night_urgent_a_week: float
    mix: dict[int, float]
    chattering: tuple[Key, ...]
    stale: tuple[Key, ...]
    floods: tuple[tuple[float, Key], ...]
    unseen: float | None
    to_seen_s: dict[int, float]
    shelved_often: tuple[Key, ...]
    commonest: tuple[tuple[Key, int], ...]


class Figure(NamedTuple):
    """One figure in words: what it is, its value, what is wanted, and whether to do something."""

    name: str
    value: str
    wanted: str
    verdict: Verdict
    advice: str


def occurrences(rows: Sequence[AlarmRow]) -> list[Raised]:
    """Every time an alarm was raised, from its changes in order of time.

    A reminder of one that still stands is no new occurrence.
    """
    open_now: dict[Key, Raised] = {}
    found: list[Raised] = []
    for row in rows:
        change = row.change
        key = (change.alarm, change.place)
        held = open_now.get(key)
        if change.state in NEW and change.was in QUIET:
            if held is not None:
                found.append(held)
            open_now[key] = Raised(*key, change.priority, row.at_s)
        elif held is None:
            continue
        elif change.state in SEEN and held.seen_s is None:
            open_now[key] = held._replace(seen_s=row.at_s)
        elif change.state in (S.NORM, S.RTNUN):
            gone_s = row.at_s if held.gone_s is None else held.gone_s
            held = held._replace(gone_s=gone_s)
            if change.state == S.NORM:
                # Whoever acknowledges one that has gone has seen it, too late.
                found.append(held)
                del open_now[key]
            else:
                open_now[key] = held
    return sorted([*found, *open_now.values()], key=lambda one: one.at_s)


def rated_days(days: float) -> float:
    """Days that a rate over a window is taken by: half an hour with one alarm is no day with 48."""
    return max(days, 1.0)


def load(rows: Sequence[AlarmRow], from_s: float, to_s: float, zone: ZoneInfo) -> Load:
    """The figures of [from_s, to_s), UTC s, from the changes of alarms in it, oldest first."""
    days = max((to_s - from_s) / DAY_S, 1e-9)
    rated = rated_days(days)
    found = occurrences(rows)
    counts = Counter(one.priority for one in found)
    total = sum(counts.values())
    night = sum(one.priority == 1 and _by_night(one.at_s, zone) for one in found)
    over = [one for one in found if one.gone_s is not None]
    unseen = sum(one.seen_s is None for one in over) / len(over) if over else None
    waits: dict[int, list[float]] = defaultdict(list)
    for one in found:
        if one.seen_s is not None:
            waits[one.priority].append(one.seen_s - one.at_s)
    return Load(
        days,
        total,
        (counts[1] + counts[2]) / rated,
        7.0 * night / rated,
        {priority: counts[priority] / total for priority in (1, 2, 3)} if total else {},
        _chattering(rows),
        tuple(dict.fromkeys((o.alarm, o.place) for o in found if _stood_s(o, to_s) > STALE_S)),
        _floods(found),
        unseen,
        {priority: median(each) for priority, each in sorted(waits.items())},
        _shelved_often(rows),
        _commonest(found),
    )


def _commonest(found: Sequence[Raised]) -> tuple[tuple[Key, int], ...]:
    counts = Counter((one.alarm, one.place) for one in found)
    return tuple((key, n) for key, n in counts.most_common(COMMONEST) if n > 1)


def _by_night(at_s: float, zone: ZoneInfo) -> bool:
    hour = datetime.fromtimestamp(at_s, zone).hour
    return hour >= NIGHT_FROM or hour < NIGHT_UNTIL


def _stood_s(one: Raised, to_s: float) -> float:
    return (to_s if one.gone_s is None else one.gone_s) - one.at_s


def _chattering(rows: Sequence[AlarmRow]) -> tuple[Key, ...]:
    """Alarms that returned to normal CHATTER times within ten minutes."""
    returns: dict[Key, list[float]] = defaultdict(list)
    for row in rows:
        change = row.change
        if change.was in UP and change.state in (S.NORM, S.RTNUN):
            returns[change.alarm, change.place].append(row.at_s)
    return tuple(key for key, times in returns.items() if _within(times, CHATTER))


def _within(times: Sequence[float], count: int) -> bool:
    ends = zip(times, times[count - 1 :], strict=False)
    return any(last - first <= GROUP_S for first, last in ends)


def _floods(found: Sequence[Raised]) -> tuple[tuple[float, Key], ...]:
    """(time, the alarm that came first) of each burst of FLOOD within ten minutes."""
    floods: list[tuple[float, Key]] = []
    until_s = float("-inf")
    for first, last in zip(found, found[FLOOD - 1 :], strict=False):
        if first.at_s > until_s and last.at_s - first.at_s <= GROUP_S:
            floods.append((first.at_s, (first.alarm, first.place)))
            until_s = last.at_s + GROUP_S
    return tuple(floods)


def _shelved_often(rows: Sequence[AlarmRow]) -> tuple[Key, ...]:
    times: dict[Key, list[float]] = defaultdict(list)
    for row in rows:
        if row.change.state == S.SHLVD and row.change.was != S.SHLVD:
            times[row.change.alarm, row.change.place].append(row.at_s)
    return tuple(
        key
        for key, each in times.items()
        if any(last - first <= 7 * DAY_S for first, last in zip(each, each[2:], strict=False))
    )
