"""The one command, `warmfoot`. Expected errors are one or two lines and an exit code.

Exit codes: 0 done; 1 a fault in the program; 2 wrong use of the command; 3 the bench file is not
sound; 4 no journal, or one that can't be used; 5 refused, nothing was changed; 6 another warmfoot
runs; 7 no warmfoot runs; 8 an alarm stands (`status` only); 9 a check or calibration found a fault.
"""

import sys
from importlib.metadata import entry_points
from io import TextIOWrapper
from typing import Any

import click

from controller.cli import (
    alarms,
    asked,
    batches,
    bench,
    calibrate,
    calibrated,
    checked,
    compared,
    hands,
    mix,
    papers,
    past,
    records,
    running,
    season,
    service,
    shown,
    tending,
    tokens,
    tune,
    wires,
)


class Warmfoot(click.Group):
    """The group of commands; commands of other packages join through an entry point group."""

    def main(self, *args: Any, **more: Any) -> Any:
        """Where a terminal knows no ° or ž, a question mark stands for it: no answer fails."""
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="replace")
        return super().main(*args, **more)

    def list_commands(self, ctx: click.Context) -> list[str]:
        joined = [point.name for point in entry_points(group="warmfoot.commands")]
        return sorted({*super().list_commands(ctx), *joined})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        known = super().get_command(ctx, cmd_name)
        if known is not None:
            return known
        for point in entry_points(group="warmfoot.commands", name=cmd_name):
            command: click.Command = point.load()
            return command
        return None


@click.group(cls=Warmfoot, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="warmfoot")
def main() -> None:
    """Climate controller and logger for a rooting bench.

    Warm base, cool moist top. The program is never the safety device: fit an independent
    thermal cut-out and an RCD, and have mains work done by a licensed electrician.
    """


for command in (
    bench.bench,
    wires.check,
    checked.checked,
    calibrate.calibrate,
    running.run,
    running.status,
    running.why,
    batches.batch,
    records.review,
    compared.compare,
    mix.mix,
    season.season,
    records.export,
    past.bring,
    papers.report,
    papers.labels,
    records.backup,
    records.bring_up,
    alarms.alarms,
    hands.hold,
    hands.release,
    hands.burst,
    tokens.token,
    service.service,
    tune.tune,
):
    main.add_command(command)
for command in (
    asked.checklist,
    tending.move,
    tending.split,
    tending.merge,
    tending.wean,
    shown.list_batches,
    shown.show,
):
    batches.batch.add_command(command)
for command in (calibrated.beside, calibrated.list_done):
    calibrate.calibrate.add_command(command)
