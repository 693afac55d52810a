"""What a rehearsal says at its end."""

import sys
from pathlib import Path
from typing import Any, Final

from rich.console import Console

from config.model import Site
from controller.faces import review_text, say
from controller.gather import review_batch
from controller.journal.reader import open_reader
from simulator.run import Truth
from simulator.scenario import Scenario

NEXT: Final = (
    ("why", "the last decisions, with their reasons"),
    ("alarms history", "what was raised, and when"),
    ("batch show 1", "one batch, as it was written down"),
)
"""What to type after a rehearsal, and what it shows."""


def as_data(truth: Truth, journal: Path, took_s: float) -> dict[str, Any]:
    """A rehearsal's outcome as plain data for JSON."""
    benches = {
        name: {
            "wet_hours": round(bench.wet_s / 3600, 2),
            "mist_l": round(bench.mist_l, 2),
            "bursts": bench.bursts,
            "bays": {
                bay: {
                    "base_mean_c": round(held.mean_c, 3),
                    "base_least_c": round(held.least_c, 2),
                    "base_most_c": round(held.most_c, 2),
                    "hours_below": round(held.below_s / 3600, 2),
                    "hours_above": round(held.above_s / 3600, 2),
                    "mean_error_k": round(held.error_k_s / held.span_s, 3) if held.span_s else None,
                    "energy_kwh": round(held.energy_kwh, 3),
                    "starts": held.starts,
                }
                for bay, held in bench.bays.items()
            },
        }
        for name, bench in truth.benches.items()
    }
    return {
        "days": round(truth.span_s / 86400, 4),
        "ticks": truth.ticks,
        "took_s": round(took_s, 2),
        "journal": str(journal),
        "benches": benches,
        "batches": {str(number): lot._asdict() for number, lot in truth.lots.items()},
    }


def tell(
    out: Console, site: Site, played: Scenario, truth: Truth, journal: Path, took_s: float
) -> None:
    """Say what really happened, and what to type next."""
    pace = truth.span_s / took_s if took_s > 0 else 0.0
    say(
        out,
        f"{played.title}: {truth.span_s / 86400:.1f} days in {took_s:.1f} s "
        f"({pace:,.0f} times real time)",
    )
    for name, bench in truth.benches.items():
        for bay, held in bench.bays.items():
            say(
                out,
                f"{name}.{bay}: base {held.mean_c:.1f} °C on average, {held.least_c:.1f} to "
                f"{held.most_c:.1f}; {held.energy_kwh:.1f} kWh",
            )
        say(out, f"{name}: {bench.bursts} bursts, {bench.mist_l:.1f} litres")
    _reviews(out, site, journal)
    for number, lot in truth.lots.items():
        say(
            out,
            f"batch {number} in truth: {lot.rooted} rooted, {lot.callused} with callus only, "
            f"{lot.dried} dried, {lot.rotted} rotted",
        )
    say(out, f"the journal is {journal}")
    say(out, "next:", style="bold")
    for words, what in NEXT:
        say(out, f"  {_program()} {words} --journal {journal}   # {what}")


def _program() -> str:
    """The command as it was typed, so that what is proposed can be typed as it stands."""
    typed = sys.argv[0]
    return typed if Path(typed).name == "warmfoot" and "/" in typed else "warmfoot"


def _reviews(out: Console, site: Site, journal: Path) -> None:
    """The review of each batch, as `warmfoot review` prints it. Raises JournalError."""
    with open_reader(journal) as reader:
        last_s = reader.last_minute_s()
        for batch in reader.batches() if last_s is not None else []:
            found = review_batch(reader, site, batch, float(last_s or 0))
            say(out)
            review_text(out, found, reader.entries(batch.number), site.site.zone)
    say(out)
