"""checked: the records of checks and calibrations, to be read and printed."""

from typing import Any
from zoneinfo import ZoneInfo

import click
from rich.console import Console

from controller.cli.common import (
    Refused,
    expected_errors,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
)
from controller.faces import Rows, console, say
from controller.journal.care import Calibrated, Step, WireCheck, calibrations, checks


@click.command()
@click.argument("number", required=False, type=int)
@journal_option
@json_option
@expected_errors
def checked(number: int | None, journal_given: str | None, as_json: bool) -> None:
    """What was checked and calibrated, when and by whom; with NUMBER one check, step by step.

    `warmfoot export checks` and `export calibrations` give the same as CSV.
    """
    path, reader = reader_for(journal_given)
    with reader:
        found, done = checks(reader), calibrations(reader)
        # A bench that was checked and has not been kept yet has no bench file in its journal.
        zone = site_of(reader, path).site.zone if reader.site_text() else ZoneInfo("UTC")
    if number is not None:
        wanted = [check for check in found if check.number == number]
        if not wanted:
            there = ", ".join(str(check.number) for check in found) or "none"
            raise Refused(f"no check {number} in this journal; there are: {there}")
        if as_json:
            give_json(check_data(wanted[0]))
        else:
            _whole(console(), wanted[0], zone)
    elif as_json:
        give_json(
            {
                "checks": [check_data(check) for check in found],
                "calibrations": [calibration_data(one) for one in done],
            }
        )
    else:
        _lists(console(), found, done, zone)


def _whole(out: Console, check: WireCheck, zone: ZoneInfo) -> None:
    ended = "" if check.ending == "done" else f"; {check.ending}"
    span = f"{local(check.began_s, zone)} to {local(check.ended_s, zone)} ({zone.key})"
    say(out, f"Check {check.number} of the wires, by {check.by}", style="bold")
    say(out, f"{span}{ended}; bench file {check.file[:12]}")
    for step in check.steps:
        say(out, f"{local(step.at_s, zone)[11:]}  {step_line(step)}", style=step_style(step))


def _lists(
    out: Console, found: list[WireCheck], done: list[Calibrated], zone: ZoneInfo
) -> None:  # fmt: skip
    if not found and not done:
        say(out, "nothing was checked or calibrated yet; `warmfoot check BENCH.toml --wires`")
    if found:
        rows = Rows(out, "no.", "checked", "by", "good", "fault", "unsure", "skipped", "ended")
        for check in found:
            counts = [
                str(check.count("good")), str(check.count("fault")), str(check.count("unsure")),
                str(check.count("skipped")),
            ]  # fmt: skip
            rows.add_row(
                str(check.number), local(check.began_s, zone), check.by, *counts, check.ending
            )
        rows.show()
    if done:
        rows = Rows(out, "calibrated", "probe", "by", "offset", "gain", "±", "outcome")
        for one in done:
            rows.add_row(
                local(one.at_s, zone), one.probe, one.by, f"{one.offset:+.2f}", f"{one.gain:.4f}",
                f"{one.u:.2f}", one.outcome,
            )  # fmt: skip
        rows.show()


def step_line(step: Step) -> str:
    """A step of a check as a line."""
    return f"{step.verdict:8} {step.step:8} {step.place}: {step.seen}"


def step_style(step: Step) -> str | None:
    return {"fault": "bold red", "unsure": "yellow", "skipped": "dim"}.get(step.verdict)


def check_data(check: WireCheck) -> dict[str, Any]:
    """A check as plain data."""
    return {**check._asdict(), "steps": [step._asdict() for step in check.steps]}


def calibration_data(one: Calibrated) -> dict[str, Any]:
    """A calibration as plain data."""
    return {**one._asdict(), "held": [point._asdict() for point in one.held]}
