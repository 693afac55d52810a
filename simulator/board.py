"""A board that is not there: it speaks the same text lines as one on the bench.

All relays are off at power-up. An order is a lease: the seconds a relay may stay on from now, cut
to the board's own longest for that channel; when it runs out, the relay drops by itself.
"""

from collections.abc import Callable, Mapping
from typing import Final

from sensors.lines import LINE_BYTES, LineError, decode, encode, parse_number
from sensors.messages import HELLO, NAK, ORDER, PROBE, RELAY, SEQ_MODULUS

FIRMWARE: Final = "sim-1"
RELAY_REPORT_S: Final = 30.0
MAT_LONGEST_S: Final = 120.0
MIST_LONGEST_S: Final = 60.0
_FRAME_BYTES: Final = 24
"""Room kept in a probe line for word, sequence and checksum."""
_FIELD_BYTES: Final = 12


class _Relay:
    __slots__ = ("left_s", "longest_s")

    def __init__(self, longest_s: float) -> None:
        self.longest_s = longest_s
        self.left_s = 0.0


class SimBoard:
    """One board.

    probes: channel -> a function giving the reading as text, or None when it does not answer.
    relays: channel -> longest seconds on by one order.  report_s: between probe lines.
    """

    def __init__(
        self,
        probes: Mapping[str, Callable[[], str | None]],
        relays: Mapping[str, float],
        *,
        name: str = "sim",
        report_s: float = 10.0,
    ) -> None:
        self.name = name
        self.report_s = report_s
        self._groups = _line_groups(probes)
        self._relays = {channel: _Relay(longest_s) for channel, longest_s in relays.items()}
        self._channels = ",".join([*probes, *relays])
        self.power_up()

    def power_up(self) -> None:
        """Start anew, as after a loss of power: all relays off, uptime and sequence from zero."""
        self._seq = 0
        self._up_s = 0.0
        self._probe_due_s = 0.0
        self._relay_due_s = 0.0
        self._out: list[str] = []
        self._greeted = False
        self._changed = False
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
        leases: list[tuple[_Relay, float]] = []
        for channel, value in fields.items():
            relay = self._relays.get(channel)
            try:
                lease_s = parse_number(value)
            except LineError:
                lease_s = -1.0
            if relay is None or lease_s < 0.0:
                self._say(NAK, {"of": str(seq), "why": "channel" if relay is None else "lease"})
                return
            leases.append((relay, lease_s))
        for relay, lease_s in leases:
            lease_s = min(lease_s, relay.longest_s)
            if (lease_s > 0.0) is not (relay.left_s > 0.0):
                self._changed = True
            relay.left_s = lease_s

    def advance(self, dt_s: float) -> dict[str, float]:
        """Let `dt_s` seconds pass. Returns the seconds each relay was on in them."""
        self._up_s += dt_s
        on_s = {}
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
        if up_s >= self._probe_due_s:
            self._probe_due_s = max(self._probe_due_s, up_s - self.report_s) + self.report_s
            for group in self._groups:
                self._report_probes(group)
        out, self._out = self._out, []
        return out

    def _report_probes(self, group: list[tuple[str, Callable[[], str | None]]]) -> None:
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


def _line_groups(
    probes: Mapping[str, Callable[[], str | None]],
) -> list[list[tuple[str, Callable[[], str | None]]]]:
    """Probes shared out over as many lines as their names need."""
    groups: list[list[tuple[str, Callable[[], str | None]]]] = []
    room = 0
    for channel, read in probes.items():
        size = len(channel) + _FIELD_BYTES
        if size > room:
            groups.append([])
            room = LINE_BYTES - _FRAME_BYTES
        groups[-1].append((channel, read))
        room -= size
    return groups
