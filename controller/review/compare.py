"""Batches beside each other: strike rate, time to root and what the base gave, like with like.

Cuttings of one batch share its wood, day and place, so a group of batches is judged by its batches
and not as if every cutting were a trial of its own: intervals are widened by how much the batches
of a group differ, and the test deals whole batches out. Where that can show nothing, it says so.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from controller.review.groups import BY, MONTHS, NOT_RECORDED, Group, group_of, value_of
from controller.review.history import History, is_like
from controller.review.proportions import (
    blocked_permutation,
    difference,
    fisher,
    holm,
    least_permutation,
    permutation,
)

FEW: Final = 20
"""A group of fewer cuttings than this is too small to tell anything; own choice."""
WIDE: Final = 0.3
"""An interval of the difference wider than this leaves open whether there is one; own choice."""
CHANCE: Final = 0.05
BLOCKED_BY: Final = ("hormone", "mix", "stock", "bay")
BASE_K: Final = 1.0
"""A mean base farther apart than this is told beside a difference; own choice."""


class Pair(NamedTuple):
    """One group beside the one of most batches.

    low, high: 95 % of strike rate minus that of `beside`, -1..1; None where one has no result.
    chance: of groups at least so far apart were there no difference, raised for the number of
    pairs; None: not tested.  test: "batches" (dealt out), or "cuttings" (Fisher's) where there are
    too few batches for that and each of one group did better than each of the other.
    verdict: "differ", "these batches differ", "no difference seen" or "too few to tell".
    notes: what else was not alike.
    """

    value: str
    beside: str
    low: float | None
    high: float | None
    chance: float | None
    test: str
    verdict: str
    notes: tuple[str, ...]


class Overall(NamedTuple):
    """One value beside another over all plants: batches of one plant and kind stuck in one month
    are a block, and only batches of one block are compared.

    blocks: in which both were.  batches: closed ones in them, of either.  difference: of strike
    rates, -1..1.  chance: as in Pair.  verdict: "differ" or "no difference shown".
    """

    value: str
    beside: str
    blocks: int
    batches: tuple[int, int]
    difference: float
    chance: float
    verdict: str


class Comparison(NamedTuple):
    """Groups that are alike but for one thing. like: what they have in common."""

    by: str
    like: str
    groups: tuple[Group, ...]
    pairs: tuple[Pair, ...]


def compare(
    histories: Sequence[History], by: str, zone: ZoneInfo, *, unlike: bool = False
) -> list[Comparison]:
    """Every comparison by one thing that these batches allow, most cuttings first.

    by: one of BY.  unlike: put all plants and kinds together, else only batches of one plant and
    kind are compared (with `plant`: of one kind; with `kind`: of one plant).
    Raises ValueError for another `by`.
    """
    if by not in BY:
        raise ValueError(f"no comparison by {by!r}")
    strata: dict[tuple[str, ...], list[History]] = {}
    for one in histories:
        plant, kind = one.batch.plant.strip(), one.batch.kind
        shared = {"plant": (kind,), "kind": (plant.lower(),)}.get(by, (plant.lower(), kind))
        strata.setdefault(() if unlike else shared, []).append(one)
    found = [_compared(part, by, zone, unlike) for part in strata.values()]
    told = [one for one in found if len([g for g in one.groups if g.value != NOT_RECORDED]) > 1]
    return sorted(told, key=lambda one: -sum(group.cuttings for group in one.groups))


def _compared(part: Sequence[History], by: str, zone: ZoneInfo, unlike: bool) -> Comparison:
    parted: dict[str, list[History]] = {}
    words: dict[str, str] = {}
    for one in part:
        value = value_of(one, by, zone)
        words.setdefault(value.lower(), value)
        parted.setdefault(value.lower(), []).append(one)
    keys = sorted(parted, key=lambda key: _rank(words[key], by, parted[key]))
    groups = {key: group_of(words[key], parted[key]) for key in keys}
    tested = [key for key in keys if words[key] != NOT_RECORDED]
    first = max(tested, key=lambda key: (groups[key].closed, groups[key].cuttings), default=None)
    pairs = [
        _paired(groups[key], groups[first], parted[key], parted[first], by, zone)
        for key in tested
        if first is not None and key != first
    ]
    batch = part[0].batch
    names = {"plant": batch.kind, "kind": batch.plant}.get(by, f"{batch.plant}, {batch.kind}")
    like = "all batches together, unlike with unlike" if unlike else names.replace("_", " ")
    return Comparison(by, like, tuple(groups.values()), tuple(_judged(pairs)))


def _rank(value: str, by: str, part: Sequence[History]) -> tuple[bool, float, str]:
    order = MONTHS.index(value) if by == "month" else -sum(one.batch.cuttings for one in part)
    return value == NOT_RECORDED, order, value


def _paired(
    group: Group,
    beside: Group,
    ours: Sequence[History],
    theirs: Sequence[History],
    by: str,
    zone: ZoneInfo,
) -> Pair:
    """Before the chances are raised for their number; `_judged` gives the verdict."""
    notes = tuple(_unlike(group, beside, ours, theirs, by, zone))
    if not group.cuttings or not beside.cuttings:
        return Pair(group.value, beside.value, None, None, None, "", "", notes)
    low, high = difference(_worth(group), _worth(beside))
    chance: float | None = None
    test = ""
    if min(group.cuttings, beside.cuttings) >= FEW:
        if least_permutation(group.closed, beside.closed) <= CHANCE:
            test = "batches"
            chance = permutation(_strikes(ours), _strikes(theirs))
        elif _apart(ours, theirs):
            test = "cuttings"
            missed = group.cuttings - group.rooted, beside.cuttings - beside.rooted
            chance = fisher(group.rooted, missed[0], beside.rooted, missed[1])
    return Pair(group.value, beside.value, low, high, chance, test, "", notes)


def _worth(group: Group) -> tuple[float, float]:
    """(rooted, cuttings) as far as they count."""
    return group.rooted / group.spread, group.cuttings / group.spread


def _strikes(part: Sequence[History]) -> list[float]:
    return [one.rooted / one.batch.cuttings for one in part if one.rooted is not None]


def _apart(ours: Sequence[History], theirs: Sequence[History]) -> bool:
    """Whether every batch of one group did better than every batch of the other."""
    here, there = _strikes(ours), _strikes(theirs)
    return min(here) > max(there) or max(here) < min(there)


def _unlike(
    group: Group,
    beside: Group,
    ours: Sequence[History],
    theirs: Sequence[History],
    by: str,
    zone: ZoneInfo,
) -> list[str]:
    """What else was not alike: a difference may come of that."""
    notes = []
    if group.base_c is not None and beside.base_c is not None:
        apart_k = group.base_c - beside.base_c
        if abs(apart_k) > BASE_K:
            word = "warmer" if apart_k > 0 else "colder"
            notes.append(f"its base was {abs(apart_k):.1f} K {word}")
    months = [{value_of(one, "month", zone) for one in part} for part in (ours, theirs)]
    if by != "month" and not months[0] & months[1]:
        notes.append("they were stuck in different months")
    return notes


def _judged(pairs: Sequence[Pair]) -> list[Pair]:
    tested = [index for index, pair in enumerate(pairs) if pair.chance is not None]
    raised = holm([pairs[index].chance or 0.0 for index in tested])
    chances = dict(zip(tested, raised, strict=True))
    return [
        pair._replace(chance=chances.get(i), verdict=_verdict(pair, chances.get(i)))
        for i, pair in enumerate(pairs)
    ]


def _verdict(pair: Pair, chance: float | None) -> str:
    if pair.low is None or pair.high is None or not pair.test:
        return "too few to tell"
    outside = pair.low > 0.0 or pair.high < 0.0
    if pair.test == "cuttings":
        shown = outside and chance is not None and chance <= CHANCE
    else:
        # With too many batches to deal out the widened interval speaks.
        shown = outside if chance is None else chance <= CHANCE
    if shown:
        return "differ" if pair.test == "batches" else "these batches differ"
    return "no difference seen" if pair.high - pair.low <= WIDE else "too few to tell"


def over_all(histories: Sequence[History], by: str, zone: ZoneInfo) -> list[Overall]:
    """Every value beside the one of most batches, over all plants at once, block by block.

    by: as `compare`; nothing for what blocks are made of. Blocks of several plants together show
    what no plant has enough batches for, and still only like stands beside like.
    """
    if by not in BLOCKED_BY:
        return []
    strikes: dict[tuple[str, ...], dict[str, list[float]]] = {}
    counts: dict[str, int] = {}
    words: dict[str, str] = {}
    for one in histories:
        value = value_of(one, by, zone)
        if one.rooted is None or value == NOT_RECORDED:
            continue
        words.setdefault(value.lower(), value)
        month = datetime.fromtimestamp(one.batch.stuck_s, zone).strftime("%Y-%m")
        block = (one.batch.plant.strip().lower(), one.batch.kind, month)
        parted = strikes.setdefault(block, {})
        parted.setdefault(value.lower(), []).append(one.rooted / one.batch.cuttings)
        counts[value.lower()] = counts.get(value.lower(), 0) + 1
    if not counts:
        return []
    first = min(counts, key=lambda key: (-counts[key], key))
    found = []
    for key in sorted(counts):
        pairs = [(held[key], held[first]) for held in strikes.values() if {key, first} <= set(held)]
        told = blocked_permutation(pairs) if key != first and len(pairs) > 1 else None
        if told is not None:
            sizes = sum(len(ours) for ours, _ in pairs), sum(len(theirs) for _, theirs in pairs)
            found.append(Overall(words[key], words[first], len(pairs), sizes, *told, ""))
    raised = holm([one.chance for one in found])
    return [
        one._replace(chance=c, verdict="differ" if c <= CHANCE else "no difference shown")
        for one, c in zip(found, raised, strict=True)
    ]


class Standing(NamedTuple):
    """A batch beside the closed ones like it. least, most: their lowest and highest strike rate.

    others: the like batches as a group; None where there is none.
    """

    own: Group
    others: Group | None
    least: float | None
    most: float | None

    @property
    def verdict(self) -> str:
        strike = self.own.strike
        if strike is None:
            return "not closed yet"
        if self.others is None or self.others.closed < 3 or self.least is None or self.most is None:
            return "too few like batches to tell"
        if strike < self.least:
            return "below every one of them"
        return "above every one of them" if strike > self.most else "within what they had"


def standing(one: History, others: Sequence[History]) -> Standing:
    """A batch beside the closed batches of the same plant and kind."""
    like = [other for other in others if is_like(one, other) == 2 and other.rooted is not None]
    strikes = _strikes(like)
    return Standing(
        group_of(f"batch {one.number}", [one]),
        group_of("like batches", like) if like else None,
        min(strikes, default=None),
        max(strikes, default=None),
    )
