"""One connection to an MQTT broker, from CONNECT to its loss.

Each connection has a client object of its own: the library would send unacknowledged messages of
an earlier connection again, and an order must not come to life after a break. It is driven from
one thread through the library's calls for outside event loops, so no thread of its own can die
unseen, and nothing that a callback raises gets past `pump`.
"""

import logging
import os
import select
import socket
import ssl
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from config.model import MqttLink as MqttPlan
from sensors.topics import PAYLOAD_BYTES

log = logging.getLogger(__name__)

CONNECT_TIMEOUT_S: Final = 5.0
INFLIGHT: Final = 20
QUEUED: Final = 100
_BAD_LOGIN: Final = (0x86, 0x87)  # MQTT 5.0 section 2.4: bad user name or password, not authorized
_TAKEN_OVER: Final = 0x8E  # MQTT 5.0 section 2.4: session taken over

OnMessage = Callable[[str, bytes, bool], None]
"""Called with topic, payload and retain flag."""


class LinkError(OSError):
    """A link cannot be opened as the bench file has it. Its text is for the grower."""


class Session:
    """One connection, used from one thread.

    connected: accepted and not yet lost.  was_connected: accepted at all.  why: once it is lost or
    refused, the reason.  hopeless: trying again soon has no point (bad login, client id in use).
    unacked: publications that the broker has not answered.  denied: topics it takes nothing on, and
    filters it gives nothing of, with its reason.
    """

    def __init__(
        self,
        plan: MqttPlan,
        client_id: str,
        status_topic: str,
        topics: Sequence[str],
        on_message: OnMessage,
    ) -> None:
        """topics: filters to subscribe to once connected.

        status_topic: gets "online" and, by the will or `close`, "offline"; retained.
        Raises LinkError for a missing password or certificate file.
        """
        self.connected = False
        self.unacked = 0
        self.why = ""
        self.was_connected = False
        self.hopeless = False
        self.denied: dict[str, str] = {}
        self._topic_of: dict[int, str] = {}
        self._plan = plan
        self._client_id = client_id
        self._status_topic = status_topic
        self._topics = topics
        self._on_message = on_message
        self._client = self._build()

    def open(self) -> None:
        """Connect to the broker's port and ask for a session. Raises OSError."""
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 0
        properties.ReceiveMaximum = 100
        properties.MaximumPacketSize = 2 * PAYLOAD_BYTES
        plan = self._plan
        self._client.connect(
            plan.host, plan.port, plan.keepalive_s, clean_start=True, properties=properties
        )

    def pump(self, wake: socket.socket, wait_s: float) -> bool:
        """Read and write what is due; False once the connection is lost (see `why`).

        wake: a byte on it ends the wait.  wait_s: longest wait, s.
        """
        sock = self._client.socket()
        if sock is None:
            return False
        if isinstance(sock, ssl.SSLSocket) and sock.pending():
            wait_s = 0.0
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select([sock, wake], writers, [], wait_s)
        if wake in readable:
            wake.recv(1024)
        if sock in readable or not wait_s:
            self._client.loop_read()
        if sock in writable:
            self._client.loop_write()
        self._client.loop_misc()
        return self._client.socket() is not None and not self.why

    def publish(
        self, topic: str, payload: str | bytes, retain: bool = False, expiry_s: int | None = None
    ) -> None:
        """Publish at QoS 1. expiry_s: the broker drops it when it cannot be delivered by then."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.unacked += 1
            self._topic_of[info.mid] = topic
        else:
            log.warning("not published on %s: %s", topic, paho.error_string(info.rc))

    def close(self) -> None:
        """End the connection in good order: the broker will then not send the will."""
        try:
            self._client.disconnect()
            self._client.loop_write()
        finally:
            sock = self._client.socket()
            if sock is not None:
                sock.close()

    def _build(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.max_inflight_messages_set(INFLIGHT)
        client.max_queued_messages_set(QUEUED)
        client.will_set(self._status_topic, "offline", qos=1, retain=True)
        plan = self._plan
        if plan.user is not None or plan.password_env is not None:
            password = read_secret(plan.password_env) if plan.password_env else None
            client.username_pw_set(plan.user or "", password)
        if plan.tls:
            if plan.ca_file and not Path(plan.ca_file).is_file():
                raise LinkError(f"ca_file {plan.ca_file} is not there")
            client.tls_set(ca_certs=plan.ca_file)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_message = self._message
        client.on_publish = self._published
        client.on_subscribe = self._subscribed
        return client

    # -- callbacks: they note what happened and raise nothing -------------------------------------

    def _connected(
        self,
        client: paho.Client,
        _userdata: object,
        _flags: object,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        if reason.is_failure:
            self.hopeless = reason.value in _BAD_LOGIN
            self.why = self._refusal(reason)
            return
        # Here, not once at the start: a broker forgets subscriptions when it is started again.
        client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in self._topics])
        self.publish(self._status_topic, "online", retain=True)
        self.connected = self.was_connected = True

    def _disconnected(
        self,
        _client: paho.Client,
        _userdata: object,
        _flags: object,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        self.connected = False
        if self.why:
            return
        if reason.value == _TAKEN_OVER:
            self.hopeless = True
            self.why = same_id(self._client_id)
        else:
            self.why = f"connection to broker {self._place} lost ({str(reason).lower()})"

    def _message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        try:
            self._on_message(message.topic, bytes(message.payload), message.retain)
        except Exception:  # for one, a topic that is not UTF-8
            log.exception("message not taken")

    def _published(
        self,
        _client: paho.Client,
        _userdata: object,
        mid: int,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        self.unacked -= 1
        topic = self._topic_of.pop(mid, "")
        if reason.is_failure:
            self._deny(topic, "take", reason)
        elif topic in self.denied:
            self.denied = {key: why for key, why in self.denied.items() if key != topic}

    def _subscribed(
        self,
        _client: paho.Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: object,
    ) -> None:
        for topic, reason in zip(self._topics, reasons, strict=False):
            if reason.is_failure:
                self._deny(topic, "give", reason)

    def _deny(self, topic: str, what: str, reason: ReasonCode) -> None:
        """Keep what an access list, most often, stands in the way of."""
        why = f"does not {what} {topic} ({str(reason).lower()})"
        if self.denied.get(topic) != why:
            log.warning("broker %s %s", self._place, why)
            self.denied = {**self.denied, topic: why}

    @property
    def _place(self) -> str:
        return f"{self._plan.host}:{self._plan.port}"

    def _refusal(self, reason: ReasonCode) -> str:
        if reason.value in _BAD_LOGIN:
            user = f"user {self._plan.user!r}" if self._plan.user else "a login without a user name"
            return f"broker {self._place} refuses {user}: check user and password"
        return f"broker {self._place} refuses the connection: {str(reason).lower()}"


def same_id(client_id: str) -> str:
    """What to tell when two programs throw each other off the broker."""
    return f"another program uses the client id {client_id!r}; give this link its own client_id"


def read_secret(name: str) -> str:
    """The secret in the environment variable, else the systemd credential, of that name.

    Raises LinkError when there is neither.
    """
    value = os.environ.get(name)
    if value:
        return value
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if folder:
        try:
            return (Path(folder) / name).read_text(encoding="utf-8").rstrip("\r\n")
        except OSError as error:
            log.debug("credential %s: %s", name, error)
    raise LinkError(f"no password: set the environment variable or systemd credential {name}")


def explain(error: Exception, plan: MqttPlan) -> str:
    """Why the broker cannot be reached, and what to do, for the person at the bench."""
    place = f"{plan.host}:{plan.port}"
    if isinstance(error, LinkError):
        return str(error)
    if isinstance(error, socket.gaierror):
        return f"host {plan.host} is not known; check its name and the network"
    if isinstance(error, ConnectionRefusedError):
        return f"no broker answers at {place}; is it running?"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of broker {place} is not trusted ({error.verify_message})"
    if isinstance(error, ssl.SSLError):
        return f"no TLS with broker {place}; is this its TLS port? ({error.reason})"
    if isinstance(error, TimeoutError):
        return f"broker {place} does not answer; check host, port and network"
    return f"broker {place} cannot be reached ({error})"
