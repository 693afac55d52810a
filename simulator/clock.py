"""A clock that is turned by hand."""

from sensors.clock import Now


class VirtualClock:
    """Satisfies `sensors.clock.Clock`; waiting moves it on at once.

    utc_s: UTC seconds at the start.  mono_s: monotonic seconds at the start.  trusted: whether the
    wall clock counts as set.
    """

    __slots__ = ("_ahead_s", "_mono_s", "_now", "trusted")

    def __init__(self, utc_s: float, mono_s: float = 0.0, trusted: bool = True) -> None:
        self._mono_s = mono_s
        self._ahead_s = utc_s - mono_s
        self.trusted = trusted
        self._now = Now(utc_s, mono_s, trusted)

    def now(self) -> Now:
        held = self._now
        if held.mono_s != self._mono_s or held.trusted is not self.trusted:
            held = self._now = Now(self._ahead_s + self._mono_s, self._mono_s, self.trusted)
        return held

    def wait_until(self, mono_s: float) -> None:
        """Turn the clock on to `mono_s`; a time that has passed changes nothing."""
        if mono_s > self._mono_s:
            self._mono_s = mono_s

    def advance(self, dt_s: float) -> None:
        """Turn the clock on by `dt_s` >= 0 seconds. Raises ValueError for a negative span."""
        if dt_s < 0:
            raise ValueError(f"a clock cannot be turned back by {-dt_s} s; use step_utc for UTC")
        self._mono_s += dt_s

    def step_utc(self, delta_s: float) -> None:
        """Set the wall clock forward or, below zero, back; monotonic time does not notice."""
        self._ahead_s += delta_s
        self._now = Now(self._ahead_s + self._mono_s, self._mono_s, self.trusted)
