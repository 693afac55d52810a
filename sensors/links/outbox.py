"""What waits to go out on a wire."""

import threading
from collections import deque
from typing import Final, Generic, TypeVar

Item = TypeVar("Item")

OUTBOX_LENGTH: Final = 32
STALE_S: Final = 2.0
"""What waited longer is dropped: an order's lease counts from when it was given."""


class Outbox(Generic[Item]):
    """Hands what is to be sent from the loop to the writing thread; neither waits for the other.

    Bounded: when full the oldest is dropped, for every order is absolute and the newest one holds.
    """

    def __init__(self, length: int = OUTBOX_LENGTH) -> None:
        self._waiting: deque[tuple[float, Item]] = deque(maxlen=length)
        self._changed = threading.Condition()
        self._woken = False

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, item: Item, mono_s: float) -> None:
        """mono_s: monotonic time at which it was given."""
        with self._changed:
            self._waiting.append((mono_s, item))
            self._changed.notify()

    def take(self, mono_s: float, wait_s: float = 0.0) -> list[Item]:
        """What waits, oldest first; waits itself up to `wait_s` seconds for a first item.

        mono_s: monotonic time at the call; what was older than two seconds then is dropped.
        """
        with self._changed:
            if not self._waiting and not self._woken and wait_s > 0:
                self._changed.wait(wait_s)
            self._woken = False
            taken = list(self._waiting)
            self._waiting.clear()
        return [item for put_s, item in taken if mono_s - put_s <= STALE_S]

    def wake(self) -> None:
        """Let a waiting `take` return at once."""
        with self._changed:
            self._woken = True
            self._changed.notify()

    def clear(self) -> None:
        with self._changed:
            self._waiting.clear()
