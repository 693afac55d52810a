"""Water meters count; what is wanted is a flow.

A count goes up with every pulse and begins anew when its device restarts or has run over. So a flow
is the difference of two counts over the time between them, and none where the count fell.
"""

from math import nan

from sensors.lines import parse_number

SHORTEST_S = 0.5
"""Counts closer together are taken together: over less time a single pulse looks like a flood."""


class Meter:
    """The last count of one water meter."""

    __slots__ = ("_count_ml", "_longest_s", "_taken_s")

    def __init__(self, longest_s: float) -> None:
        """longest_s: counts further apart say nothing of any moment between them."""
        self._longest_s = longest_s
        self._count_ml = self._taken_s = nan

    def flow_text(self, text: str, mono_s: float) -> str | None:
        """The mean flow since the last count, ml/s, as decimal text.

        text: the count, ml, as sent; what is no number is given back, to be refused as a reading.
        mono_s: monotonic time of it.
        None for a first count, one after a longer gap, one that fell, and one that came too soon.
        """
        try:
            count_ml = parse_number(text)
        except ValueError:
            return text
        span_s = mono_s - self._taken_s
        if 0.0 <= span_s < SHORTEST_S and count_ml >= self._count_ml:
            return None
        risen_ml = count_ml - self._count_ml
        self._count_ml, self._taken_s = count_ml, mono_s
        if not (SHORTEST_S <= span_s <= self._longest_s and risen_ml >= 0.0):
            return None
        return f"{risen_ml / span_s:.3f}"
