"""Sheets of tray labels as PDF, and the letters they are set in."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from controller.labels import Label, LabelError

if TYPE_CHECKING:
    from fpdf import FPDF

PAPER_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""ISO 216; ANSI/ASME Y14.1."""
_FAMILY: Final = "label"
_SIZE: Final = re.compile(r"(\d{1,3}(?:\.\d{1,3})?)\s*[x×]\s*(\d{1,3}(?:\.\d{1,3})?)", re.ASCII)


def read_size(text: str) -> tuple[float, float] | None:
    """Two lengths in mm from "63.5x33.9" or "63.5 x 33.9"; None for anything else."""
    found = _SIZE.fullmatch(text.strip())
    return (float(found[1]), float(found[2])) if found else None


class Grid(NamedTuple):
    """A sheet of labels. By default 24 on A4, as common practice has it, no source.

    gap_mm: (across, down) between labels.  margin_mm: (left, top), None to centre them.
    """

    paper: str = "a4"
    columns: int = 3
    rows: int = 8
    label_mm: tuple[float, float] = (63.5, 33.9)
    gap_mm: tuple[float, float] = (2.5, 0.0)
    margin_mm: tuple[float, float] | None = None

    @property
    def size(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    def corner(self, place: int) -> tuple[float, float]:
        """Left top of a label, mm; place: from 0, along the rows."""
        down, across = divmod(place, self.columns)
        left, top = self.margins()
        return (
            left + across * (self.label_mm[0] + self.gap_mm[0]),
            top + down * (self.label_mm[1] + self.gap_mm[1]),
        )

    def margins(self) -> tuple[float, float]:
        """(left, top), mm. Raises LabelError when the labels do not fit on the paper."""
        paper = PAPER_MM[self.paper]
        counts = (self.columns, self.rows)
        used = [
            count * side + (count - 1) * gap
            for count, side, gap in zip(counts, self.label_mm, self.gap_mm, strict=True)
        ]
        left, top = self.margin_mm or ((paper[0] - used[0]) / 2, (paper[1] - used[1]) / 2)
        if (
            min(left, top) < -1e-6
            or left + used[0] > paper[0] + 1e-6
            or top + used[1] > paper[1] + 1e-6
        ):
            raise LabelError(
                f"{self.columns} x {self.rows} labels of {self.label_mm[0]:g} x "
                f"{self.label_mm[1]:g} mm take {left + used[0]:g} x {top + used[1]:g} mm with "
                f"their gaps and margins; the paper has {paper[0]:g} x {paper[1]:g} mm"
            )
        return left, top


class Press:
    """Sets and prints labels. font: a TrueType file; None for the built-in Helvetica.

    Raises LabelError for a font that can't be read.
    """

    def __init__(self, font: Path | None = None) -> None:
        self._font = font
        self._pdf = self._new("a4")

    def _new(self, paper: str) -> "FPDF":
        # Loaded here: the daemon never needs it.
        from fpdf import FPDF

        pdf = FPDF(unit="mm", format=PAPER_MM[paper])
        pdf.set_auto_page_break(False)
        pdf.set_margin(0)
        pdf.core_fonts_encoding = "windows-1252"
        if self._font is not None:
            try:
                pdf.add_font(_FAMILY, "", self._font)
                pdf.add_font(_FAMILY, "B", self._font)
            except Exception as error:  # fontTools raises many kinds
                raise LabelError(f"{self._font}: not a TrueType font that can be used") from error
        return pdf

    def _set(self, pdf: "FPDF", size_pt: float, bold: bool) -> None:
        family = "Helvetica" if self._font is None else _FAMILY
        pdf.set_font(family, "B" if bold else "", size_pt)

    def measure(self, text: str, size_pt: float, bold: bool) -> float:
        """Width in mm; a `labels.Measure`. Raises LabelError for letters that the font lacks."""
        self._check(text)
        self._set(self._pdf, size_pt, bold)
        return float(self._pdf.get_string_width(text))

    def _check(self, text: str) -> None:
        if self._font is None:
            lacks = [sign for sign in text if not _is_latin(sign)]
        else:
            self._set(self._pdf, 10.0, False)
            known = self._pdf.current_font.cmap  # type: ignore[union-attr]
            lacks = [sign for sign in text if ord(sign) not in known]
        if lacks:
            letters = " ".join(dict.fromkeys(lacks))
            raise LabelError(
                f"{text[:60]!r}: the font has no {letters}; give --font with a TrueType file that "
                "does, such as DejaVuSans.ttf"
            )

    def sheets(
        self, labels: Sequence[Label], grid: Grid, start: int, now_s: float, *, frame: bool = False
    ) -> bytes:
        """The labels as PDF. start: place of the first on the first sheet, from 1.

        frame: a thin line around each, to cut along.  now_s: UTC s, its date.
        Raises LabelError for a grid that does not fit, or a start beyond the sheet.
        """
        grid.margins()
        if not 1 <= start <= grid.size:
            raise LabelError(f"start {start}: a sheet has places 1 to {grid.size}")
        pdf = self._new(grid.paper)
        pdf.set_title("Tray labels")
        pdf.set_creator("Warmfoot")
        pdf.set_creation_date(datetime.fromtimestamp(now_s, UTC))
        for turn, made in enumerate(labels, start - 1):
            place = turn % grid.size
            if place == 0 or turn == start - 1:
                pdf.add_page()
            self._print(pdf, made, *grid.corner(place), frame=frame)
        return bytes(pdf.output())

    def _print(self, pdf: "FPDF", made: Label, left: float, top: float, *, frame: bool) -> None:
        if frame:
            pdf.set_line_width(0.1)
            pdf.set_draw_color(150)
            pdf.rect(left, top, made.width_mm, made.height_mm)
        for text in made.texts:
            self._set(pdf, text.size_pt, text.bold)
            pdf.text(left + text.x, top + text.y, text.text)
        pdf.set_fill_color(0)
        for x, y, width, height in made.squares:
            pdf.rect(left + x, top + y, width, height + 0.01, style="F")


def _is_latin(sign: str) -> bool:
    try:
        sign.encode("windows-1252")
    except UnicodeEncodeError:
        return False
    return sign.isprintable()
