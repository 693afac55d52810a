"""Why a batch did badly: ranked evidence, or that nothing on record explains it.

For each suspect the strength of what was measured is weighed by three things: how well the way the
cuttings failed fits it (signs), what other batches in the same bay did at the time (neighbours are
the control), and whether the grower's own good batches had the same. The product is its score. A
finding is a suspicion, never a verdict.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

from config.shares import percent
from controller.review.cases import Case, did_badly, like, neighbours
from controller.review.suspects import OTHER_SIGN, SUSPECTS, Suspect, strength

LIKELY: Final = 0.55
POSSIBLE: Final = 0.35
WEAK: Final = 0.2
"""Least scores at which a suspect is called likely, possible or weak; weaker ones are not shown.
Below POSSIBLE nothing counts as an explanation. This program's own choice."""
KNOWN_LEAST: Final = 0.6
"""Share of the time that must be on record before the climate can be cleared; own choice."""
GOOD_LEAST: Final = 3
"""Fewer good batches than this say little; own choice."""


class Cause(NamedTuple):
    """One ranked cause. score: 0..1.  sure: "likely", "possible" or "weak".

    measured, compared: what it had, and what good batches had.  beside: what neighbours say.
    """

    key: str
    title: str
    score: float
    sure: str
    measured: str
    compared: str
    beside: str
    change: str
    source: str


class Verdict(NamedTuple):
    """What the records say of a batch.

    answer: "not bad", "explained", "nothing recorded explains it" or "not enough data".
    causes: most likely first.  unknown: what was not recorded and is therefore not ruled out.
    """

    batch: int
    answer: str
    text: str
    causes: tuple[Cause, ...]
    unknown: tuple[str, ...]


def explain(case: Case, others: Sequence[Case], now_s: float) -> Verdict:
    """Weigh what may have made a batch fail.

    others: every other batch of the journal, this one may be among them.  now_s: UTC s.
    """
    good, group = like(case, others)
    number = case.batch.number
    if not did_badly(case, good, now_s):
        return Verdict(number, "not bad", "", (), ())
    beside = neighbours(case, others)
    found = [_weighed(suspect, case, good, group, beside, now_s) for suspect in SUSPECTS]
    causes = tuple(sorted((c for c in found if c is not None), key=lambda c: -c.score))
    unknown = tuple(case.unknown())
    known = 0.0 if case.exposure is None else case.exposure.known_share
    if causes and causes[0].score >= POSSIBLE:
        text = f"{causes[0].sure}: {causes[0].title}"
        if known < KNOWN_LEAST:
            text += f"; the climate is known for {percent(known)} of the time only"
        return Verdict(number, "explained", text, causes, unknown)
    if known < KNOWN_LEAST:
        text = f"not enough data (coverage {percent(known)})"
        return Verdict(number, "not enough data", text, causes, unknown)
    answer = "nothing recorded explains it"
    return Verdict(number, answer, answer, causes, unknown)


def _weighed(
    suspect: Suspect,
    case: Case,
    good: Sequence[Case],
    group: str,
    beside: Sequence[Case],
    now_s: float,
) -> Cause | None:
    if suspect.leafy and not case.recipe.leafy:
        return None
    value = suspect.measure(case)
    if value is None:
        return None
    score = strength(value, suspect.steps)
    if score <= 0.0:
        return None
    score *= _fit(suspect, case)
    compared, factor = _contrast(suspect, value, good, group)
    score *= factor
    said, factor = _control(suspect, beside, now_s)
    score = min(1.0, score * factor)
    if score < WEAK:
        return None
    sure = "likely" if score >= LIKELY else "possible" if score >= POSSIBLE else "weak"
    return Cause(
        suspect.key, suspect.title, round(score, 3), sure, suspect.words(case), compared, said,
        suspect.change, suspect.source,
    )  # fmt: skip


def _fit(suspect: Suspect, case: Case) -> float:
    """How well the way the cuttings failed fits, 0..1."""
    if not case.signs:
        return OTHER_SIGN
    return sum(share * suspect.signs.get(sign, OTHER_SIGN) for sign, share in case.signs.items())


def _contrast(
    suspect: Suspect, value: float, good: Sequence[Case], group: str
) -> tuple[str, float]:
    """What the good batches had, in words, and the weight it gives: near 1.0 when none of them had
    as much, 0.3 when half or more had. A tenth of one more that had it stands for what is not
    known, so that a few good batches say a little and none leaves 0.86."""
    figures = [figure for one in good if (figure := suspect.measure(one)) is not None]
    worse = sum(1 for figure in figures if figure >= value)
    text = f"{worse} of {len(figures)} {group} had as much"
    if not figures:
        text = f"no {group} yet to compare with"
    elif len(figures) < GOOD_LEAST:
        text += ": too few to tell much"
    share = (worse + 0.1) / (len(figures) + 1)
    return text, 1.0 - 0.7 * min(1.0, 2.0 * share)


def _control(suspect: Suspect, beside: Sequence[Case], now_s: float) -> tuple[str, float]:
    """What the neighbours say, in words, and its weight.

    For the climate: 0.4 when all of them did well, 1.15 when all did badly, between them in
    proportion. For the rest: 0.75 when two or more did badly and none well.
    """
    if not beside:
        return "no other batch stood beside it", 1.0
    bad = sum(1 for one in beside if did_badly(one, (), now_s))
    text = f"{len(beside) - bad} of {len(beside)} beside it did well"
    if suspect.climate:
        return text, 0.4 + 0.75 * bad / len(beside)
    return text, 0.75 if bad == len(beside) >= 2 else 1.0
