"""The book of one batch on its page: what was stuck, what was written down since, what to add."""

from collections.abc import Sequence

from config.checklist import BY_KEY, questions_for
from controller.decide.weaning import PHASE_WORDS
from controller.draw.markup import Element, element
from controller.entries import evidence
from controller.page.doing import CAUSE_WORDS
from controller.page.doings import DOINGS, can_put_right, may_do
from controller.page.label_form import label_form
from controller.page.render import Asked
from controller.page.words import GAP, day, sentence
from controller.records import Batch, Entry, EntryKind

USUAL = ("tested", "lost", "looked", "sprayed", "weaned")
"""Acts of every week; the others are folded away."""
OWN_UNITS = ("mm", "cm", "ppm", "h")
"""Units that a grower's own name for an answer may end with."""


def hands(asked: Asked, batch: Batch) -> Element | None:
    """What can be written down of a batch from here: a form each."""
    names = may_do(batch)
    if not asked.holder.may_act or not names:
        return None
    links = {name: element("a", DOINGS[name].link, href=f"/batch/{batch.number}/{name}",
                           class_="button") for name in names}  # fmt: skip
    first = [link for name, link in links.items() if name in USUAL]
    more = [link for name, link in links.items() if name not in USUAL]
    folded = element("details", element("summary", "More"), element("p", *more, class_="hands"))
    shown = [*first, folded] if first else more
    return element("div", *shown, class_="hands write")


def papers(batch: Batch) -> Element:
    """Its report and its labels, to take away."""
    report = element("a", "Its report", href=f"/take/report-{batch.number}.html", class_="button")
    return element(
        "div",
        element("p", report),
        element("p", "One file that any browser shows and prints.", class_="note"),
        element("h3", "Tray labels"),
        label_form(batch),
        element("p", "As PDF; print it at 100 %.", class_="note"),
    )


def stuck_with(batch: Batch, entries: Sequence[Entry]) -> list[Element]:
    """What is known of the cuttings as they were stuck, and what was left open."""
    known = evidence(batch, entries)
    told = []
    for key, value in known.items():
        question = BY_KEY.get(key)
        words, unit = _named(key)
        if question:
            words, unit = question.words, question.unit
        unit = f"{GAP}{unit}" if unit else ""
        told.append(f"{words} {value}{unit}")
    asked = [one.words for one in questions_for(batch.kind) if one.key not in known]
    made = []
    if told:
        made.append(element("p", sentence("; ".join(told))))
    if asked and not batch.from_notebook:
        made.append(element("p", f"Not known of its sticking, so not ruled out: "
                                 f"{', '.join(asked)}.", class_="quiet"))  # fmt: skip
    return made


def _named(key: str) -> tuple[str, str]:
    """(words, unit) of an answer under a name of the grower's own: "length_cm", "pot_mm"."""
    words, _, unit = key.rpartition("_")
    return (words.replace("_", " "), unit) if words and unit in OWN_UNITS else (
        key.replace("_", " "), "")  # fmt: skip


def entry_list(asked: Asked, batch: Batch, entries: Sequence[Entry]) -> Element:
    """What stands in its book, oldest first; each can be put right."""
    if not entries:
        return element("p", "Nothing yet.", class_="quiet")
    zone = asked.moment.site.site.zone
    lines = []
    for entry in entries:
        right = None
        if asked.holder.may_act and can_put_right(entry):
            href = f"/batch/{batch.number}/entry/{entry.number}"
            label = f"Put entry of {day(entry.at_s, zone)}, {entry.kind}, right"
            right = element("a", "put right", href=href, class_="right", aria_label=label)
        lines.append(
            element(
                "li",
                element("time", day(entry.at_s, zone)),
                element("b", f" {entry.kind}"),
                f" {_values(entry)}" if entry.values else "",
                f". {entry.note}" if entry.note else "",
                element("span", f" ({entry.by})", class_="quiet"),
                " ",
                right,
            )
        )
    return element("ol", *lines, class_="entries")


def _values(entry: Entry) -> str:
    """Its figures in words."""
    values = entry.values
    if entry.kind == EntryKind.WEANED:
        return PHASE_WORDS.get(values.get("phase", ""), values.get("phase", ""))
    if entry.kind == EntryKind.LOST:
        cause = values.get("cause", "unknown")
        return f"{values.get('lost', '')}, {CAUSE_WORDS.get(cause, cause)}"
    if entry.kind == EntryKind.CHECKED:
        told = [
            f"{BY_KEY[key].words if key in BY_KEY else key} {value or 'not known'}"
            for key, value in values.items()
        ]
        return ", ".join(told)
    return ", ".join(_value(key, value) for key, value in values.items()
                     if value != "0" or key in ("rooted", "tested"))  # fmt: skip


def _value(key: str, value: str) -> str:
    """One figure in words: "3 with roots", "2 lost, dried", "leaves stand"."""
    if key == "wilted":
        return {"yes": "leaves flag", "no": "leaves stand"}.get(value, f"wilted {value}")
    if key.startswith("lost_"):
        cause = key.removeprefix("lost_")
        return f"{value} lost, {CAUSE_WORDS.get(cause, cause)}"
    counted = {"tested": "lifted", "rooted": "with roots", "callused": "with callus only"}
    if key in counted:
        return f"{value} {counted[key]}"
    return value if key in (EntryKind.POTTED, EntryKind.SALEABLE) else f"{key} {value}"
