"""Batches beside each other: how many of twenty root, by when, and whether that is more than luck.

A strike rate is drawn as a tray of twenty cells: full as far as the rate is sure to be, hatched
where it may lie (95 %), a stem at what was counted. Beside it stands by when cuttings had roots.
"""

from typing import Final, NamedTuple

from controller.batch_faces import half_in_words, overall_line, told
from controller.draw.markup import Element, element
from controller.histories import HistoryBook
from controller.journal.reader import Reader
from controller.page.batches import book_mark
from controller.page.render import Asked, Sheet
from controller.page.words import GAP, number, percent, sentence
from controller.review.compare import Comparison, Overall, compare, over_all
from controller.review.groups import BY, NOT_RECORDED, Group, Point

CELLS: Final = 20
STEP_S: Final = 6 * 3600.0
"""Worked out anew when so much of the controller's time has passed, or a batch was written in."""
SHOWN: Final = 12
"""Comparisons on one page, those of most cuttings; a plant's own page has the rest."""
BY_WORDS: Final = {
    "plant": "plant", "kind": "kind of cutting", "hormone": "hormone", "mix": "mix",
    "stock": "stock plant", "month": "month of sticking", "bay": "bay",
}  # fmt: skip


class Found(NamedTuple):
    """What was worked out. looked: batches that were looked at.  plants: to choose from."""

    comparisons: list[Comparison]
    overall: list[Overall]
    looked: int
    plants: tuple[str, ...]


def compare_page(asked: Asked) -> Sheet:
    """The page of /compare?by=hormone&plant=Fuchsia."""
    by = asked.query.get("by", "hormone")
    by = by if by in BY else "hormone"
    plant = " ".join(asked.query.get("plant", "").split())[:80]
    found = _read(asked, by, plant)
    title = f"Batches by {BY_WORDS[by]}"
    inside = [
        element("h1", title),
        _hatch(),
        _choice(by, plant, found.plants if found else ()),
        element("div", *_told(found, by, plant), id="compared", data_live=""),
    ]
    return Sheet(title, tuple(inside))


def _read(asked: Asked, by: str, plant: str) -> Found | None:
    now_s, zone = asked.moment.now.utc_s, asked.moment.site.site.zone

    def question(reader: Reader) -> Found:
        every = HistoryBook(reader, now_s).every()
        wanted = plant.lower()
        chosen = [one for one in every if not plant or one.batch.plant.strip().lower() == wanted]
        plants = dict.fromkeys(one.batch.plant.strip() for one in every)
        return Found(
            compare(chosen, by, zone),
            over_all(chosen, by, zone),
            len(chosen),
            tuple(sorted(plants)),
        )

    stamp = (book_mark(asked), int(now_s // STEP_S))
    return asked.later.ask(("compare", by, plant.lower()), stamp, question)


def _choice(by: str, plant: str, plants: tuple[str, ...]) -> Element:
    """By what, and of which plant: a form that asks for another address."""
    options = [
        element("option", words, value=key, selected="" if key == by else None)
        for key, words in BY_WORDS.items()
    ]
    every = [("", "all plants"), *((one, one) for one in plants)]
    if plant and plant not in plants:
        every.append((plant, plant))
    chosen = [
        element("option", words, value=key, selected="" if key == plant else None)
        for key, words in every
    ]
    return element(
        "form",
        element("label", "By ", element("select", *options, name="by")),
        element(
            "label",
            " of ",
            element("select", *chosen, name="plant", id="plants", data_live="", class_="long"),
        ),
        element("button", "Show", type="submit"),
        method="get",
        action="/compare",
    )


def _told(found: Found | None, by: str, plant: str) -> list[Element]:
    if found is None:
        return [element("p", "Being worked out from every batch on record ...", class_="quiet")]
    key = element(
        "p",
        "Of twenty cuttings: full cells are the least that may be expected to root, with the "
        "hatched ones the most (95 %, wider where batches differ), and the stem stands at what "
        "was counted. Only batches of one plant and kind stand beside each other.",
        class_="note",
    )
    made = [key]
    if found.overall:
        lines = [element("li", sentence(overall_line(one))) for one in found.overall]
        made += [element("h2", "All plants together"), element("ul", *lines, class_="came")]
    made += [_compared(one) for one in found.comparisons[:SHOWN]]
    if len(found.comparisons) > SHOWN:
        more = len(found.comparisons) - SHOWN
        made.append(element("p", f"{more} more are left out here; choose a plant.", class_="quiet"))
    if not found.comparisons:
        of = f" of {plant}" if plant else ""
        made = [element(
            "p", f"Nothing to compare: no two batches{of} of one plant and kind differ in their "
                 f"{BY_WORDS[by]} on record. {found.looked} were looked at.", class_="lead",
        )]  # fmt: skip
    return made


def _compared(one: Comparison) -> Element:
    last = max((point.day for group in one.groups for point in group.curve), default=0.0)
    pairs = [element("li", sentence(told(pair))) for pair in one.pairs]
    return element(
        "section",
        element("h2", one.like),
        *(_group(group, last) for group in one.groups),
        element("ul", *pairs, class_="verdicts") if pairs else None,
        class_="compared",
    )


def _group(group: Group, last_day: float) -> Element:
    """One value: its tray, its words, its curve."""
    return element(
        "article",
        element("h3", group.value, class_="quiet" if group.value == NOT_RECORDED else None),
        element("div", tray(group), element("p", *_strike_words(group)), class_="rate"),
        element("div", *rooting(group.curve, last_day), class_="rooting") if group.curve else None,
        element("p", _fared(group), class_="note"),
        class_="group",
    )


def _strike_words(group: Group) -> list[Element | str]:
    count = f"{group.closed} batch{'es' if group.closed != 1 else ''}"
    open_ones = f", {group.open} still on the bench" if group.open else ""
    if group.strike is None or group.low is None or group.high is None:
        return [f"No result yet{open_ones}."]
    return [
        element("b", percent(group.strike)),
        f" rooted, {percent(group.low)} to {percent(group.high)}: {group.rooted} of "
        f"{group.cuttings} cuttings, {count}{open_ones}.",
    ]


def tray(group: Group) -> Element:
    """Twenty cells and a stem. Empty where there is no result."""
    low, high, strike = group.low, group.high, group.strike
    words = "no result yet"
    if low is not None and high is not None and strike is not None:
        words = (
            f"{percent(strike)} rooted, 95 % from {percent(low)} to {percent(high)}, "
            f"n {group.cuttings} cuttings"
        )
    made = element("svg", element("title", words), class_="tray", width="100%", height=30,
                   role="img")  # fmt: skip
    wide = 100 / CELLS
    for cell in range(CELLS):
        left = cell / CELLS
        made.append(_cell(left, wide, "cell"))
        if low is not None and high is not None:
            made.extend(_filled(left, low, high))
    if strike is not None:
        at = f"{100 * strike:.2f}%"
        made.append(element("line", x1=at, x2=at, y1=1, y2=29, class_="stem"))
        made.append(element("circle", cx=at, cy=4, r=4, class_="here"))
    return made


def _filled(left: float, low: float, high: float) -> list[Element]:
    """What of a cell is sure, and what may be."""
    found = []
    right = left + 1 / CELLS
    sure = min(right, low) - left
    if sure > 0:
        found.append(_cell(left, 100 * sure, "sure"))
    begin, end = max(left, low), min(right, high)
    if end > begin:
        found.append(_cell(begin, 100 * (end - begin), "may", fill="url(#hatch)"))
    return found


def _cell(left: float, wide_pct: float, look: str, **more: str) -> Element:
    return element("rect", x=f"{100 * left:.2f}%", width=f"{wide_pct:.2f}%", y=8, height=20,
                   class_=look, **more)  # fmt: skip


def _hatch() -> Element:
    """The hatching of cells that may root, once for the page."""
    lines = element("path", d="M-1 5L5 -1M-1 11L11 -1M3 11L11 3")
    pattern = element("pattern", lines, id="hatch", width=8, height=8,
                      patternUnits="userSpaceOnUse")  # fmt: skip
    return element("svg", element("defs", pattern), width="0", height="0", class_="hatch",
                   aria_hidden="true")  # fmt: skip


def rooting(curve: tuple[Point, ...], last_day: float) -> list[Element]:
    """By when what share of the living had roots, and of how many cuttings that is known."""
    words = ", ".join(f"day {p.day:.0f} {percent(p.rooted)}, n {p.at_risk}" for p in curve)
    made = element("svg", element("title", f"with roots by {words}"), class_="curve", width="100%",
                   height=112, role="img")  # fmt: skip
    top, foot = 18.0, 70.0
    made.append(element("line", x1="0", x2="100%", y1=foot, y2=foot, class_="rule"))
    made.append(element("line", x1="0", x2="100%", y1=top, y2=top, class_="faint"))
    made.append(element("text", "all", x="0", y=f"{top - 5:.1f}"))
    made.append(element("text", "day", x="0", y=86))
    before_x, before_y = "0%", foot
    span = last_day * 1.12 or 1.0
    for point in curve:
        x = f"{100 * point.day / span:.2f}%"
        y = foot - point.rooted * (foot - top)
        made.append(element("line", x1=before_x, x2=x, y1=f"{before_y:.1f}", y2=f"{before_y:.1f}",
                            class_="step"))  # fmt: skip
        made.append(element("line", x1=x, x2=x, y1=f"{before_y:.1f}", y2=f"{y:.1f}", class_="step"))
        made.append(element("text", percent(point.rooted), x=x, y=f"{y - 5:.1f}", class_="middle"))
        made.append(element("text", f"{point.day:.0f}", x=x, y=86, class_="middle"))
        made.append(element("text", f"n{GAP}{point.at_risk}", x=x, y=104, class_="middle"))
        before_x, before_y = x, y
    return [made, element("p", "Share of the living with roots by day, and n that were looked at "
                               "then or later", class_="label")]  # fmt: skip


def _fared(group: Group) -> str:
    """What else it had."""
    base = "not known" if group.base_c is None else f"{number(group.base_c)}{GAP}°C"
    told = [f"Half rooted {half_in_words(group)}", f"base {base}"]
    if group.warmth_kh_day is not None:
        told.append(f"{number(group.warmth_kh_day, 0)} degree-hours a day")
    if group.cold_h is not None and group.hot_h is not None:
        told.append(f"{number(group.cold_h, 0)}{GAP}h too cold and {number(group.hot_h, 0)}{GAP}h "
                    "too hot")  # fmt: skip
    return f"{'; '.join(told)}."
