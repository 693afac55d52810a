"""The rules of the mister, each a small function from what is seen to a choice, or None."""

from math import inf
from typing import Final, NamedTuple

from config.bounds import BURST_LONGEST_S, HOLD_LONGEST_S, MIST_HOUR_SHARE
from config.model import MistTime, SiteInfo
from controller.decide.aims import MistAims
from controller.decide.cooling import no_cooling
from controller.decide.schedule import Sky, latest_due_utc_s
from controller.decide.state import MistState
from controller.records import Reason
from sensors.clock import Now
from sensors.readings import BenchView

LOOK_LONGEST_S: Final = 60.0
HOUR_S: Final = 3600.0
BURST_SHORTEST_S: Final = 0.5
LONG_GAP_S: Final = 20 * 60.0
"""Nothing known for this long by day: unrooted leaves may be dry (a new cutting without water wilts
in about 72 min in the dark, far sooner in light: Alem & Faust 2019, Acta Hort.)."""
DANGER_KPA: Final = 1.2
"""Leaf-to-air deficit at which unrooted leaves no longer wait; common practice, no source."""
WILTING_KPA: Final = 1.0
FILM_SURE: Final = 0.55
"""Beyond this deficit unrooted leaves are wetted again before they are dry, whatever the dose, and
no more than this share of a burst is relied upon: it dries unevenly, and how much of it the leaves
caught is an estimate. Own choice, the deficit below the danger by what a probe may miss."""
NIGHT_DOSE: Final = 3.0
"""The first nights' bursts lie 1 to 3 h apart in damp air: common practice, no source."""
EVENING_S: Final = 90 * 60.0
AFTERNOON_MIN: Final = 14 * 60.0
"""Leaves dry by night, and once a day from callus on: common practice, no source. The two times are
this program's own choice."""
COOLING_GAP_S: Final = 600.0
"""Least time between bursts for cooling; own choice."""
NIGHT_SURVIVAL: Final = 6.0
ROOTED_SURVIVAL: Final = 3.0
"""How much longer survival bursts lie apart by night, and with roots; own choice."""
_ALMOST: Final = 1 - 1e-9


class View(NamedTuple):
    """What the rules look at.

    is_day: by sun or light.  known: top temperature and humidity are known.  deficit_kpa: of the
    leaf, NaN when not known.  dryness_kpa_min, film_kpa_min, dried_day: as in MistState, now.
    unseen_s, since_burst_s: since the last look and the start of the last burst, inf for never.
    """

    aims: MistAims
    state: MistState
    bench: BenchView
    sky: Sky
    now: Now
    schedule: tuple[MistTime, ...]
    info: SiteInfo
    is_day: bool
    known: bool
    deficit_kpa: float
    dryness_kpa_min: float
    film_kpa_min: float
    dried_day: int
    unseen_s: float
    since_burst_s: float

    @property
    def soft(self) -> bool:
        """Leaves without roots to feed them."""
        return self.aims.leafy and self.aims.unrooted

    @property
    def wilting(self) -> bool:
        """Such leaves in air in which none of them is to be dry."""
        return self.soft and self.deficit_kpa > WILTING_KPA

    @property
    def danger(self) -> bool:
        """Such leaves in air that wilts them."""
        return self.soft and self.deficit_kpa > DANGER_KPA


class Choice(NamedTuple):
    """What a rule wants: a burst of `burst_s`, or to wait (0); look again in `ahead_s`.

    served_utc_s: clock time that this serves, -inf for none.
    """

    burst_s: float
    reason: Reason
    ahead_s: float = LOOK_LONGEST_S
    served_utc_s: float = -inf


def hour_bursts_s(state: MistState, mono_s: float) -> list[tuple[float, float]]:
    """(start, length) of the bursts that reach into the hour up to now."""
    return [
        (start_s, length_s)
        for start_s, length_s in state.bursts_s
        if mono_s - HOUR_S < start_s + length_s and start_s <= mono_s
    ]


def hour_used_s(state: MistState, mono_s: float) -> float:
    """Seconds of mist in the hour up to now; a burst that reaches into the hour counts in full."""
    return sum(length_s for _, length_s in hour_bursts_s(state, mono_s))


def share_left_s(state: MistState, mono_s: float) -> float:
    """What the hard share of any hour still allows, seconds."""
    return HOUR_S * MIST_HOUR_SHARE - hour_used_s(state, mono_s)


def by_hand(view: View) -> Choice | None:
    """A burst asked for, or a hold. A hold off comes first: someone may be at the valve."""
    state, mono_s = view.state, view.now.mono_s
    hold = state.hold if mono_s < state.hold_until_s <= mono_s + HOLD_LONGEST_S else ""
    if hold == "off":
        return Choice(0.0, Reason("mist_hand_off"))
    if state.hand_burst_s > 0:
        burst_s = min(state.hand_burst_s, BURST_LONGEST_S)
        return Choice(burst_s, Reason("mist_hand_burst", (round(burst_s, 1),)))
    if hold == "on":
        return budgeted(view, Choice(view.aims.burst_s, Reason("mist_hand_on")))
    return None


def after_gap(view: View) -> Choice | None:
    """One burst when leaves may have dried unseen: a power cut, or a batch just stuck."""
    if not (view.soft and view.is_day):
        return None
    if min(view.unseen_s, view.since_burst_s) <= LONG_GAP_S:
        return None
    return Choice(view.aims.burst_s, Reason("mist_after_gap", (round(LONG_GAP_S / 60),)))


def for_dryness(view: View) -> Choice | None:
    """A burst each time the summed leaf-to-air deficit passes the dose.

    Misting by accumulated vapour pressure deficit: Davies 2005, as cited by Faust, Dole & Lopez
    2017, Horticultural Reviews 44.
    """
    dose = earned_dose_kpa_min(view)
    if dose is None or not view.known:
        return None
    if view.dryness_kpa_min < dose * _ALMOST:
        return None
    values = (round(view.dryness_kpa_min, 1), round(dose, 1))
    return Choice(view.aims.burst_s, Reason("mist_dryness", values))


def earned_dose_kpa_min(view: View) -> float | None:
    """The dose in force, kPa min: longer by night, shorter in air in which leaves must not dry."""
    aims = view.aims
    dose = aims.dose_kpa_min
    if dose is None:
        return None
    if view.wilting:
        return min(dose, FILM_SURE * aims.burst_s * aims.film_kpa_min_s)
    return dose if view.is_day else dose * NIGHT_DOSE


def by_schedule(view: View) -> Choice | None:
    """The latest burst that the bench file's clock times ask for."""
    if not view.schedule:
        return None
    if not view.sky.trusted:
        return _by_elapsed(view)
    now_utc_s = view.now.utc_s
    last_utc_s = view.state.last_sched_utc_s
    if last_utc_s > now_utc_s + LONG_GAP_S:
        # The wall clock was set back: what was served then says nothing about now.
        last_utc_s = -inf
    chosen: Choice | None = None
    for entry in view.schedule:
        due_utc_s = latest_due_utc_s(entry, view.info, view.sky.day_number, last_utc_s, now_utc_s)
        if due_utc_s is not None and (chosen is None or due_utc_s > chosen.served_utc_s):
            burst_s = entry.burst_s or view.aims.burst_s
            chosen = Choice(burst_s, Reason("mist_schedule"), served_utc_s=due_utc_s)
    return chosen


def _by_elapsed(view: View) -> Choice | None:
    """Interval entries, by running time and by day, while the clock is not trusted."""
    for entry in view.schedule:
        every_min = entry.every_min
        if every_min is not None and view.is_day and view.since_burst_s >= every_min * 60:
            reason = Reason("mist_interval", (round(every_min),))
            return Choice(entry.burst_s or view.aims.burst_s, reason)
    return None


def to_cool_top(view: View) -> Choice | None:
    """A burst against a hot top, by day, where the air can still take up water."""
    aims, bench = view.aims, view.bench
    if not bench.top_c > aims.top_hot_c or view.since_burst_s < COOLING_GAP_S:
        return None
    if no_cooling(aims, bench, view.is_day):
        return None
    values = (round(bench.top_c, 1), round(aims.top_hot_c, 1))
    return Choice(aims.burst_s, Reason("mist_cool_top", values))


def kept_dry(view: View) -> Choice | None:
    """A wait that overrules any wish: leaves are to be dry now."""
    if view.danger:
        return None
    aims, sky = view.aims, view.sky
    if not view.is_day and (aims.must_dry or not aims.night_mist):
        return Choice(0.0, Reason("mist_night"))
    if not (aims.must_dry and sky.trusted):
        return None
    if 0 <= sky.sunset_utc_s - view.now.utc_s <= EVENING_S:
        return Choice(0.0, Reason("mist_evening", (round(EVENING_S / 60),)))
    if (
        sky.local_minute >= AFTERNOON_MIN
        and view.film_kpa_min > 0
        and view.dried_day != sky.day_number
    ):
        return Choice(0.0, Reason("mist_afternoon"))
    return None


def budgeted(view: View, wish: Choice) -> Choice:
    """The wish itself, or what is left of it by the shortest gap and the water budgets."""
    aims = view.aims
    gap_left_s = aims.shortest_gap_s - view.since_burst_s
    if gap_left_s > 0:
        reason = Reason("mist_gap", (round(aims.shortest_gap_s),))
        return Choice(0.0, reason, gap_left_s, wish.served_utc_s)
    spent = ""
    if hour_used_s(view.state, view.now.mono_s) + wish.burst_s > aims.hour_budget_s:
        spent = "hour"
    elif day_used_s(view) + wish.burst_s > aims.day_budget_s:
        spent = "day"
    if not spent:
        return wish
    if not (view.soft and (view.is_day or view.danger)):
        return Choice(0.0, Reason("mist_budget", (spent,)), served_utc_s=wish.served_utc_s)
    wait_s = aims.survival_every_s - view.since_burst_s
    if wait_s > 0:
        reason = Reason("mist_budget", (spent,))
        return Choice(0.0, reason, wait_s, wish.served_utc_s)
    values = (spent, round(aims.survival_burst_s, 1), round(aims.survival_every_s / 60))
    reason = Reason("mist_survival_budget", values)
    return Choice(aims.survival_burst_s, reason, served_utc_s=wish.served_utc_s)


def blind(view: View) -> Choice | None:
    """Timed mist while top temperature or humidity is not known; None while both are."""
    if view.known:
        return None
    aims = view.aims
    if not aims.leafy or (aims.dose_kpa_min is None and not aims.unrooted):
        return Choice(0.0, Reason("mist_blind"))
    if not view.is_day and not (view.soft and aims.night_mist):
        return Choice(0.0, Reason("mist_night"))
    every_s = aims.survival_every_s * (1.0 if view.is_day else NIGHT_SURVIVAL)
    if not aims.unrooted:
        every_s *= ROOTED_SURVIVAL
    wait_s = every_s - view.since_burst_s
    if wait_s > 0:
        return Choice(0.0, Reason("mist_survival_wait"), wait_s)
    values = (round(aims.survival_burst_s, 1), round(every_s / 60))
    return Choice(aims.survival_burst_s, Reason("mist_survival", values))


def waiting(view: View) -> Choice:
    """Nothing is due. Looks again before a quarter greater a deficit could reach the dose."""
    dose = earned_dose_kpa_min(view)
    if dose is None:
        return Choice(0.0, Reason("mist_weaned"))
    ahead_s = LOOK_LONGEST_S
    if view.deficit_kpa > 0:
        ahead_s = (dose - view.dryness_kpa_min) / (1.25 * view.deficit_kpa) * 60
    return Choice(0.0, Reason("mist_wait", (round(dose, 1),)), ahead_s)


def day_used_s(view: View) -> float:
    """Seconds of mist on this local day."""
    same = view.state.day_number == view.sky.day_number
    return view.state.day_used_s if same else 0.0
