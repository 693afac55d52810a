"""hold, release, burst: what a grower's hand asks of a running bench.

The daemon takes these from the journal and has the last word: guards stay in force.
"""

import time

import click

from config import bounds
from config.model import Site
from config.near import near
from controller.cli.common import (
    Refused,
    Span,
    expected_errors,
    journal_option,
    reader_for,
    site_of,
)
from controller.cli.common import who as whoever
from controller.journal.acts import ask_and_wait
from controller.records import Act, ActKind

WAIT_S = 15.0
"""How long to wait for the daemon's answer."""


def deliver(journal_given: str | None, act: Act) -> None:
    """Put an act into the journal, wait for the daemon's answer and say it."""
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        _check_place(site, act.place)
    answer = ask_and_wait(path, act, at_s=time.time(), wait_s=WAIT_S)
    if answer is None:
        click.echo(
            "written down; no running warmfoot has taken it up yet (is one running? "
            "`warmfoot status`)"
        )
    elif answer.done:
        click.echo(answer.text)
    else:
        raise Refused(answer.text)


def _check_place(site: Site, place: str) -> None:
    places = list(site.benches)
    for name, bench in site.benches.items():
        places += [f"{name}.{bay}" for bay in bench.bays]
    head = ".".join(place.split(".")[:2])
    if head not in places and place.split(".")[0] not in site.benches:
        raise Refused(f"no bench or bay {place!r} here{near(place, places)}")


@click.command()
@click.argument("what", type=click.Choice(["heat", "mist"]))
@click.argument("place")
@click.option("--on", "on", is_flag=True, help="Hold on; without it, hold off.")
@click.option("--for", "span_s", type=Span(), default="30min", show_default=True)
@click.option("--note", default="", help="Why; kept with the record.")
@journal_option
@expected_errors
def hold(
    what: str, place: str, on: bool, span_s: float, note: str, journal_given: str | None
) -> None:
    """Hold heat (of a bay, north.left) or mist (of a bench, north) off or on, for a time.

    Every hold ends by itself, after 12 h at the latest; the guards keep the last word.
    """
    if not 60 <= span_s <= bounds.HOLD_LONGEST_S:
        raise Refused(f"a hold of {span_s:.0f} s; between 1 min and 12 h is possible")
    kind = ActKind.HOLD_HEAT if what == "heat" else ActKind.HOLD_MIST
    deliver(
        journal_given,
        Act(kind, place, whoever(), span_s=span_s, value="on" if on else "off", note=note),
    )


@click.command()
@click.argument("place")
@journal_option
@expected_errors
def release(place: str, journal_given: str | None) -> None:
    """End a hold: the bay (north.left) or the mister's bench (north) goes back to the rules."""
    deliver(journal_given, Act(ActKind.RELEASE, place, whoever()))


@click.command()
@click.argument("bench")
@click.option("--for", "span_s", type=Span(), default="5s", show_default=True)
@journal_option
@expected_errors
def burst(bench: str, span_s: float, journal_given: str | None) -> None:
    """One burst of mist now, within the mister's budget. Stand clear after idle days."""
    deliver(journal_given, Act(ActKind.BURST, bench, whoever(), span_s=span_s))
