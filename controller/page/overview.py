"""The first page: is anything wrong, what to do, how old is this; then every bench at one look."""

from math import isfinite
from typing import Final

from controller.decide.aims import BayAims
from controller.draw.markup import Element, element
from controller.faces import PHASE_WORDS, link_lines
from controller.live import links
from controller.page.figures import lean, shape
from controller.page.render import Asked, Sheet
from controller.page.standing import NEW, Call, call_card, calls, over_fold
from controller.page.trends import base_past, past, trend
from controller.page.words import (
    GAP,
    PRIORITY_WORDS,
    age,
    base_words,
    lean_words,
    measured,
    missing,
    number,
    place_words,
    sentence,
    views_of,
    with_commands,
    youngest_s,
)
from controller.records import Batch

SHOWN_CALLS: Final = 1
"""Alarms told whole on the first page; the others stand in a line each."""


def overview_page(asked: Asked) -> Sheet:
    """All benches of the site, the one with the worst alarm first."""
    moment = asked.moment
    found = calls(moment)
    standing = [call for call in found if call.stands]
    over = [call for call in found if call.over]
    aside = [call for call in found if not call.calling]
    benches = sorted(
        moment.site.benches, key=lambda name: (_worst(name, standing), list(moment.site.benches))
    )
    return Sheet(
        moment.site.site.name,
        (
            element("div", *_call(asked, standing, over, aside), id="call", data_live=""),
            *(
                _bay(asked, bench, bay)
                for bench in benches
                for bay in moment.site.benches[bench].bays
            ),
        ),
    )


def _worst(bench: str, standing: list[Call]) -> int:
    own = [call.priority for call in standing if call.place.partition(".")[0] == bench]
    return min(own, default=9)


def _call(asked: Asked, standing: list[Call], over: list[Call], aside: list[Call]) -> list[Element]:
    """What needs somebody, or that nothing does."""
    made: list[Element] = []
    if not standing:
        words = "Nothing needs you now." if over else "Nothing needs you."
        made.append(element("h1", words, class_="calm"))
        made.append(element("p", _in_short(asked), class_="short"))
    else:
        made.append(element("h1", "What needs you", class_="unseen"))
    for call in standing[:SHOWN_CALLS]:
        made.append(call_card(call, asked))
    more = standing[SHOWN_CALLS:]
    if more:
        items = [
            element(
                "li",
                shape(call.priority),
                element("p", element("b", f"{call.priority} {PRIORITY_WORDS[call.priority]}",
                                     class_="urgency"),
                        " ", element("a", call.row.title, href="/alarms"),
                        f", {place_words(call.place, asked.moment.site)}. Do: ",
                        *with_commands(call.row.action)),
                class_=f"p{call.priority}",
                id=f"also-{call.key}",
                data_priority=str(call.priority) if call.state in NEW else None,
                data_alarm=call.key,
            )
            for call in more
        ]  # fmt: skip
        made.append(element("ul", *items, class_="also"))
    if over:
        made.append(over_fold(over, asked))
    if aside:
        names = ", ".join(
            f"{call.row.title.lower()} ({place_words(call.place, asked.moment.site)})"
            for call in aside
        )
        look = element("a", "Look at them", href="/alarms")
        words = f"Set aside or explained by another: {names}. "
        made.append(element("p", words, look, class_="aside"))
    for line in link_lines(links(asked.moment.state, asked.moment.snapshot)):
        made.append(element("p", sentence(line), class_="aside"))
    if not asked.moment.journal["ok"]:
        made.append(element("p", f"The record can't be written: {asked.moment.journal['why']}",
                            class_="aside"))  # fmt: skip
    return made


def _in_short(asked: Asked) -> str:
    """One sentence over all bays."""
    moment = asked.moment
    told = []
    for (bench, bay), aims in moment.aims.bays.items():
        view = moment.snapshot.benches[bench]
        base_c, top_c = view.bays[bay].base_c, view.top_c
        where = place_words(f"{bench}.{bay}", moment.site)
        known = isfinite(base_c - top_c)
        said = f"{lean_words(base_c - top_c, aims.difference_c)}, " if known else ""
        told.append(f"{where}: {said}base {base_words(base_c, aims) or 'not known'}")
    return f"{'; '.join(told)}."


def _bay(asked: Asked, bench: str, bay: str) -> Element:
    """One bay: how it leans, its figures in words, its cuttings, its last day."""
    moment = asked.moment
    aims = moment.aims.bays[(bench, bay)]
    mist = moment.aims.mist[bench]
    view = moment.snapshot.benches[bench]
    seen = view.bays[bay]
    difference_k = seen.base_c - view.top_c
    told = (
        f"top {measured(view.top_c, '°C')}, base {measured(seen.base_c, '°C')}, "
        f"base minus top {measured(difference_k, 'K', sign=True)}"
    )
    drawn = lean(
        view.top_c,
        seen.base_c,
        good=(aims.good_low_c, aims.good_high_c),
        target_c=aims.target_c,
        slow_c=aims.slow_below_c,
        hot_c=aims.hot_above_c,
        top_hot_c=aims.top_hot_c if isfinite(aims.top_hot_c) else mist.top_hot_c,
        no_top=missing(moment, bench, None, "air_temperature"),
        told=told,
    )
    over = past(asked, "24h")
    small = trend(
        asked,
        over,
        "base and top",
        "°C",
        {
            "base": ("base", base_past(over, bench, bay)),
            "top": ("top", over.read(bench, "air_temperature")),
        },
        good=(aims.good_low_c, aims.good_high_c),
        label="The last 24 hours: base (full) and top (dashed), °C",
    )
    key = f"bay-{bench}-{bay}"
    title = place_words(f"{bench}.{bay}", moment.site)
    return element(
        "section",
        element("h2", element("a", title, href=f"/bench/{bench}")),
        element(
            "div",
            element("div", drawn, *_words(asked, bench, bay, aims), id=key, data_live=""),
            element("div", small, id=f"{key}-past", data_live=""),
            class_="pair",
        ),
        element("div", _cuttings(asked, bench, bay), id=f"{key}-stands", data_live=""),
        class_="bay",
    )  # fmt: skip


def _words(asked: Asked, bench: str, bay: str, aims: BayAims) -> list[Element]:
    moment = asked.moment
    view = moment.snapshot.benches[bench]
    seen = view.bays[bay]
    difference_k = seen.base_c - view.top_c
    said = lean_words(difference_k, aims.difference_c)
    if not views_of(moment, bench, None, "air_temperature"):
        said = "no air probe is fitted to tell"
    ages = [
        youngest_s(views_of(moment, bench, bay, "base_temperature")),
        youngest_s(views_of(moment, bench, None, "air_temperature")),
    ]
    decided = {(one.bench, one.bay): one for one in moment.decision.bays}.get((bench, bay))
    heat = "" if decided is None else f"Heat on {decided.duty * 100:.0f}{GAP}% of the time. "
    known = [one for one in ages if isfinite(one)]
    read = f"Read {age(max(known))} ago." if known else "Nothing read yet."
    return [
        element(
            "p",
            element("b", measured(difference_k, "K", sign=True), class_="big")
            if isfinite(difference_k) else None,
            element("span", f" base minus top, {said}. " if isfinite(difference_k)
                    else f"Base minus top not known: {said}. "),
            element("span", f"Base {base_words(seen.base_c, aims)}. " if isfinite(seen.base_c)
                    else "Base: no reading. "),
            element("span", heat),
            element("span", read, class_="quiet"),
            class_="told",
        )
    ]  # fmt: skip


def _cuttings(asked: Asked, bench: str, bay: str) -> Element:
    """What stands on the bay, one line a batch."""
    here = [b for b in asked.moment.batches if (b.bench, b.bay) == (bench, bay)]
    if not here:
        return element("p", "No cuttings here.", class_="quiet")
    lines = [
        element(
            "li",
            element("a", f"{batch.number} {batch.plant}", href=f"/batch/{batch.number}"),
            f" day {day_of(batch, asked.moment.now.utc_s)}, {PHASE_WORDS[batch.phase]}, "
            f"{number(batch.cuttings, 0)} cuttings",
        )
        for batch in here
    ]
    return element("ul", *lines, class_="stands")


def day_of(batch: Batch, now_s: float) -> int:
    """Whole days since sticking."""
    return max(0, int((now_s - batch.stuck_s) // 86400))
