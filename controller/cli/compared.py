"""compare, and what other commands say of when a batch is due and of the batches like it."""

from math import isfinite
from typing import Any

import click

from config.near import near
from controller.batch_faces import (
    basis,
    calibration_lines,
    compared_text,
    outlook_lines,
)
from controller.cli.common import (
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
    time_of,
)
from controller.faces import console, say
from controller.histories import HistoryBook
from controller.journal.errors import JournalError
from controller.journal.reader import Reader, open_reader
from controller.notes import Note, care_notes, notes
from controller.places import PlaceError, find_journal
from controller.review.compare import Comparison, Standing, over_all
from controller.review.compare import compare as compare_by
from controller.review.groups import BY, Group
from controller.review.outlook import Outlook, calibration, due_tests


@click.command()
@click.argument("by", type=click.Choice(BY))
@click.option("--plant", help="Only this plant, as it is written in the batches.")
@click.option("--kind", help="Only this kind of cutting.")
@click.option("--unlike", is_flag=True, help="Put all plants and kinds together.")
@journal_option
@json_option
@expected_errors
def compare(
    by: str,
    plant: str | None,
    kind: str | None,
    unlike: bool,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """Batches beside each other by one thing, like with like: which hormone, which mix, which bay.

    Strike rate with its 95 % interval, time to root, what the base gave, and whether a difference
    is more than chance. Only batches of one plant and kind are compared, unless --unlike.
    """
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        book = HistoryBook(reader, time_of(reader))
        for given, known in (
            (plant, {batch.plant for batch in book.batches.values()}),
            (kind, {batch.kind for batch in book.batches.values()}),
        ):
            if given is not None and given.lower() not in {name.lower() for name in known}:
                there = ", ".join(sorted(known)) or "none"
                raise Refused(f"no batch of {given!r}{near(given, known)}; there are: {there}")
        chosen = book.where(
            lambda batch: (
                (plant is None or batch.plant.lower() == plant.lower())
                and (kind is None or batch.kind.lower() == kind.lower())
            )
        )
    found = compare_by(chosen, by, zone, unlike=unlike)
    overall = over_all(chosen, by, zone)
    if as_json:
        give_json(
            {
                "overall": [one._asdict() for one in overall],
                "comparisons": [comparison_data(one) for one in found],
            }
        )
        return
    out = console()
    compared_text(out, found, overall)
    if not found:
        less = "" if unlike else " of one plant and kind (see --unlike)"
        say(
            out,
            f"nothing to compare by {by}: no two batches{less} differ in it on record. "
            f"Batches looked at: {len(chosen)}",
        )


def dues(reader: Reader) -> dict[int, Outlook]:
    """When each open batch is due, by its number."""
    return HistoryBook(reader, time_of(reader)).dues()


def today_if_any(journal_given: str | None) -> tuple[dict[int, Outlook], list[Note]]:
    """When each open batch is due, and today's notes; nothing where the journal can't be read."""
    try:
        with open_reader(find_journal(journal_given)) as reader:
            book = HistoryBook(reader, time_of(reader))
            site = site_of(reader, reader.path)
            asked = [*notes(book, site.site.zone), *care_notes(reader, site, book.now_s)]
            return book.dues(), asked
    except (JournalError, PlaceError):
        return {}, []


def told_outlook(reader: Reader, number: int) -> tuple[dict[str, Any] | None, list[str]]:
    """The outlook of one batch as plain data and as lines; (None, []) for a closed one."""
    path = reader.path
    zone = site_of(reader, path).site.zone
    book = HistoryBook(reader, time_of(reader))
    due = book.outlook(number)
    if due is None:
        return None, []
    one = book.get(number)
    lines = outlook_lines(due, one.batch.stuck_s, zone)
    lines += [
        note.text for note in notes(book, zone) if note.batch == number and note.kind != "test"
    ]
    tests = due_tests(one, book.now_s, due.to_s)
    if tests:
        when = local(tests[0], zone)[:10]
        lines.append(f"next test {'overdue since ' if tests[0] < book.now_s else ''}{when}")
    lines += calibration_lines(*calibration(book.every()))
    return {**outlook_data(due), "tests_due_utc_s": tests}, lines


# -- as plain data ----------------------------------------------------------------------------


def outlook_data(due: Outlook) -> dict[str, Any]:
    """An outlook as plain data; its basis in words."""
    data = due._asdict()
    likes = due.likes._asdict()
    del likes["spans"]
    return {**data, "likes": likes, "basis": "its own tests" if due.rooted else basis(due)}


def comparison_data(found: Comparison) -> dict[str, Any]:
    """A comparison as plain data."""
    return {
        "by": found.by,
        "like": found.like,
        "groups": [group_data(group) for group in found.groups],
        "pairs": [pair._asdict() for pair in found.pairs],
    }


def group_data(group: Group) -> dict[str, Any]:
    """A group as plain data; times that were not reached are None."""
    data = group._asdict()
    data["strike"] = group.strike
    data["curve"] = [point._asdict() for point in group.curve]
    data["half"] = group.half and [day if isfinite(day) else None for day in group.half]
    return data


def standing_data(found: Standing) -> dict[str, Any]:
    """A batch beside the ones like it, as plain data."""
    return {
        "verdict": found.verdict,
        "own": group_data(found.own),
        "others": found.others and group_data(found.others),
        "least": found.least,
        "most": found.most,
    }
