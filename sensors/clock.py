"""Time, as an argument. Read once a tick and handed down."""

import time
from pathlib import Path
from typing import Final, NamedTuple, Protocol

WRITTEN_UTC_S: Final = 1_767_225_600.0
"""2026-01-01T00:00Z: no clock that shows an earlier date has been set."""
LOOK_EVERY_S: Final = 30.0


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
        self._trusted = False
        self._look_s = float("-inf")

    def now(self) -> Now:
        mono_s = time.clock_gettime(self._clock_id)
        utc_s = time.time()
        if mono_s >= self._look_s:
            self._look_s = mono_s + LOOK_EVERY_S
            self._trusted = utc_s > WRITTEN_UTC_S and _is_kept(Path("/"))
        return Now(utc_s, mono_s, self._trusted)

    def wait_until(self, mono_s: float) -> None:
        left_s = mono_s - time.clock_gettime(self._clock_id)
        if left_s > 0:
            time.sleep(left_s)


def _is_kept(root: Path) -> bool:
    """Whether the wall clock can be right: kept by a clock chip, or set by the time service.

    A machine without a clock chip starts with the time at which it was switched off, and is wrong
    by the length of the outage until the time service says so (systemd-timesyncd(8)).
    """
    service = root / "run/systemd/timesync"
    return (
        (root / "dev/rtc0").exists() or not service.is_dir() or (service / "synchronized").exists()
    )
