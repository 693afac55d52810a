"""check, run, status, why: the commands around a running bench."""

import logging
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from config.model import mister_id
from controller import learned
from controller.batch_faces import due_in_words
from controller.cli.common import (
    EXIT_ALARM,
    EXIT_NOT_RUNNING,
    EXIT_RUNNING,
    expected_errors,
    fail,
    give_json,
    journal_option,
    json_option,
    local,
    reader_for,
    site_of,
)
from controller.cli.compared import outlook_data, today_if_any
from controller.faces import console, say, status_text
from controller.own_log import OwnLog
from controller.places import find_journal, find_live, read_live, still_runs

STALE_S = 30.0
"""A live picture older than this means that nobody keeps the bench."""

bench_file = click.argument(
    "bench_file", metavar="BENCH.toml", type=click.Path(path_type=Path), nargs=1
)


@click.command()
@bench_file
@click.option("--verbose", is_flag=True, help="Say more in the program's own log.")
@expected_errors
def run(bench_file: Path, verbose: bool) -> None:
    """Keep the bench described in BENCH.toml until stopped. SIGHUP re-reads the file."""
    from controller.daemon import AlreadyRunning, Daemon

    own = OwnLog()
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
        handlers=[own],
    )
    daemon = Daemon(bench_file)
    begins = [f"warmfoot keeps {daemon.site.site.name}; the journal is {daemon.journal}"]
    if daemon.site.page.serve:
        begins.append(f"The page is at {daemon.page_address}")
    begins += [
        "This program is not a safety device: each mat needs an independent thermal cut-out and "
        "an RCD.",
        "Look at it with `warmfoot status`; stop it with Ctrl-C.",
    ]

    def tell() -> None:
        out = console(stderr=True)
        with out.capture() as lines:
            for line in begins:
                say(out, line)
        own.say(lines.get())

    try:
        daemon.run(tell)
    except AlreadyRunning as error:
        fail(str(error), EXIT_RUNNING)


def live_picture(journal_given: str | None) -> tuple[dict[str, Any] | None, Path]:
    """The running daemon's latest picture, or None when there is none."""
    journal = find_journal(journal_given)
    return read_live(journal), journal


@click.command()
@journal_option
@json_option
@expected_errors
def status(journal_given: str | None, as_json: bool) -> None:
    """How the bench is now. Exit code 7 when nothing keeps it, 8 while an alarm stands."""
    found, journal = live_picture(journal_given)
    age_s = time.time() - found["at_utc_s"] if found else None
    if found is None or age_s is None or age_s > STALE_S:
        since = (
            f"last seen {datetime.fromtimestamp(found['at_utc_s'], UTC):%Y-%m-%d %H:%M} UTC"
            if found
            else "never seen running, or stopped in good order"
        )
        if as_json:
            give_json({"running": False, "journal": str(journal), "last": found})
            raise SystemExit(EXIT_NOT_RUNNING)
        pid = found["journal"].get("pid") if found else None
        if pid is not None and still_runs(pid):
            fail(
                f"a warmfoot, process {pid}, is there, but tells nothing anew ({since}): it can't "
                f"write {find_live(journal)} (is the disk full?), or it hangs. Look at its page "
                "and its own log; `journalctl -u warmfoot` shows that of the service.",
                EXIT_NOT_RUNNING,
            )
        fail(
            f"no warmfoot keeps the bench of {journal} ({since}).\n"
            "All relays drop by themselves when orders stop. Start it: warmfoot run BENCH.toml",
            EXIT_NOT_RUNNING,
        )
    due, today = today_if_any(journal_given)
    if as_json:
        for batch in found["batches"]:
            one = due.get(batch["number"])
            batch["outlook"] = one and outlook_data(one)
        data = {"notes": [note.as_data() for note in today], **found}
        give_json({"running": True, "age_s": round(age_s, 1), **data})
    else:
        zone = ZoneInfo(found.get("timezone", "UTC"))
        words = {number: due_in_words(one, zone) for number, one in due.items()}
        status_text(console(), found, age_s, words, [note.line for note in today])
    if any(alarm["state"] in ("UNACK", "LATCH_UNACK", "ACKED") for alarm in found["alarms"]):
        raise SystemExit(EXIT_ALARM)


@click.command()
@click.argument("place", required=False)
@click.option("--last", default=8, show_default=True, help="How many decisions to show per place.")
@journal_option
@json_option
@expected_errors
def why(place: str | None, last: int, journal_given: str | None, as_json: bool) -> None:
    """Why the mats and misters do what they do: decisions with their reasons, newest last.

    Then what the heat loop of each bay has learned of it, beside what its mat lets expect.

    PLACE is a bay such as north.left, or a mister such as north.mister; all when left out.
    """
    path, reader = reader_for(journal_given)
    with reader:
        site = site_of(reader, path)
        places = []
        misters = {mister_id(name) for name in site.benches}
        for bench_name, bench in site.benches.items():
            places += [f"{bench_name}.{bay}" for bay in bench.bays]
            if bench.mister is not None:
                places.append(mister_id(bench_name))
        if place is not None and place not in places:
            from config.near import near

            raise click.BadParameter(
                f"no bay or mister {place!r} here{near(place, places)}; "
                f"there are {', '.join(places)}"
            )
        asked = [place] if place else places
        rows = {p: reader.reasons(p, last=last) for p in asked}
        bays = {p: learned.known(reader, site, p) for p in asked if p not in misters}
    now = _reasons_now(journal_given)
    if as_json:
        give_json(
            {
                p: {
                    "decisions": [row._asdict() for row in found],
                    "now": now.get(p),
                    "learned": learned.figures(*bays[p]) if p in bays else None,
                }
                for p, found in rows.items()
            }
        )
        return
    out = console()
    for name, found in rows.items():
        say(out, name, style="bold")
        if not found and name not in now:
            say(out, "  nothing decided yet")
        for row in found:
            mode = "" if row.mode == "normal" else f"  ({row.mode})"
            say(out, f"  {local(row.at_s, site.site.zone)}  {row.text}{mode}")
        if name in now:
            say(out, f"  {'now':16}  {now[name]}")
        for line in learned.told(*bays[name]) if name in bays else ():
            say(out, f"  {'learned':16}  {line}")


def _reasons_now(journal_given: str | None) -> dict[str, str]:
    """Reasons in force by place, from the running daemon; nothing when none runs."""
    found, _ = live_picture(journal_given)
    if found is None or time.time() - found["at_utc_s"] > STALE_S:
        return {}
    reasons: dict[str, str] = {}
    for name, bench in found["benches"].items():
        reasons |= {f"{name}.{bay}": held["why"] for bay, held in bench["bays"].items()}
        if bench["mister"] is not None:
            reasons[mister_id(name)] = bench["mister"]["why"]
    return reasons
