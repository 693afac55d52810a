"""batch move, split, merge and wean: trays that change place, batches that change step."""

from datetime import datetime
from zoneinfo import ZoneInfo

import click

from config.recipes import thaw
from controller.cli.batches import at_option, note_option, number_argument, place
from controller.cli.common import (
    Refused,
    acts_on,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    time_of,
    when,
)
from controller.decide.weaning import PHASE_WORDS, proposed
from controller.entries import effective
from controller.journal.reader import Reader
from controller.records import Batch


@click.command()
@number_argument
@click.argument("bay")
@at_option
@note_option
@click.option("--trays", default="")
@journal_option
@expected_errors
def move(
    number: int,
    bay: str,
    at: datetime | None,
    note: str,
    trays: str,
    journal_given: str | None,
) -> None:
    """Record that a batch went to another bay; its warmth follows it."""
    acts, site = acts_on(journal_given)
    bench_name, bay_name = place(site, bay)
    acts.move(number, bench_name, bay_name, trays=trays, at_s=when(at, site), note=note)
    click.echo(f"batch {number} stands in {bench_name}.{bay_name}")


@click.command()
@number_argument
@click.argument("count", type=int)
@click.argument("bay")
@at_option
@note_option
@journal_option
@expected_errors
def split(
    number: int, count: int, bay: str, at: datetime | None, note: str, journal_given: str | None
) -> None:
    """Part COUNT cuttings off into a batch of their own."""
    acts, site = acts_on(journal_given)
    bench_name, bay_name = place(site, bay)
    made = acts.split(number, count, bench_name, bay_name, at_s=when(at, site), note=note)
    click.echo(
        f"batch {made.number}: {count} cuttings of batch {number}, in {bench_name}.{bay_name}"
    )


@click.command()
@number_argument
@click.argument("gone", type=int)
@at_option
@note_option
@journal_option
@expected_errors
def merge(
    number: int, gone: int, at: datetime | None, note: str, journal_given: str | None
) -> None:
    """Let all that is left of batch GONE go on in batch NUMBER, as one lot.

    Only batches of one plant and kind. GONE ends without a result; what NUMBER was given up to now
    counts for all of them. Label the trays anew.
    """
    acts, site = acts_on(journal_given)
    made = acts.merge(number, gone, at_s=when(at, site), note=note)
    click.echo(
        f"batch {number} has {made.cuttings} cuttings now, with those of batch {gone}, in "
        f"{made.bench}.{made.bay}; label their trays {number}"
    )


@click.command()
@number_argument
@click.option(
    "--to", "phase", help="The phase to take it to: stick, callus, root, wean, wean_late."
)
@click.option("--back", is_flag=True, help="One step back, to more mist.")
@at_option
@note_option
@journal_option
@json_option
@expected_errors
def wean(
    number: int,
    phase: str | None,
    back: bool,
    at: datetime | None,
    note: str,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """Take a batch a step on, as `warmfoot status` proposes, or a step back.

    Mist, drying and base follow within a minute. Weaning is led by roots found and by leaves that
    stand without mist; the usual days only remind.
    """
    if phase is not None and back:
        raise Refused("--to and --back say the same thing twice; give one of them")
    acts, site = acts_on(journal_given)
    _, reader = reader_for(journal_given)
    with reader:
        found = [one for one in reader.batches() if one.number == number]
        if found:
            phase = phase or _next(reader, found[0], back, site.site.zone)
    entry = acts.wean(number, phase or "", at_s=when(at, site), note=note)
    if as_json:
        give_json(entry._asdict())
        return
    click.echo(f"batch {number} is in {phase} now: {PHASE_WORDS.get(phase or '', '')}")


def _next(reader: Reader, held: Batch, back: bool, zone: ZoneInfo) -> str:
    """The phase proposed, or the one before. Raises Refused where there is none."""
    recipe = thaw(held.recipe_json)
    names = [one.name for one in recipe.phases]
    place_now = names.index(held.phase) if held.phase in names else 0
    if back:
        if place_now == 0:
            raise Refused(f"batch {held.number} is in its first phase; there is no step back")
        return names[place_now - 1]
    step = proposed(held, recipe, effective(reader.entries(held.number)), time_of(reader))
    if step is None or not step.phase:
        raise Refused(
            f"batch {held.number} is in {held.phase}, and nothing entered leads on from there yet; "
            f"test it, or name the step: --to {' | '.join(names)}"
        )
    if step.kind == "wait":
        raise Refused(
            f"{step.why}, but each step wants its time: {step.phase} is proposed from "
            f"{local(step.since_s, zone)} on; to take it now: --to {step.phase}"
        )
    if step.kind == "wilt_test":
        raise Refused(
            f"{step.why}. Then enter it (warmfoot batch enter {held.number} looked wilted=no), or "
            f"take the step all the same: --to {step.phase}"
        )
    return step.phase
