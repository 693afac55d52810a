"""batch list and show: what stands on the benches, and all that is on record of one batch."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import click

from config.checklist import BY_KEY
from controller.batch_faces import due_in_words
from controller.cli.asked import checklist_data, checklist_lines
from controller.cli.batches import number_argument
from controller.cli.common import (
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
)
from controller.cli.compared import dues, outlook_data, told_outlook
from controller.entries import effective, evidence
from controller.faces import PHASE_WORDS, Rows, console, say
from controller.journal.batches import BatchBook
from controller.journal.writer import Journal
from controller.places import find_journal
from controller.records import Batch, Entry


@click.command("list")
@click.option("--all", "every", is_flag=True, help="Closed batches too.")
@journal_option
@json_option
@expected_errors
def list_batches(every: bool, journal_given: str | None, as_json: bool) -> None:
    """Batches on the benches now."""
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        kept = reader.batches()
        found = [one for one in kept if every or one.closed_s is None]
        due = dues(reader)
    if as_json:
        give_json(
            [
                {**one._asdict(), "outlook": outlook_data(due[one.number])}
                if one.number in due
                else one._asdict()
                for one in found
            ]
        )
        return
    out = console()
    shown = Rows(out, "no.", "plant", "kind", "bay", "count", "stuck", "phase", "outlook")
    for one in found:
        shown.add_row(
            str(one.number),
            one.plant,
            one.kind,
            f"{one.bench}.{one.bay}",
            str(one.cuttings),
            local(one.stuck_s, zone),
            _state(one),
            due_in_words(due[one.number], zone) if one.number in due else "",
        )
    if found:
        shown.show()
    else:
        say(
            out,
            "no batch on the benches; `warmfoot batch list --all` has the closed ones"
            if kept
            else "no batch yet; `warmfoot batch stick` opens one",
        )


def _state(one: Batch) -> str:
    if one.merged_into:
        return f"in batch {one.merged_into}"
    return PHASE_WORDS.get(one.phase, one.phase) if one.closed_s is None else "closed"


@click.command()
@number_argument
@journal_option
@json_option
@expected_errors
def show(number: int, journal_given: str | None, as_json: bool) -> None:
    """One batch: what was recorded at sticking, and every entry since."""
    path = find_journal(journal_given)
    with Journal.open(path) as journal:
        book = BatchBook(journal)
        one = book.get(number)
        entries = book.entries(number)
    _, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        outlook, lines = told_outlook(reader, number)
    if as_json:
        give_json(
            {
                "batch": one._asdict(),
                "entries": [e._asdict() for e in entries],
                "checklist": checklist_data(one, effective(entries)),
                "outlook": outlook,
            }
        )
        return
    _show(one, zone, entries, lines)


def _show(one: Batch, zone: ZoneInfo, entries: Sequence[Entry], outlook: Sequence[str]) -> None:
    out = console()
    say(
        out,
        f"batch {one.number}: {one.cuttings} {one.plant}, {one.kind}, {one.bench}.{one.bay}",
        style="bold",
    )
    say(out, f"stuck {local(one.stuck_s, zone)}; {_state(one)}")
    for line in outlook:
        say(out, f"  {line}")
    stand = effective(entries)
    for key, value in evidence(one, stand).items():
        if key not in BY_KEY:
            say(out, f"  {key}: {value}")
    for line in checklist_lines(one, stand):
        say(out, f"  {line}")
    standing = {entry.number for entry in stand}
    for entry in entries:
        values = " ".join(f"{key}={value or 'unknown'}" for key, value in entry.values.items())
        gone = "" if entry.number in standing or entry.corrects else "  (corrected)"
        replaces = f"  (in place of entry {entry.corrects})" if entry.corrects else ""
        note = f"  {entry.note}" if entry.note else ""
        say(
            out,
            f"  {entry.number}. {local(entry.at_s, zone)} {entry.kind} {values}{note}"
            f"  by {entry.by}{gone}{replaces}",
        )
