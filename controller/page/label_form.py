"""Tray labels of a batch from its page: the form, and the sheet it asks for."""

import re
from collections.abc import Mapping
from typing import Final, NamedTuple

from controller.draw.markup import Element, element
from controller.label_sheet import PAPER_MM, Grid, read_size
from controller.page.papers import PaperError
from controller.records import Batch

COPIES_MOST: Final = 96
ASKED: Final = ("copies", "start", "frame", "paper", "columns", "rows", "label", "gap")
"""Fields of the form, as they stand in an address."""
PAPER_WORDS: Final = {"a4": "A4", "letter": "US Letter"}
_TRAYS: Final = re.compile(r"\s*(\d{1,3})(?:\s*-\s*(\d{1,3}))?\s*", re.ASCII)


class LabelSheet(NamedTuple):
    """What was asked for. copies: labels.  start: first free place, from 1.  frame: a line around
    each."""

    copies: int
    start: int
    grid: Grid
    frame: bool


def trays_of(text: str) -> int:
    """How many trays "1-2, 5" names; 1 where it does not tell."""
    count = 0
    for part in text.split(","):
        found = _TRAYS.fullmatch(part)
        if found is None:
            return 1
        count += max(1, int(found[2]) - int(found[1]) + 1) if found[2] else 1
    return min(count, COPIES_MOST)


def label_form(batch: Batch) -> Element:
    """How many, from which place, on what sheet; without a script, as any form."""
    usual = Grid()
    return element(
        "form",
        element("label", "Labels ", _count("copies", trays_of(batch.trays)),
                f" one a tray, {COPIES_MOST} at most"),
        element("label", "First free place ", _count("start", 1),
                " of the sheet, along its rows"),
        element("label", _tick("frame"), element("span", "A line around each, to cut plain paper"),
                class_="pick"),
        element(
            "details",
            element("summary", f"Another sheet than {_in_words(usual)}"),
            element("label", "Paper ", element("select", *_papers(), name="paper")),
            element("label", "Labels across ", _count("columns", usual.columns)),
            element("label", "and down ", _count("rows", usual.rows)),
            element("label", "Each, wide x tall in mm ", _text("label", _size(usual.label_mm))),
            element("label", "Between them, in mm ", _text("gap", _size(usual.gap_mm))),
        ),
        element("button", "Make the labels", type="submit"),
        method="get",
        action=f"/take/labels-{batch.number}.pdf",
        class_="lines",
    )  # fmt: skip


def _in_words(grid: Grid) -> str:
    wide, tall = grid.label_mm
    return f"{grid.size} of {wide:g} x {tall:g} mm on {PAPER_WORDS[grid.paper]}"


def _papers() -> list[Element]:
    return [element("option", PAPER_WORDS[one], value=one) for one in PAPER_MM]


def _size(lengths_mm: tuple[float, float]) -> str:
    return f"{lengths_mm[0]:g} x {lengths_mm[1]:g}"


def _count(name: str, value: int) -> Element:
    return element("input", type="text", inputmode="numeric", name=name, value=str(value),
                   class_="count", autocomplete="off")  # fmt: skip


def _text(name: str, value: str) -> Element:
    return element("input", type="text", name=name, value=value, class_="size", autocomplete="off")


def _tick(name: str) -> Element:
    return element("input", type="checkbox", name=name, value="yes")


def sheet_asked(query: Mapping[str, str]) -> LabelSheet:
    """The sheet that an address asks for. Raises PaperError for one that can't be printed."""
    usual = Grid()
    paper = query.get("paper", usual.paper)
    if paper not in PAPER_MM:
        raise PaperError("the paper is a4 or letter; nothing was made")
    columns = _whole(query, "columns", "labels across", usual.columns, 20)
    rows = _whole(query, "rows", "labels down", usual.rows, 50)
    lengths = []
    for name, words, default in (
        ("label", "a label", usual.label_mm),
        ("gap", "what is between labels", usual.gap_mm),
    ):
        found = read_size(query[name]) if name in query else default
        if found is None:
            raise PaperError(f"{words} has two lengths in mm, such as {_size(default)}; "
                             "nothing was made")  # fmt: skip
        lengths.append(found)
    grid = Grid(paper, columns, rows, lengths[0], lengths[1])
    grid.margins()
    return LabelSheet(
        _whole(query, "copies", "labels", 1, COPIES_MOST),
        _whole(query, "start", "the first free place", 1, grid.size),
        grid,
        query.get("frame") == "yes",
    )


def _whole(query: Mapping[str, str], name: str, words: str, default: int, most: int) -> int:
    """A whole number from 1 to `most`."""
    said = query.get(name, str(default)).strip()
    if said.isascii() and said.isdecimal() and len(said) <= 4 and 1 <= int(said) <= most:
        return int(said)
    raise PaperError(f"{words}: {said[:20]!r} is not a whole number from 1 to {most}; "
                     "nothing was made")  # fmt: skip
