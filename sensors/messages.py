"""What travels between a board and the host, whatever the wire."""

from typing import Final, NamedTuple

HELLO: Final = "hello"
PROBE: Final = "probe"
RELAY: Final = "relay"
NAK: Final = "nak"
ORDER: Final = "order"

NO_SEQ: Final = -1
"""Sequence of a message from a device that does not count its messages."""
SEQ_MODULUS: Final = 65536


class Message(NamedTuple):
    """One message.

    word: one of the words above.  seq: 0..65535, counted by the sender, or NO_SEQ.
    fields: key to value, both text as sent; values are parsed where their meaning is known.
      probe: channel -> reading as decimal text.     relay: channel -> "<0|1>/<seconds left>".
      order: channel -> lease in whole or decimal seconds, "0" is off.
      hello: id, fw, up (uptime s), ch (channels, comma separated).   nak: of (seq), why.
    """

    word: str
    seq: int
    fields: dict[str, str]


class Arrival(NamedTuple):
    """A message as a link received it.

    mono_s: monotonic seconds at arrival.  node: sender on a shared wire, "" on a board of its own.
    retained: True when a broker replayed it from store, so its age is unknown.
    """

    message: Message
    mono_s: float
    node: str = ""
    retained: bool = False
