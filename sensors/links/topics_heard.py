"""Everything that is said on a broker for some seconds, by a listener that says nothing itself."""

import time
import uuid
from typing import Final, NamedTuple

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from config.model import MqttLink as MqttPlan
from sensors.links.mqtt_session import CONNECT_TIMEOUT_S, LinkError, explain, read_secret

MOST: Final = 200
"""Topics kept; a busy broker has thousands."""
SHOWN_BYTES: Final = 60


class TopicHeard(NamedTuple):
    """A topic. last: its last payload as text, cut.  times: heard live.  retained: from store."""

    topic: str
    last: str
    times: int
    retained: bool

    @property
    def how_often(self) -> str:
        return f"{self.times} times" if self.times else "stored only"


def topics_heard(plan: MqttPlan, span_s: float) -> list[TopicHeard]:
    """What was said on the broker of `plan` within `span_s` real seconds, by topic.

    Raises LinkError, in words, when the broker can't be reached or lets nobody read.
    """
    heard: dict[str, TopicHeard] = {}
    refused: list[str] = []

    def connected(
        client: paho.Client, _data: object, _flags: object, reason: object, _more: object
    ) -> None:
        if getattr(reason, "is_failure", False):
            refused.append(str(reason).lower())
        else:
            client.subscribe("#", qos=0)

    def arrived(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        known = heard.get(message.topic)
        if known is None and len(heard) >= MOST:
            return
        last = bytes(message.payload)[:SHOWN_BYTES].decode("utf-8", "replace")
        times = (known.times if known else 0) + (not message.retain)
        heard[message.topic] = TopicHeard(message.topic, last, times, message.retain)

    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"warmfoot-look-{uuid.uuid4().hex[:8]}",
        protocol=MQTTProtocolVersion.MQTTv5,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    client.on_connect = connected
    client.on_message = arrived
    try:
        if plan.user is not None:
            client.username_pw_set(
                plan.user, read_secret(plan.password_env) if plan.password_env else None
            )
        if plan.tls:
            client.tls_set(ca_certs=plan.ca_file)
        client.connect(plan.host, plan.port, plan.keepalive_s)
        ends_s = time.monotonic() + span_s
        while (left_s := ends_s - time.monotonic()) > 0.0 and not refused:
            if client.loop(min(left_s, 0.5)) != MQTTErrorCode.MQTT_ERR_SUCCESS and not refused:
                refused.append("connection lost")
        client.disconnect()
    except LinkError:
        raise
    except Exception as error:
        raise LinkError(explain(error, plan)) from error
    if refused:
        raise LinkError(f"broker {plan.host}:{plan.port}: {refused[0]}; check user and password")
    return sorted(heard.values())
