"""What is asked of cuttings before they are stuck, as data: the questions and how answers are read.

Answers are evidence for a review. None is needed: what is left open stays unknown, never "fine".
"""

import re
from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

from config.near import near

AnswerKind = Literal["yes_no", "number"]

UNKNOWN: Final = ""
"""An answer taken back or never given."""
YES: Final = frozenset({"yes", "y", "true", "1"})
NO: Final = frozenset({"no", "n", "false", "0"})
_OPEN: Final = frozenset({"", "?", "-", "unknown", "not known"})
_UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    "mm": {"": 1.0, "mm": 1.0, "cm": 10.0, "in": 25.4},
    "h": {"": 1.0, "h": 1.0, "hour": 1.0, "hours": 1.0, "min": 1 / 60, "d": 24.0, "days": 24.0},
    "%": {"": 1.0, "%": 1.0},
    "": {"": 1.0},
}
"""Units an answer may carry, by the unit it is kept in."""


class AnswerError(ValueError):
    """An answer that cannot be read. Says what was found and what is wanted."""


class Question(NamedTuple):
    """One question.

    key: under which a batch keeps the answer.  words: short, for lists.  ask: the question itself.
    kind: "yes_no", or "number" in `unit` from `least` to `most` (whole: counted).
    wanted: what is usually right.  source: of that.  not_for: kinds of cutting it is not asked of.
    """

    key: str
    words: str
    ask: str
    kind: AnswerKind
    wanted: str
    source: str
    unit: str = ""
    least: float = 0.0
    most: float = 0.0
    whole: bool = False
    not_for: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """What can be answered, in words."""
        if self.kind == "yes_no":
            return "yes, no or unknown"
        unit = f" {self.unit}" if self.unit else ""
        return f"a {'whole ' * self.whole}number from {self.least:g} to {self.most:g}{unit}"


PRACTICE: Final = "common practice, no source"
_BOOK: Final = "from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed."
_FAUST: Final = "Faust, Dole & Lopez 2017, Horticultural Reviews 44"

QUESTIONS: Final = (
    Question(
        "wood_ready", "wood right by its test", "Does the wood pass the test of its kind?",
        "yes_no", "yes",
        "Evans & Blazich, NC State Extension HIL-8702 (the stage of the wood, not the date)",
    ),
    Question(
        "young_growth", "young growth", "Is it young, vigorous growth?", "yes_no", "yes", _BOOK,
    ),
    Question(
        "flowering", "flowering", "Is there a flower or a flower bud on the shoots?",
        "yes_no", "no", "The effect of shading rhododendron stock plants on flowering and rooting",
        not_for=("root",),
    ),
    Question(
        "pest_or_disease", "pest or disease", "Was pest or disease seen?", "yes_no", "no", _BOOK,
    ),
    Question(
        "length_mm", "length", "How long are the cuttings, in mm (7cm is read too)?",
        "number", "50 to 150 mm; hardwood longer, leaf-bud and root as their kind", _BOOK,
        "mm", 10.0, 1000.0,
    ),
    Question(
        "nodes", "nodes", "How many nodes has each?", "number", "2 to 5", _BOOK,
        most=50.0, whole=True, not_for=("root", "leaf_bud"),
    ),
    Question(
        "leaves_kept", "leaves kept", "How many leaves were kept on each?", "number",
        "2 to 4, large ones halved", PRACTICE, most=200.0, whole=True, not_for=("hardwood", "root"),
    ),
    Question(
        "base_stripped", "base stripped",
        "Are the leaves off the part that stands in the mix?", "yes_no", "yes", _BOOK,
        not_for=("hardwood", "root"),
    ),
    Question(
        "cut_below_node", "cut below a node", "Were they cut just below a node?", "yes_no", "yes",
        PRACTICE, not_for=("root",),
    ),
    Question(
        "hours_to_sticking", "hours from cutting to sticking",
        "How many hours from cutting to sticking (30min is read too)?", "number",
        "within the hour; 4 h for tender kinds, a day in the cool for others", _FAUST,
        "h", 0.0, 3000.0,
    ),
    Question(
        "mix_crumbled", "mix squeezed and crumbled",
        "A handful of the mix squeezed: a drop or two, and it crumbles when let go?",
        "yes_no", "yes", PRACTICE,
    ),
    Question(
        "afp_pct", "air-filled porosity",
        "Air-filled porosity of the mix in % (`warmfoot mix` measures it)?", "number",
        "25 to 35 %", _FAUST, "%", 0.0, 80.0,
    ),
)  # fmt: skip
"""In the order in which a grower meets them: stock plant, cutting, mix."""

_OWN_NAMES: Final = frozenset({"length_cm", "leaves"})
"""Names under which the same may be noted."""
BY_KEY: Final[Mapping[str, Question]] = {one.key: one for one in QUESTIONS}


def questions_for(kind: str) -> tuple[Question, ...]:
    """Those that a kind of cutting is asked."""
    return tuple(one for one in QUESTIONS if kind not in one.not_for)


def read_answer(question: Question, text: str) -> str:
    """The answer as it is kept: "yes", "no", a plain number in the question's unit, or UNKNOWN.

    Raises AnswerError.
    """
    said = " ".join(text.casefold().split())
    if said in _OPEN:
        return UNKNOWN
    if question.kind == "yes_no":
        if said in YES or said in NO:
            return "yes" if said in YES else "no"
        raise AnswerError(_refused(question, text))
    found = re.fullmatch(r"(\d{1,7}(?:[.,]\d{1,6})?)\s*([a-z%]*)", said)
    factor = _UNITS[question.unit].get(found[2]) if found else None
    if found is None or factor is None:
        raise AnswerError(_refused(question, text))
    value = round(float(found[1].replace(",", ".")) * factor, 3)
    if not question.least <= value <= question.most or (question.whole and value % 1.0):
        raise AnswerError(_refused(question, text))
    return f"{value:.10g}"


def read_answers(given: Mapping[str, str]) -> dict[str, str]:
    """A copy in which every answer to a question is as `read_answer` gives it; the rest as it is.

    Raises AnswerError too for a name that is nearly a question's: such an answer would be lost.
    """
    for key in given:
        if key not in BY_KEY and key not in _OWN_NAMES and near(key, BY_KEY):
            raise AnswerError(f"nothing is asked under {key[:40]!r}{near(key, BY_KEY)}")
    return {
        key: read_answer(BY_KEY[key], value) if key in BY_KEY else value
        for key, value in given.items()
    }


def _refused(question: Question, text: str) -> str:
    hint = ""
    if question.unit == "mm" and text.strip().replace(",", ".").replace(".", "", 1).isdigit():
        hint = f"; for {text.strip()} cm write {text.strip()}cm"
    return f"{question.words} {text[:40]!r}: write {question.allowed}{hint}"
