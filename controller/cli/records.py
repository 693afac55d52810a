"""review, export, backup: what the journal says, and how to keep it."""

import contextlib
import sys
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import click

from controller.batch_faces import outlook_lines, standing_lines
from controller.cli.common import (
    Moment,
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    one_of,
    reader_for,
    site_of,
    time_of,
    unwritable,
    utc_s,
    written_whole,
)
from controller.cli.compared import outlook_data, standing_data
from controller.due_calendar import batch_calendar
from controller.faces import causes_text, console, review_text, say
from controller.gather import CaseBook, review_batch
from controller.histories import HistoryBook
from controller.journal.reader import open_reader
from controller.journal.upkeep import OF_BATCH, TABLES, export_csv
from controller.journal.upkeep import backup as copy_journal
from controller.journal.writer import Journal
from controller.past_results import write_results
from controller.places import find_journal
from controller.review.causes import Verdict
from controller.review.compare import standing
from controller.review.summary import BatchSummary
from controller.saving import Saving, saving_for

CALENDAR = "calendar"
RESULTS = "results"


@click.command()
@click.argument("numbers", type=int, nargs=-1, metavar="[BATCH]...")
@journal_option
@json_option
@expected_errors
def review(numbers: tuple[int, ...], journal_given: str | None, as_json: bool) -> None:
    """What each batch got, and for one that did badly, what on record may have caused it.

    Warmth, hours in band, cold, hot and dry, water, heat and its cost; then ranked causes, each
    with what was measured, what good batches had, how sure it is, and what to change.
    """
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        batches = reader.batches()
        known = {batch.number: batch for batch in batches}
        unknown = [str(number) for number in numbers if number not in known]
        if unknown:
            there = ", ".join(f"{b.number} {b.plant}" for b in batches) or "none"
            raise Refused(f"no batch {', '.join(unknown)} in this journal; there are: {there}")
        chosen = [known[number] for number in numbers] if numbers else batches
        now_s = time_of(reader)
        cases = CaseBook(reader, site, now_s)
        book = HistoryBook(reader, now_s)
        found = [
            (
                review_batch(reader, site, batch, now_s),
                reader.entries(batch.number),
                cases.explain(batch.number),
                saving_for(reader, site, batch, now_s),
                standing(book.get(batch.number), book.like(batch.number)),
                book.outlook(batch.number),
            )
            for batch in chosen
        ]
    if as_json:
        give_json(
            [
                {
                    **summary_data(one),
                    "causes": causes_data(verdict),
                    "beside_flat": saved and saving_data(saved),
                    "beside_like": standing_data(beside),
                    "outlook": due and outlook_data(due),
                }
                for one, _, verdict, saved, beside, due in found
            ]
        )
        return
    out = console()
    for summary, entries, verdict, saved, beside, due in found:
        review_text(out, summary, entries, site.site.zone, saved)
        lines = [] if due is None else outlook_lines(due, summary.batch.stuck_s, site.site.zone)
        if not summary.batch.merged_into:  # the other has its cuttings and its result
            lines += standing_lines(beside)
        for line in lines:
            say(out, f"  {line}")
        causes_text(out, verdict)
        say(out)
    if not found:
        say(out, "no batch yet; `warmfoot batch stick` opens one")


def summary_data(summary: BatchSummary) -> dict[str, Any]:
    """A review as plain data."""
    data = asdict(summary)
    data["batch"] = summary.batch._asdict()
    data["warmth"] = {
        **summary.warmth._asdict(),
        "degree_hours": summary.warmth.degree_hours,
    }
    data["heat"] = summary.heat._asdict()
    data["gaps"] = [gap._asdict() for gap in summary.gaps]
    data["spells"] = [spell._asdict() for spell in summary.spells]
    data["batch_kwh"] = summary.batch_kwh
    data["batch_cost"] = summary.batch_cost
    return data


def saving_data(saved: Saving) -> dict[str, Any]:
    """A bay beside its target held flat, as plain data; kWh and money saved are negative where more
    was used.
    """
    return {
        **saved._asdict(),
        "given": saved.given._asdict(),
        "flat": saved.flat._asdict(),
        "kwh": saved.kwh,
        "cost": saved.cost,
    }


def causes_data(verdict: Verdict) -> dict[str, Any]:
    """Why a batch did badly, as plain data."""
    return {**verdict._asdict(), "causes": [cause._asdict() for cause in verdict.causes]}


@click.command()
@click.argument("table", type=click.Choice([*TABLES, RESULTS, CALENDAR]))
@click.option("--from", "from_at", type=Moment(), help="Local; by default the beginning.")
@click.option("--to", "to_at", type=Moment(), help="Local; by default now.")
@click.option("--batch", "number", type=int, help=f"Of one batch only: {', '.join(OF_BATCH)}.")
@click.option("--out", type=click.Path(path_type=Path), help="File; by default the screen.")
@journal_option
@expected_errors
def export(
    table: str,
    from_at: datetime | None,
    to_at: datetime | None,
    number: int | None,
    out: Path | None,
    journal_given: str | None,
) -> None:
    """Give one table of the journal as CSV, with units in the headers, UTC and local time.

    "results" gives one row for each closed batch, as `warmfoot import` reads them.
    "calendar" gives tests due and due windows of the open batches as an iCalendar file instead.
    """
    if table == CALENDAR:
        if from_at or to_at:
            raise Refused("a calendar looks ahead from now; leave out --from and --to")
        if number is not None:
            raise Refused("a calendar is of all open batches; leave out --batch")
        _calendar(journal_given, out)
        return
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        end_s = time_of(reader)
        batch = None if number is None else one_of(number, reader.batches())
    if batch is not None and table not in OF_BATCH:
        raise Refused(f"--batch goes with {', '.join(OF_BATCH)}")
    from_s = utc_s(from_at, zone, 0.0)
    to_s = utc_s(to_at, zone, end_s)
    with contextlib.ExitStack() as stack:
        to: IO[str] = sys.stdout
        if out is not None:
            try:
                to = stack.enter_context(out.open("x", encoding="utf-8", newline=""))
            except OSError as error:
                raise unwritable(out, error) from error
        if table == RESULTS:
            count = write_results(path, to, zone, from_s, to_s)
        else:
            count = export_csv(path, table, to, zone, from_s, to_s, batch)  # type: ignore[arg-type]
    if out is not None:
        click.echo(f"{count} rows in {out}")


def _calendar(journal_given: str | None, out: Path | None) -> None:
    """The same file may be written again and again: a calendar program reads it anew."""
    _, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, reader.path).site
        text, count = batch_calendar(reader, site, time_of(reader))
    if out is None:
        sys.stdout.buffer.write(text)
        return
    written_whole(out, text)
    click.echo(f"{count} entries in {out}")


@click.command()
@click.argument("to", type=click.Path(path_type=Path))
@journal_option
@expected_errors
def backup(to: Path, journal_given: str | None) -> None:
    """Copy the journal to a new file, while it is in use, and check the copy."""
    copy_journal(find_journal(journal_given), to)
    click.echo(f"{to}: a sound copy; to use it, stop warmfoot and put it in the journal's place")


@click.command("upgrade")
@journal_option
@expected_errors
def bring_up(journal_given: str | None) -> None:
    """Bring a journal of an older Warmfoot up to this one; as it was it is kept beside it.

    The next start of `warmfoot run` does the same by itself.
    """
    path = find_journal(journal_given)
    with open_reader(path, older=True):
        pass
    with Journal.open(path) as journal:
        done = journal.upgraded
    if done is None:
        click.echo(f"{path}: nothing to do, this program reads it as it is")
    else:
        click.echo(f"{path}: {done.words}")
