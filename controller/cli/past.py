"""import: results of past seasons from a notebook kept as a spreadsheet."""

import sys
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from controller.cli.common import (
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    reader_for,
    site_of,
    who,
)
from controller.faces import Rows, console, say
from controller.notebook import NotebookError
from controller.past_results import BroughtIn, import_results
from controller.results import NEEDED

SHOWN_MOST = 40
"""Problems shown at once; who mends so many sees the rest the next time."""


@click.command(
    "import", epilog=f"Columns that are needed: {', '.join(NEEDED)}. README has them all."
)
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.csv")
@click.option("--dry-run", is_flag=True, help="Say what would be taken, and change nothing.")
@click.option(
    "--dates",
    type=click.Choice(["day-first", "month-first"]),
    help="How to read dates such as 3/4/2019, where the file itself does not tell.",
)
@journal_option
@json_option
@expected_errors
def bring(file: Path, dry_run: bool, dates: Any, journal_given: str | None, as_json: bool) -> None:
    """Bring in the results of past seasons from a CSV file, one closed batch a row.

    All rows are taken or none. Batches that are there already are left as they are. Nothing is
    known of the climate of what comes from a notebook, and outlook and compare say so.
    """
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
    try:
        data = sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except OSError as error:
        raise Refused(f"{file}: can't be read ({error.strerror})") from error
    today = datetime.fromtimestamp(time.time(), site.site.zone).date()
    try:
        done = import_results(path, site, data, who(), today, order=dates, dry_run=dry_run)
    except NotebookError as error:
        count = len(error.problems)
        lines = [f"  {problem}" for problem in error.problems[:SHOWN_MOST]]
        if count > SHOWN_MOST:
            lines.append(f"  and {count - SHOWN_MOST} more")
        told = f"{count} thing{'s' if count != 1 else ''} to put right; nothing was taken"
        raise Refused("\n".join([f"{file}: {told}", *lines])) from error
    if as_json:
        give_json(
            {
                "taken": [row.cells for row in done.rows],
                "numbers": list(done.numbers),
                "there_already": [{"line": line, "batch": batch} for line, batch in done.there],
                "dry_run": dry_run,
            }
        )
        return
    _told(done, dry_run)


def _told(done: BroughtIn, dry_run: bool) -> None:
    out = console()
    shown = Rows(out, "line", "batch", "plant", "kind", "stuck", "rooted")
    for place, row in enumerate(done.rows):
        cells = row.cells
        shown.add_row(
            str(row.line),
            str(done.numbers[place]) if done.numbers else "new",
            cells["plant"],
            cells["kind"],
            cells["stuck_on"],
            f"{cells['rooted']} of {cells['cuttings']}",
        )
    if done.rows:
        shown.show()
    for line, number in done.there:
        say(out, f"line {line} is batch {number} already")
    count = len(done.rows)
    batches = f"{count} batch{'es' if count != 1 else ''}"
    if dry_run:
        say(out, f"{batches} would be taken; nothing was changed")
    else:
        say(out, f"{batches} brought in from the notebook")
