"""Boards and other devices on an MQTT broker (MQTT 5.0).

One thread keeps the connection; arrivals are stamped and queued there, and parsed by whoever
polls. Being connected is no proof of life: only fresh samples are.
"""

import contextlib
import logging
import math
import random
import socket
import threading
from collections import deque
from typing import Final, NamedTuple

from config.model import MqttLink as MqttPlan
from sensors.clock import Clock
from sensors.lines import LineError, parse_number
from sensors.links.addresses import Addresses
from sensors.links.base import LinkHealth
from sensors.links.inbox import Inbox, SequenceFilter, WireState
from sensors.links.mqtt_session import Session, explain, same_id
from sensors.links.others import Others
from sensors.links.outbox import Outbox
from sensors.links.switches import Switches
from sensors.messages import ORDER, Arrival, Message
from sensors.topics import (
    FROM_NODES,
    HOST,
    LONE_NODE,
    PAYLOAD_BYTES,
    ROOT,
    STATUS,
    decode_payload,
    encode_payload,
    own_topic,
    split_own,
)

log = logging.getLogger(__name__)

PUMP_S: Final = 0.5
CONNACK_WAIT_S: Final = 10.0
STEADY_S: Final = 60.0
"""A connection that lasted this long starts the waits between attempts from the shortest."""
LOSSES: Final = 3
"""So many lost connections within STEADY_S: most likely two programs share one client id."""
UNACKED: Final = 15
OFF_EXPIRY_S: Final = 60
DENIED_TOLD: Final = 3
STOP_S: Final = 1.0


class Outgoing(NamedTuple):
    """One publication. expiry_s: None to keep until delivered."""

    topic: str
    payload: bytes
    retain: bool = False
    expiry_s: int | None = None


class MqttLink:
    """Carries our messages and other devices' values over one broker."""

    def __init__(
        self,
        name: str,
        plan: MqttPlan,
        clock: Clock,
        addresses: Addresses,
        retry_s: tuple[float, float] = (1.0, 30.0),
        inbox_length: int = 1000,
    ) -> None:
        """retry_s: first and longest wait between two attempts to connect, s."""
        self.name = name
        self._plan = plan
        self._clock = clock
        self._site = addresses.site
        self._lone_board = addresses.lone_board
        self._foreign_topics = addresses.topics()
        self._switches = Switches(addresses.switches)
        self._others = Others(addresses, self._left_s)
        self._retry_s = retry_s
        self._client_id = plan.client_id or f"warmfoot-{addresses.site}-{name}"
        self._status_topic = own_topic(addresses.site, HOST, STATUS)
        self._inbox: Inbox[tuple[float, str, bytes, bool]] = Inbox(inbox_length)
        self._outbox: Outbox[Outgoing] = Outbox(256)
        self._filter = SequenceFilter()
        self._state = WireState("not started", clock.now().mono_s)
        self._connected = False
        self._losses_s: deque[float] = deque(maxlen=LOSSES)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_out.setblocking(False)
        self._heard = 0
        self._refused = 0
        self._denied: dict[str, str] = {}

    # -- the Link ---------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is not None or self._stopping.is_set():
            return
        self._thread = threading.Thread(target=self._run, name=f"{self.name} broker", daemon=True)
        self._thread.start()

    def poll(self) -> list[Arrival]:
        arrivals: list[Arrival] = []
        for mono_s, topic, payload, retained in self._inbox.take():
            try:
                arrivals += self._parse(mono_s, topic, payload, retained)
            except LineError as error:
                log.debug("link %s: %s: %s", self.name, topic, error)
                self._refused += 1
        self._heard += len(arrivals)
        return arrivals

    def send(self, message: Message, node: str = "") -> bool:
        """Orders to a board's node; channels that are plain switches go to their own topics.

        False also for a switch that has told that it is not there.
        """
        if not self._connected or not self._others.absent.isdisjoint(message.fields):
            return False
        mono_s = self._clock.now().mono_s
        try:
            ours = {k: v for k, v in message.fields.items() if k not in self._switches}
            if ours or not message.fields:
                message = message._replace(fields=ours)
                payload = encode_payload(message)
                topic = own_topic(self._site, node, message.word)
                self._put(Outgoing(topic, payload, False, _expiry_s(message)), mono_s)
            leases = {k: v for k, v in message.fields.items() if k in self._switches}
            for topic, text, lease_s in self._switches.order(leases, mono_s):
                self._put(Outgoing(topic, text.encode(), False, _whole_s(lease_s)), mono_s)
        except LineError as error:
            log.warning("link %s: order not sent: %s", self.name, error)
            return False
        return True

    def publish(self, topic_suffix: str, payload: str, retain: bool) -> bool:
        """Publish Warmfoot's own news on warmfoot/1/<site>/host/<topic_suffix>.

        False when it could not be taken; publish again after a reconnect.
        """
        if not self._connected:
            return False
        topic = own_topic(self._site, HOST, topic_suffix)
        self._put(Outgoing(topic, payload.encode(), retain), self._clock.now().mono_s)
        return True

    def health(self) -> LinkHealth:
        up, why, since_s = self._state.now
        rejected = self._refused + self._filter.refused
        return LinkHealth(
            up, why, since_s, self._heard, rejected, self._state.reopened, self._inbox.dropped,
            self._note() if up else "",
        )  # fmt: skip

    def _note(self) -> str:
        """What is not well though the broker answers."""
        parts = []
        if denied := self._denied:
            said = ", ".join(sorted(denied.values())[:DENIED_TOLD])
            more = f" and {len(denied) - DENIED_TOLD} more" if len(denied) > DENIED_TOLD else ""
            parts.append(f"the broker {said}{more}; allow it in the broker's access list")
        if absent := ", ".join(sorted(self._others.absent)):
            parts.append(f"not there, by its own word: {absent}")
        return "; ".join(parts)

    def stop(self) -> None:
        """Send what is waiting, switch plain switches off, say "offline", disconnect."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(10.0)
        self._wake_in.close()
        self._wake_out.close()
        self._state.set_down("stopped", self._clock.now().mono_s)

    def _left_s(self, channel: str) -> float:
        return self._switches.left_s(channel, self._clock.now().mono_s)

    # -- parsing ----------------------------------------------------------------------------------

    def _parse(self, mono_s: float, topic: str, payload: bytes, retained: bool) -> list[Arrival]:
        """The arrivals in one publication, [] for a repeat. Raises LineError."""
        own = split_own(topic, self._site)
        if own is None:
            return self._parse_other(mono_s, topic, payload, retained)
        level, word = own
        if word not in FROM_NODES:
            raise LineError(f"nothing is read from {topic}")
        message = decode_payload(word, payload)
        node = "" if self._lone_board and level == LONE_NODE else level
        # A retained message says nothing about where its sender's sequence stands now.
        if not retained and not self._filter.accept(message, mono_s, node):
            return []
        return [Arrival(message, mono_s, node, retained)]

    def _parse_other(
        self, mono_s: float, topic: str, payload: bytes, retained: bool
    ) -> list[Arrival]:
        """Of other people's devices. A switch that comes back is switched off first of all: it may
        have missed what was said. Raises LineError.
        """
        messages, refused, back = self._others.hear(topic, payload)
        self._refused += refused
        for channel in back:
            for switch_topic, text in self._switches.off(channel):
                self._put(Outgoing(switch_topic, text.encode(), False, OFF_EXPIRY_S), mono_s)
        return [Arrival(message, mono_s, "", retained) for message in messages]

    # -- broker thread ----------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s = self._retry_s[0]
        while not self._stopping.is_set():
            began_s = self._clock.now().mono_s
            hopeless = self._attempt()
            if self._clock.now().mono_s - began_s > STEADY_S:
                wait_s = self._retry_s[0]
            if hopeless:
                wait_s = self._retry_s[1]
            # Spread, so that many links do not all come back to a broker at one instant.
            self._stopping.wait(wait_s * random.uniform(0.8, 1.0))
            wait_s = min(2 * wait_s, self._retry_s[1])

    def _attempt(self) -> bool:
        """One connection, to its end. True when trying again soon has no point."""
        why, hopeless = "", False
        try:
            session = Session(
                self._plan, self._client_id, self._status_topic, self._topics(), self._take
            )
            try:
                session.open()
                self._keep(session)
            finally:
                session.close()
            why, hopeless = session.why, session.hopeless
            if session.was_connected and not self._stopping.is_set():
                why = self._repeated_loss() or why
        except Exception as error:
            why = explain(error, self._plan)
            if not isinstance(error, OSError):
                log.exception("link %s", self.name)
        self._connected = False
        self._outbox.clear()
        self._state.set_down(why, self._clock.now().mono_s)
        return hopeless

    def _keep(self, session: Session) -> None:
        """Hold one connection until it is lost or the link stops."""
        opened_s = self._clock.now().mono_s
        while session.pump(self._wake_in, PUMP_S):
            self._denied = session.denied
            mono_s = self._clock.now().mono_s
            if self._stopping.is_set():
                self._finish(session, mono_s)
                return
            if session.connected:
                if not self._connected:
                    self._begin(session, mono_s)
                for topic, payload in self._switches.expire(mono_s):
                    session.publish(topic, payload)
                self._flush(session, mono_s)
            elif mono_s - opened_s > CONNACK_WAIT_S:
                session.why = f"broker {self._plan.host} takes the connection but does not answer"
                return

    def _begin(self, session: Session, mono_s: float) -> None:
        """What a switch was told before is not known to have arrived: begin with all off."""
        for topic, payload in self._switches.all_off():
            session.publish(topic, payload)
        self._outbox.clear()
        self._others.absent = set()
        self._connected = True
        self._state.set_open(mono_s)

    def _flush(self, session: Session, mono_s: float) -> None:
        """Publish what waits; not while the broker owes many answers, for then it grows stale."""
        if session.unacked >= UNACKED:
            return
        for topic, payload, retain, expiry_s in self._outbox.take(mono_s):
            session.publish(topic, payload, retain, expiry_s)

    def _finish(self, session: Session, mono_s: float) -> None:
        """Bring out the last orders, all off, and "offline"; wait briefly for the answers."""
        if session.connected:
            self._flush(session, mono_s)
            for topic, payload in self._switches.all_off():
                session.publish(topic, payload)
            session.publish(self._status_topic, "offline", retain=True)
        while session.unacked > 0 and self._clock.now().mono_s - mono_s < STOP_S:
            if not session.pump(self._wake_in, 0.1):
                return

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        """Stamp and queue; one byte too many is kept so that `poll` sees it is too long."""
        self._inbox.put((self._clock.now().mono_s, topic, payload[: PAYLOAD_BYTES + 1], retained))

    def _topics(self) -> list[str]:
        return [f"{ROOT}/{self._site}/+/{word}" for word in FROM_NODES] + self._foreign_topics

    def _repeated_loss(self) -> str:
        """A guess at the cause when connections are lost again and again, else ""."""
        mono_s = self._clock.now().mono_s
        self._losses_s.append(mono_s)
        often = len(self._losses_s) == LOSSES and mono_s - self._losses_s[0] < STEADY_S
        if not often:
            return ""
        return f"lost {LOSSES} times within a minute; perhaps {same_id(self._client_id)}"

    def _put(self, outgoing: Outgoing, mono_s: float) -> None:
        self._outbox.put(outgoing, mono_s)
        self._wake()

    def _wake(self) -> None:
        # Full: bytes enough wait there already. Closed: nobody waits any more.
        with contextlib.suppress(OSError):
            self._wake_out.send(b"w")


def _expiry_s(message: Message) -> int:
    """Whole seconds after which an undelivered message has no use: an order's shortest lease."""
    if message.word != ORDER:
        return OFF_EXPIRY_S
    leases = [parse_number(text) for text in message.fields.values()]
    return min([_whole_s(lease_s) for lease_s in leases], default=OFF_EXPIRY_S)


def _whole_s(lease_s: float) -> int:
    return max(1, math.floor(lease_s)) if lease_s > 0 else OFF_EXPIRY_S
