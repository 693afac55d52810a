"""What all commands share: where to read, how to answer, how to fail."""

import contextlib
import getpass
import json
import re
import signal
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn, ParamSpec, TypeVar
from zoneinfo import ZoneInfo

import click

from config.load import ConfigError, loads
from config.model import Site
from controller.batch_acts import BatchActs
from controller.faces import console
from controller.journal.errors import BatchError, JournalError
from controller.journal.reader import Reader, open_reader
from controller.places import PlaceError, find_journal
from controller.records import Batch

P = ParamSpec("P")
R = TypeVar("R")

EXIT_BENCH_FILE = 3
EXIT_JOURNAL = 4
EXIT_REFUSED = 5
EXIT_RUNNING = 6
EXIT_NOT_RUNNING = 7
EXIT_ALARM = 8
EXIT_FAULT = 9

journal_option = click.option(
    "--journal",
    "journal_given",
    envvar="WARMFOOT_JOURNAL",
    metavar="PATH",
    help="Journal to use; by default the only one in the state directory.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")


class Refused(ValueError):
    """What was asked can't be done as asked; nothing was changed."""


def give_json(data: object) -> None:
    whole = getattr(sys.stdout, "encoding", "").lower() == "utf-8"
    click.echo(json.dumps(data, indent=2, allow_nan=False, ensure_ascii=not whole))


def fail(text: str, code: int) -> NoReturn:
    click.echo(text, err=True)
    raise SystemExit(code)


def expected_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Turn the errors a grower can put right into a line or two and an exit code."""

    @wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except ConfigError as error:
            fail(str(error), EXIT_BENCH_FILE)
        except (Refused, BatchError) as error:
            fail(str(error), EXIT_REFUSED)
        except (JournalError, PlaceError) as error:
            fail(str(error), EXIT_JOURNAL)
        except click.Abort:  # Ctrl-C or the end of input where something was asked
            fail("stopped before it was answered", EXIT_REFUSED)

    return guarded


def reader_for(given: str | None) -> tuple[Path, Reader]:
    """The journal to read, opened read-only."""
    path = find_journal(given)
    return path, open_reader(path)


def site_of(reader: Reader, path: Path) -> Site:
    """The bench file in force when the journal was last written."""
    text = reader.site_text()
    if not text:
        raise JournalError(f"{path}: this journal holds no bench file yet; start `warmfoot run`")
    return loads(text, f"bench file kept in {path.name}")


def one_of(number: int, batches: list[Batch]) -> Batch:
    """The batch of that number. Raises Refused, naming what there is."""
    for batch in batches:
        if batch.number == number:
            return batch
    there = ", ".join(f"{b.number} {b.plant}" for b in batches[-12:]) or "none"
    raise Refused(f"no batch {number} in this journal; there are: {there}")


def time_of(reader: Reader) -> float:
    """Up to when to look: now, or the end of the records where those lie ahead of now."""
    last_s = reader.last_minute_s()
    return time.time() if last_s is None else max(time.time(), last_s + 60.0)


def acts_on(journal_given: str | None) -> tuple[BatchActs, Site]:
    """What may be done with the batches of a journal, and its site."""
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
    return BatchActs(path, site, who()), site


def written_whole(to: Path, data: bytes) -> None:
    """Write a file whole or not at all; one that is there is written anew. Raises Refused."""
    part = to.with_name(to.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(to)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise unwritable(to, error) from error


WIDEST = 78
"""Columns beyond which a sentence is hard to read."""


def say_broken(text: str, *, indent: str = "", hanging: str = "", err: bool = False) -> None:
    """A sentence, broken between words to what the terminal shows.

    indent: before every line.  hanging: before every line but the first, besides.
    """
    width = min(console(stderr=err).width, WIDEST)
    lines = textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent + hanging)
    click.echo("\n".join(lines), err=err)


def unwritable(to: Path, error: OSError) -> Refused:
    return Refused(f"{to}: can't be written ({error.strerror}); give another name")


def who() -> str:
    """Name of the person at the keyboard, for the records."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "someone"


_SPAN = re.compile(r"^(\d+(?:\.\d+)?)\s*(s|sec|m|min|h|hours?|d|days?)$")
_SPAN_S = {"s": 1, "m": 60, "h": 3600, "d": 86400}


class Span(click.ParamType[Any]):
    """A stretch of time such as 90s, 30min, 2h, 1d; gives seconds."""

    name = "span"

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,  # noqa: ARG002  (as click calls it)
        ctx: click.Context | None,  # noqa: ARG002
    ) -> float:
        if isinstance(value, int | float):
            return float(value)
        found = _SPAN.match(str(value).strip().lower())
        if not found:
            self.fail(f"{value!r} is not a stretch of time; write e.g. 90s, 30min, 2h or 1d")
        return float(found[1]) * _SPAN_S[found[2][0]]


class Moment(click.ParamType[Any]):
    """A local date, or date and time, as ISO 8601; gives a naive datetime."""

    name = "date"

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,  # noqa: ARG002  (as click calls it)
        ctx: click.Context | None,  # noqa: ARG002
    ) -> datetime:
        if isinstance(value, datetime):
            return value
        try:
            return datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is not a date; write e.g. 2026-03-02 or 2026-03-02T14:30")


def utc_s(moment: datetime | None, zone: ZoneInfo, now_s: float) -> float:
    """UTC seconds of a local moment; now when None."""
    if moment is None:
        return now_s
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp()


def when(moment: datetime | None, site: Site) -> float | None:
    """UTC s of a moment as typed; None for now."""
    return None if moment is None else utc_s(moment, site.site.zone, 0.0)


def local(at_s: float, zone: ZoneInfo, *, seconds: bool = False) -> str:
    """A UTC second as local time, the way it is written everywhere in the answers."""
    form = "%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M"
    return datetime.fromtimestamp(at_s, zone).strftime(form)


@contextlib.contextmanager
def orderly_end() -> Iterator[None]:
    """A closed terminal or a `kill` ends it as Ctrl-C does."""

    def stop(number: int, _frame: object) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
