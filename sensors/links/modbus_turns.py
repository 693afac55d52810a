"""Who is asked next on a Modbus line, where only one can speak at a time.

Orders go before readings, and both before units that are silent. A unit that does not answer twice
running is asked for something that it did answer before, and if that fails too it is silent. It
costs the line the wait for an answer, so it is then asked ever more seldom, and all silent ones
together get no more than a fifth of the line's time. The same goes for one place that a unit leaves
without an answer while it answers others. Orders to a relay are taken only while it is known to
hear: first of all, and again after a silence, it is switched off, and only when that was answered
does it go on.

No clock is read here; times are monotonic seconds.
"""

from collections.abc import Mapping
from math import inf
from typing import Final

from sensors.links.modbus_frames import Answer
from sensors.links.modbus_map import Contact, ModbusMap
from sensors.links.modbus_state import BACK_OFF_S, Reading, RelayState, Turn, UnitState

DOUBTED_AFTER: Final = 2
"""So many asks running without an answer: one may be noise on the line."""
BACK_OFF_RELAY_S: Final = 5.0
"""Longest wait of a unit with relays: when it is back, they are to be off soon."""
SILENT_SHARE: Final = 0.2
REPEAT_S: Final = 10.0
"""A relay is told again what it should be, for units that switch off by themselves."""
REPORT_S: Final = 2.5
ASK_AGAIN_S: Final = 1.0
BUSY: Final = (5, 6)
"""Exceptions of a unit that is still at work: it is told again soon."""


class Turns:
    """The order of asks on one line. Used under one lock by the loop and the line's thread."""

    def __init__(self, wired: ModbusMap, answer_s: float) -> None:
        """answer_s: longest wait for an answer, s."""
        self._answer_s = answer_s
        self._silent_s = -inf  # when a silent unit may next be tried
        self._relays: dict[tuple[str, str], RelayState] = {}
        self._readings: list[Reading] = []
        for place in wired.probes:
            self._readings.append(Reading(Turn(place.ask, place), place.every_s))
        for contact in wired.relays:
            report = Reading(Turn(contact.read_back, contact), REPORT_S)
            self._readings.append(report)
            self._relays[contact.node, contact.key] = RelayState(contact, report)
        units = [relay.unit for relay in self._relays.values()]
        units += [reading.turn.ask.unit for reading in self._readings]
        self._units = {unit: UnitState() for unit in units}

    # -- orders -------------------------------------------------------------------------------

    def order(self, node: str, leases: Mapping[str, float], mono_s: float) -> bool:
        """Take leases, s by channel; 0 is off.

        False, and nothing is changed, for a channel that there is not, and while its relay is not
        known to hear.
        """
        relays = [self._relays.get((node, channel)) for channel in leases]
        found = [relay for relay in relays if relay is not None and relay.off_known]
        if len(found) < len(relays):
            return False
        for relay, lease_s in zip(found, leases.values(), strict=True):
            relay.wanted = lease_s > 0.0
            relay.ends_s = mono_s + lease_s
        return True

    def begin(self, mono_s: float) -> None:
        """The port was opened: nothing is known of any unit, and every reading is due."""
        for unit in self._units.values():
            unit.begin(mono_s)
        for relay in self._relays.values():
            relay.begin(mono_s)
        for reading in self._readings:
            reading.due_s, reading.misses = mono_s, 0
        self._silent_s = mono_s

    def end(self) -> None:
        """The port was closed: no order is taken until it is open again."""
        for relay in self._relays.values():
            relay.forget()

    # -- what is next -------------------------------------------------------------------------

    def next(self, mono_s: float) -> Turn | None:
        """What to ask now, None for nothing yet."""
        return (
            self._write(mono_s)
            or self._read(mono_s)
            or self._prove(mono_s)
            or self._try_silent(mono_s)
        )

    def next_s(self, mono_s: float) -> float:
        """Monotonic time until which nothing falls due, if no order comes; inf for never."""
        times = [relay.ends_s for relay in self._relays.values() if relay.wanted]
        for relay in self._relays.values():
            times.append(max(relay.told_s + REPEAT_S, relay.asks_s))
            times.append(relay.asks_s)
        for reading in self._readings:
            times.append(max(reading.due_s, self._units[reading.turn.ask.unit].asks_s))
        for unit in self._units.values():
            times.append(max(unit.asks_s, self._silent_s if unit.silent else -inf))
        later = [at_s for at_s in times if at_s > mono_s]
        return min(later, default=inf)

    def offs(self) -> list[Turn]:
        """Every relay to be written off before the port is closed, those that hear first."""
        surest = sorted(self._relays.values(), key=lambda relay: self._units[relay.unit].misses)
        return [Turn(relay.contact.write(False), relay.contact) for relay in surest]

    def _write(self, mono_s: float) -> Turn | None:
        """The relay whose unit answers most surely, and rather off than on."""
        best: tuple[int, bool, float] | None = None
        found: Turn | None = None
        for relay in self._relays.values():
            unit = self._units[relay.unit]
            if not unit.hears(mono_s) or relay.asks_s > mono_s:
                continue
            turn = relay.write(mono_s)
            if relay.told is turn.on and mono_s - relay.told_s < REPEAT_S:
                continue
            rank = (unit.misses + relay.misses, turn.on, relay.told_s)
            if best is None or rank < best:
                best, found = rank, turn
        return found

    def _read(self, mono_s: float) -> Turn | None:
        best: tuple[int, float] | None = None
        found: Turn | None = None
        for reading in self._readings:
            unit = self._units[reading.turn.ask.unit]
            if not unit.hears(mono_s) or reading.due_s > mono_s:
                continue
            rank = (unit.misses, reading.due_s)
            if best is None or rank < best:
                best, found = rank, reading.turn
        return found

    def _prove(self, mono_s: float) -> Turn | None:
        """What decides whether a doubted unit is silent."""
        for number, unit in self._units.items():
            if unit.doubted and unit.asks_s <= mono_s:
                return self._surest(number, mono_s)[1]
        return None

    def _try_silent(self, mono_s: float) -> Turn | None:
        if self._silent_s > mono_s:
            return None
        waiting = [
            (unit.asks_s, number)
            for number, unit in self._units.items()
            if unit.silent and unit.asks_s <= mono_s
        ]
        return self._surest(min(waiting)[1], mono_s)[1] if waiting else None

    def _surest(self, number: int, mono_s: float) -> tuple[int, Turn]:
        """What a unit left unanswered least often, and how often that was running."""
        found = [
            (relay.misses, relay.write(mono_s))
            for relay in self._relays.values()
            if relay.unit == number
        ]
        found += [
            (reading.misses, reading.turn)
            for reading in self._readings
            if reading.turn.ask.unit == number
        ]
        return min(found, key=lambda one: one[0])

    # -- what came of it ----------------------------------------------------------------------

    def done(self, turn: Turn, answer: Answer | None, mono_s: float) -> None:
        """Note the outcome of a turn. answer: None when none came within `answer_s`."""
        unit = self._units[turn.ask.unit]
        if answer is None:
            self._missed(turn, unit, mono_s)
            return
        if unit.silent:
            self._back(turn.ask.unit, mono_s)
        unit.begin(mono_s)
        if turn.ask.write:
            self._written(turn, answer, mono_s)
        else:
            reading = self._reading_of(turn)
            reading.misses = 0
            # On the same beat, unless that was missed.
            next_s = reading.due_s + reading.every_s
            reading.due_s = next_s if next_s > mono_s else mono_s + reading.every_s

    def left_s(self, contact: Contact, mono_s: float) -> float:
        """Rest of a relay's lease by the last order, s; 0 when it is off."""
        relay = self._relays[contact.node, contact.key]
        return max(0.0, relay.ends_s - mono_s) if relay.wanted else 0.0

    def silent(self) -> dict[int, float]:
        """Units that do not answer, with the monotonic time of the first miss."""
        found = {n: u.since_s for n, u in self._units.items() if u.silent}
        return dict(sorted(found.items()))

    @property
    def begun(self) -> bool:
        """Whether each relay was tried since the port was opened."""
        return all(r.told is not None or r.misses for r in self._relays.values())

    @property
    def all_silent(self) -> bool:
        return bool(self._units) and all(unit.silent for unit in self._units.values())

    def _written(self, turn: Turn, answer: Answer, mono_s: float) -> None:
        """A write was answered. One that was refused is told again at the next repeat, an "off" to
        a relay that may be on soon.
        """
        relay = self._relays[turn.of.node, turn.of.key]
        changed = relay.told is not turn.on
        relay.misses = 0
        relay.told, relay.told_s = turn.on, mono_s
        may_be_on = relay.off_known and not turn.on
        if answer.refused in BUSY or (answer.refused and may_be_on):
            relay.told_s -= REPEAT_S - ASK_AGAIN_S
        elif not answer.refused and not turn.on:
            relay.off_known = True
        if changed:
            relay.report.due_s = mono_s

    def _missed(self, turn: Turn, unit: UnitState, mono_s: float) -> None:
        unit.asks_s = mono_s + self._answer_s
        unit.misses += 1
        unit.since_s = min(unit.since_s, mono_s)
        if turn.ask.write:
            relay = self._relays[turn.of.node, turn.of.key]
            relay.misses = min(relay.misses + 1, 10)
            relay.told = None  # perhaps it was done, and only the answer was lost
            relay.asks_s = mono_s + min(self._answer_s * 2.0**relay.misses, BACK_OFF_RELAY_S)
            if relay.misses >= DOUBTED_AFTER:
                relay.forget()
        else:
            reading = self._reading_of(turn)
            reading.due_s = mono_s + min(ASK_AGAIN_S * 2.0**reading.misses, BACK_OFF_S[1])
            reading.misses = min(reading.misses + 1, 10)
        if unit.misses < DOUBTED_AFTER:
            return
        # A place that never answers says nothing of its unit while others there do.
        misses, _ = self._surest(turn.ask.unit, mono_s)
        if misses == 0 and not unit.doubted and not unit.silent:
            unit.doubted = True
        else:
            self._fell_silent(turn.ask.unit, unit, mono_s)

    def _fell_silent(self, number: int, unit: UnitState, mono_s: float) -> None:
        mine = [relay for relay in self._relays.values() if relay.unit == number]
        longest_s = BACK_OFF_RELAY_S if mine else BACK_OFF_S[1]
        unit.silent, unit.doubted = True, False
        unit.asks_s = mono_s + min(unit.wait_s, longest_s)
        unit.wait_s = min(2 * unit.wait_s, longest_s)
        # The line is now for the others, until this wait was no more than its share.
        self._silent_s = mono_s + self._answer_s * (1 / SILENT_SHARE - 1)
        for relay in mine:
            relay.forget()

    def _back(self, number: int, mono_s: float) -> None:
        """A unit answers again: all it has is written and read at once."""
        for relay in self._relays.values():
            if relay.unit == number:
                relay.asks_s = mono_s
        for reading in self._readings:
            if reading.turn.ask.unit == number:
                reading.due_s = mono_s

    def _reading_of(self, turn: Turn) -> Reading:
        return next(reading for reading in self._readings if reading.turn is turn)
