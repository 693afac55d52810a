"""What is known of each unit, reading and relay of a Modbus line between two asks.

Times are monotonic seconds.
"""

from math import inf
from typing import Final, NamedTuple

from sensors.links.modbus_frames import Ask
from sensors.links.modbus_map import Contact, Place

BACK_OFF_S: Final = (2.0, 60.0)
"""First and longest wait before a silent unit is tried again."""


class Turn(NamedTuple):
    """One thing to ask. of: the probe it reads, or the relay that it switches or reads back."""

    ask: Ask
    of: Place | Contact
    on: bool = False


class UnitState:
    """asks_s: not before then, so that a late answer is not taken for that to a later ask.

    misses: asks running without an answer; the first was at since_s.  doubted: one ask more decides
    whether it is silent.  wait_s: before a silent one is tried again.
    """

    __slots__ = ("asks_s", "doubted", "misses", "silent", "since_s", "wait_s")

    def __init__(self) -> None:
        self.begin(-inf)

    def begin(self, mono_s: float) -> None:
        """It answers, as far as is known."""
        self.asks_s = mono_s
        self.misses = 0
        self.doubted = self.silent = False
        self.since_s = inf
        self.wait_s = BACK_OFF_S[0]

    def hears(self, mono_s: float) -> bool:
        """Whether it may be asked whatever is next."""
        return not (self.silent or self.doubted) and self.asks_s <= mono_s


class Reading:
    __slots__ = ("due_s", "every_s", "misses", "turn")

    def __init__(self, turn: Turn, every_s: float) -> None:
        self.turn = turn
        self.every_s = every_s
        self.due_s = -inf
        self.misses = 0


class RelayState:
    """wanted: the order in force.  ends_s: of its lease.  told: last answered write, None: none.

    off_known: an "off" was answered since the last silence.  asks_s: not written before then.
    """

    __slots__ = (
        "asks_s", "contact", "ends_s", "misses", "off_known", "report", "told", "told_s", "wanted",
    )  # fmt: skip

    def __init__(self, contact: Contact, report: Reading) -> None:
        self.contact = contact
        self.report = report
        self.begin(-inf)

    def begin(self, mono_s: float) -> None:
        """Nothing is known of it."""
        self.misses = 0
        self.asks_s = mono_s
        self.forget()

    def forget(self) -> None:
        """Whatever was ordered, it is to be written off."""
        self.wanted = self.off_known = False
        self.ends_s = self.told_s = -inf
        self.told: bool | None = None

    def write(self, mono_s: float) -> Turn:
        """What it is to be told at that time: on while its order lasts, else off."""
        on = self.wanted and self.ends_s > mono_s
        return Turn(self.contact.write(on), self.contact, on)

    @property
    def unit(self) -> int:
        return self.contact.switch.unit
