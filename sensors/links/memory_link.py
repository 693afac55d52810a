"""A wire inside the process. What travels on it is the same text as on a serial line."""

from collections import deque
from collections.abc import Callable
from typing import Final

from sensors.clock import Clock
from sensors.lines import LineAssembler, LineError, decode, encode
from sensors.links.base import LinkHealth
from sensors.links.inbox import Inbox, SequenceFilter, WireState
from sensors.messages import ORDER, Arrival, Message

HISTORY: Final = 1000

# Builds a named tuple in half the time; it is done for every line.
_tuple = tuple.__new__


class MemoryLink:
    """A board's wire without a board: for rehearsals, tests, and bench models of other people.

    The far end gives its lines to `feed`, and learns of orders in either of two ways: `on_line` is
    called with each line at once, or `relays` tells what the last orders amount to. `sent` holds
    the last orders as (monotonic seconds, line), oldest first.
    """

    def __init__(
        self, name: str, clock: Clock | None = None, history: int | None = HISTORY
    ) -> None:
        """clock: stamps `sent`; without one the time of the last feed is used.

        history: how many sent lines are kept, None for all.
        """
        self.name = name
        self.sent: deque[tuple[float, str]] = deque(maxlen=history)
        self.on_line: Callable[[str], None] | None = None
        self._clock = clock
        self._fed_s = 0.0
        self._open = False
        self._inbox: Inbox[Arrival] = Inbox()
        self._filter = SequenceFilter()
        self._assembler = LineAssembler()
        self._leases: dict[str, str] = {}
        self._state = WireState("not started", self._mono_s())
        self._heard = 0
        self._refused = 0

    # -- the near end: a Link -------------------------------------------------------------------

    def start(self) -> None:
        self.mend()

    def poll(self) -> list[Arrival]:
        return self._inbox.take()

    def send(self, message: Message, node: str = "") -> bool:  # noqa: ARG002  one board, no nodes
        if not self._open:
            return False
        try:
            line = encode(message.word, message.seq, message.fields)
        except LineError:
            return False
        self.sent.append((self._mono_s(), line))
        if message.word == ORDER:
            self._leases.update(message.fields)
        if self.on_line is not None:
            self.on_line(line)
        return True

    def health(self) -> LinkHealth:
        state = self._state
        rejected = self._refused + self._filter.refused + self._assembler.dropped
        return _tuple(
            LinkHealth,
            (*state.now, self._heard, rejected, state.reopened, self._inbox.dropped, ""),
        )

    def stop(self) -> None:
        self._close("stopped")

    # -- the far end ------------------------------------------------------------------------------

    def feed(self, data: str | bytes, mono_s: float) -> None:
        """Text from the board, in pieces of any size. mono_s: monotonic time of its arrival.

        On a cut wire, and before `start`, it is lost.
        """
        self._fed_s = mono_s
        if not self._open:
            return
        if isinstance(data, str):
            # A board that is not there says whole lines; they need no putting together.
            if self._assembler.idle and data.find("\n") == len(data) - 1 and "\r" not in data:
                if len(data) > 1:
                    self._take(data, mono_s)
                return
            data = data.encode()
        for line in self._assembler.feed(data):
            self._take(line, mono_s)

    def _take(self, line: str, mono_s: float) -> None:
        try:
            message = _tuple(Message, decode(line))
        except LineError:
            self._refused += 1
            return
        if self._filter.accept(message, mono_s):
            self._heard += 1
            self._inbox.put(_tuple(Arrival, (message, mono_s, "", False)))

    def relays(self) -> dict[str, float]:
        """Per channel, the lease of the last order, s; 0 is off. Running it down is the board's."""
        return {channel: float(lease) for channel, lease in self._leases.items()}

    def cut(self) -> None:
        """Break the wire: what either end sends is lost until `mend`."""
        self._close("the wire is cut")

    def mend(self) -> None:
        """Join the wire again; half a line sent before the cut stays lost."""
        if not self._open:
            self._open = True
            self._state.set_open(self._mono_s())

    def _close(self, why: str) -> None:
        self._open = False
        self._assembler.reset()
        self._state.set_down(why, self._mono_s())

    def _mono_s(self) -> float:
        return self._clock.now().mono_s if self._clock is not None else self._fed_s
