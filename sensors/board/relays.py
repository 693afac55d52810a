"""Relays that let go by themselves. Runs unchanged under MicroPython and CPython."""

try:
    from typing import Any
except ImportError:  # MicroPython has no typing, and evaluates no annotations
    pass

LEASE_MOST_MS = 120000


class Relay:
    """One relay, closed only while a lease runs.

    pin: an output that already stands at the level that opens the relay.  on: the level, 0 or 1,
    that closes it.  longest_ms: most that one order may ask for.  stretch_ms: longest time closed
    at a stretch, however often the order is renewed, 0 for no such bound; after that it stays open
    as long again.
    """

    def __init__(self, name: str, pin: "Any", on: int, longest_ms: int, stretch_ms: int = 0):
        self.name = name
        self._pin = pin
        self._on = on
        self._longest_ms = longest_ms if longest_ms < LEASE_MOST_MS else LEASE_MOST_MS
        self._stretch_ms = stretch_ms
        self._closed_ms = 0
        self._rest_ms = 0
        self.left_ms = 0
        self.drop()

    def order(self, lease_ms: int) -> None:
        """Close for `lease_ms` from now, no longer than allowed; 0 opens at once."""
        if lease_ms <= 0:
            self.drop()
            return
        if self._rest_ms > 0:
            return
        if lease_ms > self._longest_ms:
            lease_ms = self._longest_ms
        if self._stretch_ms and lease_ms > self._stretch_ms - self._closed_ms:
            lease_ms = self._stretch_ms - self._closed_ms
        self.left_ms = lease_ms
        self._pin.value(self._on)

    def tick(self, dt_ms: int) -> None:
        """Let `dt_ms` pass, 0 or more."""
        if self.left_ms <= 0:
            self._rest_ms = self._rest_ms - dt_ms if self._rest_ms > dt_ms else 0
            self._pin.value(1 - self._on)  # said again: a spike may have turned the latch
            return
        self._closed_ms += dt_ms
        self.left_ms -= dt_ms
        if self.left_ms > 0:
            self._pin.value(self._on)
            return
        rests = self._stretch_ms and self._closed_ms >= self._stretch_ms
        self.drop()
        if rests:
            self._rest_ms = self._stretch_ms

    def drop(self) -> None:
        """Open now."""
        self._pin.value(1 - self._on)
        self.left_ms = 0
        self._closed_ms = 0

    def report(self) -> str:
        """As the line format says it: closed or not, and seconds left."""
        return ("1/" if self.left_ms > 0 else "0/") + str((self.left_ms + 500) // 1000)
