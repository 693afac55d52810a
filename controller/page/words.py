"""Words for what is shown: numbers with their units, ages, places, claims and judgements."""

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from math import inf, isfinite, nan
from typing import Any, Final
from zoneinfo import ZoneInfo

from config.model import Site
from controller.decide.aims import BayAims, MistAims
from controller.draw.markup import Element, element
from controller.page.moment import Moment
from sensors.readings import ProbeView

_ISO: Final = re.compile(r"\b\d{4}-\d\d-\d\d\b", re.ASCII)
GAP: Final = "\u00a0"
MINUS: Final = "\u2212"
PRIORITY_WORDS: Final = {1: "now", 2: "today", 3: "when you next look"}


def number(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """A number with a real minus sign; never "-0.0"."""
    rounded = round(value, digits) + 0.0
    text = f"{abs(rounded):.{digits}f}"
    if rounded < 0:
        return f"{MINUS}{text}"
    return f"+{text}" if sign else text


def measured(value: float | None, unit: str, digits: int = 1, *, sign: bool = False) -> str:
    """A number with its unit, or "no reading"; never 0 and never the last one for it."""
    if value is None or not isfinite(value):
        return "no reading"
    return f"{number(value, digits, sign=sign)}{GAP}{unit}"


def percent(share: float, digits: int = 0) -> str:
    """A share (1 is all of it) in per cent, with its sign."""
    return measured(100.0 * share, "%", digits)


def age(seconds: float) -> str:
    """How long ago, in the largest unit that suits: "4 s", "3 min", "2 h", "5 d"."""
    if not isfinite(seconds):
        return "never"
    for unit_s, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * unit_s:
            return f"{int(seconds / unit_s)}{GAP}{unit}"
    return f"{max(0, int(seconds))}{GAP}s"


def clock(at_s: float, zone: ZoneInfo) -> str:
    """Local time of day: 14:05."""
    return datetime.fromtimestamp(at_s, zone).strftime("%H:%M")


def day(at_s: float, zone: ZoneInfo) -> str:
    """Local day: Tue 3 Mar."""
    local = datetime.fromtimestamp(at_s, zone)
    return f"{local:%a} {local.day} {local:%b}"


def moment_words(at_s: float, now_s: float, zone: ZoneInfo) -> str:
    """Local time, with its day where that is not today's."""
    here, now = (datetime.fromtimestamp(one, zone) for one in (at_s, now_s))
    return clock(at_s, zone) if here.date() == now.date() else f"{day(at_s, zone)} {here:%H:%M}"


def plain_dates(text: str, now_s: float, zone: ZoneInfo) -> str:
    """ISO dates within a text as they are said: "19 Mar", with the year where it is another."""
    this_year = datetime.fromtimestamp(now_s, zone).year

    def said(found: re.Match[str]) -> str:
        on = date.fromisoformat(found[0])
        return f"{on.day} {on:%b}" + ("" if on.year == this_year else f" {on.year}")

    return _ISO.sub(said, text)


def sentence(text: str) -> str:
    """A line as a sentence: a capital first, a full stop last."""
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


def with_commands(text: str) -> list[Element | str]:
    """A text with its `commands` set as such."""
    return [
        element("code", part) if turn % 2 else part for turn, part in enumerate(text.split("`"))
    ]


def place_words(place: str, site: Site) -> str:
    """A place as a grower says it: "North bench, left"; a probe or link by its own name."""
    bench, _, rest = place.partition(".")
    plan = site.benches.get(bench)
    if plan is None:
        return {"site": "the whole site"}.get(place, place)
    title = plan.title or bench
    if not rest:
        return title
    bay, _, probe = rest.partition(".")
    if bay not in plan.bays:
        return f"{title}, probe {rest}"
    if probe:
        return f"{title}, {bay}, probe {probe}"
    return title if len(plan.bays) == 1 else f"{title}, {bay}"


def path_of(place: str, site: Site) -> str:
    """The page on which a place is seen."""
    bench = place.partition(".")[0]
    return f"/bench/{bench}" if bench in site.benches else "/alarms"


# -- judgements -----------------------------------------------------------------------------------


def base_words(base_c: float, aims: BayAims) -> str:
    """How a base stands to its bands."""
    if not isfinite(base_c):
        return ""
    base_c = round(base_c, 1)  # judged as it is shown
    if base_c >= aims.trip_c:
        return f"at the trip of {aims.trip_c:g}{GAP}°C"
    if base_c > aims.hot_above_c:
        return "hot: roots suffer"
    if base_c > aims.good_high_c:
        return "above its good band"
    if base_c >= aims.good_low_c:
        return "in its good band"
    if aims.resting:
        return "resting, nothing asks for warmth"
    if base_c >= aims.slow_below_c:
        return "below its good band"
    return "cold: rooting is slow"


def top_words(top_c: float, limit_c: float) -> str:
    """How a top stands to its limit."""
    if not isfinite(top_c) or not isfinite(limit_c):
        return ""
    if round(top_c, 1) > limit_c:
        return f"hot: above {limit_c:g}{GAP}°C"
    return "cool enough" if top_c < limit_c - 3.0 else f"near its limit of {limit_c:g}{GAP}°C"


def lean_words(difference_k: float, wanted_k: float) -> str:
    """The aim of the whole bench in a few words: warm foot, cool top."""
    if not isfinite(difference_k):
        return "nobody knows which is warmer"
    difference_k = round(difference_k, 1)
    if difference_k < 0.0:
        return "upside down: the top is warmer than the foot"
    if difference_k < wanted_k:
        return f"less than the {wanted_k:g}{GAP}K wanted"
    return "warm foot, cool top"


def air_words(vpd_kpa: float, aims: MistAims) -> str:
    """How the air stands to the band of the phase."""
    if not isfinite(vpd_kpa):
        return ""
    if vpd_kpa > aims.vpd_high_kpa:
        return "drier than this phase wants"
    return "damper than this phase wants" if vpd_kpa < aims.vpd_low_kpa else "as this phase wants"


def film_words(film_kpa_min: float, leafy: bool) -> str:
    """What is still on the leaves, by the sum since the last burst."""
    if not leafy:
        return "no leaves on the bench"
    return "leaves reckoned wet" if film_kpa_min > 0.05 else "leaves reckoned dry"


# -- claims ---------------------------------------------------------------------------------------


def claims(relay: Mapping[str, Any]) -> tuple[str, str]:
    """What was ordered and what the board reports: two claims, neither of them proof."""
    reported = relay["reported"]
    if reported == "not reported":
        return f"ordered {relay['ordered']}", "the board reports nothing"
    seconds = relay["reported_age_s"]
    when = "" if seconds is None else f", {age(seconds)} ago"
    return f"ordered {relay['ordered']}", f"the board reports {reported}{when}"


def mat_inferred(moment: Moment, key: tuple[str, str]) -> str:
    """What the base says of the mat, which nobody measures."""
    place = ".".join(key)
    found = {
        "mat_dead": "inferred: it does not seem to heat",
        "mat_weak": "inferred: it heats less than it did",
        "mat_stuck_on": "inferred: it seems to heat without an order",
        "mat_at_limit": "inferred: it heats, but is at its limit",
    }
    for name, said in found.items():
        alarm = moment.state.alarms.get((name, place))
        if alarm is not None and alarm.under not in ("NORM", "RTNUN"):
            return said
    held = moment.state.bays.get(key)
    if held is None or not isfinite(held.derivative):
        return "inferred: nothing yet"
    slope_k_h = held.derivative * 3600.0
    if abs(slope_k_h) < 0.05:
        return "inferred from the base: holding"
    turn = "rising" if slope_k_h > 0 else "falling"
    return f"inferred from the base: {turn} {abs(slope_k_h):.1f}{GAP}K an hour"


def mist_inferred(moment: Moment, bench: str) -> str:
    """What is known of the mister's water: by a meter, else by what humidity says."""
    held = moment.state.mist.get(bench)
    if held is not None and held.metered.missed:
        return f"measured: no water in the last {held.metered.missed} bursts"
    if held is None or not held.answers:
        return "inferred: too damp, or too early, to tell by the humidity"
    if held.unanswered:
        return f"inferred: {held.unanswered} bursts in a row without an answer from the humidity"
    return "inferred: the humidity answers its bursts"


# -- probes ---------------------------------------------------------------------------------------


def views_of(moment: Moment, bench: str, bay: str | None, kind: str) -> list[ProbeView]:
    """The probes of one kind of a bench's air, or of one of its bays, as they stand."""
    plan, seen = moment.site.benches[bench], moment.snapshot.benches[bench]
    probes = plan.air.probes if bay is None else plan.bays[bay].probes
    views = seen.air if bay is None else seen.bays[bay].probes
    return [view for probe, view in zip(probes, views, strict=True) if probe.kind == kind]


def missing(moment: Moment, bench: str, bay: str | None, kind: str) -> str:
    """Why a value may not be known: "no probe" is fitted, or it gives "no reading"."""
    return "no reading" if views_of(moment, bench, bay, kind) else "no probe"


def last_known(views: Sequence[ProbeView]) -> tuple[float, float]:
    """(value as received, seconds) of the youngest sample of any flag; (NaN, inf) of none."""
    found = [(view.age_s, view.reading.raw) for view in views if isfinite(view.reading.raw)]
    seconds, value = min(found, default=(inf, nan))
    return value, seconds


def youngest_s(views: Sequence[ProbeView]) -> float:
    """Age of the youngest usable sample, s; inf when there is none."""
    return min((view.age_s for view in views if view.reading.usable), default=inf)
