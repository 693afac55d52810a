"""The grower of a rehearsal: sticks, looks, tests, weans and closes, through the book of batches.

What is written down comes from the true state of the simulated cuttings, as a careful person would
find it. Batches are entered as another program on the same machine would enter them.
"""

from dataclasses import replace
from pathlib import Path
from typing import Final

from config.errors import UnknownRecipe
from config.model import Site
from config.recipes import Recipe, recipe_for
from controller.journal.batches import BatchBook
from controller.journal.writer import Journal
from controller.review.exposure import MOL_PER_J
from simulator.cuttings import MATERIALS, NATURES, Lot, Tally
from simulator.rig import Rig
from simulator.scenario import DAY_S, Scenario, ScenarioError, Stick

BY: Final = "rehearsal"
LAST_TESTED_SHARE: Final = 0.8
"""Share found rooted at which a batch goes to the last step of weaning."""


class _Growing:
    """One batch that stands on the bench."""

    __slots__ = ("lost", "lot", "number", "phase", "place", "plan", "seen", "test_due_s")

    def __init__(self, plan: Stick, place: tuple[str, str], number: int, phase: str) -> None:
        self.plan = plan
        self.place = place
        self.number = number
        self.phase = phase
        material = MATERIALS[plan.flaw]
        material = replace(material, able=material.able * plan.vigour)
        self.lot = Lot(plan.cuttings, NATURES[plan.nature], material)
        self.test_due_s = plan.at_s + plan.test_from_day * DAY_S
        self.lost = {"dried": 0, "rotted": 0, "disease": 0}
        self.seen = (0.0, 0.0, 0.0)


class Grower:
    """Acts out a scenario's batches and entries.

    Raises ScenarioError for a batch of a kind that there is no recipe for.
    """

    def __init__(self, site: Site, scenario: Scenario, journal_path: Path) -> None:
        self._site = site
        self._path = journal_path
        self._places = [(name, bay) for name, bench in site.benches.items() for bay in bench.bays]
        self._to_stick = sorted(scenario.sticks, key=lambda plan: plan.at_s)
        self._to_note = sorted(scenario.notes, key=lambda note: note.at_s)
        self._recipes = {_key(plan): _recipe(plan) for plan in self._to_stick}
        self._growing: list[_Growing] = []
        self._closed: dict[int, Tally] = {}
        self._stuck: list[_Growing] = []
        self._last_s = 0.0
        self._light_mol: float | None = None
        self._today_mol = 0.0

    def tallies(self) -> dict[int, Tally]:
        """The true state of every lot, by batch number; closed ones as they were at closing."""
        return {**self._closed, **{g.number: g.lot.tally() for g in self._growing}}

    def live(self, rig: Rig, elapsed_s: float) -> None:
        """Let the cuttings live through the time since the last call."""
        dt_s = elapsed_s - self._last_s
        self._last_s = elapsed_s
        if dt_s <= 0.0:
            return
        self._today_mol += rig.weather.sun_w_m2 * dt_s * MOL_PER_J
        if elapsed_s // DAY_S > (elapsed_s - dt_s) // DAY_S:
            # The steady weather has no sun at all, and is not meant to be dark.
            self._light_mol, self._today_mol = self._today_mol or None, 0.0
        for growing in self._growing:
            bench, bay = growing.place
            truth = rig.benches[bench].truth
            before = growing.seen
            growing.seen = (truth.span_s, truth.wet_s, truth.dry_kpa_s)
            span_s = truth.span_s - before[0]
            if span_s <= 0.0:
                continue
            dry_s = span_s - (truth.wet_s - before[1])
            deficit_kpa = (truth.dry_kpa_s - before[2]) / dry_s if dry_s > 0.0 else 0.0
            growing.lot.advance(
                span_s,
                rig.base_c(bench, bay),
                1.0 - max(0.0, dry_s) / span_s,
                deficit_kpa,
                self._light_mol,
            )

    def act(self, elapsed_s: float, utc_s: float, rig: Rig) -> None:
        """Do what is due by now."""
        if not self._is_due(elapsed_s):
            return
        with Journal.open(self._path, site=self._site, durable=False) as journal:
            book = BatchBook(journal, self._site, lambda: utc_s)
            while self._to_stick and self._to_stick[0].at_s <= elapsed_s:
                self._stick(book, self._to_stick.pop(0), utc_s, rig)
            while self._to_note and self._to_note[0].at_s <= elapsed_s:
                note = self._to_note.pop(0)
                number = self._stuck[note.batch - 1].number
                book.enter(number, note.kind, note.values, utc_s, BY, note.note)
            for growing in list(self._growing):
                if growing.test_due_s <= elapsed_s:
                    growing.test_due_s += growing.plan.test_every_days * DAY_S
                    self._test(book, growing, utc_s)
                if _closes_s(growing.plan) <= elapsed_s:
                    self._close(book, growing, utc_s)

    def _is_due(self, elapsed_s: float) -> bool:
        return (
            bool(self._to_stick and self._to_stick[0].at_s <= elapsed_s)
            or bool(self._to_note and self._to_note[0].at_s <= elapsed_s)
            or any(min(g.test_due_s, _closes_s(g.plan)) <= elapsed_s for g in self._growing)
        )

    def _stick(self, book: BatchBook, plan: Stick, utc_s: float, rig: Rig) -> None:
        recipe = self._recipes[_key(plan)]
        place = self._place(plan)
        batch = book.stick(
            plan.plant,
            plan.kind,
            *place,
            plan.cuttings,
            utc_s,
            recipe=recipe,
            trays=plan.trays,
            details=plan.details,
        )
        growing = _Growing(plan, place, batch.number, batch.phase)
        truth = rig.benches[place[0]].truth
        growing.seen = (truth.span_s, truth.wet_s, truth.dry_kpa_s)
        self._growing.append(growing)
        self._stuck.append(growing)

    def _place(self, plan: Stick) -> tuple[str, str]:
        """Where the scenario says, else the site's bays in turn."""
        wanted = (plan.bench, plan.bay)
        return (
            wanted if wanted in self._places else self._places[len(self._stuck) % len(self._places)]
        )

    def _test(self, book: BatchBook, growing: _Growing, utc_s: float) -> None:
        """Count the dead, lift a sample, and move on a phase on what is found."""
        self._count_lost(book, growing, utc_s)
        tested = min(growing.plan.tested, growing.plan.cuttings - sum(growing.lost.values()))
        if tested < 1:
            return
        rooted, callused = growing.lot.sample(tested)
        values = {"tested": str(tested), "rooted": str(rooted), "callused": str(callused)}
        phase = phase_after(growing.phase, rooted / tested, callused / tested)
        if phase != growing.phase and phase not in ("wean", "wean_late"):
            values["phase"] = phase
        book.enter(growing.number, "tested", values, utc_s, BY)
        if phase != growing.phase and "phase" not in values:
            book.enter(growing.number, "weaned", {"phase": phase}, utc_s, BY)
        growing.phase = phase

    def _count_lost(self, book: BatchBook, growing: _Growing, utc_s: float) -> None:
        now = growing.lot.tally()
        for cause, dead in (
            ("dried", now.dried),
            ("rotted", now.rotted),
            ("disease", now.diseased),
        ):
            fresh = dead - growing.lost[cause]
            if fresh > 0:
                values = {"lost": str(fresh), "cause": cause}
                book.enter(growing.number, "lost", values, utc_s, BY)
                growing.lost[cause] = dead

    def _close(self, book: BatchBook, growing: _Growing, utc_s: float) -> None:
        self._count_lost(book, growing, utc_s)
        now = growing.lot.tally()
        book.close(growing.number, utc_s, rooted=now.rooted, callused=now.callused, by=BY)
        self._growing.remove(growing)
        self._closed[growing.number] = now


def _key(plan: Stick) -> tuple[str, str]:
    return plan.plant, plan.kind


def _closes_s(plan: Stick) -> float:
    days = plan.close_after_days
    return plan.at_s + days * DAY_S if days > 0.0 else float("inf")


def phase_after(phase: str, rooted: float, callused: float) -> str:
    """Next phase on what a test found; shares of those tested, 0..1. One step at a time."""
    if phase == "stick" and rooted + callused >= 0.5:
        return "callus"
    if phase == "callus" and rooted > 0.0:
        return "root"
    if phase == "root" and rooted >= 0.5:
        return "wean"
    if phase == "wean" and rooted >= LAST_TESTED_SHARE:
        return "wean_late"
    return phase


def _recipe(plan: Stick) -> Recipe:
    """The plant's own recipe, else its kind's."""
    try:
        return recipe_for(plan.kind, plan.plant)
    except UnknownRecipe as error:
        raise ScenarioError(f"batch of {plan.plant}: {error}") from error
