"""Batches as the labels stuck in their trays: what, where, how far, when due, how it has fared."""

from typing import NamedTuple

import numpy as np

from controller.batch_faces import due_in_words
from controller.draw.markup import Element, element
from controller.draw.plot import Line, Plot, Span, day_in_words, picture
from controller.faces import PHASE_WORDS
from controller.histories import HistoryBook
from controller.journal.reader import Reader
from controller.notes import Note, notes
from controller.page.render import Asked, Sheet
from controller.page.trends import deficit, sampled
from controller.page.words import (
    GAP,
    day,
    number,
    percent,
    place_words,
    plain_dates,
    sentence,
)
from controller.review.history import History
from controller.review.outlook import Outlook

DAY_S = 86400.0
KEPT_S = 120.0
STEP_S = 3600
"""Cards are made anew when so much of the controller's time has passed."""


class Card(NamedTuple):
    """What is read of one batch for its card."""

    history: History
    due: Outlook | None
    notes: list[Note]


def batches_page(asked: Asked) -> Sheet:
    """Open batches, oldest first, and the closed ones in a line each."""
    cards = read_cards(asked)
    if cards is None:
        told = "The record can't be read just now. The bench goes on."
        return Sheet("Batches", (element("h1", "Batches"), element("p", told)))
    open_ones = [card for card in cards if card.history.batch.closed_s is None]
    closed = [card for card in cards if card.history.batch.closed_s is not None]
    inside = [element("h1", "Batches"), _ways(asked)]
    if not open_ones:
        inside.append(element("p", "Nothing is on the bench. A batch begins when you stick it.",
                              class_="lead"))  # fmt: skip
    made = [_card(asked, card) for card in open_ones]
    inside.append(element("div", *made, class_="tags", id="tags", data_live=""))
    if closed:
        lines = [_closed(asked, card) for card in reversed(closed)]
        inside += [element("h2", "Closed"), element("ul", *lines, class_="came")]
    return Sheet("Batches", tuple(inside))


def _ways(asked: Asked) -> Element:
    """What else there is to do with batches."""
    stick = element("a", "Stick a batch ...", href="/stick", class_="button")
    compare = element("a", "What worked", href="/compare", class_="button")
    return element("p", stick if asked.holder.may_act else None, compare, class_="hands")


def read_cards(asked: Asked) -> list[Card] | None:
    """Every batch with its outlook; None when the journal can't be read."""
    moment = asked.moment
    now_s, zone = moment.now.utc_s, moment.site.site.zone

    def question(reader: Reader) -> list[Card]:
        book = HistoryBook(reader, now_s)
        asking = notes(book, zone)
        return [
            Card(book.get(one), book.outlook(one), [note for note in asking if note.batch == one])
            for one in book.batches
        ]

    return asked.store.kept(("cards", int(now_s // STEP_S), book_mark(asked)), KEPT_S, question)


def book_mark(asked: Asked) -> tuple[int, int] | None:
    """Changes with everything that is written down of batches."""
    return asked.store.ask(lambda reader: reader.book_mark())


def _card(asked: Asked, card: Card) -> Element:
    history, moment = card.history, asked.moment
    batch = history.batch
    zone, now_s = moment.site.site.zone, moment.now.utc_s
    days = (now_s - batch.stuck_s) / DAY_S
    link = element("a", element("b", str(batch.number)), f" {batch.plant}",
                   href=f"/batch/{batch.number}")  # fmt: skip
    due = "" if card.due is None else plain_dates(due_in_words(card.due, zone), now_s, zone)
    return element(
        "article",
        element("h2", link),
        element("p", f"{history.recipe.title}, {batch.cuttings} cuttings, "
                     f"{place_words(f'{batch.bench}.{batch.bay}', moment.site)}"
                     f"{f', trays {batch.trays}' if batch.trays else ''}"),
        element("p", element("b", f"Day {int(days)}", class_="big"),
                f" {PHASE_WORDS[batch.phase]}; {due}", class_="told"),
        warm_curve(asked, history, card.due),
        element("p", *warm_words(history), class_="note"),
        element("p", _fared(asked, history), class_="note"),
        *(
            element("p", plain_dates(sentence(note.text), now_s, zone), class_="asks")
            for note in card.notes
        ),
        class_="tag",
    )  # fmt: skip


def warm_words(history: History) -> list[str]:
    """The warmth a batch got beside what its target would have given."""
    got = history.got
    if got.pace is None:
        return ["No base on record for it yet."]
    return [
        f"The base gave {percent(got.pace)} of the warmth of its target",
        f" (known for {percent(got.known_share)} of the time).",
    ]


def _fared(asked: Asked, history: History) -> str:
    """Last test, and the hours that count against it."""
    got = history.got
    parts = []
    if history.looks:
        look = history.looks[-1]
        when = day(look.at_s, asked.moment.site.site.zone)
        parts.append(f"Last test {when}: {look.rooted} of {look.tested} with roots")
    else:
        parts.append("Not tested yet")
    parts.append(f"{number(got.cold_h, 0)}{GAP}h too cold, {number(got.hot_h, 0)}{GAP}h too hot")
    dry = dry_hours(asked, history)
    if dry is not None:
        parts.append(f"{number(dry, 0)}{GAP}h drier than wanted")
    return "; ".join(parts) + "."


def dry_hours(asked: Asked, history: History) -> float | None:
    """Hours with air drier than the phase now wants, from a look every quarter of an hour.

    None when no humidity is on record.
    """
    batch = history.batch
    limit = history.recipe.phase(batch.phase).vpd_high_kpa
    until_s = history.until_s

    def question(reader: Reader) -> float | None:
        top, rh = (
            sampled(reader, batch.bench, kind, batch.stuck_s, until_s, 900)
            for kind in ("air_temperature", "humidity")
        )
        vpd = deficit(top, rh).values
        known = vpd[np.isfinite(vpd)]
        return float((known > limit).sum()) / 4.0 if len(known) else None

    return asked.store.kept(("dry", batch.number, int(until_s // STEP_S)), 3600.0, question)


def warm_curve(asked: Asked, history: History, due: Outlook | None) -> Element:
    """Warm days against days: the straight line is the target held all the time."""
    batch, clock = history.batch, history.clock
    zone = asked.moment.site.site.zone
    usual = history.recipe.usual_days[1]
    to_s = batch.stuck_s + DAY_S * max(usual, (history.until_s - batch.stuck_s) / DAY_S)
    spans = []
    if due is not None:
        to_s = max(to_s, due.to_s)
        spans.append(Span(due.from_s, due.to_s, "due"))
    ends = np.array([batch.stuck_s, to_s])
    lines = [
        Line("as its target", ends, (ends - batch.stuck_s) / DAY_S, "target"),
        Line("as the base gave", batch.stuck_s + clock.days * DAY_S, clock.warm, "base"),
    ]
    plot = Plot("warmth, in days at its target", "days", batch.stuck_s, to_s, zone, lines,
                spans=spans, low=0.0, decimals=1, height_px=90)  # fmt: skip
    return element(
        "div",
        picture(plot),
        element("p", "Warmth in days at its target: full line got, chain line wanted; shaded when "
                     "it is due", class_="label"),
        class_="plot small",
    )  # fmt: skip


def _closed(asked: Asked, card: Card) -> Element:
    batch = card.history.batch
    rooted = card.history.rooted
    strike = "no count" if rooted is None else (
        f"{rooted} of {batch.cuttings} rooted, {percent(rooted / batch.cuttings)}"
    )  # fmt: skip
    zone = asked.moment.site.site.zone
    closed = "" if batch.closed_s is None else day_in_words(batch.closed_s, zone)
    link = element("a", f"{batch.number} {batch.plant}", href=f"/batch/{batch.number}")
    return element("li", link, f": {strike}, closed {closed}")


def find_batch(cards: list[Card], wanted: int) -> Card | None:
    return next((card for card in cards if card.history.batch.number == wanted), None)
