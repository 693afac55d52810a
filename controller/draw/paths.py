"""Series of samples as SVG paths: broken at gaps, thinned without losing a peak."""

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ACROSS: Final = 1000.0
"""Width of a plot in its own units; it is stretched to the width of the page."""
COLUMNS: Final = 500
"""Samples are thinned to the first, least, greatest and last of each of so many columns."""


def runs(t_s: Floats, values: Floats, gap_s: float) -> Iterator[tuple[Floats, Floats]]:
    """The stretches without a gap: no NaN in them, and never more than `gap_s` to the next."""
    known = np.isfinite(values)
    t_s, values = t_s[known], values[known]
    # A run ends where a NaN stood too: the place of each kept sample among all tells.
    place = np.flatnonzero(known)
    cuts = np.flatnonzero((np.diff(t_s) > gap_s) | (np.diff(place) > 1)) + 1
    for part_t, part_v in zip(np.split(t_s, cuts), np.split(values, cuts), strict=True):
        if len(part_t):
            yield part_t, part_v


def thinned(t_s: Floats, values: Floats, column_s: float) -> tuple[Floats, Floats]:
    """The first, least, greatest and last sample of each column of time, in order of time."""
    if len(t_s) <= 4:
        return t_s, values
    column = np.floor(t_s / column_s)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1))
    if 4 * len(starts) >= len(t_s):
        return t_s, values
    ends = np.concatenate((starts[1:], [len(t_s)])) - 1
    group = np.repeat(np.arange(len(starts)), ends - starts + 1)
    order = np.lexsort((values, group))
    kept = np.unique(np.concatenate((starts, order[starts], order[ends], ends)))
    return t_s[kept], values[kept]


def line_path(x: Floats, y: Floats, *, stepped: bool = False) -> str:
    """A line through points in plot units; stepped: each holds until the next. A lone point is a
    dash as wide as it is seen."""
    if len(x) == 1:
        return f"M{_n(x[0] - 1)} {_n(y[0])}H{_n(x[0] + 1)}"
    parts = [f"M{_n(x[0])} {_n(y[0])}"]
    for here_x, here_y, before_y in zip(x[1:], y[1:], y[:-1], strict=True):
        if not stepped:
            parts.append(f"L{_n(here_x)} {_n(here_y)}")
        else:
            parts.append(f"H{_n(here_x)}")
            if here_y != before_y:
                parts.append(f"V{_n(here_y)}")
    return "".join(parts)


def _n(value: float) -> str:
    """To a tenth of a unit, in as few signs as can be."""
    return f"{value:.1f}".removesuffix(".0")
