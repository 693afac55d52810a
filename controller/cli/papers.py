"""report: what goes on paper, or to somebody who has no Warmfoot."""

import contextlib
from pathlib import Path

import click

from controller.cli.common import Refused, expected_errors, journal_option, reader_for, site_of
from controller.cli.compared import time_of
from controller.records import Batch
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


def one_of(number: int, batches: list[Batch]) -> Batch:
    """The batch of that number. Raises Refused, naming what there is."""
    for batch in batches:
        if batch.number == number:
            return batch
    there = ", ".join(f"{b.number} {b.plant}" for b in batches[-12:]) or "none"
    raise Refused(f"no batch {number} in this journal; there are: {there}")


def written_whole(to: Path, data: bytes) -> None:
    """Write a file whole or not at all; one that is there is written anew. Raises Refused."""
    part = to.with_name(to.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(to)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise Refused(f"{to}: can't be written ({error.strerror}); give another name") from error
