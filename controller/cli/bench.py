"""`warmfoot bench`: a bench file from a few questions."""

import shlex
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from config.bench_questions import BY_KEY, QUESTIONS, Around, Question
from config.bench_written import Described, bench_text, secrets_of
from config.beside import free_beside
from config.checklist import AnswerError
from config.load import loads
from config.where import machine_zone
from controller.cli.common import Refused, expected_errors, say_broken, written_whole
from controller.faces import NOT_SAFETY, console, say, typed_program
from sensors.links.ports import Port, serial_ports

Command = Callable[..., Any]
HOW = "Enter takes what stands in [ ]. Ctrl-C ends this and writes nothing."
CAUTION = (
    "Mains electricity beside water kills: a licensed electrician fits what is on the mains, with "
    "a 30 mA residual-current device and, on every mat, an independent thermal cut-out."
)


class _Said(click.ParamType[Any]):
    """The answer to one question, given as an option; kept as text until its turn comes."""

    name = "answer"

    def __init__(self, question: Question) -> None:
        self.question = question

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            self.question.read(str(value))
        except AnswerError as error:
            self.fail(str(error), param, ctx)
        return str(value)


def _answer_options(command: Command) -> Command:
    for question in reversed(QUESTIONS):
        command = click.option(
            question.option,
            question.key,
            type=_Said(question),
            metavar="ANSWER",
            help=question.ask,
        )(command)
    return command


@click.command()
@click.argument(
    "bench_file", metavar="[BENCH.toml]", type=click.Path(path_type=Path), default="bench.toml"
)
@click.option("--yes", "take_defaults", is_flag=True, help="Ask nothing; take every default.")
@click.option(
    "--replace", is_flag=True, help="Write over a file of that name; it is kept beside it."
)
@_answer_options
@expected_errors
def bench(bench_file: Path, take_defaults: bool, replace: bool, **given: str | None) -> None:
    """Write a bench file from a few questions about what you have.

    Enter takes what stands in brackets; Ctrl-C ends it and writes nothing. Every question is an
    option too, so it also runs without a terminal.
    """
    said = {key: text for key, text in given.items() if text is not None}
    try:
        there = _may_write(bench_file, replace, ask=not take_defaults)
        if not take_defaults:
            say_broken(CAUTION, err=True)
            say_broken(HOW, err=True)
        told = Described(**_answers(said, take_defaults))
    except KeyboardInterrupt:
        click.echo(err=True)
        raise Refused("ended by Ctrl-C; nothing was written") from None
    text = bench_text(told, bench_file.name)
    loads(text, bench_file.name, embedded=False)
    kept = _kept_beside(bench_file) if there else None
    written_whole(bench_file, text.encode())
    _tell_next(bench_file, kept, told)


def _may_write(path: Path, replace: bool, *, ask: bool) -> bool:
    """Whether a file is there that is to be kept. Raises Refused where none may be written."""
    if not path.name.isprintable():
        raise Refused(f"{path.name!r} can't be the name of a bench file; write it in plain letters")
    if path.is_dir():
        raise Refused(f"{path} is a directory; give the name of a file in it")
    if not path.parent.is_dir():
        raise Refused(f"{path.parent}: there is no such directory; make it first, or name another")
    if not path.exists():
        return False
    if not replace:
        other = f"{path} is there already"
        if not ask or not sys.stdin.isatty():
            raise Refused(f"{other}; give another name, or --replace (the old one is kept beside)")
        question = Question(
            "replace",
            f"{other}. Keep it under another name and write a new one?",
            BY_KEY["page"].read,
            lambda _answers, _around: "no",
        )
        if not _asked(question, "no"):
            raise Refused(f"{path} is as it was; for another: warmfoot bench OTHER.toml")
    return True


def _answers(said: Mapping[str, str], take_defaults: bool) -> dict[str, Any]:
    """Every answer that is wanted, by key. Raises Refused."""
    ports = serial_ports()
    around = Around(machine_zone(), [port.name for port in ports])
    found: dict[str, Any] = {}
    for question in QUESTIONS:
        if not question.when(found):
            if question.key in said:
                raise Refused(f"{question.option} does not go with the other answers; leave it out")
            continue
        default = question.default(found, around)
        if question.key in said:
            found[question.key] = question.read(said[question.key])
        elif not take_defaults:
            if question.key == "port":
                _show_ports(ports)
            found[question.key] = _asked(question, default)
        elif default is None:
            town = (
                ", or the --timezone of your own town, such as Europe/Dublin"
                if question.key in ("latitude", "longitude")
                else ""
            )
            raise Refused(
                f"{question.ask}: there is nothing to take for it here; give "
                f"{question.option}{town}"
            )
        else:
            found[question.key] = question.read(default)
    return found


def _asked(question: Question, default: str | None) -> Any:
    """The answer. One that can't be read is asked for again at a terminal. Raises Refused."""
    click.echo(err=True)
    say_broken(question.ask, err=True)
    if question.more:
        say_broken(question.more, indent="  ", err=True)
    while True:
        click.echo("  > " if default is None else f"  [{default}] > ", nl=False, err=True)
        line = sys.stdin.readline()
        if not line:
            click.echo(err=True)
            how = f"give {question.option}, or --yes for every default"
            raise Refused(
                f"no answer came to {question.ask!r}; nothing was written"
                + ("" if sys.stdin.isatty() else f". Without a terminal {how}")
            )
        try:
            return question.read(line.strip() or default or "")
        except AnswerError as error:
            if not sys.stdin.isatty():
                click.echo(err=True)
                raise Refused(f"{question.option}: {error}; nothing was written") from None
            say_broken(str(error), indent="  ", err=True)


def _show_ports(ports: Sequence[Port]) -> None:
    if ports:
        listed = "".join(f"\n  {port.name}\n    {port.words}".rstrip() for port in ports)
        click.echo(f"\nPorts of this machine:{listed}", err=True)
    else:
        click.echo(err=True)
        say_broken(
            "No serial port is here now. Put the board's lead in to see its name, or take the "
            "usual one and put it right in the file later.",
            err=True,
        )


def _kept_beside(path: Path) -> Path:
    """A copy of the file as it is, under a name that is free. Raises Refused."""
    kept = free_beside(path, f"before-{datetime.now():%Y%m%dT%H%M%S}")
    try:
        shutil.copy2(path, kept)
    except OSError as error:
        said = f"{path} can't be kept as {kept.name} ({error.strerror}); it is as it was"
        raise Refused(said) from error
    return kept


def _tell_next(path: Path, kept: Path | None, told: Described) -> None:
    out = console()
    say(out, f"{path} is written, and sound.", style="bold")
    if kept is not None:
        say(out, f"The one before is kept as {kept.name}.")
    for name in secrets_of(told):
        say(out, f"{name} goes into the environment, or a credential of the service; not the file.")
    if told.link != "mqtt" and not Path(told.port).exists():
        say(out, f"{told.port} is not there now: plug the board in, or put it right in the file.")
    say(out, "next:")
    named = shlex.quote(str(path))
    say(out, f"  {typed_program()} check {named}   # what it means, and what is still owed")
    say(out, f"  {typed_program()} check --wires {named}   # with a person beside the bench")
    say(out, f"  {typed_program()} run {named}     # keep the bench, until Ctrl-C")
    say(out, NOT_SAFETY)
