"""Forms of a batch as pages: one act's fields, or what it would do before it is asked again."""

from collections.abc import Mapping
from typing import Final

from config.recipes import thaw
from controller.decide.weaning import proposed
from controller.draw.markup import Element, element
from controller.entries import effective
from controller.journal.reader import Reader
from controller.page.doing import Known
from controller.page.doings import DOINGS, can_put_right, entry_fields, may_do
from controller.page.fields import OWN, SURE, Field, Typed, drawn, faults_of_all
from controller.page.forms import hidden_fields
from controller.page.moment import Moment
from controller.page.render import Asked, Sheet
from controller.page.words import day
from controller.records import Entry

FORM: Final = r"/batch/[0-9]{1,9}/(?:[a-z]{1,20}|entry/[0-9]{1,9})"
"""Path of a form, for `parts_of`."""


def read_known(reader: Reader, moment: Moment, number: int) -> Known | None:
    """What the forms of a batch are made of; None for no such batch."""
    batches = reader.batches()
    batch = next((one for one in batches if one.number == number), None)
    if batch is None:
        return None
    recipe = thaw(batch.recipe_json)
    entries = effective(reader.entries(number))
    step = proposed(batch, recipe, entries, moment.now.utc_s)
    others = [one for one in batches if one.closed_s is None and one.number != number]
    phase = step.phase if step is not None and step.kind in ("forward", "back") else ""
    return Known(moment.site, batch, recipe, entries, others, phase)


def parts_of(path: str) -> tuple[int, str, int]:
    """(batch, act, entry) of a form's path: (3, "tested", 0) or (3, "entry", 7)."""
    _, _, number, act, *entry = path.split("/")
    return int(number), act, int(entry[0]) if entry else 0


def doing_page(asked: Asked) -> Sheet:
    """The form of one act on one batch, or what it would do, to be asked for again."""
    number, act, entry_number = parts_of(asked.path)
    known = asked.store.ask(lambda reader: read_known(reader, asked.moment, number))
    entry = None if known is None else entry_of(known, entry_number)
    if known is None or (act not in DOINGS and entry is None):
        here = element("a", "All batches", href="/batches")
        return Sheet("Not there", (element("p", "There is no such batch or entry. ", here),), 404)
    title = f"Entry {entry_number}" if entry is not None else DOINGS[act].title
    head = [
        element("p", element("a", f"Batch {number} {known.batch.plant}", href=f"/batch/{number}")),
        element("h1", title),
    ]
    inside = _refused(asked, known, act, entry)
    if not inside:
        inside = _entry_form(asked, known, entry) if entry else _act_form(asked, known, act)
    return Sheet(f"{title}, batch {number}", (*head, *inside), typed=True)


def entry_of(known: Known, number: int) -> Entry | None:
    found = [one for one in known.entries if one.number == number and can_put_right(one)]
    return found[0] if found else None


def _refused(asked: Asked, known: Known, act: str, entry: Entry | None) -> list[Element]:
    if not asked.holder.may_act:
        return [element("p", "This token may look but not act.")]
    if entry is None and act not in may_do(known.batch):
        return [element("p", f"Batch {known.batch.number} is closed; nothing of the kind can be "
                             "written down for it any more.")]  # fmt: skip
    return []


def _act_form(asked: Asked, known: Known, act: str) -> list[Element]:
    doing = DOINGS[act]
    if asked.query.get(SURE) and doing.effect is not None:
        typed = typed_in(asked.query, asked.moment)
        return _asked_again(asked, doing.title, doing.effect(known, typed), typed.values)
    return _form(asked, doing.fields(known), doing.button)


def _asked_again(
    asked: Asked, title: str, lines: tuple[str, ...], values: Mapping[str, str]
) -> list[Element]:
    """What it will do, with what was typed carried along."""
    return [
        *(element("p", line, class_="lead") for line in lines),
        element(
            "form",
            *hidden_fields([*values.items(), *_own(asked), ("sure", "yes")]),
            element(
                "p",
                element("a", "No, go back", href=asked.path, class_="button"),
                element("button", f"{title} it", type="submit", class_="risky"),
                class_="choice",
            ),
            method="post",
            action=asked.path,
        ),
    ]


def _own(asked: Asked) -> list[tuple[str, str]]:
    return [("form", asked.form_token), ("drawn", str(asked.moment.number))]


def _form(asked: Asked, fields: tuple[Field, ...], button: str) -> list[Element]:
    return [
        faults_of_all(asked.query),
        element(
            "form",
            *hidden_fields(_own(asked)),
            *(drawn(one, asked.query) for one in fields),
            element("button", button, type="submit"),
            method="post",
            action=asked.path,
            class_="typed",
        ),
    ]


def _entry_form(asked: Asked, known: Known, entry: Entry) -> list[Element]:
    zone = asked.moment.site.site.zone
    said = ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in entry.values.items())
    note = f" {entry.note}" if entry.note else ""
    told = f"{day(entry.at_s, zone)}, {entry.kind}{f': {said}' if said else ''}.{note}"
    made = [
        element("p", told, element("span", f" ({entry.by})", class_="quiet"), class_="lead"),
        element("p", "Nothing is rubbed out: what you write stands in its place, and both stay on "
                     "record.", class_="quiet"),
    ]  # fmt: skip
    fields = entry_fields(known, entry)
    if fields:
        made += _form(asked, fields, "Put it right")
    else:
        made.append(faults_of_all(asked.query))
    back = element(
        "form",
        *hidden_fields([*_own(asked), ("take", "back")]),
        element("button", "Take it back", type="submit", class_="risky"),
        method="post",
        action=asked.path,
        class_="apart",
    )
    return [*made, back]


def typed_in(values: Mapping[str, str], moment: Moment) -> Typed:
    """What was typed, without what the page put beside it."""
    own = {key: value for key, value in values.items() if not key.startswith(OWN)}
    return Typed(own, moment.site.site.zone)
