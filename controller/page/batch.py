"""One batch: its whole story, from what was stuck to what came of it."""

from typing import NamedTuple

from controller.batch_faces import outlook_lines
from controller.batch_plots import batch_plots
from controller.draw.markup import Element, element
from controller.draw.plot import Band, Line, Plot, figure_element
from controller.entries import effective
from controller.faces import PHASE_WORDS
from controller.gather import CaseBook, review_batch
from controller.journal.reader import Reader
from controller.page.batch_book import entry_list, hands, papers, stuck_with
from controller.page.batches import Card, book_mark, find_batch, read_cards, warm_curve
from controller.page.render import Asked, Sheet
from controller.page.trends import base_past, stretch
from controller.page.words import (
    GAP,
    day,
    measured,
    moment_words,
    number,
    percent,
    place_words,
    plain_dates,
    sentence,
)
from controller.records import Batch
from controller.review.causes import Verdict
from controller.review.summary import BatchSummary

STEP_S = 1800
"""A story is read anew when so much of the controller's time has passed."""
SPELL_WORDS = {
    "harmful cold": "harmfully cold",
    "slow": "cold enough to slow rooting",
    "too warm": "warmer than good",
    "harmful hot": "harmfully hot",
}


class Story(NamedTuple):
    """What is read for one batch. verdict: only for one that is closed."""

    summary: BatchSummary
    verdict: Verdict | None
    plots: tuple[Element, ...]


def batch_page(asked: Asked) -> Sheet:
    """The page of /batch/NUMBER; 404 for a batch there is not."""
    wanted = int(asked.path.rpartition("/")[2])
    cards = read_cards(asked)
    card = None if cards is None else find_batch(cards, wanted)
    if card is None:
        told = "The record can't be read just now." if cards is None else "There is no such batch."
        here = element("p", told, " ", element("a", "All batches", href="/batches"))
        return Sheet("No such batch", (here,), 404)
    batch = card.history.batch
    story = _read(asked, batch)
    quick = () if story is not None else (_first_plot(asked, card),)
    entries = asked.store.ask(lambda reader: effective(reader.entries(batch.number))) or []
    inside = [
        element("h1", element("b", f"{batch.number} "), batch.plant),
        element("p", _label(asked, card), class_="lead"),
        element("div", *_now(asked, card), id="now", data_live=""),
        hands(asked, batch) or element("p", hidden=""),
        _part(
            "written",
            "What was written down",
            *stuck_with(batch, entries),
            entry_list(asked, batch, entries),
        ),
        _part("time", "Its time on the bench", *(story.plots if story else quick)),
        _part("got", "What it got", *_got(asked, story)),
        element("div", *_causes(story.verdict if story else None), id="causes", data_live=""),
    ]
    inside.append(element("section", element("h2", "On paper"), papers(batch), class_="part"))
    return Sheet(f"Batch {wanted} {batch.plant}", tuple(inside))


def _part(key: str, title: str, *inside: Element) -> Element:
    return element(
        "section",
        element("h2", title),
        element("div", *inside, id=key, data_live=""),
        class_="part",
    )


def _got(asked: Asked, story: Story | None) -> list[Element]:
    if story is None:
        return [element("p", "Being worked out from every minute on record ...", class_="quiet")]
    return [_figures(story.summary), *_spells(asked, story.summary)]


def _first_plot(asked: Asked, card: Card) -> Element:
    """Base and top from a look every ten minutes, until every minute has been read."""
    history = card.history
    batch, recipe = history.batch, history.recipe
    bench, bay = history.place.split(".", 1)
    until_s = max(history.until_s, batch.stuck_s + 3600.0)
    over = stretch(asked, batch.stuck_s, until_s, 600)
    lines = [
        Line("base", *base_past(over, bench, bay), "base", 1800.0),
        Line("top", *over.read(bench, "air_temperature"), "top", 1800.0),
    ]
    good = (batch.stuck_s, until_s, recipe.good_low_c, recipe.good_high_c)
    plot = Plot("Base and top", "°C, looked at every ten minutes", batch.stuck_s, until_s,
                asked.moment.site.site.zone, lines, [Band("good band of the base", [good])],
                height_px=200)  # fmt: skip
    return figure_element(plot)


def _read(asked: Asked, batch: Batch) -> Story | None:
    site, now_s = asked.moment.site, asked.moment.now.utc_s
    closed = batch.closed_s is not None

    def question(reader: Reader) -> Story:
        verdict = CaseBook(reader, site, now_s).explain(batch.number) if closed else None
        plots = tuple(figure_element(plot) for plot in batch_plots(reader, site, batch, now_s))
        return Story(review_batch(reader, site, batch, now_s), verdict, plots)

    stamp = (book_mark(asked), batch.closed_s or int(now_s // STEP_S))
    return asked.later.ask(("story", batch.number), stamp, question)


def _label(asked: Asked, card: Card) -> str:
    batch, zone = card.history.batch, asked.moment.site.site.zone
    where = place_words(f"{batch.bench}.{batch.bay}", asked.moment.site)
    trays = f", trays {batch.trays}" if batch.trays else ""
    return (
        f"{card.history.recipe.title}: {batch.cuttings} cuttings stuck {day(batch.stuck_s, zone)}, "
        f"{where}{trays}."
    )


def _now(asked: Asked, card: Card) -> list[Element]:
    """How far it is, when it is due, and what it asks for."""
    batch, zone = card.history.batch, asked.moment.site.site.zone
    now_s = asked.moment.now.utc_s
    until_s = batch.closed_s or now_s
    days = int((until_s - batch.stuck_s) / 86400)
    state = "closed" if batch.closed_s is not None else PHASE_WORDS[batch.phase]
    made = [element("p", element("b", f"Day {days}", class_="big"), f", {state}.", class_="told")]
    if card.due is not None:
        lines = outlook_lines(card.due, batch.stuck_s, zone)
        made += [element("p", plain_dates(sentence(line), now_s, zone)) for line in lines]
    made += [
        element("p", plain_dates(sentence(note.text), now_s, zone), class_="asks")
        for note in card.notes
    ]
    made.append(warm_curve(asked, card.history, card.due))
    return made


def _figures(found: BatchSummary) -> Element:
    """The climate in hours and means; each with how much of it is known."""
    recipe_hours = (
        ("in the good band", found.good_h),
        ("cold enough to slow rooting", found.slow_h),
        ("harmfully cold", found.harmful_cold_h),
        ("warmer than good", found.warm_h),
        ("harmfully hot", found.harmful_hot_h),
    )
    dry = (
        f"{number(found.dry_h)} of {number(found.dry_known_h, 0)}{GAP}h"
        if found.dry_known_h
        else "not known: no humidity on record"
    )
    water = "" if found.litres is None else f", {number(found.litres)}{GAP}litres"
    rows = [
        ("warmth", f"{number(found.warmth.degree_hours, 0)} degree-hours, known for "
                   f"{percent(found.known_share, 1)} of the time"),
        ("base on average", measured(found.mean_base_c, "°C")),
        ("top on average", measured(found.mean_top_c, "°C")),
        ("base minus top", measured(found.mean_difference_k, "K", sign=True)),
        *((f"base {words}", f"{number(hours)}{GAP}h") for words, hours in recipe_hours),
        ("air drier than the phase wants", dry),
        ("mist on its bench", f"{found.mist_bursts} bursts{water}"),
        ("its share of the heat", f"{number(found.batch_kwh)}{GAP}kWh{_cost(found)}"),
    ]  # fmt: skip
    body = [element("tr", element("th", key, scope="row"), element("td", value))
            for key, value in rows]  # fmt: skip
    told = "Warmth is a good record and a fair comparison between like batches, and a poor promise."
    return element("div", element("table", element("tbody", *body)),
                   element("p", told, class_="note"))  # fmt: skip


def _cost(found: BatchSummary) -> str:
    cost = found.batch_cost
    return "" if cost is None else f", {cost:.2f}{GAP}{found.heat.currency}"


def _spells(asked: Asked, found: BatchSummary) -> list[Element]:
    """The worst stretches out of the band, and where nothing is on record."""
    zone, now_s = asked.moment.site.site.zone, asked.moment.now.utc_s
    lines = []
    for spell in found.spells:
        begin, end = (moment_words(at_s, now_s, zone) for at_s in (spell.from_s, spell.to_s))
        kind = SPELL_WORDS.get(spell.kind, spell.kind)
        lines.append(f"{begin} to {end}: {kind}, {measured(spell.worst_c, '°C')} at worst")
    for gap in found.gaps:
        begin, end = (moment_words(at_s, now_s, zone) for at_s in (gap.from_s, gap.to_s))
        lines.append(f"{begin} to {end}: nothing on record ({gap.cause}); nothing is counted")
    if not lines:
        return [element("p", "No stretch out of its good band for half an hour or more.")]
    return [element("h3", "Its worst stretches"),
            element("ul", *(element("li", line) for line in lines), class_="came")]  # fmt: skip


def _causes(verdict: Verdict | None) -> list[Element]:
    """Why it may have done badly: suspicions, never a verdict."""
    if verdict is None or verdict.answer == "not bad":
        return []
    lines = [
        element(
            "li",
            element("b", f"{cause.title} ({cause.sure}): "),
            f"{cause.measured}; {cause.compared}; {cause.beside}. ",
            element("b", "Next time: "),
            cause.change,
        )
        for cause in verdict.causes
    ]
    found = [element("h2", "Why it may have failed"), element("p", f"{verdict.text}.")]
    if lines:
        found.append(element("ol", *lines))
    if verdict.unknown:
        words = f"Not recorded, so not ruled out: {', '.join(verdict.unknown)}."
        found.append(element("p", words, class_="quiet"))
    return found
