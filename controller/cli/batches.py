"""batch: stick, enter, close, list, show. The rest of a batch's life is in `tending`."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

import click

from config.checklist import BY_KEY
from config.model import Site
from config.recipes import recipe_for
from controller.batch_acts import BatchActs
from controller.batch_faces import due_in_words
from controller.cli.asked import (
    answer_options,
    as_options,
    ask_option,
    checklist_data,
    checklist_lines,
    given_answers,
    season_word,
    walk,
)
from controller.cli.common import (
    Moment,
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
    utc_s,
    who,
)
from controller.cli.compared import dues, outlook_data, told_outlook
from controller.entries import LOST_CAUSES, effective, evidence
from controller.faces import Rows, console, say
from controller.journal.batches import BatchBook
from controller.journal.errors import BatchError
from controller.journal.writer import Journal
from controller.mixes import mix_hint
from controller.places import find_journal
from controller.records import Batch, Entry, EntryKind

number_argument = click.argument("number", type=int)
at_option = click.option("--at", type=Moment(), help="When it happened, local; by default now.")
note_option = click.option("--note", default="", help="In your own words.")

BY_COMMAND = (EntryKind.MOVED, EntryKind.MERGED, EntryKind.CLOSED)
ENTRY_KINDS = [kind.value for kind in EntryKind if kind not in BY_COMMAND]


@click.group()
def batch() -> None:
    """Batches of cuttings: stick one, enter what you saw, close it with its outcome."""


def acts_on(journal_given: str | None) -> tuple[BatchActs, Site]:
    """What may be done with the batches of a journal, and its site."""
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
    return BatchActs(path, site, who()), site


def when(moment: datetime | None, site: Site) -> float | None:
    """UTC s of a moment as typed; None for now."""
    return None if moment is None else utc_s(moment, site.site.zone, 0.0)


def place(site: Site, text: str) -> tuple[str, str]:
    """ "north.left" as bench and bay; just the bench where it has one bay."""
    bench, _, bay = text.partition(".")
    if not bay and bench in site.benches and len(site.benches[bench].bays) == 1:
        bay = next(iter(site.benches[bench].bays))
    if not bay:
        places = [f"{name}.{b}" for name, bench_ in site.benches.items() for b in bench_.bays]
        raise Refused(f"{text!r} is not a bay; write one of {', '.join(places)}")
    return bench, bay


def pairs(items: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for item in items:
        key, sign, value = item.partition("=")
        if not sign or not key.strip():
            raise Refused(f"{item!r} is not key=value; write e.g. rooted=4")
        if key.strip() in found:
            raise Refused(f"{key.strip()!r} is given twice")
        found[key.strip()] = value.strip()
    return found


@batch.command()
@click.argument("plant")
@click.option("--kind", required=True, help="softwood, semi_ripe, hardwood, herbaceous, ...")
@click.option("--bay", required=True, help="Where the trays stand, such as north.left.")
@click.option("--count", required=True, type=int, help="How many cuttings.")
@click.option("--trays", default="", help="Tray numbers, as on the labels.")
@click.option("--stuck", type=Moment(), help="When, local; by default now.")
@click.option(
    "--detail",
    "details",
    multiple=True,
    metavar="KEY=VALUE",
    help="Anything else: hormone=, mix=, stock=; may be repeated.",
)
@ask_option
@answer_options
@journal_option
@json_option
@expected_errors
def stick(
    plant: str,
    kind: str,
    bay: str,
    count: int,
    trays: str,
    stuck: datetime | None,
    details: tuple[str, ...],
    ask: bool,
    journal_given: str | None,
    as_json: bool,
    **answers: str | None,
) -> None:
    """Open a batch: its clock and its warmth start now, its recipe is frozen.

    What you know of the cuttings can be said with it, by options or one by one with --ask. All of
    it may stay open; it is what a review has to go by when a batch fails.
    """
    acts, site = acts_on(journal_given)
    bench_name, bay_name = place(site, bay)
    known = pairs(details)
    known |= given_answers(answers, known)
    asked: dict[str, str] = {}
    if ask:
        fitting = recipe_for(kind, plant)
        hints = {"afp_pct": _mix_hint(journal_given, known)}
        asked = walk(fitting.kind, fitting.wood, known, hints)
    try:
        made, recipe = acts.stick(
            plant,
            kind,
            bench_name,
            bay_name,
            count,
            at_s=when(stuck, site),
            trays=trays,
            details={**known, **asked},
        )
    except BatchError as error:
        kept = f"\nyour answers, to give again: {as_options(asked)}" if asked else ""
        raise Refused(f"{error}{kept}") from error
    if as_json:
        give_json(made._asdict())
        return
    low, high = recipe.usual_days
    click.echo(
        f"batch {made.number}: {count} {plant}, {recipe.title}, in {bench_name}.{bay_name}\n"
        f"base target {recipe.base_target_c:g} °C (good {recipe.good_low_c:g} to "
        f"{recipe.good_high_c:g}); batches like it usually take {low:g} to {high:g} days\n"
        f"put the number {made.number} on every tray label"
    )
    held = "" if "afp_pct" in made.details else _mix_hint(journal_given, made.details)
    if held:
        click.echo(
            f"{held}; if it is as then: `warmfoot batch checklist {made.number} --afp-pct N`"
        )
    said = season_word(made, recipe, site)
    if said:
        click.echo(said)


def _mix_hint(journal_given: str | None, details: Mapping[str, str]) -> str:
    if not details.get("mix"):
        return ""
    _, reader = reader_for(journal_given)
    with reader:
        return mix_hint(reader, details["mix"])


@batch.command(
    epilog=f"Values: lost= and cause= ({', '.join(LOST_CAUSES)}) for lost; tested=, rooted=, "
    "callused= for tested; phase= for weaned; wilted=yes or no for looked and tested; potted=; "
    "saleable=; for checked the names of `batch checklist`, and mix=, hormone=, stock=."
)
@number_argument
@click.argument("kind", type=click.Choice(ENTRY_KINDS))
@click.argument("values", nargs=-1, metavar="[KEY=VALUE]...")
@click.option("--corrects", type=int, default=0, help="Number of the entry that this replaces.")
@at_option
@note_option
@journal_option
@json_option
@expected_errors
def enter(
    number: int,
    kind: str,
    values: tuple[str, ...],
    corrects: int,
    at: datetime | None,
    note: str,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """Write down what you saw or did: looked, sprayed, checked, lost, tested, weaned ..."""
    acts, site = acts_on(journal_given)
    made = acts.enter(
        number, kind, pairs(values), at_s=when(at, site), note=note, corrects=corrects
    )
    if as_json:
        give_json(made._asdict())
    else:
        click.echo(f"entry {made.number} for batch {number}: {kind}")


@batch.command()
@number_argument
@click.option("--rooted", required=True, type=int, help="Cuttings with roots.")
@click.option("--callused", default=0, type=int, help="Cuttings with callus only.")
@click.option(
    "--lost",
    "lost",
    multiple=True,
    metavar="CAUSE=N",
    help=f"Lost and not entered before, by cause: {', '.join(LOST_CAUSES)}.",
)
@click.option("--lesson", default="", help="What you would change next time, in one line.")
@at_option
@journal_option
@expected_errors
def close(
    number: int,
    rooted: int,
    callused: int,
    lost: tuple[str, ...],
    lesson: str,
    at: datetime | None,
    journal_given: str | None,
) -> None:
    """Close a batch with its outcome."""
    acts, site = acts_on(journal_given)
    by_cause = {}
    for cause, text in pairs(lost).items():
        if not text.isdecimal():
            raise Refused(f"lost {cause}={text!r}; write a whole number")
        by_cause[cause] = int(text)
    done, unaccounted = acts.close(
        number,
        rooted=rooted,
        callused=callused,
        lost=by_cause,
        lesson=lesson,
        at_s=when(at, site),
    )
    click.echo(
        f"batch {number} closed: {rooted} of {done.cuttings} rooted ({rooted / done.cuttings:.0%})"
        + (f"; {unaccounted} not accounted for" if unaccounted else "")
    )


@batch.command("list")
@click.option("--all", "every", is_flag=True, help="Closed batches too.")
@journal_option
@json_option
@expected_errors
def list_batches(every: bool, journal_given: str | None, as_json: bool) -> None:
    """Batches on the benches now."""
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        found = reader.batches(only_open=not every)
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
        say(out, "no batch yet; `warmfoot batch stick`")


def _state(one: Batch) -> str:
    if one.merged_into:
        return f"in batch {one.merged_into}"
    return one.phase if one.closed_s is None else "closed"


@batch.command()
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
