"""Alarms: what stands, worst first and whole, and what came and went."""

from collections.abc import Sequence
from typing import Final

from controller.alarm_figures import SOURCE, figures, load_of
from controller.decide.alarm_table import rows
from controller.draw.markup import Element, element
from controller.faces import STATE_WORDS
from controller.page.render import Asked, Sheet
from controller.page.standing import Call, call_card, calls, over_list
from controller.page.words import clock, day, place_words
from controller.records import AlarmChanged, AlarmRow

DAYS: Final = (7, 30)
VERDICTS: Final = {"watch": "More than wanted. ", "act": "Do something: "}
SHOWN: Final = 200
STANDING: Final = frozenset({"UNACK", "ACKED", "LATCH_UNACK", "LATCH_ACK"})


def alarms_page(asked: Asked) -> Sheet:
    """Standing alarms and the history of the last 7 or 30 days (?days=30)."""
    found = calls(asked.moment)
    standing = [call_card(call, asked, whole=True) for call in found if call.stands]
    over = [call for call in found if call.over]
    aside = [call_card(call, asked, whole=True) for call in found if not call.calling]
    calm = element("p", "No alarm stands.", class_="calm")
    days = 30 if asked.query.get("days") == "30" else 7
    return Sheet(
        "Alarms",
        (
            element("h1", "Alarms"),
            element("div", *(standing or [calm]), id="standing", data_live=""),
            element("div", *_over(asked, over), id="over", data_live=""),
            element(
                "div",
                *([element("h2", "Set aside, or explained by another"), *aside] if aside else []),
                id="aside",
                data_live="",
            ),
            element("div", *_served(asked), id="served", data_live=""),
            element("h2", f"What came and went in {days} days"),
            _choice(days),
            element("div", *_history(asked, days), id="history", data_live=""),
        ),
    )


def _served(asked: Asked) -> list[Element]:
    """How well the alarms of the last 30 days have served."""
    moment = asked.moment
    now_s, zone = moment.now.utc_s, moment.site.site.zone

    found = asked.store.kept(
        ("served", int(now_s // 3600)), 600.0, lambda reader: load_of(reader, now_s, zone)
    )
    if found is None or not found.raised:
        return []
    told_of = figures(found, lambda place: place_words(place, moment.site))
    lines = [
        element(
            "tr",
            element("th", one.name, scope="row"),
            element("td", one.value),
            element("td", f"wanted: {one.wanted}"),
            element("td", "" if one.verdict == "fine" else VERDICTS[one.verdict] + one.advice),
        )
        for one in told_of
    ]
    bad = sum(one.verdict == "act" for one in told_of)
    told = "all as wanted" if not bad else f"{bad} of them ask for something"
    words = f"How well these alarms serve, over {found.days:.0f} days: {told}"
    return [
        element(
            "details",
            element("summary", words),
            element("table", element("tbody", *lines), class_="served"),
            element("p", SOURCE, class_="note"),
        )
    ]


def _over(asked: Asked, over: list[Call]) -> list[Element]:
    if not over:
        return []
    return [element("h2", "Came and went, not yet marked as seen"), over_list(over, asked)]


def _choice(days: int) -> Element:
    links = [
        element("a", f"{one} days", href=f"/alarms?days={one}",
                aria_current="true" if one == days else None)
        for one in DAYS
    ]  # fmt: skip
    return element("p", links[0], " ", links[1], class_="spans")


def _history(asked: Asked, days: int) -> list[Element]:
    """Changes of alarms, newest first, under their days."""
    now_s = asked.moment.now.utc_s
    found = asked.store.kept(
        ("alarms", days, asked.moment.number // 3),
        10.0,
        lambda reader: reader.alarms(SHOWN, from_s=now_s - days * 86400.0, to_s=now_s + 60.0),
    )
    if found is None:
        return [element("p", "The record can't be read just now.", class_="quiet")]
    if not found:
        return [element("p", "Nothing in these days.", class_="quiet")]
    return _by_day(asked, found)


def _by_day(asked: Asked, found: Sequence[AlarmRow]) -> list[Element]:
    zone = asked.moment.site.site.zone
    made: list[Element] = []
    before = ""
    for row in reversed(found):
        today = day(row.at_s, zone)
        if today != before:
            made += [element("h3", today, class_="date"), element("ul", class_="came")]
            before = today
        made[-1].append(_line(asked, row))
    return made


def _became(change: AlarmChanged) -> str:
    """What a change made of an alarm; one that still stands is called to mind from time to time."""
    if change.state in ("UNACK", "LATCH_UNACK") and change.was in STANDING:
        return "still there, called to mind"
    return STATE_WORDS.get(change.state, change.state)


def _line(asked: Asked, row: AlarmRow) -> Element:
    change = row.change
    known = rows().get(change.alarm)
    title = known.title if known is not None else change.alarm
    by = f" by {change.by}" if change.by else ""
    note = f" ({change.note})" if change.note else ""
    return element(
        "li",
        element("time", clock(row.at_s, asked.moment.site.site.zone)),
        element("span", f" {change.priority} ", class_="priority"),
        element("b", title),
        f", {place_words(change.place, asked.moment.site)}: {_became(change)}{by}{note}. ",
        element("span", change.text, class_="quiet"),
    )
