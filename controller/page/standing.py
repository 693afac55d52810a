"""The alarms that stand, as a page shows them: worst first, each with what to do about it."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from controller.decide.alarm_table import Row, rows
from controller.draw.markup import Element, element
from controller.faces import STATE_WORDS
from controller.page.figures import shape
from controller.page.forms import act_form
from controller.page.moment import Moment
from controller.page.render import Asked
from controller.page.words import (
    PRIORITY_WORDS,
    age,
    moment_words,
    path_of,
    place_words,
    with_commands,
)
from controller.records import ActKind

GROUP_S: Final = 600.0
"""Alarms raised within this of each other count as one group."""
CALLING: Final = frozenset({"UNACK", "ACKED", "RTNUN", "LATCH_UNACK", "LATCH_ACK"})
NEW: Final = frozenset({"UNACK", "RTNUN", "LATCH_UNACK"})


class Call(NamedTuple):
    """One alarm at one place. calling: shown as standing, not set aside nor explained away."""

    alarm: str
    place: str
    state: str
    priority: int
    text: str
    raised_utc_s: float
    seen_by: str
    first: bool
    until_utc_s: float
    row: Row
    calling: bool

    @property
    def key(self) -> str:
        """Its name and place, for ids."""
        return f"{self.alarm}-{self.place}"

    @property
    def stands(self) -> bool:
        """It calls, and is not over."""
        return self.calling and not self.over

    @property
    def over(self) -> bool:
        """It went away before anybody said that they had seen it."""
        return self.state == "RTNUN"


def calls(moment: Moment) -> list[Call]:
    """Alarms that are not normal: those that call first, worst first, then by place."""
    table = rows()
    found = [
        Call(
            alarm,
            place,
            held.state,
            held.priority,
            held.text,
            held.raised_utc_s,
            held.acked_by,
            held.first,
            moment.utc_s(held.shelved_until_s),
            table[alarm],
            held.state in CALLING,
        )
        for (alarm, place), held in moment.state.alarms.items()
        if held.state not in ("NORM", "OOSRV") and alarm in table
    ]
    return sorted(found, key=lambda c: (not c.calling, c.state == "RTNUN", c.priority, c.place))


def over_list(over: list[Call], asked: Asked) -> Element:
    """Alarms that came and went unseen: a line each, and one tap to say so."""
    moment = asked.moment
    lines = []
    for call in over:
        since = moment_words(call.raised_utc_s, moment.now.utc_s, moment.site.site.zone)
        fields = (("place", call.place), ("alarm", call.alarm))
        hand = None
        if asked.holder.may_act:
            hand = act_form(asked, ActKind.ACKNOWLEDGE, "Seen", fields)
        told = f"{call.row.title}, {place_words(call.place, moment.site)}, from {since}"
        lines.append(element("li", element("span", told), hand))
    return element("ul", *lines, class_="over")


def over_fold(over: list[Call], asked: Asked) -> Element:
    """The same folded away, with their number."""
    words = f"{len(over)} came and went, and nobody has marked {'it' if len(over) == 1 else 'them'}"
    return element("details", element("summary", f"{words} as seen"), over_list(over, asked))


def _several(call: Call, moment: Moment) -> bool:
    """Whether others that still show were raised soon after it."""
    return any(
        0.0 <= other.raised_utc_s - call.raised_utc_s <= GROUP_S
        and (other.alarm, other.place) != (call.alarm, call.place)
        for other in calls(moment)
    )


def call_card(call: Call, asked: Asked, *, whole: bool = False) -> Element:
    """One alarm: how bad, what, where, what to do, since when, and what you can do with it here.

    whole: with its causes and what it costs.
    """
    moment = asked.moment
    site, now_s = moment.site, moment.now.utc_s
    new = call.state in NEW
    where = element("a", place_words(call.place, site), href=path_of(call.place, site))
    since = ""
    if call.raised_utc_s == call.raised_utc_s:
        since = (
            f"Since {moment_words(call.raised_utc_s, now_s, site.site.zone)}, "
            f"{age(now_s - call.raised_utc_s)} ago. "
        )
    seen = f"Seen by {call.seen_by}. " if call.seen_by and not new else ""
    first = "It came first of several. " if call.first and _several(call, moment) else ""
    aside = ""
    if call.state == "SHLVD":
        aside = f"Set aside until {moment_words(call.until_utc_s, now_s, site.site.zone)}. "
    more = None
    if whole:
        more = element(
            "details",
            element("summary", "Why it matters, and what may be behind it"),
            element("p", call.row.consequence),
            element("p", "It may be: ", "; ".join(call.row.causes), "."),
            element("p", f"Its limit: {call.row.limit}. ", call.row.why),
        )
    urgency = f"{call.priority} {PRIORITY_WORDS[call.priority]}"
    look = f"call p{call.priority}" + ("" if new else " seen") + ("" if call.calling else " aside")
    return element(
        "article",
        element(
            "p",
            shape(call.priority),
            element("b", urgency, class_="urgency"),
            element("span", f" {STATE_WORDS[call.state]}"),
            class_="rank",
        ),
        element("h3", call.text or call.row.title),
        element("p", "At ", where, ". "),
        element("p", element("b", "Do: "), *with_commands(call.row.action), class_="do"),
        element("p", since, first, seen, aside, class_="since"),
        more,
        _hands(call, asked, whole),
        class_=look,
        id=f"call-{call.key}",
        data_priority=str(call.priority) if new else None,
        data_alarm=call.key,
    )


def _hands(call: Call, asked: Asked, whole: bool) -> Element | None:
    """What can be done with an alarm from here."""
    if not asked.holder.may_act:
        return None
    common = (("place", call.place), ("alarm", call.alarm))
    found = []
    if call.state in NEW:
        found.append(act_form(asked, ActKind.ACKNOWLEDGE, "Seen, I see to it", common))
    if call.state == "SHLVD":
        found.append(act_form(asked, ActKind.UNSHELVE, "Bring it back", common))
    if whole and call.row.latched and call.state in ("LATCH_ACK", "LATCH_UNACK"):
        found.append(act_form(asked, ActKind.RESET, "Reset ...", common, risky=True))
    longest_s = call.row.shelve_longest_s(call.priority)
    if whole and call.calling and longest_s > 0.0:
        found.append(_set_aside(asked, common, longest_s / 60.0))
    return element("div", *found, class_="hands") if found else None


def _set_aside(asked: Asked, fields: Sequence[tuple[str, str]], longest_min: float) -> Element:
    """Shelving: for how long, and why."""
    minutes = element(
        "input",
        type="number",
        name="minutes",
        min="1",
        max=f"{longest_min:.0f}",
        value=f"{min(60.0, longest_min):.0f}",
        required="",
        inputmode="numeric",
    )
    why = element("input", type="text", name="note", required="", maxlength="200")
    form = act_form(
        asked,
        ActKind.SHELVE,
        "Set aside",
        fields,
        element("label", "for ", minutes, f" min (at most {longest_min:.0f})"),
        element("label", "because ", why),
        class_="wide",
    )
    told = "It is still watched and recorded, and comes back by itself."
    return element(
        "details", element("summary", "Set it aside for a time"), element("p", told), form
    )
