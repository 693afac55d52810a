"""A board on a serial port, USB or not.

The reader thread owns the port: it opens it, stamps and queues whole lines, and opens it again
after an unplug. The writer thread sends the newest order, so a port that does not take bytes
never holds up the loop. Lines are decoded by whoever polls.
"""

import logging
import threading
from typing import Any, Final

import serial

from config.model import SerialLink as SerialPlan
from sensors.clock import Clock
from sensors.lines import LineAssembler, LineError, decode, encode
from sensors.links.base import LinkHealth
from sensors.links.inbox import Inbox, SequenceFilter, WireState
from sensors.links.outbox import Outbox
from sensors.links.port_faults import explain
from sensors.messages import Arrival, Message

log = logging.getLogger(__name__)

READ_TIMEOUT_S: Final = 0.2
WRITE_TIMEOUT_S: Final = 1.0
CHUNK_BYTES: Final = 4096


class SerialLink:
    """Carries text lines over one serial port. The port may come and go."""

    def __init__(
        self,
        name: str,
        plan: SerialPlan,
        clock: Clock,
        retry_s: tuple[float, float] = (1.0, 10.0),
        inbox_length: int = 1000,
    ) -> None:
        """retry_s: first and longest wait between two attempts to open the port, s."""
        self.name = name
        self._plan = plan
        self._clock = clock
        self._retry_s = retry_s
        self._inbox: Inbox[tuple[float, str]] = Inbox(inbox_length)
        self._outbox: Outbox[str] = Outbox()
        self._filter = SequenceFilter()
        self._assembler = LineAssembler()
        self._state = WireState("not started", clock.now().mono_s)
        self._port: Any = None
        self._stopping = threading.Event()
        self._closing = threading.Event()
        self._threads: list[threading.Thread] = []
        self._heard = 0
        self._refused = 0

    def start(self) -> None:
        if self._threads or self._stopping.is_set():
            return
        for job, run in (("reader", self._read), ("writer", self._write)):
            thread = threading.Thread(target=run, name=f"{self.name} {job}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def poll(self) -> list[Arrival]:
        arrivals: list[Arrival] = []
        for mono_s, line in self._inbox.take():
            try:
                word, seq, fields = decode(line)
            except LineError:
                self._refused += 1
                continue
            message = Message(word, seq, fields)
            if self._filter.accept(message, mono_s):
                arrivals.append(Arrival(message, mono_s))
        self._heard += len(arrivals)
        return arrivals

    def send(self, message: Message, node: str = "") -> bool:  # noqa: ARG002  one board, no nodes
        if self._port is None:
            return False
        try:
            line = encode(message.word, message.seq, message.fields)
        except LineError:
            return False
        self._outbox.put(line, self._clock.now().mono_s)
        return True

    def health(self) -> LinkHealth:
        up, why, since_s = self._state.now
        rejected = self._refused + self._filter.refused + self._assembler.dropped
        return LinkHealth(
            up, why, since_s, self._heard, rejected, self._state.reopened, self._inbox.dropped
        )

    def stop(self) -> None:
        """Send what is waiting, then close the port; takes at most a few seconds."""
        self._stopping.set()
        self._outbox.wake()
        reader_then_writer = self._threads
        for thread in reversed(reader_then_writer):
            thread.join(2 * WRITE_TIMEOUT_S)
            self._closing.set()
        self._state.set_down("stopped", self._clock.now().mono_s)

    # -- reader thread ----------------------------------------------------------------------------

    def _read(self) -> None:
        wait_s = self._retry_s[0]
        while not self._closing.is_set():
            try:
                self._port = port = self._open()
                self._state.set_open(self._clock.now().mono_s)
                while not self._closing.is_set():
                    data = port.read(min(CHUNK_BYTES, port.in_waiting or 1))
                    if data:
                        wait_s = self._retry_s[0]
                        self._take(data)
            except Exception as error:
                self._close(explain(error, self._plan.port))
                self._closing.wait(wait_s)
                wait_s = min(2 * wait_s, self._retry_s[1])
        self._close("stopped")

    def _open(self) -> Any:
        return serial.serial_for_url(
            self._plan.port,
            baudrate=self._plan.baud,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )

    def _take(self, data: bytes) -> None:
        mono_s = self._clock.now().mono_s
        for line in self._assembler.feed(data):
            self._inbox.put((mono_s, line))

    def _close(self, why: str) -> None:
        port, self._port = self._port, None
        self._assembler.reset()
        self._outbox.clear()
        self._state.set_down(why, self._clock.now().mono_s)
        if port is not None:
            try:
                port.close()
            except Exception as error:
                self._state.set_down(explain(error, self._plan.port), self._clock.now().mono_s)

    # -- writer thread ----------------------------------------------------------------------------

    def _write(self) -> None:
        served: Any = None
        while True:
            waiting = self._outbox.take(self._clock.now().mono_s, 0.5)
            for line in waiting:
                port = self._port
                if port is None:
                    break
                # A newline first ends whatever piece of a line the board may hold.
                sent = self._put(port, line if port is served else "\n" + line)
                served = port if sent else None
                if served is None:
                    break
            if self._stopping.is_set() and not self._outbox:
                return

    def _put(self, port: Any, line: str) -> bool:
        """Write one line; False when it went out in part or not at all."""
        try:
            port.write(line.encode())
        except serial.SerialTimeoutException:
            why = f"port {self._plan.port} takes no more bytes; does the board still run?"
            self._state.set_down(why, self._clock.now().mono_s)
            return False
        except Exception:  # the reader meets the same fault, says why and opens the port again
            log.debug("link %s: write failed", self.name, exc_info=True)
            return False
        if self._port is port:
            self._state.set_up(self._clock.now().mono_s)
        return True
