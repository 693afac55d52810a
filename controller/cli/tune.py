"""tune: heat settings found from how a bay answers to its mat."""

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from math import isnan, nan
from pathlib import Path
from typing import Final

import click

from config.change import change_heat
from config.model import Site
from config.near import near
from controller import learned
from controller.cli import step_test, tuned
from controller.cli.common import (
    EXIT_NOT_RUNNING,
    EXIT_REFUSED,
    Moment,
    Refused,
    expected_errors,
    fail,
    give_json,
    journal_option,
    json_option,
    local,
    orderly_end,
    reader_for,
    site_of,
    utc_s,
    who,
)
from controller.cli.hands import WAIT_S
from controller.cli.running import STALE_S, live_picture
from controller.faces import console, say
from controller.gather import place_means
from controller.journal.acts import ask_and_wait
from controller.journal.reader import open_reader
from controller.records import Act, ActDone

BEFORE_S: Final = 1800.0
"""A step test's fit begins so long before the test."""
TELL_S: Final = 600.0
PHASES: Final = {"cool": "cooling a little", "heat": "heating", "watch": "released, watching"}


class DaemonBedside:
    """The running daemon, through its journal and its picture."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal

    def mono_s(self) -> float:
        return time.monotonic()

    def wait(self, span_s: float) -> None:
        time.sleep(span_s)

    def look(self) -> step_test.Picture | None:
        found, _ = live_picture(str(self._journal))
        if found is None or time.time() - found["at_utc_s"] > STALE_S:
            return None
        return found

    def ask(self, act: Act) -> ActDone | None:
        return ask_and_wait(self._journal, act, at_s=time.time(), wait_s=WAIT_S)


make_bedside: Callable[[Path], step_test.Bedside] = DaemonBedside
"""Replaced by a bench in virtual time in the tests."""


@click.command()
@click.argument("place")
@click.option("--from", "from_at", type=Moment(), help="Fit the records from here on, local time.")
@click.option("--to", "to_at", type=Moment(), help="... to here; by default to their end.")
@click.option(
    "--write",
    "bench_file",
    type=click.Path(path_type=Path),
    metavar="BENCH.toml",
    help="Put the settings into this bench file, once they have been shown.",
)
@click.option("--reload", "reload_it", is_flag=True, help="Let the running warmfoot re-read it.")
@click.option("--yes", is_flag=True, help="Ask nothing.")
@journal_option
@json_option
@expected_errors
def tune(
    place: str,
    from_at: datetime | None,
    to_at: datetime | None,
    bench_file: Path | None,
    reload_it: bool,
    yes: bool,
    journal_given: str | None,
    as_json: bool,
) -> None:
    """Find the heat settings of a bay (north.left) from how it answers to its mat.

    Makes a step test on the running bench: lets the base cool by 0.8 K, heats it to 1.5 K above
    where it was, never more than 2 K, and watches for an hour; four hours at most. Ctrl-C gives
    heat back to automatic at once, and it goes back by itself within 20 min if the terminal dies.

    With --from (and --to) it reads a stretch of the records instead, such as last night's warm-up.
    """
    if to_at is not None and from_at is None:
        raise click.UsageError("--to goes with --from")
    if reload_it and bench_file is None:
        raise click.UsageError("--reload goes with --write BENCH.toml")
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        _check_bay(site, place)
        zone = site.site.zone
        if from_at is not None:
            last_s = reader.last_minute_s()
            if last_s is None:
                raise Refused("no minute is on record yet; let warmfoot run for some hours")
            end_s = last_s + 60.0
            from_s, to_s = utc_s(from_at, zone, end_s), utc_s(to_at, zone, end_s)
            if to_s - from_s < 60:
                raise Refused(
                    f"{local(to_s, zone)}, the end of the stretch or of the records, is not after "
                    f"{local(from_s, zone)}"
                )
    if from_at is None:
        from_s, to_s = _live(path, site, place, yes)
    with open_reader(path) as reader:
        found = tuned.identify(reader, site, place, from_s, to_s)
    written: dict[str, str] = {}
    if not as_json:
        tuned.show(found, site)
    if found.after is not None and bench_file is not None:
        written = _write(bench_file, found, yes)
        if written and reload_it:
            reload_daemon(journal_given)
    if as_json:
        give_json(tuned.data(found) | {"written": written})
    if found.after is None:
        fail(
            "\n".join([f"no settings for {place}:", *(f"- {text}" for text in found.wrong)]),
            EXIT_REFUSED,
        )


def _check_bay(site: Site, place: str) -> None:
    bays = [f"{bench}.{bay}" for bench, plan in site.benches.items() for bay in plan.bays]
    if place not in bays:
        raise Refused(f"no bay {place!r} here{near(place, bays)}; there are {', '.join(bays)}")


# -- the step test ----------------------------------------------------------------------------


def _live(journal: Path, site: Site, place: str, yes: bool) -> tuple[float, float]:
    """Make the step test; the stretch of the records that holds it."""
    bedside = make_bedside(journal)
    picture = bedside.look()
    if picture is None:
        fail(
            f"no warmfoot keeps {place} now, so there is nothing to test. Start it: warmfoot run "
            "BENCH.toml. Or fit the records of a warm-up: warmfoot tune PLACE --from ... --to ...",
            EXIT_NOT_RUNNING,
        )
    limits, wrong = _ready(journal, site, place, picture)
    if wrong:
        raise Refused("\n".join([f"no test of {place} now:", *(f"- {text}" for text in wrong)]))
    out = console(stderr=True)
    say(
        out,
        f"{place}: base {limits.start_c:.1f} °C. Its mat will be held off until the base is at "
        f"{limits.low_c:.1f} °C (an hour at most), then on until it is about to reach "
        f"{limits.goal_c:.1f} °C, never above {limits.most_c:.1f}; then heat is automatic again "
        "and the base is watched for an hour. Four hours at most; every guard stays in force.\n"
        "Leave the bay alone meanwhile: no watering, no lid opened. Ctrl-C ends the test.",
    )
    if not yes and not click.confirm("Begin?", err=True):
        raise Refused("not begun; nothing was changed")
    from_s = float(picture["at_utc_s"]) - BEFORE_S
    with _telling(site) as tell, orderly_end():
        try:
            step_test.run(bedside, place, limits, who(), tell)
        except step_test.NotReleased as stopped:
            raise Refused(f"the test of {place} was stopped, but {stopped}") from None
        except step_test.Stopped as stopped:
            raise Refused(
                f"the test of {place} was stopped, heat is automatic again: {stopped}"
            ) from None
        except KeyboardInterrupt:
            raise Refused(
                f"the test of {place} was stopped by hand; heat is automatic again"
            ) from None
    bedside.wait(90.0)  # until the last minute is in the journal
    last = bedside.look()
    return from_s, float(last["at_utc_s"]) if last is not None else time.time()


def _ready(
    journal: Path, site: Site, place: str, picture: step_test.Picture
) -> tuple[step_test.Bounds, list[str]]:
    """How far the test may go, and what stands against it."""
    bench, _, bay = place.partition(".")
    base_c = picture["benches"][bench]["bays"][bay]["base_c"]
    at_s = float(picture["at_utc_s"])
    with open_reader(journal) as reader:
        aims, state = learned.known(reader, site, place)
        code = reason.code if (reason := reader.latest_reasons().get(place)) else ""
        hour_s, base_milli = place_means(reader, place, "base_temperature", at_s - 3720, at_s)
    delay_s = aims.delay_s if isnan(state.delay_s) else max(state.delay_s, aims.delay_s)
    limits = step_test.bounds(aims, nan if base_c is None else base_c, delay_s)
    last_hour_k = nan
    if len(hour_s) and hour_s[-1] - hour_s[0] >= 3000:
        last_hour_k = float(base_milli.max() - base_milli.min()) / 1000.0
    wrong = step_test.hindrances(picture, place, limits, last_hour_k)
    if code in ("hold_on", "hold_off"):
        wrong.append(f"heat is held by hand; `warmfoot release {place}` first")
    return limits, wrong


@contextlib.contextmanager
def _telling(site: Site) -> Iterator[Callable[[step_test.Step], None]]:
    """Progress: a line that is kept up to date on a terminal, now and then a line elsewhere."""
    out = console(stderr=True)
    told_phase, told_s = "", 0.0

    def words(step: step_test.Step) -> str:
        mat = "on" if step.mat_on else "off"
        return (
            f"{PHASES[step.phase]}: base {step.base_c:.2f} °C, mat {mat}, "
            f"{step.phase_s / 60:.0f} min of this, {step.total_s / 60:.0f} min in all"
        )

    def tell(step: step_test.Step) -> None:
        nonlocal told_phase, told_s
        if step.phase != told_phase or step.total_s - told_s >= TELL_S:
            told_phase, told_s = step.phase, step.total_s
            say(out, f"{local(time.time(), site.site.zone)}  {words(step)}")

    if not out.is_terminal:
        yield tell
        return
    with out.status("beginning") as status:
        yield lambda step: status.update(words(step))


# -- writing ----------------------------------------------------------------------------------


def _write(bench_file: Path, found: tuned.Tuning, yes: bool) -> dict[str, str]:
    """Put the settings into the bench file; what was done, as plain data."""
    assert found.after is not None
    if not yes and not click.confirm(f"Write these into {bench_file}?", err=True):
        return {}
    bench, _, bay = found.place.partition(".")
    kept = change_heat(bench_file, bench, bay, tuned.settings(found.after))
    click.echo(
        f"{bench_file}: written; the file as it was is kept as {kept.name}. A running warmfoot "
        "takes it up on SIGHUP (`--reload` here, or `systemctl reload warmfoot`)",
        err=True,
    )
    return {"file": str(bench_file), "kept": str(kept)}


def reload_daemon(journal_given: str | None) -> None:
    """Let the running daemon, if there is one, re-read its bench file."""
    picture, _ = live_picture(journal_given)
    pid = picture["journal"].get("pid") if picture is not None else None
    fresh = picture is not None and time.time() - picture["at_utc_s"] <= STALE_S
    if not fresh or not isinstance(pid, int):
        click.echo("no warmfoot runs; the file is read when it starts", err=True)
        return
    try:
        os.kill(pid, signal.SIGHUP)
    except OSError as error:
        raise Refused(
            f"the file is written, but process {pid} can't be told ({error.strerror}); "
            "send it SIGHUP as its own user: `systemctl reload warmfoot`"
        ) from error
    click.echo(f"told warmfoot (process {pid}) to re-read its bench file", err=True)
