"""token: who may see the page over the network."""

from pathlib import Path

import click

from config.load import load_with_text
from controller.cli.common import Refused, expected_errors, give_json, json_option
from controller.cli.running import bench_file
from controller.page.tokens import ROLES, TokenError, Tokens
from controller.places import journal_path, tokens_path


@click.group()
def token() -> None:
    """Tokens for the page: on any address but the machine's own it lets nobody in without one."""


def _tokens(bench_file: Path) -> Tokens:
    site, _ = load_with_text(bench_file)
    return Tokens(tokens_path(journal_path(site)))


@token.command()
@click.argument("name")
@bench_file
@click.option(
    "--role", type=click.Choice(ROLES), default="operate", show_default=True,
    help="read: look only; operate: act too.",
)  # fmt: skip
@expected_errors
def new(name: str, bench_file: Path, role: str) -> None:
    """Make a token for NAME, who is recorded with every act; an older one of NAME ends."""
    tokens = _tokens(bench_file)
    try:
        before = any(one.name == name for one in tokens.holders())
        made = tokens.make(name, role)
    except TokenError as error:
        raise Refused(str(error)) from error
    click.echo(made)
    if before:
        click.echo(f"{name}'s older token is worthless from now on.", err=True)
    click.echo(
        f"This is {name}'s token ({role}). It is shown once and kept only as a hash: put it into a "
        f"password manager now.\nThe hash is in {tokens.path}; the Warmfoot that serves the page "
        "must be able to read it.",
        err=True,
    )


@token.command("list")
@bench_file
@json_option
@expected_errors
def listed(bench_file: Path, as_json: bool) -> None:
    """Who has a token, and for what."""
    try:
        found = _tokens(bench_file).holders()
    except TokenError as error:
        raise Refused(str(error)) from error
    if as_json:
        give_json([one._asdict() for one in found])
        return
    for one in found:
        click.echo(f"{one.name}: {one.role}")
    if not found:
        click.echo("nobody has a token")


@token.command()
@click.argument("name")
@bench_file
@expected_errors
def drop(name: str, bench_file: Path) -> None:
    """End NAME's token at once."""
    try:
        _tokens(bench_file).drop(name)
    except TokenError as error:
        raise Refused(str(error)) from error
    click.echo(f"{name}'s token is worthless from now on")
