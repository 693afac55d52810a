"""How often one address may ask, and how long it waits after wrong tokens. Pure: time is given."""

from collections import OrderedDict
from typing import Final

FORGET: Final = 1000
"""Addresses remembered; the ones longest unseen go first."""


class Rate:
    """A bucket for each address: `burst` requests at once, then `per_s` a second."""

    def __init__(self, per_s: float = 20.0, burst: float = 200.0) -> None:
        self._per_s = per_s
        self._burst = burst
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, address: str, now_s: float) -> bool:
        """Whether one more request may be answered now; it is counted if so."""
        left, at_s = self._left.pop(address, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at_s) * self._per_s)
        allowed = left >= 1.0
        self._left[address] = (left - 1.0 if allowed else left, now_s)
        while len(self._left) > FORGET:
            self._left.popitem(last=False)
        return allowed


class Tries:
    """Wrong tokens: after `free` from one address each further one doubles the wait, to `most_s`.

    All addresses together have a bucket of their own, so that many of them guess no faster.
    """

    def __init__(self, free: int = 5, first_s: float = 2.0, most_s: float = 900.0) -> None:
        self._free = free
        self._first_s = first_s
        self._most_s = most_s
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._total = Rate(per_s=0.2, burst=60.0)

    def wait_s(self, address: str, now_s: float) -> float:
        """Seconds until this address may try again; 0 when it may now."""
        count, at_s = self._wrong.get(address, (0, now_s))
        over = count - self._free
        if over < 0:
            return 0.0
        return max(0.0, at_s + min(self._most_s, self._first_s * 2.0 ** min(over, 20)) - now_s)

    def may_try(self, address: str, now_s: float) -> bool:
        """Whether a token from this address is looked at now."""
        return self.wait_s(address, now_s) <= 0.0 and self._total.allows("all", now_s)

    def failed(self, address: str, now_s: float) -> None:
        count, _ = self._wrong.pop(address, (0, now_s))
        self._wrong[address] = (count + 1, now_s)
        while len(self._wrong) > FORGET:
            self._wrong.popitem(last=False)

    def passed(self, address: str) -> None:
        self._wrong.pop(address, None)
