"""The frame around every page, and the few pages that have no bench on them."""

from datetime import datetime
from typing import Final
from urllib.parse import urlencode

from controller.draw.markup import Element, element, written
from controller.faces import NOT_SAFETY
from controller.page.consent import Effect
from controller.page.files import FILES
from controller.page.forms import hidden_fields
from controller.page.frame import frame_mark
from controller.page.moment import Moment
from controller.page.render import FOLLOWED, Asked, Sheet
from controller.page.standing import calls
from controller.page.words import age, clock, day

REFRESH_S: Final = 30
"""Without a script a page asks anew after so many seconds, unless it was told to hold still."""
PLACES: Final = (
    ("/", "Benches"),
    ("/batches", "Batches"),
    ("/alarms", "Alarms"),
    ("/records", "Records"),
)
EXPOSED: Final = "Never open this page to the internet: use a VPN."


def framed(asked: Asked, sheet: Sheet) -> Element:
    """A whole page."""
    moment = asked.moment
    still = asked.query.get("still") == "1"
    standing = [call for call in calls(moment) if call.stands]
    head = f"({len(standing)}) {sheet.title}" if standing else sheet.title
    if asked.late_s:
        head = f"No word: {head}"
    said = asked.query.get("said_text", "")
    body = element(
        "body",
        element("a", "To the page", href="#main", class_="skip"),
        element("p", id="lost", role="alert", hidden=""),
        element("p", id="changed", role="status", hidden=""),
        element(
            "header",
            element("a", "Warmfoot", href="/", class_="home"),
            element("span", moment.site.site.name, class_="site"),
            _places(asked.path, len(standing)),
            _age(asked, still),
        ),
        element("p", said, role="status", class_="said") if said else None,
        element("div", id="news", class_="unseen", aria_live="polite"),
        element("div", id="urgent", class_="unseen", aria_live="assertive"),
        element("main", *sheet.inside, id="main", tabindex="-1"),
        element(
            "footer",
            element("p", NOT_SAFETY),
            element("p", EXPOSED),
            _whoever(asked),
        ),
        data_at=asked.path,
        data_frame=frame_mark(asked, sheet),
        data_typed="" if sheet.typed else None,
        data_zone=moment.site.site.timezone,
        data_query=urlencode({key: asked.query[key] for key in FOLLOWED if key in asked.query}),
        class_="late" if asked.late_s else None,
    )
    return _document(f"{head} - Warmfoot", body, None if still or sheet.typed else REFRESH_S)


def _places(path: str, standing: int) -> Element:
    links = []
    for href, words in PLACES:
        here = path == href or (href == "/" and path.startswith("/bench")) or (
            href == "/batches" and path.startswith(("/batch", "/stick", "/compare"))
        ) or (
            href == "/records" and path == "/settings"
        )  # fmt: skip
        count = None
        if href == "/alarms":
            count = element("span", f" {standing}" if standing else "", id="count", data_live="")
        links.append(element("a", words, count, href=href, aria_current="page" if here else None))
    return element("nav", *links, aria_label="Pages")


def _age(asked: Asked, still: bool) -> Element:
    """How old what is shown is, in the grower's own time."""
    moment = asked.moment
    zone = moment.site.site.zone
    at_s = moment.now.utc_s
    if asked.late_s:
        told = f"The controller has said nothing for {age(asked.late_s)}. This was at "
    else:
        told = "As of "
    late = "" if asked.late_s else None
    stamp = element("b", f"{day(at_s, zone)} {clock(at_s, zone)}", data_late=late)
    where = f" {datetime.fromtimestamp(at_s, zone):%Z}"
    unsure = "" if moment.now.trusted else " The clock is not set for sure."
    path = asked.path if still else f"{asked.path}?still=1"
    return element(
        "p",
        element(
            "span",
            element("span", told, stamp, where, unsure, id="age", data_live=""),
            element("span", "" if asked.late_s else ", just now", id="ago"),
        ),
        element("a", "go on" if still else "hold still", href=path, id="pause"),
        class_="age",
    )


def _whoever(asked: Asked) -> Element:
    holder = asked.holder
    may = "may act" if holder.may_act else "may look, not act"
    told = element("span", f"You are {holder.name} here and {may}. ")
    if holder.name == "at this machine":
        return element("p", f"Served to this machine alone; whoever sits at it {may}.")
    leave = element(
        "form", element("button", "Leave", type="submit"), method="post", action="/out",
        class_="inline",
    )  # fmt: skip
    return element("div", told, leave)


def _document(title: str, body: Element, refresh_s: int | None = None) -> Element:
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("title", title, id="tab", data_live=""),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="color-scheme", content="light dark"),
        element("link", rel="icon", href="data:,"),
        element("link", rel="stylesheet", href=f"/file/{FILES.style.name}"),
        element("script", src=f"/file/{FILES.script.name}", defer=""),
    )
    if refresh_s is not None:
        again = element("meta", http_equiv="refresh", content=str(refresh_s))
        head.append(element("noscript", again))
    return element("html", head, body, lang="en")


def _bare(title: str, *inside: Element | None) -> str:
    """A page without a bench on it."""
    home = element("header", element("a", "Warmfoot", href="/", class_="home"))
    body = element("body", home, element("main", *inside, id="main"), class_="bare")
    return f"<!doctype html>\n{written(_document(title, body))}"


def plain_page(text: str) -> str:
    """A few words and a way back."""
    return _bare(
        "Warmfoot",
        element("p", text, class_="lead"),
        element("p", element("a", "To the benches", href="/")),
    )


def door_page(text: str) -> str:
    """Where a token is shown."""
    return _bare(
        "Come in - Warmfoot",
        element("h1", "Come in"),
        element("p", text, role="alert", class_="lead") if text else None,
        element(
            "form",
            element("label", "Your token", for_="token"),
            element("input", type="password", name="token", id="token", required="",
                    autocomplete="current-password", maxlength="128"),
            element("button", "Come in", type="submit"),
            method="post",
            action="/in",
        ),
        element("p", "A password manager may keep it. ", EXPOSED),
    )  # fmt: skip


def consent_page(moment: Moment, effect: Effect, fields: dict[str, str], form_token: str) -> str:
    """An act is asked for again, with what it does."""
    kept = [(name, value) for name, value in fields.items() if value and name != "note"]
    return _bare(
        f"{effect.title} - Warmfoot",
        element("p", moment.site.site.name, class_="site"),
        element("h1", effect.title),
        *(element("p", line, class_="lead") for line in effect.lines),
        element(
            "form",
            *hidden_fields([*kept, ("form", form_token), ("sure", "yes")]),
            element("label", "Why (kept with the record)", for_="note"),
            element("input", type="text", name="note", id="note", maxlength="200",
                    value=fields["note"]),
            element(
                "p",
                element("a", "No, go back", href=fields["back"], class_="button"),
                element("button", effect.sure, type="submit", class_="risky"),
                class_="choice",
            ),
            method="post",
            action="/act",
        ),
    )  # fmt: skip
