"""A batch as a case to be judged: how it ended, how its cuttings were lost, what was recorded."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Final, NamedTuple

from config.checklist import BY_KEY, NO, YES, AnswerError, questions_for, read_answer
from config.recipes import WEANING, Recipe, thaw
from config.seasons import months_outside
from controller.entries import evidence, lost, number_of, step_of
from controller.records import Batch, Entry, EntryKind
from controller.review.exposure import Exposure

DAY_S: Final = 86400.0
FEW_STUCK: Final = 8
"""Batches of fewer cuttings than this are neither good nor bad; common practice, no source."""
LIKE_MOST: Final = 12
"""Good batches to compare with at most: older ones say less; own choice."""
OTHER_KEYS: Final = {"leaves_kept": "leaves"}
"""Names under which the same was noted without the checklist."""


class Case(NamedTuple):
    """One batch, as far as causes need it.

    place: bay it was stuck in.  from_s, until_s: UTC s, as in `exposure`.  done: closed.
    rooted: at closing, or by the last test's share of those alive; None: nothing known yet.
    signs: shares 0..1 of the cuttings that did not root, by how they went: a cause of loss of
    `entries.LOST_CAUSES`, or "stalled" for those alive without roots; empty when all rooted.
    weaned_unrooted: weaned though no test had found half of the cuttings rooted.
    months_outside: stuck so many months outside the window of its recipe; None where the date tells
    nothing.
    """

    batch: Batch
    recipe: Recipe
    place: str
    from_s: float
    until_s: float
    done: bool
    rooted: int | None
    signs: Mapping[str, float]
    weaned_unrooted: bool
    months_outside: int | None
    exposure: Exposure | None

    @property
    def strike(self) -> float | None:
        """Share of the cuttings stuck that rooted, 0..1."""
        return None if self.rooted is None else self.rooted / self.batch.cuttings

    @property
    def good(self) -> bool:
        """Closed with a strike rate of at least what is usual."""
        strike = self.strike
        enough = self.batch.cuttings >= FEW_STUCK
        return self.done and enough and strike is not None and strike >= self.recipe.usual_strike[0]

    def answer(self, key: str) -> bool | None:
        """A yes or no of the checklist; None where it was left open."""
        said = self.batch.details.get(key, "").strip().lower()
        return True if said in YES else False if said in NO else None

    def figure(self, key: str) -> float | None:
        """A number of the checklist; None where there is none."""
        details = self.batch.details
        text = details.get(key, details.get(OTHER_KEYS.get(key, ""), ""))
        if key == "length_mm" and key not in details and "length_cm" in details:
            text = f"{details['length_cm'].removesuffix('cm')}cm"
        try:
            said = read_answer(BY_KEY[key], text)
        except AnswerError:
            return None
        return float(said) if said else None

    def unknown(self) -> list[str]:
        """What was not recorded, in words: of the checklist, and of the climate of leafy ones."""
        blank = [
            question.words
            for question in questions_for(self.batch.kind)
            if (self.answer if question.kind == "yes_no" else self.figure)(question.key) is None
        ]
        seen = self.exposure
        if self.recipe.leafy and seen is not None:
            blank += ["humidity"] if seen.dry_day_kpa_h is None else []
            blank += ["light"] if seen.light_mol is None else []
        return blank


def span_of(batch: Batch, entries: Sequence[Entry], until_s: float) -> tuple[float, float]:
    """The span in which the batch could still fail to root: to its first weaning, UTC s."""
    weaned = [entry.at_s for entry in entries if step_of(entry) in WEANING]
    return batch.stuck_s, min([until_s, *weaned])


def case_of(
    batch: Batch,
    entries: Sequence[Entry],
    place: str,
    until_s: float,
    exposure: Exposure | None,
    latitude_deg: float,
) -> Case:
    """A batch as a case. entries: those that stand.  until_s: UTC s, now or its closing."""
    stuck = datetime.fromtimestamp(batch.stuck_s, UTC)
    recipe = thaw(batch.recipe_json)
    gone = lost(entries)
    closings = [entry for entry in entries if entry.kind == EntryKind.CLOSED]
    tests = [entry for entry in entries if entry.kind == EntryKind.TESTED]
    alive = max(0, batch.cuttings - sum(gone.values()))
    rooted = None
    if closings:
        rooted = number_of(closings[-1].values, "rooted")
    elif tests and number_of(tests[-1].values, "tested"):
        found = tests[-1].values
        rooted = round(alive * number_of(found, "rooted") / number_of(found, "tested"))
    signs: dict[str, float] = {}
    failed = batch.cuttings - (rooted or 0)
    dead = sum(gone.values())
    if failed > 0:
        whole = max(failed, dead)  # some of the dead may have been counted before a split
        signs = {cause: count / whole for cause, count in gone.items() if count}
        if failed > dead:
            signs["stalled"] = (failed - dead) / whole
    return Case(
        batch._replace(details=evidence(batch, entries)),
        recipe,
        place,
        *span_of(batch, entries, until_s),
        done=bool(closings),
        rooted=rooted,
        signs=signs,
        weaned_unrooted=_weaned_unrooted(entries),
        months_outside=months_outside(recipe, latitude_deg, stuck.month),
        exposure=exposure,
    )


def _weaned_unrooted(entries: Sequence[Entry]) -> bool:
    most = 0.0
    for entry in entries:
        if entry.kind == EntryKind.TESTED and number_of(entry.values, "tested"):
            most = max(most, number_of(entry.values, "rooted") / number_of(entry.values, "tested"))
        if entry.kind == EntryKind.WEANED and entry.values.get("phase") in WEANING:
            return most < 0.5
    return False


def like(case: Case, others: Sequence[Case]) -> tuple[list[Case], str]:
    """The good batches to compare with, and what they have in common with it, in words.

    Those of the same plant and kind when there are at least three, else all of the kind; of either
    the newest `LIKE_MOST`.
    """
    good = [
        other
        for other in others
        if other.good
        and other.batch.number != case.batch.number
        and other.batch.kind == case.batch.kind
    ]
    good.sort(key=lambda other: (-other.from_s, -other.batch.number))
    same = [other for other in good if other.batch.plant.lower() == case.batch.plant.lower()]
    if len(same) >= 3:
        return same[:LIKE_MOST], f"good batches of {case.batch.plant}"
    return good[:LIKE_MOST], f"good {case.recipe.title.lower()} batches"


def neighbours(case: Case, others: Sequence[Case]) -> list[Case]:
    """Batches that stood in the same bay for at least half of the span looked at, unrooted too."""
    span_s = max(1.0, case.until_s - case.from_s)
    return [
        other
        for other in others
        if other.batch.number != case.batch.number
        and not other.batch.merged_into
        and not case.batch.from_notebook
        and other.place == case.place
        and other.strike is not None
        and other.recipe.leafy == case.recipe.leafy
        and min(other.until_s, case.until_s) - max(other.from_s, case.from_s) >= 0.5 * span_s
    ]


def did_badly(case: Case, good: Sequence[Case], now_s: float) -> bool:
    """Whether a batch is to be explained.

    Its strike rate is below what is usual, or below two thirds of the middle one of at least three
    good batches like it.  While it is open that counts only once its usual days are over, or when
    more was lost than a usual batch may lose.
    """
    if case.batch.cuttings < FEW_STUCK or case.batch.merged_into:
        return False
    usual = case.recipe.usual_strike[0]
    strikes = sorted(other.strike or 0.0 for other in good)
    wanted = usual if len(strikes) < 3 else max(usual, strikes[len(strikes) // 2] * 2 / 3)
    if not case.done:
        failed = case.batch.cuttings - (case.rooted or 0)
        dead = sum(share for sign, share in case.signs.items() if sign != "stalled") * failed
        if dead / case.batch.cuttings > 1.0 - usual:
            return True
        if now_s - case.batch.stuck_s < case.recipe.usual_days[1] * DAY_S:
            return False
    strike = case.strike
    return strike is not None and strike < wanted
