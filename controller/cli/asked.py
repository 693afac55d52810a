"""The questions before sticking at a terminal: as options, walked through, and shown again."""

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import click

from config.checklist import (
    BY_KEY,
    QUESTIONS,
    AnswerError,
    Question,
    questions_for,
    read_answer,
)
from config.model import Site
from config.recipes import Recipe, recipes, thaw
from config.seasons import local_months, months_in_words, months_outside
from controller.batch_acts import BatchActs
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
    when,
    who,
)
from controller.entries import effective, evidence
from controller.faces import Rows, console, say
from controller.records import Batch, Entry, EntryKind

Command = Callable[..., Any]

ask_option = click.option(
    "--ask", is_flag=True, help="Be asked one by one what no option says; Enter leaves it open."
)


class Answer(click.ParamType[Any]):
    """The answer to one question, as it is kept."""

    name = "answer"

    def __init__(self, question: Question) -> None:
        self.question = question

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return read_answer(self.question, str(value))
        except AnswerError as error:
            self.fail(str(error), param, ctx)


def answer_options(command: Command) -> Command:
    """An option for every question, by its key with hyphens; None where it was not given."""
    for question in reversed(QUESTIONS):
        shown = "yes|no|unknown" if question.kind == "yes_no" else (question.unit or "number")
        command = click.option(
            f"--{question.key.replace('_', '-')}",
            question.key,
            type=Answer(question),
            metavar=shown.upper(),
            help=question.ask,
        )(command)
    return command


def given_answers(answers: Mapping[str, str | None], beside: Iterable[str] = ()) -> dict[str, str]:
    """The options that were given. Raises Refused for one that is also among `beside`."""
    found = {key: value for key, value in answers.items() if value is not None}
    twice = sorted(found.keys() & set(beside))
    if twice:
        raise Refused(f"{', '.join(twice)} is given twice; give it once")
    return found


def walk(
    kind: str, wood: str, known: Mapping[str, str], hints: Mapping[str, str]
) -> dict[str, str]:
    """Ask what is not known yet, on the error stream; open ones are left out.

    wood: the test of the wood, in words.  hints: by key, a word beside a question.
    An answer that cannot be read is asked for again; end of input leaves the rest open.
    Raises Refused for one that cannot be read where nobody sits at a terminal.
    """
    asked = [one for one in questions_for(kind) if one.key not in known]
    click.echo(
        "Before sticking. Enter leaves a question open; Ctrl-C leaves all as it was.", err=True
    )
    found: dict[str, str] = {}
    for question in asked:
        if question.key == "wood_ready" and wood:
            click.echo(f"  The wood: {wood}", err=True)
        said = _ask(question, hints.get(question.key, ""))
        if said is None:
            break
        if said:
            found[question.key] = said
    return found


def _ask(question: Question, hint: str) -> str | None:
    """The answer; "" for an open one, None at the end of input."""
    beside = f" ({hint})" if hint else ""
    choice = " [yes/no]" if question.kind == "yes_no" else ""
    while True:
        click.echo(f"  {question.ask}{beside}{choice} ", nl=False, err=True)
        try:
            text = input()
        except EOFError:
            click.echo(err=True)
            return None
        try:
            return read_answer(question, text)
        except AnswerError as error:
            if not sys.stdin.isatty():
                raise Refused(f"{error}; nothing was changed") from None
            click.echo(f"    {error}", err=True)


def as_options(answers: Mapping[str, str]) -> str:
    """Answers as a person would type them again."""
    return " ".join(f"--{key.replace('_', '-')} {value}" for key, value in answers.items())


def season_word(made: Batch, recipe: Recipe, site: Site) -> str:
    """A word on the date where it is not the usual one and the wood was not tested; else ""."""
    month = datetime.fromtimestamp(made.stuck_s, site.site.zone).month
    if not months_outside(recipe, site.site.latitude_deg, month) or "wood_ready" in made.details:
        return ""
    window = months_in_words(local_months(recipe.window, site.site.latitude_deg))
    return f"usually stuck {window} here; the wood outranks the date: {recipe.wood}"


# -- shown again ------------------------------------------------------------------------------


def checklist_data(batch: Batch, entries: Sequence[Entry]) -> dict[str, Any]:
    """Answers and what is unknown, as plain data. entries: those that stand."""
    known = evidence(batch, entries)
    later = {key for entry in entries if entry.kind == EntryKind.CHECKED for key in entry.values}
    asked = [question.key for question in questions_for(batch.kind)]
    return {
        "answers": {key: known[key] for key in BY_KEY if key in known},
        "unknown": [key for key in asked if key not in known],
        "entered_later": sorted(later & BY_KEY.keys()),
    }


def checklist_lines(batch: Batch, entries: Sequence[Entry]) -> list[str]:
    """What was answered, and what is unknown, in words. entries: those that stand."""
    data = checklist_data(batch, entries)
    lines = []
    for key, value in data["answers"].items():
        question = BY_KEY[key]
        unit = f" {question.unit}" if question.unit else ""
        later = ", entered later" if key in data["entered_later"] else ""
        lines.append(f"{question.words}: {value}{unit}{later}")
    if data["unknown"]:
        words = ", ".join(BY_KEY[key].words for key in data["unknown"])
        lines.append(f"unknown: {words}")
    return lines


@click.command()
@click.argument("number", type=int, required=False)
@ask_option
@answer_options
@click.option("--kind", help="Without a batch: the questions of this kind of cutting only.")
@click.option("--at", type=Moment(), help="When it was seen, local; by default now.")
@click.option("--note", default="", help="In your own words.")
@journal_option
@json_option
@expected_errors
def checklist(
    number: int | None,
    ask: bool,
    kind: str | None,
    at: datetime | None,
    note: str,
    journal_given: str | None,
    as_json: bool,
    **answers: str | None,
) -> None:
    """The questions before sticking; with a batch, its answers, and what you add to them.

    An answer given here is a new entry beside what was recorded at sticking; "unknown" takes one
    back. Nothing has to be answered.
    """
    given = given_answers(answers)
    if number is None:
        if given or ask:
            raise Refused("which batch? Give its number, as on the tray labels")
        _questions(kind, as_json)
        return
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        held = one_of(number, reader.batches())
        standing = effective(reader.entries(number))
    foreign = [key for key in given if key not in {q.key for q in questions_for(held.kind)}]
    if foreign:
        raise Refused(f"{BY_KEY[foreign[0]].words} is not asked of {held.kind} cuttings")
    if ask:
        known = {**evidence(held, standing), **given}
        given |= walk(held.kind, thaw(held.recipe_json).wood, known, {})
    if given:
        BatchActs(path, site, who()).check(number, given, at_s=when(at, site), note=note)
        _, reader = reader_for(journal_given)
        with reader:
            standing = effective(reader.entries(number))
    if as_json:
        give_json({"batch": number, **checklist_data(held, standing)})
        return
    out = console()
    say(out, f"batch {number}: {held.cuttings} {held.plant}, {held.kind}", style="bold")
    for line in checklist_lines(held, standing):
        say(out, f"  {line}")


def _questions(kind: str | None, as_json: bool) -> None:
    """The list itself, to look at or to print."""
    if kind is not None and kind not in recipes():
        there = ", ".join(name for name, one in recipes().items() if one.plant is None)
        raise Refused(f"no kind of cutting {kind!r}; there are {there}")
    asked = QUESTIONS if kind is None else questions_for(recipes()[kind].kind)
    if as_json:
        give_json([{**one._asdict(), "allowed": one.allowed} for one in asked])
        return
    out = console()
    rows = Rows(out, "question", "usually right", "option")
    for one in asked:
        rows.add_row(one.ask, one.wanted, f"--{one.key.replace('_', '-')}")
    rows.show()
    if kind is not None:
        say(out, f"the wood: {recipes()[kind].wood}")
