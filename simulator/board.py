"""A board that is not there: it speaks the same text lines as one on the bench.

All relays are off at power-up. An order is a lease: the seconds a relay may stay on from now, cut
to the board's own longest for that channel; when it runs out, the relay drops by itself.
"""

from collections.abc import Callable, Mapping
from math import inf
from types import MappingProxyType
from typing import Final

from sensors.lines import LINE_BYTES, LineError, decode, encode, parse_number
from sensors.messages import HELLO, NAK, ORDER, PROBE, RELAY, SEQ_MODULUS

FIRMWARE: Final = "sim-1"
EVERY_S: Final = 10.0
"""Between two readings of a channel of which nothing is said."""
RELAY_REPORT_S: Final = 60.0
LEASES_KEPT: Final = 500
"""How many texts of leases are remembered with their seconds."""
MAT_LONGEST_S: Final = 120.0
MIST_LONGEST_S: Final = 60.0
_FRAME_BYTES: Final = 24
"""Room kept in a probe line for word, sequence and checksum."""
_FIELD_BYTES: Final = 12


Read = Callable[[], str | None]
Group = list[tuple[str, Read]]


class _Relay:
    __slots__ = ("left_s", "longest_s")

    def __init__(self, longest_s: float) -> None:
        self.longest_s = longest_s
        self.left_s = 0.0


class _Round:
    """Channels that are read at the same times. due_s: board time of the next."""

    __slots__ = ("channels", "due_s", "every_s")

    def __init__(self, every_s: float) -> None:
        self.every_s = every_s
        self.due_s = 0.0
        self.channels: Group = []


class SimBoard:
    """One board.

    probes: channel -> a function giving the reading as text, or None when it does not answer.
    relays: channel -> longest seconds on by one order.  every_s: channel -> seconds between its
    readings, 10 for those left out; channels due at the same time share a line.
    on_s: per relay, seconds it was on in the last `advance`.
    """

    def __init__(
        self,
        probes: Mapping[str, Read],
        relays: Mapping[str, float],
        *,
        name: str = "sim",
        every_s: Mapping[str, float] = MappingProxyType({}),
    ) -> None:
        self.name = name
        self._rounds = _rounds(probes, every_s)
        self._groups: dict[tuple[_Round, ...], list[Group]] = {}
        self._relays = {channel: _Relay(longest_s) for channel, longest_s in relays.items()}
        self.on_s = dict.fromkeys(relays, 0.0)
        self._leases_s: dict[str, float] = {}
        self._channels = ",".join([*probes, *relays])
        self.power_up()

    def power_up(self) -> None:
        """Start anew, as after a loss of power: all relays off, uptime and sequence from zero."""
        self._seq = 0
        self._up_s = 0.0
        self._due_s = 0.0
        self._relay_due_s = 0.0
        self._out: list[str] = []
        self._greeted = False
        self._changed = False
        for due in self._rounds:
            due.due_s = 0.0
        for relay in self._relays.values():
            relay.left_s = 0.0

    def relay_on(self, channel: str) -> bool:
        """Whether the relay is closed now. Raises KeyError for a channel the board lacks."""
        return self._relays[channel].left_s > 0.0

    def receive(self, line: str) -> None:
        """Take one line from the host; what is wrong with it is answered with a nak."""
        try:
            word, seq, fields = decode(line)
        except LineError:
            self._say(NAK, {"of": "0", "why": "line"})
            return
        if word != ORDER:
            self._say(NAK, {"of": str(seq), "why": "word"})
            return
        relays, known_s = self._relays, self._leases_s
        leases = []
        for channel, value in fields.items():
            relay = relays.get(channel)
            lease_s = known_s.get(value)
            if lease_s is None:
                lease_s = self._lease_s(value)
            if relay is None or lease_s < 0.0:
                self._say(NAK, {"of": str(seq), "why": "channel" if relay is None else "lease"})
                return
            leases.append((relay, lease_s))
        for relay, lease_s in leases:
            if lease_s > relay.longest_s:
                lease_s = relay.longest_s
            if (lease_s > 0.0) is not (relay.left_s > 0.0):
                self._changed = True
            relay.left_s = lease_s

    def _lease_s(self, text: str) -> float:
        """Seconds of a lease, below 0 for text that is none."""
        try:
            lease_s = parse_number(text)
        except LineError:
            return -1.0
        if len(self._leases_s) < LEASES_KEPT:
            self._leases_s[text] = lease_s
        return lease_s

    def advance(self, dt_s: float) -> Mapping[str, float]:
        """Let `dt_s` seconds pass. Returns `on_s`: the seconds each relay was on in them."""
        self._up_s += dt_s
        on_s = self.on_s
        for channel, relay in self._relays.items():
            left_s = relay.left_s
            if left_s <= 0.0:
                on_s[channel] = 0.0
            elif left_s > dt_s:
                on_s[channel] = dt_s
                relay.left_s = left_s - dt_s
            else:
                on_s[channel] = left_s
                relay.left_s = 0.0
                self._changed = True
        return on_s

    def lines(self) -> list[str]:
        """The lines due by now, oldest first, each with its newline."""
        if not self._greeted:
            self._greeted = True
            self._greet()
        up_s = self._up_s
        if self._changed or up_s >= self._relay_due_s:
            self._changed = False
            self._relay_due_s = up_s + RELAY_REPORT_S
            self._report_relays()
        if up_s >= self._due_s:
            self._report_probes(up_s)
        out = self._out
        if out:
            self._out = []
        return out

    def _report_probes(self, up_s: float) -> None:
        due: tuple[_Round, ...] = ()
        next_s = inf
        for one in self._rounds:
            if up_s >= one.due_s:
                one.due_s = max(one.due_s, up_s - one.every_s) + one.every_s
                due += (one,)
            next_s = min(next_s, one.due_s)
        self._due_s = next_s
        groups = self._groups.get(due)
        if groups is None:
            groups = self._groups[due] = _line_groups([c for one in due for c in one.channels])
        for group in groups:
            fields = {}
            for channel, read in group:
                text = read()
                if text is not None:
                    fields[channel] = text
            self._say(PROBE, fields)

    def _report_relays(self) -> None:
        fields = {}
        for channel, relay in self._relays.items():
            on = "1" if relay.left_s > 0.0 else "0"
            fields[channel] = f"{on}/{round(relay.left_s)}"
        if fields:
            self._say(RELAY, fields)

    def _greet(self) -> None:
        fields = {"id": self.name, "fw": FIRMWARE, "up": str(round(self._up_s))}
        room = LINE_BYTES - _FRAME_BYTES - sum(len(k) + len(v) + 2 for k, v in fields.items()) - 4
        self._say(HELLO, {**fields, "ch": self._channels[:room] or "-"})

    def _say(self, word: str, fields: dict[str, str]) -> None:
        self._out.append(encode(word, self._seq, fields))
        self._seq = (self._seq + 1) % SEQ_MODULUS


def _rounds(probes: Mapping[str, Read], every_s: Mapping[str, float]) -> list[_Round]:
    """Probes by the time between their readings, the most frequent first."""
    rounds: dict[float, _Round] = {}
    for channel, read in probes.items():
        own_s = every_s.get(channel, EVERY_S)
        rounds.setdefault(own_s, _Round(own_s)).channels.append((channel, read))
    return sorted(rounds.values(), key=lambda one: one.every_s)


def _line_groups(channels: Group) -> list[Group]:
    """Channels shared out over as many lines as their names need."""
    groups: list[Group] = []
    room = 0
    for channel, read in channels:
        size = len(channel) + _FIELD_BYTES
        if size > room:
            groups.append([])
            room = LINE_BYTES - _FRAME_BYTES
        groups[-1].append((channel, read))
        room -= size
    return groups
