"""When a batch is due: a window of days from the grower's own like batches, or the usual days.

Due means that half of those tested have roots: the trade's sign to begin weaning. Time is counted
in warm days (see `history.WarmClock`), so that a cold bench moves the window on and a warm one
brings it nearer. Warmth is a fair comparison between like batches and a poor promise, so the window
is a range, says what it rests on, and `calibration` says how often such windows held.
"""

from collections.abc import Sequence
from math import inf
from typing import Final, NamedTuple

from config.recipes import Recipe
from controller.review.history import DAY_S, History, is_like
from controller.review.survival import Between, kaplan_meier, reached

LIKE_LEAST: Final = 4
"""Fewer rooted like batches than this say less than the usual days; own choice."""
LIKE_MOST: Final = 24
"""The newest so many are looked at; own choice."""
SHARE_MOST: Final = 0.8
JUDGED_LEAST: Final = 5
"""How often windows held is told from so many on; own choice."""
PACE_LEAST: Final = 0.3
PACE_MOST: Final = 1.5
"""Bounds of the pace with which the future is foretold; own choice."""
TESTS_MOST: Final = 6


class Likes(NamedTuple):
    """What like batches showed. spans: warm days between which half of each had roots.

    rooted, running, failed: batches in which half rooted, that still stand unrooted, that were
    closed without.  pace: warm days a day, their mean; None when not known.  noted: how many of the
    rooted are from the grower's notebook, in days whose warmth nobody knows.
    """

    what: str
    spans: tuple[Between, ...]
    rooted: int
    running: int
    failed: int
    pace: float | None
    noted: int = 0


class Outlook(NamedTuple):
    """When an open batch is due. from_s, to_s: UTC s.

    rooted: half has roots, between from_s and to_s as the tests tell.  own: from the grower's own
    batches, else the recipe's usual days.  share: of such batches that falls within, 0..1, where it
    can be told.  likes: what it rests on.  pace: warm days a day so far, 1 for a base at target;
    shift_days: how much later (or earlier, below 0) that and what it lately got make it.
    late: the whole window lies behind.
    """

    batch: int
    from_s: float
    to_s: float
    rooted: bool
    own: bool
    share: float | None
    likes: Likes
    pace: float | None
    shift_days: float
    late: bool


class Calibration(NamedTuple):
    """How windows, as they would have been given at sticking, held. judged = held + early + late.

    A window held when the tests leave it possible that half had roots within it.
    """

    held: int
    early: int
    late: int

    @property
    def judged(self) -> int:
        return self.held + self.early + self.late


def likes_of(one: History, others: Sequence[History], at_s: float) -> Likes:
    """Like batches as known at `at_s` (UTC s): the same plant, or else the same plant's recipe."""
    there = [other for other in others if other.batch.stuck_s < at_s]
    there.sort(key=lambda other: (-other.batch.stuck_s, -other.number))
    same = _likes([o for o in there if is_like(one, o) == 2], at_s, one.batch.plant)
    if same.rooted >= LIKE_LEAST or one.recipe.plant is None:
        return same
    near = _likes([o for o in there if is_like(one, o)], at_s, one.recipe.title)
    return near if near.rooted >= LIKE_LEAST else same


def _likes(like: Sequence[History], at_s: float, what: str) -> Likes:
    spans, paces = [], []
    rooted = running = failed = noted = 0
    for other in like[:LIKE_MOST]:
        if other.got.pace is not None:
            paces.append(other.got.pace)
        seen = other.rooting(at_s)
        if seen is None:
            failed += 1
            continue
        if not other.dated:
            # Some time before it was closed: that would only widen the window.
            continue
        after, by = (min(time, at_s) if time != inf else inf for time in seen)
        start = other.clock.warm_at(other.days(after))
        end = inf if by == inf else other.clock.warm_at(other.days(by))
        spans.append(Between(start, max(end, start + 0.01)))
        rooted += by != inf
        noted += by != inf and other.batch.from_notebook
        running += by == inf
    pace = sum(paces) / len(paces) if paces else None
    return Likes(what, tuple(spans), rooted, running, failed, pace, noted)


class Window(NamedTuple):
    """A window in warm days. own: from like batches, else the recipe's usual days.

    share: of such batches that falls within, 0..1; None where it can't be told.
    """

    low: float
    high: float
    own: bool
    share: float | None


def window(likes: Likes, recipe: Recipe, after: float = 0.0) -> Window:
    """When one that is still unrooted at `after` warm days is due.

    The low end is where the first of the like batches may have rooted at the earliest, the high end
    where the last may have at the latest: Kaplan-Meier curves of either edge, for the tests leave
    the time between open. Of n like batches the next falls between the first and the last with
    chance (n - 1)/(n + 1) whatever the distribution (order statistics; Wilks, Ann. Math. Statist.
    12 (1941) 91, from memory); from nine on the outer tenths are left out.
    """
    soonest, latest = recipe.usual_days
    if likes.rooted < LIKE_LEAST:
        low = max(soonest, after)
        return Window(low, max(latest, low), False, None)
    left = [span for span in likes.spans if (span.after if span.by == inf else span.by) > after]
    rooted = sum(span.by != inf for span in left)
    if not rooted:
        # Every like batch had rooted sooner: the window lies behind.
        left, after = list(likes.spans), 0.0
    edges = [(max(after, span.after), span.by) for span in left]
    count = len(left)
    share = min(SHARE_MOST, (count - 1) / (count + 1))
    low = reached(kaplan_meier([(start, by != inf) for start, by in edges]), (1 - share) / 2)
    ends = [(by, True) if by != inf else (start, False) for start, by in edges]
    high = reached(kaplan_meier(ends), (1 + share) / 2)
    if high == inf:
        # Running ones outlast those that rooted: the end is not seen yet.
        high = max(latest, *(by for by, happened in ends if happened))
        share = 0.0
    return Window(min(low, high), high, True, share or None)


def outlook(one: History, others: Sequence[History], now_s: float) -> Outlook:
    """When an open batch is due, as known at `now_s` (UTC s). others: all that may be like it.

    Raises ValueError for a batch that was closed.
    """
    seen = one.rooting(now_s)
    if seen is None or one.closed_by(now_s):
        raise ValueError(f"batch {one.number} was closed")
    likes = likes_of(one, others, now_s)
    after, by = seen
    if by != inf:
        return Outlook(one.number, after, by, True, True, None, likes, one.got.pace, 0.0, False)
    low, high, own, share = window(likes, one.recipe, one.clock.warm_at(one.days(after)))
    usual = (likes.pace if own else None) or 1.0
    ahead = _bounded(one.clock.lately or usual)
    stuck_s, middle = one.batch.stuck_s, (low + high) / 2
    from_s, to_s = (stuck_s + one.clock.days_at(w, ahead) * DAY_S for w in (low, high))
    shift_days = one.clock.days_at(middle, ahead) - middle / _bounded(usual)
    return Outlook(
        one.number, min(to_s, max(from_s, after)), to_s, False, own, share, likes, one.got.pace,
        shift_days, to_s < now_s,
    )  # fmt: skip


def _bounded(pace: float) -> float:
    return min(PACE_MOST, max(PACE_LEAST, pace))


def calibration(histories: Sequence[History]) -> tuple[Calibration, Calibration]:
    """How windows held: (those from own batches, those from the usual days).

    Each batch in which half rooted is judged by the window of the day it was stuck, from what the
    batches before it had shown by then, at their pace; batches that never came so far and those
    from a notebook are not judged.
    """
    counts = {True: [0, 0, 0], False: [0, 0, 0]}
    for one in histories:
        seen = one.rooting()
        if seen is None or seen[1] == inf or one.batch.from_notebook:
            continue
        likes = likes_of(one, histories, one.batch.stuck_s)
        low, high, own, _ = window(likes, one.recipe)
        pace = _bounded((likes.pace if own else None) or 1.0)
        after, by = (one.days(time) for time in seen)
        verdict = 1 if by <= low / pace else 2 if after >= high / pace else 0
        counts[own][verdict] += 1
    return Calibration(*counts[True]), Calibration(*counts[False])


def due_tests(one: History, now_s: float, until_s: float) -> list[float]:
    """When to lift samples of an open batch, UTC s, up to `until_s`; the first may be overdue.

    First at half of the middle of the usual days, then the recipe's `test_every_days` after the
    last test: common practice, no source. Those after an overdue one are counted from `now_s`. At
    least one, at most TESTS_MOST; none once the batch is in its last step of weaning or potted.
    """
    if one.batch.closed_s is not None or one.batch.phase == "wean_late" or one.potted:
        return []
    every_s = one.recipe.test_every_days * DAY_S
    if one.looks:
        first_s = one.looks[-1].at_s + every_s
    else:
        first_s = one.batch.stuck_s + sum(one.recipe.usual_days) / 4 * DAY_S
    later = [max(first_s, now_s) + turn * every_s for turn in range(1, TESTS_MOST)]
    return [first_s, *(at_s for at_s in later if at_s <= until_s)]
