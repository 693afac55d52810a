"""Warmfoot as a service of the system: the steps to be done, as data. Does none of them."""

import shlex
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import PurePosixPath as Place

from controller.service_unit import BENCH_FILE, ETC, STATE, UNIT, USER, Found, Wanted, unit_text


@dataclass(frozen=True)
class Command:
    """A command of the system."""

    words: str
    command: tuple[str, ...]


@dataclass(frozen=True)
class Folder:
    words: str
    path: Place
    mode: int
    owner: str = "root"


@dataclass(frozen=True)
class Write:
    """A file written whole.

    kept: name under which the one before is kept.  source: the file that it is a copy of.
    """

    words: str
    path: Place
    text: str = field(repr=False)
    kept: Place | None = None
    source: str | None = None


@dataclass(frozen=True)
class TakeJournal:
    """A checked copy of a journal, for the service."""

    words: str
    source: Place
    path: Place


@dataclass(frozen=True)
class Remove:
    words: str
    path: Place


Step = Command | Folder | Write | TakeJournal | Remove


def as_command(step: Step) -> str:
    """What a person would type to do the same."""
    match step:
        case Command(command=words):
            return " ".join(words)
        case Folder(path=path, mode=mode, owner=owner):
            return f"install -d -m {mode:04o} -o {owner} -g {owner} {path}"
        case Write(path=path, kept=kept, source=source):
            made = f"install -m 0644 {shlex.quote(source)} {path}" if source else f"write {path}"
            return f"cp -p {path} {kept}; {made}" if kept else made
        case TakeJournal(source=source, path=path):
            old, new = (shlex.quote(str(one)) for one in (source, path))
            copied = f"warmfoot backup --journal {old} {new}"
            return f"{copied}; chown {USER}: {new}; chmod 0660 {new}"
        case Remove(path=path):
            return f"rm {path}"


def steps_to_install(found: Found, wanted: Wanted) -> list[Step]:
    """What is left to be done, in order; [] when all is as it is to be."""
    unit = unit_text(wanted, found)
    steps = [*_user(found, wanted), *_files(found, wanted)]
    if found.unit != unit:
        kept = None if found.unit is None else UNIT.with_name(f"{UNIT.name}.before-{wanted.stamp}")
        steps.append(Write("write the unit of the service", UNIT, unit, kept))
    if wanted.image:
        return steps
    if found.unit != unit:
        steps.append(Command("let systemd read it", ("systemctl", "daemon-reload")))
    if not found.enabled:
        steps.append(
            Command("start it with the machine from now on", ("systemctl", "enable", USER))
        )
    if not found.active:
        steps.append(Command("start it now", ("systemctl", "start", USER)))
    elif found.unit != unit or wanted.moved:
        steps.append(Command("start it anew", ("systemctl", "restart", USER)))
    elif found.bench != wanted.bench_text:
        steps.append(Command("let it read the new bench file", ("systemctl", "reload", USER)))
    return steps


def steps_to_remove(found: Found, *, image: bool) -> list[Step]:
    """The same for taking it away. Journal, bench file, secrets and user stay."""
    steps: list[Step] = []
    if not image and (found.enabled or found.active):
        words = "stop it, and start it no more with the machine"
        steps.append(Command(words, ("systemctl", "disable", "--now", USER)))
    if found.unit is not None:
        steps.append(Remove("take the unit away", UNIT))
        if not image:
            steps.append(Command("let systemd forget it", ("systemctl", "daemon-reload")))
    return steps


def _user(found: Found, wanted: Wanted) -> Iterator[Step]:
    if not found.user and not wanted.image:
        yield Command(
            f"make the user {USER}, who can't log in, and the group of the same name",
            ("useradd", "--system", "--user-group", "--no-create-home", "--home-dir", str(STATE),
             "--shell", "/usr/sbin/nologin", USER),
        )  # fmt: skip
    if not found.state_folder:
        owner = "root" if wanted.image else USER
        yield Folder("make the folder for the journal", STATE, 0o2770, owner)


def _files(found: Found, wanted: Wanted) -> Iterator[Step]:
    if found.bench != wanted.bench_text:
        kept = BENCH_FILE.with_name(f"{BENCH_FILE.name}.before-{wanted.stamp}")
        if found.bench is None:
            yield Folder("make the folder for the bench file", ETC, 0o755)
        words = "put the bench file in its place"
        held = None if found.bench is None else kept
        yield Write(words, BENCH_FILE, wanted.bench_text, held, wanted.bench_source)
    if wanted.journal is not None and not found.journal:
        words = "take a checked copy of your journal along"
        yield TakeJournal(words, wanted.journal, wanted.journal_at)
