"""Other people's probes and relay boards on an RS-485 line (Modbus RTU).

One thread owns the port and asks one unit after another, in the order that `Turns` gives. It queues
what it heard; orders wait for nothing but the ask that is under way. These relays know no leases:
the thread ends each order itself when it is not renewed, which helps only while it runs.
"""

import logging
import threading
from typing import Final

from config.modbus import ModbusLink as ModbusPlan
from sensors.clock import Clock
from sensors.lines import LineError, encode, parse_number
from sensors.links.base import LinkHealth
from sensors.links.inbox import Inbox, WireState
from sensors.links.modbus_frames import Answer, number_of, number_text, refusal
from sensors.links.modbus_line import Line, longest_s
from sensors.links.modbus_map import Contact, ModbusMap, Place
from sensors.links.modbus_state import Turn
from sensors.links.modbus_turns import Turns
from sensors.links.port_faults import explain
from sensors.messages import NAK, NO_SEQ, ORDER, PROBE, RELAY, Arrival, Message

log = logging.getLogger(__name__)

STOP_S: Final = 3.0
"""Longest time given to switching all off at the end."""
OFF_TRIES: Final = 3
"""A relay is told so at the end, while it does not answer: one may be noise on the line."""
IDLE_S: Final = 0.5
NOTED: Final = 3
"""So many faults are told at once; more would bury the first."""


class ModbusLink:
    """Asks the units of one line in turn. The port may come and go, and so may each unit."""

    def __init__(
        self,
        name: str,
        plan: ModbusPlan,
        clock: Clock,
        wired: ModbusMap,
        retry_s: tuple[float, float] = (1.0, 10.0),
        inbox_length: int = 1000,
    ) -> None:
        """retry_s: first and longest wait between two attempts to open the port, s."""
        self.name = name
        self._plan = plan
        self._clock = clock
        self._retry_s = retry_s
        self._turns = Turns(wired, longest_s(plan))
        self._lock = threading.Lock()  # held for sums only, never while the line is waited for
        self._inbox: Inbox[Arrival] = Inbox(inbox_length)
        self._state = WireState("not started", clock.now().mono_s)
        self._garbled: set[int] = set()
        self._refusals: dict[tuple[str, str], str] = {}
        self._note = ""
        self._open = False
        self._stopping = threading.Event()
        self._woken = threading.Event()
        self._thread: threading.Thread | None = None
        self._heard = 0
        self._refused = 0

    # -- the Link ---------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is not None or self._stopping.is_set():
            return
        self._thread = threading.Thread(target=self._run, name=f"{self.name} line", daemon=True)
        self._thread.start()

    def poll(self) -> list[Arrival]:
        arrivals = self._inbox.take()
        self._heard += len(arrivals)
        return arrivals

    def send(self, message: Message, node: str = "") -> bool:
        """An order to a relay. False while its unit does not answer."""
        if not self._open or self._stopping.is_set() or message.word != ORDER:
            return False
        mono_s = self._clock.now().mono_s
        try:
            encode(message.word, message.seq, message.fields)
            leases = {channel: parse_number(text) for channel, text in message.fields.items()}
        except LineError:
            return False
        with self._lock:
            taken = self._turns.order(node, leases, mono_s)
        if taken:
            self._woken.set()
        return taken

    def health(self) -> LinkHealth:
        up, why, since_s = self._state.now
        return LinkHealth(
            up, why, since_s, self._heard, self._refused, self._state.reopened,
            self._inbox.dropped, self._note if up else "",
        )  # fmt: skip

    def stop(self) -> None:
        """Switch every relay off, then close the port; takes seconds where units are silent."""
        self._stopping.set()
        self._woken.set()
        if self._thread is not None:
            self._thread.join(STOP_S + 2.0)
        self._open = False
        self._state.set_down("stopped", self._clock.now().mono_s)

    # -- the line's thread ------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s = self._retry_s[0]
        while not self._stopping.is_set():
            line: Line | None = None
            try:
                line = Line(self._plan, self._clock)
                wait_s = self._retry_s[0]
                self._begin()
                self._keep(line)
                self._finish(line)
            except Exception as error:
                if not isinstance(error, OSError | ValueError):
                    log.exception("link %s", self.name)
                    self._off_at_least(line)
                self._end(explain(error, self._plan.port), line)
            else:
                self._end("stopped", line)
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, self._retry_s[1])

    def _begin(self) -> None:
        with self._lock:
            self._turns.begin(self._clock.now().mono_s)
        self._garbled.clear()
        self._refusals.clear()
        self._note = ""
        self._open = True

    def _end(self, why: str, line: Line | None) -> None:
        self._open = False
        with self._lock:
            self._turns.end()
        self._state.set_down(why, self._clock.now().mono_s)
        if line is not None:
            try:
                line.close()
            except Exception as error:
                self._state.set_down(explain(error, self._plan.port), self._clock.now().mono_s)

    def _keep(self, line: Line) -> None:
        """Ask in turn until the link stops."""
        answered = opened = False
        while not self._stopping.is_set():
            self._woken.clear()
            mono_s = self._clock.now().mono_s
            with self._lock:
                turn = self._turns.next(mono_s)
                next_s = self._turns.next_s(mono_s) if turn is None else mono_s
                begun = self._turns.begun
            if turn is None:
                self._woken.wait(min(max(next_s - mono_s, 0.001), IDLE_S))
                continue
            answered = self._take(line, turn) or answered
            if answered and begun and not opened:
                opened = True
                self._state.set_open(self._clock.now().mono_s)
            self._look_at_units(opened)

    def _finish(self, line: Line) -> None:
        """Write every relay off, no longer than STOP_S; again where one that hears misses it."""
        ends_s = self._clock.now().mono_s + STOP_S
        with self._lock:
            left, silent = self._turns.offs(), self._turns.silent()
        for _ in range(OFF_TRIES):
            missed = []
            for turn in left:
                if self._clock.now().mono_s >= ends_s:
                    return
                answer = line.ask(turn.ask).answer
                if (answer is None or answer.refused) and turn.ask.unit not in silent:
                    missed.append(turn)
            left = missed

    def _off_at_least(self, line: Line | None) -> None:
        """After a fault in the program: the port may still work."""
        if line is not None:
            try:
                self._finish(line)
            except Exception as error:
                log.debug("link %s: not switched off: %s", self.name, error)

    def _take(self, line: Line, turn: Turn) -> bool:
        """Ask, and queue what was answered. False when nothing was."""
        answer, garbled = line.ask(turn.ask)
        mono_s = self._clock.now().mono_s
        unit = turn.ask.unit
        with self._lock:
            self._turns.done(turn, answer, mono_s)
            left_s = self._turns.left_s(turn.of, mono_s) if isinstance(turn.of, Contact) else 0.0
        if garbled:
            self._refused += 1
            self._garbled.add(unit)
        if answer is None:
            return False
        self._garbled.discard(unit)
        message = self._message(turn, answer, left_s)
        if message is not None:
            self._inbox.put(Arrival(message, mono_s, turn.of.node))
        return True

    def _message(self, turn: Turn, answer: Answer, left_s: float) -> Message | None:
        of = turn.of
        place = (of.node, "write" if turn.ask.write else "read")
        if answer.refused:
            self._refused += 1
            self._refusals[place] = refusal(turn.ask, answer.refused)
            why = f"exception{answer.refused}"
            return Message(NAK, NO_SEQ, {"why": why}) if turn.ask.write else None
        self._refusals.pop(place, None)
        if isinstance(of, Place):
            text = number_text(number_of(of.point, answer.words))
            return Message(PROBE, NO_SEQ, {of.key: text})
        if turn.ask.write:
            return None
        on = of.is_on(answer.words[0])
        return Message(RELAY, NO_SEQ, {of.key: f"{on:d}/{left_s if on else 0.0:.0f}"})

    def _look_at_units(self, opened: bool) -> None:
        """What is wrong on the line, in plain words: on a part of it, or on all of it."""
        with self._lock:
            silent, all_silent = self._turns.silent(), self._turns.all_silent
        mono_s = self._clock.now().mono_s
        if all_silent:
            self._state.set_down(self._nobody(), mono_s)
        elif opened:
            self._state.set_up(mono_s)
        told = [
            f"unit {unit} "
            + (
                "answers nothing that can be read: baud, parity, stop bits or noise?"
                if unit in self._garbled
                else "does not answer: powered, wired, its unit number right?"
            )
            for unit in silent
        ]
        told += self._refusals.values()
        more = f"; and {len(told) - NOTED} more" if len(told) > NOTED else ""
        self._note = "; ".join(told[:NOTED]) + more

    def _nobody(self) -> str:
        if self._garbled:
            return (
                f"what comes on port {self._plan.port} cannot be read; are baud, parity and "
                "stop_bits those of the units?"
            )
        return (
            f"no unit answers on port {self._plan.port}; are they powered, A and B the right way "
            "round, and baud, parity and unit numbers theirs?"
        )
