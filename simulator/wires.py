"""The board's end of a wire to another process: a pseudo-terminal or an MQTT broker."""

import contextlib
import os
import tty
from collections import deque
from pathlib import Path
from typing import Final, Protocol

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from sensors.lines import LineAssembler, LineError, decode, encode
from sensors.messages import ORDER, Message
from sensors.topics import STATUS, decode_payload, encode_payload, own_topic

QUEUE_LENGTH: Final = 1000


class WireError(OSError):
    """A wire that cannot be opened: which, why, and what to do."""


class Wire(Protocol):
    """Lines to and from the host, without blocking."""

    def read(self) -> list[str]:
        """Lines received since the last call, without newlines."""
        ...

    def write(self, lines: list[str]) -> None:
        """Send lines; what the host does not take is lost, as on a real wire."""

    def close(self) -> None: ...


class PtyWire:
    """A pseudo-terminal. device: what the host opens; alias: a link to it under a fixed name."""

    def __init__(self, alias: Path | None = None) -> None:
        """Raises WireError where the system has no pseudo-terminal or the alias cannot be made."""
        self.alias = alias
        try:
            self._board, self._host = os.openpty()
            tty.setraw(self._host)
            os.set_blocking(self._board, False)
            self.device = os.ttyname(self._host)
            if alias is not None:
                alias.parent.mkdir(parents=True, exist_ok=True)
                alias.unlink(missing_ok=True)
                alias.symlink_to(self.device)
        except OSError as error:
            raise WireError(f"no pseudo-terminal for {alias or 'the board'}: {error}") from error
        self._assembler = LineAssembler()

    @property
    def port(self) -> str:
        """What to write as `port` in the bench file."""
        return str(self.alias or self.device)

    def read(self) -> list[str]:
        try:
            return self._assembler.feed(os.read(self._board, 65536))
        except (BlockingIOError, OSError):
            return []

    def write(self, lines: list[str]) -> None:
        with contextlib.suppress(OSError):  # nobody reads: the terminal's buffer is full
            os.write(self._board, "".join(lines).encode())

    def close(self) -> None:
        """Close both ends and take the alias away. Idempotent."""
        if self.alias is not None:
            self.alias.unlink(missing_ok=True)
        for end in (self._board, self._host):
            with contextlib.suppress(OSError):
                os.close(end)


class MqttWire:
    """A board on a broker. Lines are turned into topics and payloads and back."""

    def __init__(self, host: str, port: int, site: str, node: str) -> None:
        """site: slug of the site's name.  node: "" for a lone board.  Raises WireError."""
        self._site, self._node = site, node
        self._lines: deque[str] = deque(maxlen=QUEUE_LENGTH)
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        status = own_topic(site, node, STATUS)
        self._client.will_set(status, "offline", qos=1, retain=True)
        self._client.on_connect = self._connected
        self._client.on_message = self._arrived
        try:
            self._client.connect(host, port, keepalive=20)
        except (OSError, ValueError) as error:
            raise WireError(
                f"no broker at {host}:{port} ({error}); start one, or name it: --broker HOST:PORT"
            ) from error
        self._client.loop_start()

    def _connected(self, client: paho.Client, *_: object) -> None:
        client.subscribe(own_topic(self._site, self._node, ORDER), qos=1)
        client.publish(own_topic(self._site, self._node, STATUS), "online", qos=1, retain=True)

    def _arrived(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.retain:  # a kept order is of unknown age: a board never acts on it
            return
        with contextlib.suppress(LineError):
            order = decode_payload(ORDER, bytes(message.payload))
            self._lines.append(encode(order.word, order.seq, order.fields))

    def read(self) -> list[str]:
        return [self._lines.popleft() for _ in range(len(self._lines))]

    def write(self, lines: list[str]) -> None:
        for line in lines:
            word, seq, fields = decode(line)
            payload = encode_payload(Message(word, seq, fields))
            self._client.publish(own_topic(self._site, self._node, word), payload, qos=0)

    def close(self) -> None:
        """Say goodbye to the broker. Idempotent."""
        self._client.publish(own_topic(self._site, self._node, STATUS), "offline", 1, True)
        self._client.disconnect()
        self._client.loop_stop()
