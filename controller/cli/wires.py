"""check: a bench file read, and its wires tried with a person beside them."""

import contextlib
import logging
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import click
from filelock import Timeout

from config.load import hash_of, load_with_text
from config.model import Site
from config.near import near
from controller.cli.checked import check_data, step_line, step_style
from controller.cli.common import (
    EXIT_FAULT,
    EXIT_REFUSED,
    EXIT_RUNNING,
    Refused,
    Span,
    expected_errors,
    fail,
    give_json,
    json_option,
    orderly_end,
    who,
)
from controller.cli.looking import look
from controller.faces import check_text, console, say
from controller.journal.care import Verdict, WireCheck, keep_check
from controller.journal.lock import keepers_lock, lock_path
from controller.journal.writer import Journal
from controller.places import how_to_end, journal_path
from controller.wiring import steps
from controller.wiring.found import PORT_S, elsewhere
from controller.wiring.hands import Hands
from controller.wiring.steps import Book, Saw
from sensors.clock import Clock, SystemClock
from sensors.links import make_link
from sensors.links.base import Link

PARTS: Final = ("relays", "mats", "mist")
VERDICTS: Final[tuple[Verdict, ...]] = ("good", "fault", "unsure", "skipped")
CARE: Final = (
    "Before anything is switched: mains work is done and tested by a licensed electrician; each "
    "mat's cut-out and the RCD have been tried; every mat lies flat under damp compost, nothing "
    "folded or bare; the mister's line is flushed, and nobody breathes its first bursts. This "
    "program is not a safety device. Be able to reach the isolator."
)


def _seen(typed: str) -> str:
    """The answer meant, from its first letter on."""
    given = typed.strip().lower()
    for word in ("yes", "no", "unseen"):
        if given and word.startswith(given):
            return word
    raise click.UsageError(f"{typed!r} is not known here; write yes, no or unseen")


class AtTerminal:
    """A person at a terminal, who is asked before and after each step."""

    def agrees(self, place: str, question: str) -> bool:  # noqa: ARG002  asked in words
        return click.confirm(question, default=False, err=True)

    def saw(self, place: str, question: str) -> Saw:  # noqa: ARG002
        answer = click.prompt(
            f"{question} (yes, no, unseen)", default="unseen", err=True, value_proc=_seen
        )
        return "yes" if answer == "yes" else "no" if answer == "no" else ""

    def tell(self, text: str) -> None:
        click.echo(text, err=True)


class Beforehand(AtTerminal):
    """Answers given on the command line. saw_by: relay id -> "yes" or "no"."""

    def __init__(self, saw_by: dict[str, Saw]) -> None:
        self._saw_by = saw_by

    def agrees(self, place: str, question: str) -> bool:  # noqa: ARG002
        return True

    def saw(self, place: str, question: str) -> Saw:  # noqa: ARG002
        return self._saw_by.get(place, "")


@click.command()
@click.argument(
    "bench_file", metavar="[BENCH.toml]", required=False, type=click.Path(path_type=Path)
)
@click.option("--wires", is_flag=True, help="Then listen to its wires, and try relays and mats.")
@click.option("--find", is_flag=True, help="Look for boards at this machine's serial ports.")
@click.option("--broker", metavar="HOST[:PORT]", help="List what is said on an MQTT broker.")
@click.option("--listen", "listen_s", type=Span(), default=None, help="How long to listen.")
@click.option(
    "--only", multiple=True, type=click.Choice(["heard", *PARTS]), help="Of --wires; repeat it."
)
@click.option("--yes", is_flag=True, help="Switch without asking. Somebody must stand beside it.")
@click.option(
    "--saw", multiple=True, metavar="RELAY=yes|no", help="With --yes: what was seen of a relay."
)
@click.option("--by", default=None, help="Who checks, for the record; by default the user's name.")
@json_option
@expected_errors
def check(
    bench_file: Path | None,
    wires: bool,
    find: bool,
    broker: str | None,
    listen_s: float | None,
    only: tuple[str, ...],
    yes: bool,
    saw: tuple[str, ...],
    by: str | None,
    as_json: bool,
) -> None:
    """Read a bench file and say what it means, or everything that is wrong with it.

    With --wires it then listens to each probe, switches each relay for some seconds, heats each
    mat until its own base probe rises, and gives a burst of mist: one after the other, and only
    what you agree to. Everything is off before, between and after. The outcome goes into the
    journal; `warmfoot checked` shows it. With --find or --broker no bench file is needed.
    """
    if not wires and (only or yes or saw):
        raise click.UsageError("--only, --yes and --saw go with --wires")
    if wires and (find or broker):
        raise click.UsageError(
            "first look with --find or --broker, then try the wires with --wires"
        )
    if find or broker:
        look(find, broker, PORT_S if listen_s is None else listen_s, make_clock(), as_json)
        return
    if bench_file is None:
        raise click.UsageError("name a bench file, or look for boards with --find")
    from controller.decide.alarms import check_changes

    site, text = load_with_text(bench_file)
    check_changes(site)
    if not wires:
        if as_json:
            data = {"file": str(bench_file), "sound": True, "site": site.model_dump(mode="json")}
            give_json(data)
        else:
            check_text(console(), site, bench_file)
        return
    answers = _answers(site, saw)
    if not yes and not sys.stdin.isatty():
        if set(only) & {*PARTS}:
            raise Refused(
                "no terminal to ask at, so nothing is switched; add --yes, and --saw RELAY=yes|no "
                "for what somebody saw"
            )
        only = ("heard",)
        click.echo(
            "No terminal to ask at: listening only. --yes switches without asking.", err=True
        )
    person = Beforehand(answers) if yes else AtTerminal()
    span_s = steps.LISTEN_S if listen_s is None else listen_s
    done = run_check(site, text, person, by or who(), only or ("heard", *PARTS), span_s)
    if as_json:
        give_json(check_data(done))
    if done.ending != "done":
        raise SystemExit(EXIT_REFUSED)
    if done.count("fault"):
        raise SystemExit(EXIT_FAULT)


def _answers(site: Site, saw: tuple[str, ...]) -> dict[str, Saw]:
    relays = [relay for relay, _ in Hands(site, {}, SystemClock()).relays()]
    found: dict[str, Saw] = {}
    for one in saw:
        relay, _, answer = one.partition("=")
        if relay not in relays:
            raise click.BadParameter(
                f"no relay {relay!r} here{near(relay, relays)}; there are {', '.join(relays)}"
            )
        if answer not in ("yes", "no"):
            raise click.BadParameter(f"{one!r}; write {relay}=yes or {relay}=no")
        found[relay] = "yes" if answer == "yes" else "no"
    return found


def make_clock() -> Clock:
    """The machine's clock; tests put their own here."""
    return SystemClock()


def make_links(site: Site, clock: Clock) -> dict[str, Link]:
    return {name: make_link(name, plan, clock, site) for name, plan in site.links.items()}


@contextlib.contextmanager
def bench_alone(site: Site, doing: str) -> Iterator[Journal]:
    """The site's journal, with the keeper's lock held: no daemon runs, and none can start.

    doing: what needs the bench for itself, in words.
    """
    path = journal_path(site)
    with Journal.open(path, site=site) as journal:
        lock = keepers_lock(path)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            fail(
                f"a warmfoot keeps this bench ({path}), and {doing} would fight it for its relays; "
                f"stop it first ({how_to_end(path)}). The bench gets no heat meanwhile",
                EXIT_RUNNING,
            )
        except OSError as error:
            raise Refused(
                f"{lock_path(path)}: can't be locked ({error.strerror}), so another warmfoot at "
                "this bench would not be noticed. Nothing was switched; see who owns that file"
            ) from error
        try:
            yield journal
        finally:
            lock.release()


def run_check(
    site: Site,
    text: str,
    person: steps.Person,
    by: str,
    parts: tuple[str, ...],
    listen_s: float,
) -> WireCheck:
    """The check, kept in the journal however it ends."""
    # What a link has to say stands in the record; the program's own log would say it twice.
    logging.basicConfig(level=logging.CRITICAL)
    out = console(stderr=True)
    clock = make_clock()
    book = Book(clock, lambda step: say(out, step_line(step), style=step_style(step)))
    began_s = clock.now().utc_s
    ending = "done"
    with bench_alone(site, "a check of the wires") as journal:
        try:
            with orderly_end(), Hands(site, make_links(site, clock), clock) as hands:
                person.tell(f"Listening for up to {listen_s:.0f} s; everything is ordered off.")
                steps.listen(hands, book, listen_s)
                book.extend("found", elsewhere(hands, clock, min(listen_s, PORT_S)))
                wanted = set(parts) & {*PARTS}
                links = hands.snapshot().links.values()
                if wanted and not any(link.health.heard for link in links):
                    person.tell("Nothing is heard on any wire, so nothing is switched.")
                    wanted = set()
                if wanted:
                    person.tell(CARE)
                for part, work in zip(PARTS, (steps.relays, steps.mats, steps.mist), strict=True):
                    if part in wanted:
                        work(hands, person, book)
        except (KeyboardInterrupt, click.Abort):
            ending = "stopped by hand"
        except Exception as error:
            ending = f"fault: {type(error).__name__}: {error}"
            raise
        finally:
            done = WireCheck(
                began_s, clock.now().utc_s, by, hash_of(text), ending, tuple(book.steps)
            )
            done = done._replace(number=keep_check(journal, done))
            say(out, _ending(done))
    return done


def _ending(done: WireCheck) -> str:
    counted = [(done.count(verdict), verdict) for verdict in VERDICTS]
    counts = ", ".join(f"{count} {verdict}" for count, verdict in counted if count)
    early = "" if done.ending == "done" else f" ({done.ending})"
    return (
        f"Everything is off{early}. {counts or 'nothing was checked'}; kept as check "
        f"{done.number}: `warmfoot checked {done.number}`"
    )
