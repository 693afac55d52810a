"""What every link does with what it receives: a bounded queue, and an eye on sequences."""

from collections import deque
from typing import Final, Generic, TypeVar

from sensors.messages import HELLO, NO_SEQ, SEQ_MODULUS, Message

Item = TypeVar("Item")

QUEUE_LENGTH: Final = 1000
LATE_WINDOW: Final = 64
"""A sequence this little behind the last one is a late message; further behind, a restart."""
RESTART_RUN: Final = 3
RESTART_SPAN_S: Final = 5.0
"""So many rising 'late' messages, over so long, with no other between them: a restart too."""


class Inbox(Generic[Item]):
    """A queue from the one reader thread to the one loop. When full, the oldest is dropped."""

    def __init__(self, length: int = QUEUE_LENGTH) -> None:
        self._items: deque[Item] = deque(maxlen=length)
        self._length = length
        self.dropped = 0

    def put(self, item: Item) -> None:
        items = self._items
        if len(items) >= self._length:
            self.dropped += 1
        items.append(item)

    def take(self) -> list[Item]:
        """What is queued now, oldest first; what comes meanwhile waits for the next call."""
        items = self._items
        if len(items) == 1:
            return [items.popleft()]
        return [items.popleft() for _ in range(len(items))]


class WireState:
    """Whether the wire is open, why not, and since when. openings: times it was opened."""

    def __init__(self, why: str, mono_s: float) -> None:
        self.now: tuple[bool, str, float] = (False, why, mono_s)
        self.openings = 0

    def set_open(self, mono_s: float) -> None:
        """The wire was opened."""
        self.openings += 1
        self.set_up(mono_s)

    def set_up(self, mono_s: float) -> None:
        """The wire, open all the while, works (again)."""
        if not self.now[0]:
            self.now = (True, "", mono_s)

    def set_down(self, why: str, mono_s: float) -> None:
        """The wire is closed or does not work. why: plain words, with what to do."""
        up, known, since_s = self.now
        if up or known != why:
            self.now = (False, why, mono_s if up else since_s)

    @property
    def reopened(self) -> int:
        return max(0, self.openings - 1)


class _Last:
    """Where the sequence of one sender's messages of one word stands."""

    __slots__ = ("late_run", "late_seq", "late_since_s", "seq")

    def __init__(self, seq: int) -> None:
        self.seq = seq
        self.late_seq = 0
        self.late_run = 0
        self.late_since_s = 0.0


class SequenceFilter:
    """Lets each message through once, and in order, per sender and word.

    A sender that starts anew is let in at once when it says hello or when its sequence falls far
    back, and otherwise as soon as its low numbers keep rising. `refused` counts what was dropped.
    """

    def __init__(self) -> None:
        self._last: dict[tuple[str, str], _Last] = {}
        self.refused = 0

    def accept(self, message: Message, mono_s: float, node: str = "") -> bool:
        """False for a repeat or a late message. mono_s: monotonic time of its arrival."""
        word, seq, _ = message
        last = self._last.get((node, word))
        # The next in order, as most are.
        if last is not None and seq == last.seq + 1:
            last.seq = seq
            last.late_run = 0
            return True
        if seq == NO_SEQ:
            return True
        if word == HELLO:
            self.forget(node)
            return True
        if last is None:
            self._last[node, word] = _Last(seq)
            return True
        ahead = (seq - last.seq) % SEQ_MODULUS
        if 0 < ahead < SEQ_MODULUS - LATE_WINDOW:
            last.seq = seq
            last.late_run = 0
            return True
        if ahead and _started_anew(last, seq, mono_s):
            self._last[node, word] = _Last(seq)
            return True
        self.refused += 1
        return False

    def forget(self, node: str = "") -> None:
        """Take the next message of that sender as its first."""
        for key in [key for key in self._last if key[0] == node]:
            del self._last[key]


def _started_anew(last: _Last, seq: int, mono_s: float) -> bool:
    """Whether low numbers have risen long enough to be a restart and no echo of old messages."""
    if last.late_run and seq > last.late_seq:
        last.late_run += 1
    else:
        last.late_run = 1
        last.late_since_s = mono_s
    last.late_seq = seq
    return last.late_run >= RESTART_RUN and mono_s - last.late_since_s >= RESTART_SPAN_S
