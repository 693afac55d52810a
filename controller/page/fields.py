"""Fields of a form that is typed into: drawn with what was typed and what is wrong, and read.

Everything works without a script: what is wrong comes back beside its field, with all that was
typed still there.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from controller.draw.markup import Element, element
from controller.page.words import with_commands

OWN: Final = "page:"
"""Names that the page puts beside what was typed; none comes in from an address."""
TYPED: Final = f"{OWN}typed"
WRONG: Final = f"{OWN}wrong:"
SURE: Final = f"{OWN}sure"
FEW: Final = 5
"""So many choices are all shown at once; more are folded into a list."""
TEXT_MOST: Final = 500


class Field(NamedTuple):
    """One field.

    kind: "text", "number" (whole), "choice", "when" (local day and time, empty for now) or "lines".
    choices: (value, words).  hint: what is usual, or how it is read.  value: before anybody typed.
    known: for "text", words proposed while typing.
    """

    name: str
    words: str
    kind: str = "text"
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""
    value: str = ""
    known: tuple[str, ...] = ()


class Wrong(ValueError):
    """What was typed can't be taken. faults: by field, in a grower's words; "" for all of it."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        super().__init__("; ".join(faults.values()))
        self.faults = dict(faults)


class Typed:
    """What was typed, by field. Each question notes what is wrong; `sound` raises all of it."""

    def __init__(self, values: Mapping[str, str], zone: ZoneInfo) -> None:
        self.values = dict(values)
        self._zone = zone
        self._faults: dict[str, str] = {}

    def text(self, name: str) -> str:
        """One line or several, without blanks at its ends."""
        return self.values.get(name, "").strip()

    def whole(self, name: str, *, least: int = 0, empty: int | None = None) -> int:
        """A whole number; `empty` where nothing is typed (None: something must be)."""
        said = self.text(name)
        if not said and empty is not None:
            return empty
        if not (said.isascii() and said.isdecimal() and len(said) <= 7 and int(said) >= least):
            found = f"{said[:30]!r} is not that" if said else "nothing is written here"
            self.fault(name, f"{found}; write a whole number, {least} or more")
            return least
        return int(said)

    def one_of(self, name: str, allowed: Iterable[str], words: str) -> str:
        """One of the values allowed."""
        said, every = self.text(name), tuple(allowed)
        if said not in every:
            self.fault(name, f"choose {words}")
            return every[0] if every else ""
        return said

    def when(self, name: str = "when") -> float | None:
        """UTC s of a local day and time; None for now."""
        said = self.text(name)
        if not said:
            return None
        try:
            found = datetime.fromisoformat(said)
        except ValueError:
            self.fault(name, f"{said[:30]!r} is no day and time; write 2026-03-09T14:30, or "
                             "leave it empty for now")  # fmt: skip
            return None
        here = found if found.tzinfo else found.replace(tzinfo=self._zone)
        try:
            return here.timestamp()
        except (OverflowError, ValueError):
            self.fault(name, f"{said[:30]!r} lies too far off")
            return None

    def fault(self, name: str, text: str) -> None:
        self._faults.setdefault(name, text)

    def sound(self) -> None:
        """Raises Wrong when anything was."""
        if self._faults:
            raise Wrong(self._faults)


def fault_of(text: str, names: Sequence[str]) -> dict[str, str]:
    """A refusal of the whole beside the field that it speaks of, as far as its words tell."""
    words = [word.strip(".,;:'\"()") for word in text.casefold().split()]
    places = {name: words.index(name) for name in names if name in words}
    if places:
        return {min(places, key=lambda name: places[name]): text}
    if "when" in names and {"date", "future"} & set(words):
        return {"when": text}
    return {"": text}


# -- drawn ----------------------------------------------------------------------------------------


def drawn(field: Field, query: Mapping[str, str]) -> Element:
    """A field with its label, its hint and what is wrong with it. query: as typed."""
    value = query.get(field.name, "") if TYPED in query else field.value
    wrong = query.get(f"{WRONG}{field.name}", "")
    key = f"f-{field.name}"
    about = [f"{key}-hint"] if field.hint else []
    about += [f"{key}-wrong"] if wrong else []
    marks = {
        "aria_describedby": " ".join(about) or None,
        "aria_invalid": "true" if wrong else None,
    }
    hint = element("span", field.hint, class_="hint", id=f"{key}-hint") if field.hint else None
    told = None
    if wrong:
        told = element("strong", f"\u2717 {wrong}.", class_="wrong", id=f"{key}-wrong")
    if field.kind == "choice" and len(field.choices) <= FEW:
        return element(
            "fieldset",
            element("legend", *_asked(field)),
            *(_radio(field, each, value) for each in field.choices),
            hint,
            told,
            class_="field",
            **marks,
        )
    look = "field"
    if field.kind == "number":
        look = "field of told" if field.hint or wrong else "field of"
    return element(
        "div",
        element("label", *_asked(field), for_=key),
        *_control(field, key, value, marks),
        hint,
        told,
        class_=look,
    )


def _asked(field: Field) -> list[Element | str]:
    """What a field asks, a capital first."""
    return with_commands(f"{field.words[:1].upper()}{field.words[1:]}")


def _radio(field: Field, choice: tuple[str, str], value: str) -> Element:
    own, words = choice
    box = element("input", type="radio", name=field.name, value=own,
                  id=f"f-{field.name}-{own or 'open'}",
                  checked="" if own == value else None)  # fmt: skip
    return element("label", box, element("span", words), class_="pick")


def _control(
    field: Field, key: str, value: str, marks: Mapping[str, str | None]
) -> list[Element]:  # fmt: skip
    if field.kind == "choice":
        options = [
            element("option", words, value=own, selected="" if own == value else None)
            for own, words in field.choices
        ]
        return [element("select", *options, name=field.name, id=key, **marks)]
    if field.kind == "lines":
        return [element("textarea", value, name=field.name, id=key, rows="3",
                        maxlength=str(TEXT_MOST), **marks)]  # fmt: skip
    form = {
        "number": {"inputmode": "numeric", "class_": "count"},
        "when": {"type": "datetime-local"},
    }.get(field.kind, {"maxlength": "200", "list": f"{key}-known" if field.known else None})
    made = element("input", name=field.name, id=key, value=value, autocomplete="off",
                   **{"type": "text", **form}, **marks)  # fmt: skip
    if not field.known:
        return [made]
    proposed = element("datalist", *(element("option", value=one) for one in field.known),
                       id=f"{key}-known")  # fmt: skip
    return [made, proposed]


def faults_of_all(query: Mapping[str, str]) -> Element:
    """At the head of a form: that it was not taken, and what belongs to no one field. Hidden while
    nothing is wrong."""
    faults = {key: text for key, text in query.items() if key.startswith(WRONG)}
    if not faults:
        return element("p", id="wrong", hidden="")
    whole = faults.get(WRONG, "")
    count = len(faults) - bool(whole)
    beside = f"See the {'mark' if count == 1 else f'{count} marks'} below." if count else ""
    return element(
        "p",
        element("strong", "Nothing was written down. "),
        f"{whole}. " if whole else "",
        beside,
        role="alert",
        class_="wrong",
        id="wrong",
    )
