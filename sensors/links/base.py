"""The seam between messages and wires."""

from typing import NamedTuple, Protocol

from sensors.messages import Arrival, Message


class LinkHealth(NamedTuple):
    """How a link is doing.

    up: True while the wire itself is open; proof of life is fresh samples, not this.
    why: plain words when it is not up, else "".   since_s: monotonic time of the last change.
    heard, rejected, reopened, dropped: counts since start: good messages, refused lines or
    payloads, times the wire was reopened, messages lost to a full queue.
    note: plain words when the wire is up and a part of it is not well, else "".
    """

    up: bool
    why: str
    since_s: float
    heard: int = 0
    rejected: int = 0
    reopened: int = 0
    dropped: int = 0
    note: str = ""


class Link(Protocol):
    """Carries messages both ways. `poll`, `send` and `health` never block and never raise."""

    name: str

    def start(self) -> None:
        """Begin to open the wire; a wire that is not there yet is retried, not an error."""

    def poll(self) -> list[Arrival]:
        """Every message since the last poll, oldest first."""
        ...

    def send(self, message: Message, node: str = "") -> bool:
        """Hand one message to the wire. False when it could not be taken; nothing was sent then."""
        ...

    def health(self) -> LinkHealth: ...

    def stop(self) -> None:
        """Close the wire and end the reader. Idempotent."""
