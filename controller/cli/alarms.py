"""alarms: list, explain, acknowledge, shelve, reset, and try the routes."""

import click

from controller.alarm_figures import SOURCE, figures, load_of
from controller.cli.common import (
    EXIT_NOT_RUNNING,
    Refused,
    Span,
    expected_errors,
    fail,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
    time_of,
    who,
)
from controller.cli.hands import deliver
from controller.cli.running import live_picture
from controller.decide.alarm_table import table as alarm_table
from controller.faces import Rows, alarms_text, console, say
from controller.records import Act, ActKind

alarm_argument = click.argument("alarm")
place_argument = click.argument("place")
note_option = click.option("--note", default="", help="Kept with the record.")


@click.group(invoke_without_command=True)
@click.pass_context
@journal_option
@json_option
def alarms(ctx: click.Context, journal_given: str | None, as_json: bool) -> None:
    """Alarms: what stands now, what each one means, and what you did about it."""
    if ctx.invoked_subcommand is None:
        ctx.invoke(standing, journal_given=journal_given, as_json=as_json)


@alarms.command("list")
@journal_option
@json_option
@expected_errors
def standing(journal_given: str | None, as_json: bool) -> None:
    """Alarms that stand now, worst first."""
    found, _ = live_picture(journal_given)
    if found is None:
        fail(
            "no warmfoot runs, so no alarm is watched; `warmfoot alarms history`", EXIT_NOT_RUNNING
        )
    if as_json:
        give_json(found["alarms"])
    elif found["alarms"]:
        alarms_text(console(), found["alarms"])
    else:
        click.echo("no alarm stands")


@alarms.command()
@click.option("--last", default=30, show_default=True)
@journal_option
@json_option
@expected_errors
def history(last: int, journal_given: str | None, as_json: bool) -> None:
    """What alarms came and went, newest last."""
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        rows = reader.alarms(last=last)
    if as_json:
        give_json([{"at_s": row.at_s, **row.change._asdict()} for row in rows])
        return
    out = console()
    for row in rows:
        change = row.change
        by = f" by {change.by}" if change.by else ""
        say(
            out,
            f"{local(row.at_s, zone)}  {change.priority} {change.alarm} at {change.place}: "
            f"{change.was} -> {change.state}{by}. {change.text}",
        )
    if not rows:
        say(out, "no alarm has been recorded")


@alarms.command()
@journal_option
@json_option
@expected_errors
def served(journal_given: str | None, as_json: bool) -> None:
    """How well the alarms of the last 30 days served, beside what a grower can live with."""
    path, reader = reader_for(journal_given)
    with reader:
        zone = site_of(reader, path).site.zone
        found = load_of(reader, time_of(reader), zone)
    made = figures(found)
    if as_json:
        give_json({"days": found.days, "raised": found.raised,
                   "figures": [one._asdict() for one in made]})  # fmt: skip
        return
    out = console()
    if not found.raised:
        say(out, f"no alarm was raised in {found.days:.1f} days")
        return
    shown = Rows(out, f"in {found.days:.0f} days", "came to", "wanted", "what to do")
    for one in made:
        shown.add_row(one.name, one.value, one.wanted, "" if one.verdict == "fine" else one.advice)
    shown.show()
    say(out, SOURCE)


@alarms.command("table")
@json_option
def show_table(as_json: bool) -> None:
    """Every alarm there is: limit, what it costs the cuttings, and what to do."""
    rows = alarm_table()
    if as_json:
        give_json([row.as_dict() for row in rows])
        return
    out = console()
    shown = Rows(out, "alarm", "limit", "what it costs", "what to do", "priority")
    for row in rows:
        shown.add_row(row.name, row.limit, row.consequence, row.action, str(row.priority))
    shown.show()


@alarms.command()
@alarm_argument
@place_argument
@note_option
@journal_option
@expected_errors
def ack(alarm: str, place: str, note: str, journal_given: str | None) -> None:
    """Say that you have seen an alarm. Changes no relay."""
    deliver(journal_given, Act(ActKind.ACKNOWLEDGE, place, who(), alarm=alarm, note=note))


@alarms.command()
@alarm_argument
@place_argument
@click.option("--for", "span_s", type=Span(), required=True, help="e.g. 30min, 8h, 3d")
@click.option("--note", required=True, help="Why it is set aside.")
@journal_option
@expected_errors
def shelve(alarm: str, place: str, span_s: float, note: str, journal_given: str | None) -> None:
    """Set an alarm aside for a time; it is still watched and recorded."""
    deliver(journal_given, Act(ActKind.SHELVE, place, who(), alarm=alarm, span_s=span_s, note=note))


@alarms.command()
@alarm_argument
@place_argument
@journal_option
@expected_errors
def unshelve(alarm: str, place: str, journal_given: str | None) -> None:
    """Bring a shelved alarm back before its time."""
    deliver(journal_given, Act(ActKind.UNSHELVE, place, who(), alarm=alarm))


@alarms.command()
@alarm_argument
@place_argument
@note_option
@journal_option
@expected_errors
def reset(alarm: str, place: str, note: str, journal_given: str | None) -> None:
    """Let a tripped bay heat again, after you have found and removed the cause."""
    deliver(journal_given, Act(ActKind.RESET, place, who(), alarm=alarm, note=note))


@alarms.command("test")
@click.argument("bench_file", metavar="BENCH.toml", type=click.Path())
@expected_errors
def try_routes(bench_file: str) -> None:
    """Send a test message by every route of a bench file."""
    from pathlib import Path

    from config.load import load_with_text
    from controller.notify import Notifier
    from sensors.clock import SystemClock

    site, _ = load_with_text(Path(bench_file))
    if not site.alerts.routes:
        raise Refused("this bench file has no route; add [alerts.routes.NAME] with url_env")
    notifier = Notifier(site, SystemClock())
    failed = 0
    for name in site.alerts.routes:
        problem = notifier.send_test(name)
        click.echo(f"{name}: {problem or 'sent'}")
        failed += bool(problem)
    if failed:
        raise Refused(f"{failed} of {len(site.alerts.routes)} routes failed")
