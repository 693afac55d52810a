"""What the controller remembers between steps. Frozen; a step returns a new one.

All `*_s` times are monotonic seconds unless the name says utc. `dump` writes the state down once a
minute; `load` re-bases its times and fails to the safe side.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import inf, isfinite, nan
from typing import Any, Final, NamedTuple, TypeVar

from controller.decide.ahead import NOT_LOOKED, Ahead
from controller.decide.aims import BayAims
from controller.decide.drift import NO_DRIFT, Drift
from controller.decide.encode import (
    as_number,
    differing,
    from_json,
    plain,
    plain_numbers,
    restored,
    to_json,
)
from controller.decide.schedule import Sky
from controller.records import AlarmStateName, BayDecision, MistDecision, Reason
from sensors.clock import Now
from sensors.readings import BenchView


class Sums(NamedTuple):
    """The running minute of one bay; the only part of a bay that changes on every tick.

    since_s: its start.  total, n: of the base readings.  on_s: time the mat was ordered on.
    """

    since_s: float = -inf
    total: float = 0.0
    n: int = 0
    on_s: float = 0.0


class Stretch(NamedTuple):
    """About a minute of air, as means of n samples. since_s, mid_s: its start and middle."""

    since_s: float
    mid_s: float
    n: int
    vpd_kpa: float
    top_c: float


class Trail(NamedTuple):
    """The air of a bench as the answers to bursts need it.

    since_s: start of the running stretch.  n, vpd_sum, top_sum: its samples.
    burst_s: length of the burst that it follows, 0 for none.  past: stretches before, newest last.
    """

    since_s: float
    n: int = 0
    vpd_sum: float = 0.0
    top_sum: float = 0.0
    burst_s: float = 0.0
    past: tuple[Stretch, ...] = ()


class Metered(NamedTuple):
    """Bursts as a water meter in the pipe saw them.

    waits: the last burst is not judged yet.  most_ml_s: most flow since it began.  usual_ml: what
    is usually counted for each second of a burst, NaN until known.  known, missed: runs of bursts
    in which it counted water, up to three, and in which it then counted none.
    """

    waits: bool = False
    most_ml_s: float = 0.0
    usual_ml: float = nan
    known: int = 0
    missed: int = 0


NOT_METERED: Final = Metered()
AT_REST: Final = Reason("rest", ("not decided yet",))


@dataclass(frozen=True, slots=True)
class BayState:
    """Heat of one bay.

    on, since_s: the mat's ordered state and when it last changed.  window_start_s: of the
    running time-proportioning window; pulsed: its pulse has ended.  duty: last wanted, 0..1.
    integral: PID integral term, duty, NaN before the first warm-up.  derivative: slope of the base
    over about ten minutes, K/s.  mean_c, mean_before_c: of the last minute and the one before.
    holding_duty_per_k: learned duty per kelvin of base-minus-top, NaN until learned.
    full_since_s: when duty last rose to the limit (or the base by 1 K), inf while it is not at it.
    full_base_c: base then.  lost_since_s: since when no base probe is usable, else inf.
    trip_since_s: since when the base stands above the trip, else inf.  tripped: latched.
    sunned: the sun has it so hot.
    rest_until_s: end of a rest after long heating without a rise.
    hold: "", "off", "on" by hand; hold_until_s.  on_24h_s, seen_24h_s: seconds on, and seen at
    all, of about the last day; duty_day: their ratio.  usable: base probes in the last mean.
    target_c: in force.  yield_k: how far the target gives way to a hot top.
    top_mean_c, top_slope_k_s: of the top, over about half an hour.  drift: what the last days did
    to the base.  ahead: the plan made from it.
    rise_*: the heat-up being timed: start, lowest base, and when three steps of rise were passed.
    rate_k_s, delay_s: rise at full duty and its delay as learned, NaN until then.
    mode, reason: as last decided.
    """

    on: bool = False
    since_s: float = -inf
    window_start_s: float = -inf
    pulsed: bool = False
    duty: float = 0.0
    integral: float = nan
    derivative: float = 0.0
    mean_c: float = nan
    mean_before_c: float = nan
    holding_duty_per_k: float = nan
    full_since_s: float = inf
    full_base_c: float = nan
    lost_since_s: float = inf
    trip_since_s: float = inf
    tripped: bool = False
    sunned: bool = False
    rest_until_s: float = -inf
    hold: str = ""
    hold_until_s: float = -inf
    on_24h_s: float = 0.0
    seen_24h_s: float = 0.0
    duty_day: float = nan
    usable: int = 0
    target_c: float = nan
    yield_k: float = 0.0
    top_mean_c: float = nan
    top_slope_k_s: float = 0.0
    drift: Drift = NO_DRIFT
    ahead: Ahead = NOT_LOOKED
    rise_since_s: float = inf
    rise_from_c: float = nan
    rise_low_s: float = nan
    rise_mid_s: float = nan
    rise_high_s: float = nan
    rate_k_s: float = nan
    delay_s: float = nan
    mode: str = "normal"
    reason: Reason = AT_REST


@dataclass(frozen=True, slots=True)
class MistState:
    """Mist of one bench.

    on_until_s: end of the running burst.  last_burst_s: start of the last.  dryness_kpa_min: since
    the last burst.  hour_used, day_used: (period number, seconds used).  last_sched_utc_s: latest
    clock time already served.  dried_day: local day number on which the leaf last dried fully.
    unanswered, answers: the run of bursts without a plain answer, and how the last were answered.
    usual_answer: how plainly bursts are answered for each kPa of VPD, NaN until learned.
    film_kpa_min: water left on the leaves, as the dryness that would use it up.  bursts_s: (start,
    length) of the bursts of about the last hour.  hand_burst_s: length of a burst asked for by
    hand and not yet given, 0 for none.  seen_s: when the climate was last taken into account.
    look_s: until when nothing can fall due.  mode: as in MistDecision.
    metered: what a water meter counted of the bursts.
    """

    on_until_s: float = -inf
    last_burst_s: float = -inf
    last_burst_len_s: float = 0.0
    dryness_kpa_min: float = 0.0
    film_kpa_min: float = 0.0
    bursts_s: tuple[tuple[float, float], ...] = ()
    day_number: int = 0
    day_used_s: float = 0.0
    last_sched_utc_s: float = -inf
    dried_day: int = 0
    unanswered: int = 0
    answers: tuple[float, ...] = ()
    usual_answer: float = nan
    hold: str = ""
    hold_until_s: float = -inf
    stuck: bool = False
    hand_burst_s: float = 0.0
    seen_s: float = -inf
    look_s: float = -inf
    mode: str = "normal"
    reason: Reason = AT_REST
    metered: Metered = NOT_METERED


@dataclass(frozen=True, slots=True)
class AlarmState:
    """One alarm at one place.

    state: AlarmStateName.  pending_s: since when the condition stands (or, in alarm, has gone);
    inf when it does not.  raised_s, raised_utc_s: of the present occurrence.  acked_by: who.
    shelved_until_s: end of a shelving; one_shot ends it at the next return to normal.
    under: what the state would be if it were not shelved, suppressed or out of service.
    first: True for the first alarm of a burst of alarms.  value: what crossed the limit.
    priority: 1 (highest) to 3 as last weighed.  acked_s: when it was acknowledged, or last raised
    or called to mind.
    """

    state: str = "NORM"
    under: str = "NORM"
    pending_s: float = inf
    raised_s: float = -inf
    raised_utc_s: float = nan
    acked_by: str = ""
    shelved_until_s: float = -inf
    one_shot: bool = False
    first: bool = False
    value: float = nan
    text: str = ""
    priority: int = 0
    acked_s: float = -inf


@dataclass(frozen=True, slots=True)
class State:
    """Everything remembered. watch: numbers the alarm conditions keep, by (alarm, place).

    sums: the running minute of each bay.  trails: the air of benches that are misted.  sky,
    sky_minute: sun and local clock, worked out once in that UTC minute (negative while the clock
    was not trusted).  bays_said, mists_said: as last decided, so that they need not be made anew.
    weighed, weighed_s: the views in which the alarms were last found at rest, and when; None while
    one of them moves or waits for a delay.
    """

    started_s: float = nan
    last_s: float = nan
    bays: dict[tuple[str, str], BayState] = field(default_factory=dict)
    mist: dict[str, MistState] = field(default_factory=dict)
    alarms: dict[tuple[str, str], AlarmState] = field(default_factory=dict)
    watch: dict[tuple[str, str], tuple[float, ...]] = field(default_factory=dict)
    sums: dict[tuple[str, str], Sums] = field(default_factory=dict)
    sky: Sky | None = None
    sky_minute: int = -1
    trails: dict[str, Trail] = field(default_factory=dict)
    bays_said: dict[tuple[str, str], BayDecision] = field(default_factory=dict)
    mists_said: dict[str, MistDecision] = field(default_factory=dict)
    weighed: dict[str, BenchView] | None = None
    weighed_s: float = -inf
    weighed_for: dict[tuple[str, str], BayAims] | None = None


SAVED_VERSION: Final = 1
_NO_BAY: Final = BayState()
_NO_MIST: Final = MistState()
_NO_ALARM: Final = AlarmState()
_BAY_TIMES: Final = ("since_s", "hold_until_s", "lost_since_s", "rest_until_s")
_MIST_TIMES: Final = ("last_burst_s", "hold_until_s", "seen_s")
_ALARM_TIMES: Final = ("raised_s", "shelved_until_s", "acked_s")
_ALARM_STATES: Final = frozenset(AlarmStateName)
Record = TypeVar("Record", BayState, MistState, AlarmState)


def dump(state: State, now: Now) -> str:
    """The state as strict JSON (no NaN, no Infinity), with the time it is from."""
    return to_json(
        {
            "version": SAVED_VERSION,
            "mono_s": plain(now.mono_s),
            "utc_s": plain(now.utc_s),
            "trusted": now.trusted,
            "bays": [[*key, differing(bay, _NO_BAY)] for key, bay in state.bays.items()],
            "mist": [[key, differing(mist, _NO_MIST)] for key, mist in state.mist.items()],
            "alarms": [[*key, differing(alarm, _NO_ALARM)] for key, alarm in state.alarms.items()],
            "watch": [[*key, plain_numbers(numbers)] for key, numbers in state.watch.items()],
        }
    )


def load(text: str, now: Now, gap_s: float | None = None) -> State:
    """The state as saved, moved to this run's monotonic time. Never raises.

    gap_s: seconds since it was saved; by default from the wall clock, when that was trusted both
    times. Where the gap is not known holds end and shelved alarms show again. All relays count as
    off, and what was being timed begins anew. Unreadable parts come back as they are when new;
    a trip or latch that can be read is kept.
    """
    data = from_json(text)
    if data.get("version") != SAVED_VERSION:
        return State(started_s=now.mono_s)
    if gap_s is None:
        gap_s = _gap_s(data, now)
    saved_s = as_number(data.get("mono_s"))
    known = gap_s is not None and saved_s is not None and isfinite(saved_s)
    shift_s = now.mono_s - (gap_s or 0.0) - (saved_s or 0.0) if known else None
    bays = _entries(data, "bays", 2, lambda given: _bay(given, shift_s, now))
    mist = _entries(data, "mist", 1, lambda given: _mist(given, shift_s, now))
    alarms = _entries(data, "alarms", 2, lambda given: _alarm(given, shift_s))
    watch = _entries(data, "watch", 2, _numbers)
    return State(
        started_s=now.mono_s,
        bays=bays,
        mist={name: held for (name,), held in mist.items()},
        alarms={key: held for key, held in alarms.items() if held.state in _ALARM_STATES},
        watch={key: numbers for key, numbers in watch.items() if numbers},
    )


def _gap_s(data: dict[str, Any], now: Now) -> float | None:
    utc_s = as_number(data.get("utc_s"))
    if utc_s is None or data.get("trusted") is not True or not now.trusted:
        return None
    gap_s = now.utc_s - utc_s
    return gap_s if 0.0 <= gap_s < inf else None


def _entries(
    data: dict[str, Any], name: str, keys: int, read: Callable[[Any], Any]
) -> dict[Any, Any]:
    """(key...) -> record, for every entry of a list that has its keys as text."""
    given = data.get(name)
    found = {}
    for entry in given if isinstance(given, list) else []:
        if isinstance(entry, list) and len(entry) == keys + 1:
            key = tuple(entry[:keys])
            if all(isinstance(part, str) for part in key):
                found[key] = read(entry[keys])
    return found


def _moved(record: Record, names: tuple[str, ...], shift_s: float | None) -> Record:
    """The record with those times re-based; back to their defaults when the shift is not known."""
    changes: dict[str, Any] = {}
    for name in names:
        usual = getattr(type(record)(), name)
        changes[name] = usual if shift_s is None else getattr(record, name) + shift_s
    return replace(record, **changes)


def _bay(given: Any, shift_s: float | None, now: Now) -> BayState:
    bay = _moved(restored(_NO_BAY, given), _BAY_TIMES, shift_s)
    held = bay.hold in ("off", "on") and bay.hold_until_s > now.mono_s
    return replace(
        bay,
        on=False,
        since_s=now.mono_s if bay.on else min(bay.since_s, now.mono_s),
        window_start_s=-inf,
        pulsed=False,
        full_since_s=inf,
        trip_since_s=inf,
        rise_since_s=inf,
        derivative=0.0,
        top_mean_c=nan,
        top_slope_k_s=0.0,
        drift=bay.drift._replace(start_c=nan),
        ahead=NOT_LOOKED,
        mean_c=nan,
        mean_before_c=nan,
        duty=_share(bay.duty),
        integral=_share(bay.integral) if bay.integral == bay.integral else nan,
        hold=bay.hold if held else "",
        hold_until_s=bay.hold_until_s if held else -inf,
    )


def _share(value: float) -> float:
    return min(1.0, max(0.0, value)) if isfinite(value) else 0.0


def _mist(given: Any, shift_s: float | None, now: Now) -> MistState:
    mist = _moved(restored(_NO_MIST, given), _MIST_TIMES, shift_s)
    held = mist.hold in ("off", "on") and mist.hold_until_s > now.mono_s
    # Unknown how long ago: bursts count as just given, so that no budget is passed.
    moved_s = shift_s if shift_s is not None else _latest(mist.bursts_s, now.mono_s)
    return replace(
        mist,
        on_until_s=-inf,
        bursts_s=tuple((start_s + moved_s, length_s) for start_s, length_s in mist.bursts_s),
        answers=(),
        metered=mist.metered._replace(waits=False),
        hand_burst_s=0.0,
        look_s=-inf,
        hold=mist.hold if held else "",
        hold_until_s=mist.hold_until_s if held else -inf,
    )


def _latest(bursts_s: tuple[tuple[float, float], ...], mono_s: float) -> float:
    return mono_s - max((start_s for start_s, _ in bursts_s), default=mono_s)


def _alarm(given: Any, shift_s: float | None) -> AlarmState:
    alarm = _moved(restored(_NO_ALARM, given), _ALARM_TIMES, shift_s)
    shelved = alarm.state == AlarmStateName.SHLVD
    if shelved and not isfinite(alarm.shelved_until_s):
        alarm = replace(alarm, state=alarm.under, shelved_until_s=-inf, one_shot=False)
    return replace(alarm, pending_s=inf)


def _numbers(given: Any) -> tuple[float, ...]:
    if not isinstance(given, list):
        return ()
    numbers = [as_number(part) for part in given]
    return tuple(number for number in numbers if number is not None) if None not in numbers else ()
