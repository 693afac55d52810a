"""Groups of batches with one thing in common: strike rate, time to root, what the base gave."""

from collections.abc import Sequence
from datetime import datetime
from math import inf
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from controller.records import NOT_NOTED
from controller.review.history import History
from controller.review.proportions import spread_factor, wilson
from controller.review.survival import Between, quantile, turnbull

BY: Final = ("plant", "kind", "hormone", "mix", "stock", "month", "bay")
NOT_RECORDED: Final = "not recorded"
MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


class Point(NamedTuple):
    """Share of the living cuttings with roots by `day`, 0..1.

    at_risk: cuttings that were looked at on that day or later, in one test or another.
    """

    day: float
    rooted: float
    at_risk: int


class Group(NamedTuple):
    """Batches with one value in common.

    value: as the grower wrote it.  open: still on the bench, not in the counts.  cuttings, rooted:
    of closed batches.  low, high: 95 % of the strike rate, 0..1.  spread: factor by which cuttings
    count for less, as the batches differ.  half: days (after, by) by which half of the batches had
    half their cuttings rooted; by inf: not reached; None: no batch got there.  half_n: batches in
    which half rooted.  base_c, warmth_kh_day, cold_h, hot_h: mean of the batches.
    """

    value: str
    batches: tuple[int, ...]
    open: int
    cuttings: int
    rooted: int
    low: float | None
    high: float | None
    spread: float
    half: tuple[float, float] | None
    half_n: int
    curve: tuple[Point, ...]
    base_c: float | None
    warmth_kh_day: float | None
    cold_h: float | None
    hot_h: float | None

    @property
    def closed(self) -> int:
        return len(self.batches) - self.open

    @property
    def strike(self) -> float | None:
        return self.rooted / self.cuttings if self.cuttings else None


def value_of(one: History, by: str, zone: ZoneInfo) -> str:
    """What a batch has under one of BY; NOT_RECORDED where nobody wrote it down."""
    if by == "month":
        return MONTHS[datetime.fromtimestamp(one.batch.stuck_s, zone).month - 1]
    if by == "bay" and one.batch.from_notebook:
        return NOT_RECORDED if one.batch.bay == NOT_NOTED else one.batch.bay
    own = {"plant": one.batch.plant, "kind": one.batch.kind, "bay": one.place}
    found = own[by] if by in own else one.batch.details.get(by, "")
    return " ".join(found.split()) or NOT_RECORDED


def group_of(value: str, part: Sequence[History]) -> Group:
    """The figures of a group; at least one batch."""
    closed = [(one.rooted, one.batch.cuttings) for one in part if one.rooted is not None]
    rooted, cuttings = sum(k for k, _ in closed), sum(n for _, n in closed)
    spread = spread_factor(closed) if closed else 1.0
    low, high = wilson(rooted / spread, cuttings / spread) if closed else (None, None)
    half, half_n = half_rooted(part)
    return Group(
        value,
        tuple(one.number for one in part),
        len(part) - len(closed),
        cuttings,
        rooted,
        low,
        high,
        spread,
        half,
        half_n,
        rooting_curve(part),
        _mean([one.got.mean_base_c for one in part]),
        _mean([one.got.warmth_kh_day for one in part]),
        _mean([one.got.cold_h for one in part if one.got.pace is not None]),
        _mean([one.got.hot_h for one in part if one.got.pace is not None]),
    )


def half_rooted(part: Sequence[History]) -> tuple[tuple[float, float] | None, int]:
    """Days (after, by) by which half of the batches had half rooted, and how many did.

    Batches that still stand unrooted count as "later"; those closed without are left out.
    """
    spans = []
    for one in part:
        seen = one.rooting()
        if seen is not None and seen[0] < seen[1]:
            spans.append(Between(one.days(seen[0]), one.days(seen[1]) if seen[1] != inf else inf))
    reached = sum(span.by != inf for span in spans)
    return (quantile(turnbull(spans), 0.5) if reached else None), reached


def rooting_curve(part: Sequence[History]) -> tuple[Point, ...]:
    """Share of the living with roots, week by week (fewer steps when it took long).

    Every cutting counted in a test or at closing is one look: rooted by then or not. Turnbull's
    estimate of such looks, at its surest. A notebook tells only the end, so it is left out.
    """
    looks = [
        (one.days(look.at_s), look.tested, look.rooted)
        for one in part
        for look in one.looks
        if look.tested and not one.batch.from_notebook
    ]
    looks = [look for look in looks if look[0] > 0.0]
    if not looks:
        return ()
    spans = [Between(0.0, day, rooted) for day, _, rooted in looks if rooted]
    spans += [Between(day, inf, n - rooted) for day, n, rooted in looks if n > rooted]
    masses = turnbull(spans)
    last = max(day for day, _, _ in looks)
    step = 7.0 * max(1, round(last / 7.0 / 5))
    days = [step * turn for turn in range(1, int(last // step) + 1)] or [last]
    return tuple(
        Point(
            day,
            sum(mass.share for mass in masses if mass.by <= day),
            sum(n for at, n, _ in looks if at >= day),
        )
        for day in days
    )


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
