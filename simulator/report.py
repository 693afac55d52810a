"""What a rehearsal says at its end."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from rich.console import Console

from config.model import Site
from config.shares import percent
from controller.faces import Rows, review_text, say, typed_program
from controller.gather import CaseBook, review_batch
from controller.journal.reader import open_reader
from controller.saving import saving_for
from simulator.run import Truth
from simulator.scenario import Scenario
from simulator.season import YEAR_DAYS

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
        say(out, f"  {typed_program()} {words} --journal {journal}   # {what}")


class Ended(NamedTuple):
    """How one batch of a season ended. strike: 0..1, None when not closed.  planted: "" for none.

    found: what the review says.
    """

    number: int
    plant: str
    kind: str
    strike: float | None
    planted: str
    found: str


def ended(site: Site, journal: Path, planted: Sequence[str]) -> list[Ended]:
    """Every batch of a season's journal with its truth beside what its review says."""
    with open_reader(journal) as reader:
        cases = CaseBook(reader, site, float(reader.last_minute_s() or 0) + 60.0)
        made = []
        for batch, truth in zip(reader.batches(), planted, strict=False):
            verdict = cases.explain(batch.number)
            found = "" if verdict.answer == "not bad" else verdict.text
            strike = cases.strike(batch.number)
            made.append(Ended(batch.number, batch.plant, batch.kind, strike, truth, found))
    return made


def tell_season(
    out: Console,
    played: Sequence[tuple[Scenario, Truth]],
    batches: Sequence[Ended],
    journal: Path,
    took_s: float,
    tick_s: float,
) -> None:
    """Say what a season played and left out, how its batches ended, and what to type next."""
    days = sum(truth.span_s for _, truth in played) / 86400
    say(
        out,
        f"a year at Alder Lane, an invented nursery with a light probe: {len(batches)} batches",
        style="bold",
    )
    say(
        out,
        f"played {days:.0f} days of {YEAR_DAYS} in {took_s:.0f} s, the real controller on the full "
        f"simulated bench, deciding every {tick_s:g} s",
    )
    say(
        out,
        f"not played: the {YEAR_DAYS - days:.0f} days between the stretches, which the journal has "
        "no record of; winter evergreens and other kinds that take longer than a stretch",
    )
    for scenario, truth in played:
        bays = [held for bench in truth.benches.values() for held in bench.bays.values()]
        mean = sum(held.mean_c for held in bays) / max(1, len(bays))
        water = sum(bench.mist_l for bench in truth.benches.values())
        say(
            out,
            f"  {scenario.title}: {scenario.start:%d %b}, {truth.span_s / 86400:.0f} days, base "
            f"{mean:.1f} °C on average, {water:.0f} litres",
        )
    say(out)
    shown = Rows(out, "no.", "plant", "kind", "rooted", "planted cause", "what the review says")
    for one in batches:
        rooted = "open" if one.strike is None else percent(one.strike)
        shown.add_row(
            str(one.number), one.plant, one.kind, rooted, one.planted.replace("_", " "), one.found
        )
    shown.show()
    bad = next((one.number for one in batches if one.found), 1)
    say(out)
    say(out, f"the journal is {journal}")
    say(out, "next:", style="bold")
    say(out, f"  {typed_program()} review {bad} --journal {journal}   # a bad batch, and why")
    say(out, f"  {typed_program()} batch list --all --journal {journal}   # all of them")
    say(out, f"  {typed_program()} compare mix --journal {journal}   # what made a difference")


def _reviews(out: Console, site: Site, journal: Path) -> None:
    """The review of each batch, as `warmfoot review` prints it. Raises JournalError."""
    with open_reader(journal) as reader:
        last_s = reader.last_minute_s()
        for batch in reader.batches() if last_s is not None else []:
            found = review_batch(reader, site, batch, float(last_s or 0))
            say(out)
            saved = saving_for(reader, site, batch, float(last_s or 0))
            review_text(out, found, reader.entries(batch.number), site.site.zone, saved)
    say(out)
