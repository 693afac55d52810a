"""report, labels: what goes on paper, or to somebody who has no Warmfoot."""

import time
from pathlib import Path
from typing import Any

import click
from pydantic import ValidationError

from config.model import LabelPlan
from controller.cli.common import (
    Refused,
    expected_errors,
    journal_option,
    one_of,
    reader_for,
    site_of,
    time_of,
    written_whole,
)
from controller.label_sheet import PAPER_MM, Grid, Press, read_size
from controller.labels import LabelError, label, label_svg, page_address, words_of
from controller.report import report as batch_report


@click.command()
@click.argument("number", type=int, metavar="BATCH")
@click.option("--to", type=click.Path(path_type=Path), help="File; by default batch-NUMBER.html.")
@journal_option
@expected_errors
def report(number: int, to: Path | None, journal_given: str | None) -> None:
    """Write the whole record of a batch into one HTML file, for any browser and for paper."""
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        batch = one_of(number, reader.batches())
        text = batch_report(reader, site, batch, time_of(reader))
    to = to or Path(f"batch-{number}.html")
    written_whole(to, text.encode("utf-8"))
    click.echo(f"{to}: batch {number}, {batch.plant}; open it in a browser, or print it on A4")


class Size(click.ParamType[Any]):
    """Two lengths in millimetres such as 63.5x33.9; gives a pair."""

    name = "WxH"

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,  # noqa: ARG002  (as click calls it)
        ctx: click.Context | None,  # noqa: ARG002
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        found = read_size(str(value))
        if found is None:
            self.fail(f"{value!r} is not two lengths in millimetres; write e.g. 63.5x33.9")
        return found


@click.command()
@click.argument("numbers", type=int, nargs=-1, required=True, metavar="BATCH...")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    default=Path("labels.pdf"),
    show_default=True,
    help="A .pdf for sheets, a .svg for one label alone.",
)
@click.option("--copies", type=click.IntRange(1, 500), default=1, help="Labels of each batch.")
@click.option("--start", type=click.IntRange(1), default=1, help="First free place of the sheet.")
@click.option("--paper", type=click.Choice(list(PAPER_MM)), default="a4", show_default=True)
@click.option("--columns", type=click.IntRange(1, 20), default=3, show_default=True)
@click.option("--rows", type=click.IntRange(1, 50), default=8, show_default=True)
@click.option("--label", "label_mm", type=Size(), default="63.5x33.9", show_default=True)
@click.option("--gap", type=Size(), default="2.5x0", show_default=True, help="Between labels.")
@click.option("--margin", type=Size(), help="Left and top of the sheet; by default centred.")
@click.option("--frame", is_flag=True, help="A line around each, to cut plain paper along.")
@click.option("--address", help="Of the page, for the code; else by the bench file.")
@click.option(
    "--font",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="TrueType file, for names whose letters the built-in font lacks.",
)
@journal_option
@expected_errors
def labels(
    numbers: tuple[int, ...],
    to: Path,
    copies: int,
    start: int,
    paper: str,
    columns: int,
    rows: int,
    label_mm: tuple[float, float],
    gap: tuple[float, float],
    margin: tuple[float, float] | None,
    frame: bool,
    address: str | None,
    font: Path | None,
    journal_given: str | None,
) -> None:
    """Print tray labels: plant, kind, date, number, and a code that opens the batch's page.

    Lengths are in millimetres. Places of a sheet are counted along its rows.
    """
    svg = to.suffix.lower() == ".svg"
    if svg and (len(numbers) > 1 or copies > 1):
        raise Refused("a .svg holds one label; name one batch, or give a .pdf")
    if not svg and to.suffix.lower() != ".pdf":
        raise Refused(f"{to}: give a name that ends in .pdf or .svg")
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        every = reader.batches()
    page = page_address(site) if address is None else _read(address)
    try:
        press = Press(font)
        made = [
            label(words_of(one_of(number, every), site.site.zone, page), *label_mm, press.measure)
            for number in numbers
            for _ in range(copies)
        ]
        if svg:
            written_whole(to, label_svg(made[0]).encode("utf-8"))
        else:
            grid = Grid(paper, columns, rows, label_mm, gap, margin)
            written_whole(to, press.sheets(made, grid, start, time.time(), frame=frame))
    except LabelError as error:
        raise Refused(str(error)) from error
    click.echo(f"{to}: {len(made)} label{'s' if len(made) != 1 else ''}; print it at 100 %")
    if page is None:
        click.echo(
            'no code on it: write labels.address = "http://..." in the bench file, or give '
            "--address, to have one that opens the batch's page"
        )


def _read(address: str) -> str | None:
    try:
        return LabelPlan(address=address).address
    except ValidationError as error:
        raise Refused(
            f"{address!r} can't be the address of a page; write e.g. http://bench.local:8046"
        ) from error
