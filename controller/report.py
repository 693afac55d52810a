"""The record of one batch as a single HTML file: no script, nothing loaded, made for A4 and phone.

What the grower entered, what was measured and what was worked out are told apart.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from config.checklist import BY_KEY, questions_for
from config.model import Site
from config.recipes import Recipe, thaw
from config.shares import percent
from controller.batch_faces import outlook_lines, standing_lines
from controller.batch_plots import batch_plots
from controller.draw.markup import Element, element, written
from controller.draw.plot import STYLE as PLOT_STYLE
from controller.draw.plot import day_in_words, figure_element
from controller.entries import effective, evidence
from controller.faces import heat_in_words, outcome_lines
from controller.gather import CaseBook, review_batch
from controller.histories import HistoryBook
from controller.journal.reader import Reader
from controller.records import Batch, Entry, EntryKind
from controller.review.causes import Verdict
from controller.review.compare import standing
from controller.review.summary import BatchSummary
from controller.saving import in_words, saving_for

STYLE: Final = """
:root{color-scheme:light}
body{font:16px/1.45 system-ui,sans-serif;color:#222;background:#fff;margin:0 auto;max-width:52rem;
padding:.6rem 1rem 2rem;overflow-wrap:break-word}
h1{font-size:1.5rem;line-height:1.2;margin:.6rem 0}h2{font-size:1.15rem;margin:1.6rem 0 .4rem;
border-bottom:2px solid #5c7f4e}
p,ul,ol{margin:.4rem 0}table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.2rem .7rem .2rem 0;border-bottom:1px solid #ccc}
tr{break-inside:avoid}.how{color:#444;font-size:.9rem}.said,td:last-child{white-space:pre-line;overflow-wrap:anywhere}
th{overflow-wrap:anywhere;min-width:2.2rem}
@media print{body{font-size:10.5pt;max-width:none;padding:0}h2{break-after:avoid}}
@page{size:A4;margin:15mm}
"""
OWN_KEYS: Final = ("hormone", "mix", "stock")
"""What is asked of every batch besides the questions before sticking."""


def report(reader: Reader, site: Site, batch: Batch, now_s: float) -> str:
    """The report as the text of an HTML file. now_s: UTC s up to which to look.

    Raises JournalError.
    """
    zone = site.site.zone
    recipe = thaw(batch.recipe_json)
    book = HistoryBook(reader, now_s)
    entries = effective(reader.entries(batch.number))
    summary = review_batch(reader, site, batch, now_s)
    verdict = CaseBook(reader, site, now_s).explain(batch.number)
    due = book.outlook(batch.number)
    beside = standing_lines(standing(book.get(batch.number), book.like(batch.number)))
    title = f"Batch {batch.number}: {batch.cuttings} {batch.plant}"
    until = "closed" if batch.closed_s is not None else "up to"
    saved = saving_for(reader, site, batch, now_s)
    parts: list[Element | str | None] = [
        element("h1", title),
        _paragraph(
            f"{recipe.title}, {batch.bench}.{batch.bay}, {site.site.name}. Stuck "
            f"{day_in_words(batch.stuck_s, zone)}, {until} {day_in_words(summary.until_s, zone)}: "
            f"{(summary.until_s - batch.stuck_s) / 86400:.0f} days. Times are local "
            f"({site.site.timezone})."
        ),
        *_section("Result", _lines(outcome_lines(batch, entries))),
        *_section("When it is due", _lines(outlook_lines(due, batch.stuck_s, zone)) if due else []),
        *_section("Beside batches like it", _lines(beside)),
        *_section("What was stuck", [_evidence(batch, entries)]),
        *_section("Climate", _climate(reader, site, batch, summary, recipe, now_s)),
        *_section("What was seen and done", _entries(entries, zone)),
        *_section("Why it may have failed", _causes(verdict)),
        *_section(
            "Heat and water",
            []
            if batch.from_notebook
            else _lines([
                f"heat: {heat_in_words(summary)}; worked out from how long the mat was ordered on "
                "and its rated power",
                *([in_words(saved, summary.bay_share)] if saved else []),
                f"mist: {_water(summary)}",
            ]),
        ),
        *_section("Lesson", _lessons(entries)),
        _paragraph(
            f"Written {day_in_words(now_s, zone)} by Warmfoot from the journal {reader.path.name}. "
            "A record, not a safety device.",
            "how",
        ),
    ]  # fmt: skip
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", f"{title} \u2013 {site.site.name}"),
        element("style", STYLE + PLOT_STYLE),
    )
    page = element("html", head, element("body", *parts), lang="en")
    return "<!doctype html>\n" + written(page) + "\n"


def _section(title: str, inside: Iterable[Element]) -> list[Element]:
    """A heading and what stands under it; nothing at all when that is empty."""
    held = list(inside)
    return [element("h2", title), *held] if held else []


def _paragraph(text: str, look: str | None = None) -> Element:
    return element("p", text, class_=look)


def _lines(lines: Sequence[str]) -> list[Element]:
    return [element("ul", *(element("li", line) for line in lines))] if lines else []


def _rows(rows: Iterable[tuple[str, ...]], head: Sequence[str] = ()) -> Element:
    made = element("table")
    if head:
        made.append(element("tr", *(element("th", name, scope="col") for name in head)))
    for first, *cells in rows:
        row = element("tr", element("th", first, scope="row"))
        row.extend(element("td", cell) for cell in cells)
        made.append(row)
    return made


def _evidence(batch: Batch, entries: Sequence[Entry]) -> Element:
    known = evidence(batch, entries)
    rows = [("plant", batch.plant), ("cuttings", str(batch.cuttings))]
    rows += [("trays", batch.trays or "not recorded")]
    rows += [(key, known.get(key, "not recorded")) for key in OWN_KEYS]
    asked = questions_for(batch.kind)
    for one in asked:
        answer = known.get(one.key, "unknown")
        unit = f" {one.unit}" if one.unit and answer != "unknown" else ""
        rows.append((one.words, f"{answer}{unit}"))
    told = {*OWN_KEYS, *(one.key for one in asked)}
    rows += [
        (BY_KEY[key].words if key in BY_KEY else key.replace("_", " "), value)
        for key, value in known.items()
        if key not in told
    ]
    return _rows(rows)


def _climate(
    reader: Reader, site: Site, batch: Batch, found: BatchSummary, recipe: Recipe, now_s: float
) -> list[Element]:
    if batch.from_notebook:
        return [_paragraph("From the grower's notebook: nothing of its climate is on record.")]
    if not found.warmth.covered_s:
        return [_paragraph("Nothing of its climate is on record.")]
    zone = site.site.zone
    proven = "" if recipe.warmth_proven else ", a floor that nobody has proven for it"
    base = [
        f"warmth {found.warmth.degree_hours:,.0f} degree-hours above {recipe.warmth_floor_c:g} °C "
        f"and below {recipe.warmth_cap_c:g} °C{proven}; known for "
        f"{percent(found.known_share, 1)} of the time, and nothing is counted for the rest",
        f"hours of base: good {found.good_h:.0f}, slow {found.slow_h:.0f}, cold "
        f"{found.harmful_cold_h:.0f}, too warm {found.warm_h:.0f}, hot {found.harmful_hot_h:.0f}",
    ]
    means = (
        ("base", found.mean_base_c, ".1f", " °C"),
        ("top", found.mean_top_c, ".1f", " °C"),
        ("base minus top", found.mean_difference_k, "+.1f", " K"),
    )
    known = [
        f"{name} {value:{form}}{unit}" for name, value, form, unit in means if value is not None
    ]
    base += [f"on average: {', '.join(known)}"] if known else []
    base.append(
        f"dry air: {found.dry_h:.0f} of {found.dry_known_h:.0f} hours drier than the phase wants"
        if found.dry_known_h
        else "dry air: not known, no humidity on record"
    )
    if found.spells:
        worst = found.spells[0]
        base.append(
            f"worst of all: {worst.kind} from {_moment(worst.from_s, zone)} to "
            f"{_moment(worst.to_s, zone)}, {worst.worst_c:.1f} °C at worst, "
            f"{worst.beyond_kh:.1f} degree-hours out of the band"
        )
    base += [
        f"no record from {_moment(gap.from_s, zone)} to {_moment(gap.to_s, zone)}: {gap.cause}"
        for gap in found.gaps
    ]
    plots = batch_plots(reader, site, batch, now_s)
    how = (
        "Base, top and humidity are measured, minute by minute. What is called worked out was "
        "reckoned from them, from mist and from light. Numbers above a plot are the entries below. "
        "Lines are broken where nothing is on record."
    )
    return [*_lines(base), *map(figure_element, plots), _paragraph(how, "how")]


def _entries(entries: Sequence[Entry], zone: ZoneInfo) -> list[Element]:
    rows = []
    for place, entry in enumerate(entries, 1):
        values = [f"{key.replace('_', ' ')} {value}" for key, value in entry.values.items()]
        found = ": ".join([entry.kind, *([", ".join(values)] if values else [])])
        said = f"{found}. {entry.note}" if entry.note else found
        rows.append((str(place), _moment(entry.at_s, zone), said))
    if not rows:
        return [_paragraph("Nothing was entered.")]
    return [_rows(rows, ("no.", "when", "what"))]


def _causes(verdict: Verdict) -> list[Element]:
    if verdict.answer == "not bad":
        return []
    made = [_paragraph(verdict.text)]
    if verdict.causes:
        made.append(
            element(
                "ol",
                *(
                    element(
                        "li",
                        element("b", f"{cause.title} ({cause.sure})"),
                        f": {cause.measured}; {cause.compared}; {cause.beside}. Next time: "
                        f"{cause.change}.",
                    )
                    for cause in verdict.causes
                ),
            )
        )
        made.append(_paragraph("Suspicions from the records, no verdict.", "how"))
    if verdict.unknown:
        blank = ", ".join(verdict.unknown)
        made.append(_paragraph(f"Not recorded, so not ruled out: {blank}.", "how"))
    return made


def _water(found: BatchSummary) -> str:
    litres = "" if found.litres is None else f", {found.litres:.1f} litres by the mister's flow"
    return (
        f"{found.mist_bursts} bursts, {found.mist_s / 60:.0f} minutes{litres}, on the whole bench"
    )


def _lessons(entries: Sequence[Entry]) -> list[Element]:
    said = [entry.note for entry in entries if entry.kind == EntryKind.CLOSED and entry.note]
    return [_paragraph(note, "said") for note in said]


def _moment(at_s: float, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_s, zone).strftime("%Y-%m-%d %H:%M")
