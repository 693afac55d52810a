"""batch: stick, enter, close. Lists are in `shown`, the rest of a batch's life in `tending`."""

from collections.abc import Mapping, Sequence
from datetime import datetime

import click

from config.model import Site
from config.recipes import recipe_for
from config.shares import percent
from controller.cli.asked import (
    answer_options,
    as_options,
    ask_option,
    given_answers,
    season_word,
    walk,
)
from controller.cli.common import (
    Moment,
    Refused,
    acts_on,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    reader_for,
    when,
)
from controller.entries import LOST_CAUSES
from controller.journal.errors import BatchError
from controller.mixes import mix_hint
from controller.records import EntryKind

number_argument = click.argument("number", type=int)
at_option = click.option("--at", type=Moment(), help="When it happened, local; by default now.")
note_option = click.option("--note", default="", help="In your own words.")

BY_COMMAND = (EntryKind.MOVED, EntryKind.MERGED, EntryKind.CLOSED)
ENTRY_KINDS = [kind.value for kind in EntryKind if kind not in BY_COMMAND]


@click.group()
def batch() -> None:
    """Batches of cuttings: stick one, enter what you saw, close it with its outcome."""


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
        f"batch {number} closed: {rooted} of {done.cuttings} rooted "
        f"({percent(rooted / done.cuttings)})"
        + (f"; {unaccounted} not accounted for" if unaccounted else "")
    )
