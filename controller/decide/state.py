"""What the controller remembers between steps. Frozen; a step returns a new one.

All `*_s` are monotonic seconds unless the name says utc. Saved each minute through `dump` and read
back through `load`, which re-bases the monotonic times and fails to the safe side.
"""

from dataclasses import dataclass, field
from math import inf, nan

from controller.records import Reason


@dataclass(frozen=True, slots=True)
class BayState:
    """Heat of one bay.

    on, since_s: the mat's ordered state and when it last changed.  window_start_s, window_on_s:
    the running time-proportioning window and its on-time.  duty: last wanted, 0..1.
    integral: PID integral term, duty.  mean_c: the running minute mean handed to the PID.
    holding_duty_per_k: learned duty per kelvin of base-minus-top, NaN until learned.
    full_since_s: when duty last rose to the limit, inf while it is not.  full_base_c: base then.
    tripped: latched over-temperature.  hold: "", "off", "on" by hand; hold_until_s.
    on_24h_s: seconds on in about the last day.
    """

    on: bool = False
    since_s: float = -inf
    window_start_s: float = -inf
    window_on_s: float = 0.0
    duty: float = 0.0
    integral: float = 0.0
    derivative: float = 0.0
    mean_sum: float = 0.0
    mean_n: int = 0
    mean_since_s: float = -inf
    mean_c: float = nan
    mean_before_c: float = nan
    holding_duty_per_k: float = nan
    full_since_s: float = inf
    full_base_c: float = nan
    lost_since_s: float = inf
    tripped: bool = False
    hold: str = ""
    hold_until_s: float = -inf
    duty_day: float = nan
    reason: Reason = Reason("rest")


@dataclass(frozen=True, slots=True)
class MistState:
    """Mist of one bench.

    on_until_s: end of the running burst.  last_burst_s: start of the last.  dryness_kpa_min: since
    the last burst.  hour_used, day_used: (period number, seconds used).  last_sched_utc_s: latest
    clock time already served.  dried_day: local day number on which the leaf last dried fully.
    answers: VPD before a burst waiting to be judged, and the run of bursts without answer.
    film_kpa_min: water left on the leaves, as the dryness that would use it up.  bursts_s: (start,
    length) of the bursts of about the last hour.  hand_burst_s: length of a burst asked for by
    hand and not yet given, 0 for none.  seen_s: when the climate was last taken into account.
    look_s: until when nothing can fall due.  mode: as in MistDecision.
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
    judged_burst_s: float = -inf
    vpd_before_kpa: float = nan
    rh_before_pct: float = nan
    unanswered: int = 0
    hold: str = ""
    hold_until_s: float = -inf
    stuck: bool = False
    hand_burst_s: float = 0.0
    seen_s: float = -inf
    look_s: float = -inf
    mode: str = "normal"
    reason: Reason = Reason("rest")


@dataclass(frozen=True, slots=True)
class AlarmState:
    """One alarm at one place.

    state: AlarmStateName.  pending_s: since when the condition stands (or, in alarm, has gone);
    inf when it does not.  raised_s, raised_utc_s: of the present occurrence.  acked_by: who.
    shelved_until_s: end of a shelving; one_shot ends it at the next return to normal.
    under: what the state would be if it were not shelved, suppressed or out of service.
    first: True for the first alarm of a burst of alarms.  value: what crossed the limit.
    priority: 1 (highest) to 3 as last weighed.  acked_s: when it was acknowledged.
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
    """Everything remembered. watch: numbers the alarm conditions keep, by (alarm, place)."""

    started_s: float = nan
    last_s: float = nan
    bays: dict[tuple[str, str], BayState] = field(default_factory=dict)
    mist: dict[str, MistState] = field(default_factory=dict)
    alarms: dict[tuple[str, str], AlarmState] = field(default_factory=dict)
    watch: dict[tuple[str, str], tuple[float, ...]] = field(default_factory=dict)
