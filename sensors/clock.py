"""Time, as an argument. Read once a tick and handed down."""

import time
from typing import NamedTuple, Protocol


class Now(NamedTuple):
    """One instant.

    utc_s: seconds since 1970-01-01 UTC, for stamping records and for schedules.
    mono_s: monotonic seconds, for every age, delay, lease and integral.
    trusted: False while the wall clock is not known to be set.
    """

    utc_s: float
    mono_s: float
    trusted: bool = True


class Clock(Protocol):
    """A source of Now, and the only way to wait."""

    def now(self) -> Now: ...

    def wait_until(self, mono_s: float) -> None:
        """Return at or after monotonic time `mono_s`; at once if it has passed."""


class SystemClock:
    """The machine's clocks. Monotonic time includes suspend where the system offers it."""

    def __init__(self) -> None:
        self._clock_id = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)

    def now(self) -> Now:
        return Now(time.time(), time.clock_gettime(self._clock_id), _clock_is_set())

    def wait_until(self, mono_s: float) -> None:
        left_s = mono_s - time.clock_gettime(self._clock_id)
        if left_s > 0:
            time.sleep(left_s)


def _clock_is_set() -> bool:
    """False for a date before this program was written: a board without a clock chip at boot."""
    return time.time() > 1_767_225_600  # 2026-01-01T00:00Z
