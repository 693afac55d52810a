"""Other people's devices on a broker: what they say becomes messages like a board's."""

from collections.abc import Callable
from typing import NamedTuple

from sensors.devices import Presence, foreign_values, read_payload, state_in, word_at
from sensors.lines import LineError
from sensors.links.addresses import Addresses
from sensors.messages import NO_SEQ, PROBE, RELAY, Message


class Heard(NamedTuple):
    """One publication. refused: values not found or readable.  back: switches there again."""

    messages: list[Message]
    refused: int
    back: list[str]


class Others:
    """Which switches are away, and how to read what is published. Used by the loop alone.

    left_s: gives the rest of a switch's lease, s, by its channel.
    """

    def __init__(self, addresses: Addresses, left_s: Callable[[str], float]) -> None:
        self._addresses = addresses
        self._left_s = left_s
        self.absent: set[str] = set()

    def hear(self, topic: str, payload: bytes) -> Heard:
        """Readings, states and presence in one publication.

        Raises LineError for a payload that cannot be read at all. What a broker kept counts for
        presence: a will is kept just for those who come later.
        """
        document = read_payload(payload)
        found, problems = foreign_values(document, self._addresses.probes.get(topic, ()))
        refused = len(problems)
        messages = [Message(PROBE, NO_SEQ, found)] if found else []
        for state in self._addresses.states.get(topic, ()):
            try:
                on = state_in(document, state)
            except LineError:
                refused += 1
                continue
            left_s = self._left_s(state.channel) if on else 0.0
            messages.append(Message(RELAY, NO_SEQ, {state.channel: f"{on:d}/{left_s:.0f}"}))
        back: list[str] = []
        for presence in self._addresses.presences.get(topic, ()):
            try:
                back += self._note(presence, document)
            except LineError:
                refused += 1
        return Heard(messages, refused, back)

    def _note(self, presence: Presence, document: object) -> list[str]:
        """The channel, if its switch was away and is there again."""
        channel = presence.channel
        if word_at(document, presence.pointer) != presence.payload:
            self.absent.add(channel)
        elif channel in self.absent:
            self.absent.discard(channel)
            return [channel]
        return []
