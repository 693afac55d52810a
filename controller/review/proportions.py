"""Strike rates beside each other: intervals, and exact tests between two groups.

Every test is two-sided, every interval for 95 % unless another z is given.
"""

from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from math import comb, sqrt
from typing import Final

Z_95: Final = 1.959963984540054
"""The 97.5 % point of the normal distribution."""
SLACK: Final = 1e-7
"""Relative; what is as likely or as far out as the observed must not be lost to rounding."""
ARRANGEMENTS_MOST: Final = 200_000
"""More ways to deal batches out than this are not counted through."""

GRID: Final = 1e-4


def wilson(k: float, n: float, z: float = Z_95) -> tuple[float, float]:
    """The score interval of a proportion k of n, 0..1 each; without continuity correction.

    k in 0..n, n > 0; need not be whole (see `spread_factor`).  Raises ValueError otherwise.
    Source: Wilson, J. Amer. Stat. Assoc. 22 (1927) 209; Newcombe, Stat. Med. 17 (1998) 857,
    method 3.
    """
    if not 0 <= k <= n or n <= 0:
        raise ValueError(f"{k} of {n} is no proportion")
    share = k / n
    middle = share + z * z / (2 * n)
    half = z * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    low = 0.0 if k == 0 else (middle - half) / scale
    high = 1.0 if k == n else (middle + half) / scale
    return low, high


def difference(
    one: tuple[float, float], other: tuple[float, float], z: float = Z_95
) -> tuple[float, float]:
    """The interval of one proportion minus another, -1..1; each is (k, n).

    Source: Newcombe, Stat. Med. 17 (1998) 873, method 10.  Raises ValueError as `wilson`.
    """
    low, high = wilson(*one, z)
    under, over = wilson(*other, z)
    here, there = one[0] / one[1], other[0] / other[1]
    apart = here - there
    return (
        max(-1.0, apart - sqrt((here - low) ** 2 + (over - there) ** 2)),
        min(1.0, apart + sqrt((high - here) ** 2 + (there - under) ** 2)),
    )


def fisher(a: int, b: int, c: int, d: int) -> float:
    """Chance of a table [[a, b], [c, d]] at least as unlikely, were both rows alike; 0..1.

    Tables with the same margins that are no more likely than this one are summed.
    Source: Fisher, The Design of Experiments (1935), chapter II.  Raises ValueError below 0.
    """
    if min(a, b, c, d) < 0:
        raise ValueError("a count below 0")
    row, column, every = a + b, a + c, a + b + c + d
    least, most = max(0, row + column - every), min(row, column)
    ways = [comb(column, x) * comb(every - column, row - x) for x in range(least, most + 1)]
    seen = ways[a - least]
    return min(1.0, sum(way for way in ways if way <= seen * (1 + SLACK)) / comb(every, row))


def spread_factor(batches: Sequence[tuple[int, int]]) -> float:
    """How many times fewer cuttings these are worth, as those of a batch share its fate; >= 1.

    batches: (rooted, stuck) of each, stuck > 0.  1 for a single batch, of which it can't be known,
    and where none or all rooted.  k and n divided by it go into `wilson`.
    Source: the design effect of Rao & Scott, Biometrics 48 (1992) 577, section 2 (from memory).
    """
    count, n = len(batches), sum(stuck for _, stuck in batches)
    share = sum(rooted for rooted, _ in batches) / n
    if count < 2 or share in (0.0, 1.0):
        return 1.0
    squares = sum((rooted - stuck * share) ** 2 for rooted, stuck in batches)
    variance = count / (count - 1) * squares / n**2
    return max(1.0, variance * n / (share * (1 - share)))


def permutation(ours: Sequence[float], theirs: Sequence[float]) -> float | None:
    """Chance of means at least as far apart, were the batches dealt out blindly; 0..1.

    ours, theirs: one figure per batch.  None when a group is empty or there are too many ways to
    deal (ARRANGEMENTS_MOST).  Every way is counted, so the chance is exact, and never less than one
    in the number of ways: two batches against three can never show anything.
    Source: Fisher, The Design of Experiments (1935), section 21 (for two groups, not pairs).
    """
    every = [*ours, *theirs]
    size = len(ours)
    if not ours or not theirs or comb(len(every), size) > ARRANGEMENTS_MOST:
        return None
    total = sum(every)

    def apart(part: float) -> float:
        return abs(part / size - (total - part) / (len(every) - size))

    seen = apart(sum(ours))
    far = seen - SLACK * max(1.0, seen)
    ways = [apart(sum(part)) >= far for part in combinations(every, size)]
    return sum(ways) / len(ways)


def blocked_permutation(
    blocks: Sequence[tuple[Sequence[float], Sequence[float]]],
) -> tuple[float, float] | None:
    """(difference, chance) of two groups met in several blocks, dealt out within each block only.

    blocks: (ours, theirs) of each, one share 0..1 per batch.  The difference is the mean of the
    blocks' own, weighted by n m / (n + m); the chance is of one at least so far from 0, counted
    over all ways on a grid of GRID. None without a block that has both, or with one too large.
    Source: Fisher, The Design of Experiments (1935), section 21; blocks of any size instead of
    pairs.
    """
    both = [(list(ours), list(theirs)) for ours, theirs in blocks if ours and theirs]
    if any(comb(len(a) + len(b), len(a)) > ARRANGEMENTS_MOST for a, b in both) or not both:
        return None
    weights = [len(a) * len(b) / (len(a) + len(b)) for a, b in both]
    seen = 0
    dealt = {0: 1.0}
    for (ours, theirs), weight in zip(both, weights, strict=True):
        every, size = [*ours, *theirs], len(ours)

        def apart(part: float, every: list[float] = every, size: int = size,
                  weight: float = weight) -> int:  # fmt: skip
            mean = part / size - (sum(every) - part) / (len(every) - size)
            return round(weight * mean / GRID)

        seen += apart(sum(ours))
        ways = Counter(apart(sum(part)) for part in combinations(every, size))
        count = sum(ways.values())
        later: dict[int, float] = {}
        for here, chance in dealt.items():
            for step, times in ways.items():
                later[here + step] = later.get(here + step, 0.0) + chance * times / count
        dealt = later
    far = sum(chance for at, chance in dealt.items() if abs(at) >= abs(seen))
    return seen * GRID / sum(weights), min(1.0, far)


def least_permutation(ours: int, theirs: int) -> float:
    """The least chance that `permutation` can give for so many batches; 0..1."""
    ways = comb(ours + theirs, ours)
    return min(1.0, (2 if ours == theirs else 1) / ways)


def holm(chances: Sequence[float]) -> list[float]:
    """Chances of several tests, raised so that together they err no more often than one; 0..1.

    Source: Holm, Scand. J. Statist. 6 (1979) 65.
    """
    raised = [1.0] * len(chances)
    highest = 0.0
    for rank, index in enumerate(sorted(range(len(chances)), key=lambda i: chances[i])):
        highest = max(highest, min(1.0, (len(chances) - rank) * chances[index]))
        raised[index] = highest
    return raised
