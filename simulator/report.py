"""What a rehearsal says at its end."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.console import Console

from config.model import Site
from controller.gather import review_batch
from controller.journal.reader import open_reader
from simulator.run import Truth
from simulator.scenario import Scenario


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


def review_lines(site: Site, journal: Path) -> Iterator[str]:
    """What the journal says of each batch, a line or two each. Raises JournalError."""
    with open_reader(journal) as reader:
        last_s = reader.last_minute_s()
        for batch in reader.batches() if last_s is not None else []:
            found = review_batch(reader, site, batch, float(last_s or 0))
            base = (
                "" if found.mean_base_c is None else f"base {found.mean_base_c:.1f} C on average, "
            )
            yield (
                f"batch {batch.number} {batch.plant}, {batch.count} stuck, {batch.phase}: {base}"
                f"warmth {found.warmth.degree_hours:.0f} degree-hours, known for "
                f"{found.known_share:.0%} of the time"
            )
            yield (
                f"  hours: harmful cold {found.harmful_cold_h:.1f}, slow {found.slow_h:.1f}, good "
                f"{found.good_h:.1f}, too warm {found.warm_h:.1f}, harmful hot "
                f"{found.harmful_hot_h:.1f}; {len(found.gaps)} gaps; "
                f"{found.heat.kwh:.1f} kWh in its bay"
            )


def tell(
    out: Console, site: Site, played: Scenario, truth: Truth, journal: Path, took_s: float
) -> None:
    """Say what really happened, and what to type next."""
    pace = truth.span_s / took_s if took_s > 0 else 0.0
    out.print(
        f"{played.title}: {truth.span_s / 86400:.1f} days in {took_s:.1f} s "
        f"({pace:,.0f} times real time)"
    )
    for name, bench in truth.benches.items():
        for bay, held in bench.bays.items():
            out.print(
                f"{name}.{bay}: base {held.mean_c:.1f} C on average, {held.least_c:.1f} to "
                f"{held.most_c:.1f}; {held.energy_kwh:.1f} kWh"
            )
        out.print(f"{name}: {bench.bursts} bursts, {bench.mist_l:.1f} litres")
    for line in review_lines(site, journal):
        out.print(line, markup=False, soft_wrap=True)
    for number, lot in truth.lots.items():
        out.print(
            f"batch {number} in truth: {lot.rooted} rooted, {lot.callused} with callus only, "
            f"{lot.dried} dried, {lot.rotted} rotted"
        )
    out.print(f"the journal is {journal}", soft_wrap=True)
    out.print(f"next: warmfoot review --journal {journal}", soft_wrap=True)
