"""`warmfoot service`: Warmfoot started with the machine and kept running by systemd."""

import os
import shlex
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from pathlib import PurePosixPath as Place

import click
from filelock import Timeout

import controller
from config.load import ConfigError, load_with_text, loads
from config.model import Site
from controller.cli.common import (
    EXIT_NOT_RUNNING,
    EXIT_REFUSED,
    Refused,
    expected_errors,
    fail,
    give_json,
    json_option,
    say_broken,
)
from controller.cli.service_standing import standing
from controller.decide.alarms import check_changes
from controller.faces import console, say
from controller.installed import Machine, StepFailed
from controller.installing import Step, as_command, steps_to_install, steps_to_remove
from controller.journal.lock import keepers_lock, lock_path
from controller.journal.reader import open_reader
from controller.page import page_address
from controller.places import how_to_end, journal_path
from controller.service_unit import (
    BENCH_FILE,
    PROGRAM,
    SECRETS,
    STATE,
    USER,
    Wanted,
    missing_secrets,
    unreachable,
)

root_option = click.option(
    "--root",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Lay files under this folder, the image of a machine; nothing is started.",
)
dry_option = click.option(
    "--dry-run", is_flag=True, help="Say what would be done, and change nothing."
)


@click.group()
def service() -> None:
    """Warmfoot started with the machine and kept running by systemd."""


@service.command()
@click.argument(
    "bench_file", metavar="[BENCH.toml]", type=click.Path(path_type=Path), required=False
)
@click.option("--take", type=click.Path(path_type=Path), help="A journal to take along, as a copy.")
@click.option("--new-journal", is_flag=True, help="Begin a new journal, without your batches.")
@click.option("--program", help="Path of the warmfoot command, if it is not this one.")
@root_option
@dry_option
@expected_errors
def install(
    bench_file: Path | None,
    take: Path | None,
    new_journal: bool,
    program: str | None,
    root: Path | None,
    dry_run: bool,
) -> None:
    """Install the service, or bring it up to date. What is as it should be is left alone.

    Without BENCH.toml the one that the service has already stays.
    """
    machine = _machine(root)
    path = bench_file or machine.at(BENCH_FILE)
    if bench_file is None and not path.is_file():
        raise Refused("which bench file? warmfoot service install BENCH.toml")
    site, text = load_with_text(path)
    check_changes(site)
    lasting = Place(journal_path(site, Path(STATE)))
    found = machine.found(lasting)
    wanted = Wanted(
        site=site,
        bench_text=text,
        bench_source=str(path),
        program=program or (PROGRAM if machine.image else _own_program()),
        stamp=f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}",
        journal_at=lasting,
        journal=None if take is None else Place(take.absolute()),
        moved=_kept_so_far(found.bench) not in (None, lasting),
        image=machine.image,
    )
    parts = [] if machine.image or program else _program_parts(wanted.program)
    if not machine.image and not machine.at(Place("/") / wanted.program).is_file():
        raise Refused(f"{wanted.program}: no such program; give its whole path with --program")
    for trouble in unreachable(wanted, parts):
        raise Refused(trouble)
    if wanted.moved and not new_journal:
        raise Refused(
            f"the service keeps {_kept_so_far(found.bench)}, and with this site's name or "
            f"journal.path it would begin another, {lasting}, without your batches. Keep the name, "
            'or write that path into [journal] as path = "...", or begin anew with --new-journal'
        )
    _check_journals(site, take, new_journal, taken_already=found.journal, image=machine.image)
    _may_change(machine, dry_run)
    _carry_out(machine, steps_to_install(found, wanted), dry_run)
    for name in missing_secrets(found, wanted):
        say_broken(
            f"note: the bench file names the secret {name}; put it into {SECRETS / name}, readable "
            "by root only (chmod 600), then install again"
        )
    _tell_next(machine, site, dry_run)


@service.command()
@root_option
@dry_option
@expected_errors
def remove(root: Path | None, dry_run: bool) -> None:
    """Take the service away. The journal, the bench file and the user stay."""
    machine = _machine(root)
    _may_change(machine, dry_run)
    found = machine.found()
    _carry_out(machine, steps_to_remove(found, image=machine.image), dry_run)
    say_broken(f"The records stay in {STATE}, the bench file in {BENCH_FILE.parent}.")
    if found.active and not dry_run:
        say_broken("Relays have let go, and nothing keeps the bench now.")


@service.command()
@root_option
@json_option
@expected_errors
def status(root: Path | None, as_json: bool) -> None:
    """How the service stands. Exit code 7 when it does not run."""
    machine = _machine(root)
    told = standing(machine)
    if as_json:
        give_json(told)
    else:
        out = console()
        width = max(map(len, told))
        for name, value in told.items():
            say(out, f"{name.replace('_', ' '):{width}}  {_words(value)}")
        if told["unit"] is None:
            say_broken("Not installed. To install it: sudo warmfoot service install BENCH.toml")
    if not told["running"]:
        raise SystemExit(EXIT_NOT_RUNNING)


# -- doing ------------------------------------------------------------------------------------


def _machine(root: Path | None) -> Machine:
    return Machine() if root is None else Machine(root, image=True)


def _may_change(machine: Machine, dry_run: bool) -> None:
    """Refuse, with what to type, where the system can't be changed; in a dry run only say it."""
    if machine.image:
        return
    if not machine.booted:
        trouble = (
            "systemd does not run this machine; let what starts programs here run "
            "`warmfoot run BENCH.toml` and start it again when it ends"
        )
    elif os.geteuid() != 0:
        trouble = f"only root may change the system; type: sudo {shlex.join(sys.argv)}"
    else:
        return
    if not dry_run:
        raise Refused(f"{trouble}. Nothing was changed; --dry-run says what would be done")
    say_broken(f"note: {trouble}")


def _carry_out(machine: Machine, steps: Sequence[Step], dry_run: bool) -> None:
    """Do the steps one by one, each said before it is done."""
    if not steps:
        click.echo("Nothing to do: all is as it should be.")
        return
    if dry_run:
        click.echo("Nothing is changed. This would be done:")
    for number, step in enumerate(steps, 1):
        say_broken(f"{number}. {step.words}", hanging="   ")
        click.echo(f"     {as_command(step)}")
        if dry_run:
            continue
        try:
            machine.do(step)
        except StepFailed as error:
            fail(
                f"step {number} failed: {error}\nWhat was done before it stands. Put this right, "
                "then type the same again: it goes on from here. What the service says: "
                f"journalctl -u {USER} -n 30",
                EXIT_REFUSED,
            )


def _tell_next(machine: Machine, site: Site, dry_run: bool) -> None:
    if dry_run:
        return
    if machine.image:
        say_broken(
            "On the machine itself, before its first start: warmfoot service install, which makes "
            "the user and starts it."
        )
        return
    if site.page.serve:
        click.echo(f"The page is at {page_address(site.page)}")
    click.echo(
        "next:\n"
        "  warmfoot service status            # how it stands\n"
        f"  sudo usermod -aG {USER} NAME      # let NAME use the warmfoot commands here\n"
        f"  sudo systemctl restart {USER}     # after an update of the program\n"
        "It is not a safety device: each mat needs an independent thermal cut-out and an RCD, and "
        "a licensed electrician for the mains."
    )


def _own_program() -> str:
    """Path of the `warmfoot` command that belongs to this Python."""
    return str(Path(sys.executable).parent / "warmfoot")


def _program_parts(program: str) -> list[Place]:
    """All that the service must be able to see of the program."""
    paths = (program, sys.executable, sys.prefix, sys.base_prefix, controller.__path__[0])
    return [Place(one) for path in paths for one in (path, os.path.realpath(path))]


def _check_journals(
    site: Site, take: Path | None, new_journal: bool, *, taken_already: bool, image: bool
) -> None:
    """See to it that no batch is left behind unasked. Raises Refused, JournalError."""
    if image and take is None:
        return
    mine = take or journal_path(site, _own_state())
    if take is not None:
        with open_reader(take, older=True):
            pass
        if taken_already:
            raise Refused(
                f"the service has a journal already, so {take} can't take its place; leave --take "
                "out, or move the service's away first and keep it"
            )
    if not mine.is_file():
        return
    _check_free(mine)
    if take is None and not taken_already and not new_journal:
        raise Refused(
            f"{mine} holds your records and batches so far. Without them the service takes the "
            f"bench for empty and lets it rest. Type --take {shlex.quote(str(mine))} to take a "
            "copy along, or --new-journal to begin anew"
        )


def _kept_so_far(bench_text: str | None) -> Place | None:
    """The journal of the bench file that the service has; None where that tells of none."""
    if bench_text is None:
        return None
    try:
        return Place(journal_path(loads(bench_text, BENCH_FILE.name), Path(STATE)))
    except ConfigError:
        return None


def _own_state() -> Path:
    """State directory of the person behind sudo, or of this user."""
    person = os.environ.get("SUDO_USER")
    home = Path(f"~{person}").expanduser() if person else Path.home()
    return home / ".local" / "state" / "warmfoot"


def _check_free(journal: Path) -> None:
    if not lock_path(journal).exists():
        return
    try:
        with keepers_lock(journal).acquire(timeout=0):
            pass
    except Timeout:
        raise Refused(
            f"a warmfoot still keeps {journal}; end it first ({how_to_end(journal)})"
        ) from None


def _words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)
