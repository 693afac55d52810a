"""One far end per kind of link, behind one face, so that every link keeps the same promises."""

import os
import pty
import select
import sys
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from config.modbus import ModbusLink as ModbusPlan
from config.modbus import ModbusPoint, ModbusSwitch
from config.model import MqttLink as MqttPlan
from config.model import SerialLink as SerialPlan
from sensors.clock import SystemClock
from sensors.lines import LineAssembler, LineError, decode, encode
from sensors.links.addresses import Addresses
from sensors.links.base import Link
from sensors.links.memory_link import MemoryLink
from sensors.links.modbus_link import ModbusLink
from sensors.links.modbus_map import Contact, ModbusMap, Place
from sensors.links.mqtt_link import MqttLink
from sensors.links.serial_link import SerialLink
from sensors.messages import Message
from sensors.topics import decode_payload, encode_payload

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)

from modbus_units import Units  # noqa: E402

RETRY_S = (0.05, 0.2)
QUEUE = 50
SITE = "alder-lane"


class FarEnd(Protocol):
    """The board's end. node: as arrivals name it.  heard: orders that reached it, oldest first."""

    link: Link
    node: str
    heard: list[Message]
    carries_text: bool
    queue: int

    def say(self, message: Message) -> None: ...

    def say_raw(self, data: bytes) -> None:
        """Bytes as they are: on the wire, or as a payload of the board's probe topic."""

    def took(self, message: Message) -> bool:
        """Whether an order has reached it."""

    def unplug(self) -> None: ...

    def plug_in(self) -> None: ...

    def close(self) -> None: ...


class MemoryEnd:
    queue = 1000
    carries_text = True
    node = ""

    def __init__(self) -> None:
        self.clock = SystemClock()
        self.memory = MemoryLink("bench", self.clock)
        self.link: Link = self.memory
        self.heard: list[Message] = []
        self.memory.on_line = lambda line: self.heard.append(Message(*decode(line)))

    def took(self, message: Message) -> bool:
        return message in self.heard

    def say(self, message: Message) -> None:
        self.memory.feed(encode(*message), self.clock.now().mono_s)

    def say_raw(self, data: bytes) -> None:
        self.memory.feed(data, self.clock.now().mono_s)

    def unplug(self) -> None:
        self.memory.cut()

    def plug_in(self) -> None:
        self.memory.mend()

    def close(self) -> None:
        self.link.stop()


class SerialEnd:
    """A pseudo-terminal. The port's name is a link to it, as /dev/serial/by-id names are."""

    carries_text = True
    node = ""
    queue = QUEUE

    def __init__(self, folder: Path) -> None:
        self.port = folder / "port"
        self.heard: list[Message] = []
        self.reads = True
        self._master = -1
        self._reader: threading.Thread | None = None
        self.plug_in()
        plan = SerialPlan(kind="serial", port=str(self.port))
        self.link: Link = SerialLink("bench", plan, SystemClock(), RETRY_S, QUEUE)

    def took(self, message: Message) -> bool:
        return message in self.heard

    def say(self, message: Message) -> None:
        self.say_raw(encode(*message).encode())

    def say_raw(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def unplug(self) -> None:
        self.port.unlink(missing_ok=True)
        master, self._master = self._master, -1
        if master >= 0:
            os.write(self._wake, b"w")
            if self._reader is not None:
                self._reader.join(2)
            for number in (master, self._slave, self._wake):
                os.close(number)

    def plug_in(self) -> None:
        # The slave stays open here too: without any opener the master would report a hang-up.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port.symlink_to(os.ttyname(self._slave))
        woken, self._wake = os.pipe()
        self._reader = threading.Thread(target=self._listen, args=(self._master, woken))
        self._reader.start()

    def close(self) -> None:
        self.link.stop()
        self.unplug()

    def _listen(self, master: int, woken: int) -> None:
        assembler = LineAssembler()
        while True:
            readers = [woken, master] if self.reads else [woken]
            ready, _, _ = select.select(readers, [], [], 0.02)
            if woken in ready:
                os.close(woken)
                return
            if master in ready:
                for line in assembler.feed(os.read(master, 4096)):
                    self._hear(line)

    def _hear(self, line: str) -> None:
        try:
            self.heard.append(Message(*decode(line)))
        except LineError:  # as on a board: a torn line is passed over
            return


class MqttEnd:
    carries_text = False
    queue = QUEUE
    node = "north"

    def __init__(self, broker: Any) -> None:
        self.broker = broker
        self.heard: list[Message] = []
        self.seen: list[paho.MQTTMessage] = []
        self._ready = threading.Event()
        self._listen_to = [(f"warmfoot/1/{SITE}/{self.node}/order", 1)]
        self._connect()
        self.link: Link = self.make_link()

    def make_link(self, **changes: Any) -> MqttLink:
        plan = MqttPlan(kind="mqtt", host=self.broker.host, port=self.broker.port)
        addresses = changes.pop("addresses", Addresses(SITE, {}, {}, {}, {}))
        plan = plan.model_copy(update=changes)
        return MqttLink("bench", plan, SystemClock(), addresses, RETRY_S, QUEUE)

    def took(self, message: Message) -> bool:
        return message in self.heard

    def say(self, message: Message) -> None:
        self.publish(f"warmfoot/1/{SITE}/{self.node}/{message.word}", encode_payload(message))

    def say_raw(self, data: bytes) -> None:
        self.publish(f"warmfoot/1/{SITE}/{self.node}/probe", data)

    def publish(self, topic: str, payload: bytes | str, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def listen_to(self, topic: str) -> None:
        """Collect that topic's messages in `seen`, from now on."""
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.subscribe(topic, qos=1)
        assert subscribed.wait(5)

    def unplug(self) -> None:
        self._disconnect()
        self.broker.stop()

    def plug_in(self) -> None:
        self.broker.start()
        self._connect()

    def close(self) -> None:
        self.link.stop()
        self._disconnect()

    def _connect(self) -> None:
        self._ready.clear()
        self.client = client = paho.Client(
            CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5
        )
        client.on_connect = lambda *_: client.subscribe(self._listen_to)
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_message = self._receive
        client.connect(self.broker.host, self.broker.port)
        client.loop_start()
        assert self._ready.wait(5)

    def _disconnect(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _receive(self, _client: Any, _userdata: Any, message: paho.MQTTMessage) -> None:
        self.seen.append(message)
        if message.topic.endswith("/order"):
            try:
                self.heard.append(decode_payload("order", message.payload))
            except LineError:
                return


class ModbusEnd:
    """Two units: one with a probe and two relays, one with a probe. They are asked, and count
    nothing. A pseudo-terminal knows no parity.
    """

    carries_text = False
    node = "n"
    queue = QUEUE

    def __init__(self, folder: Path) -> None:
        self.units = Units(folder / "port", 1, 2)
        self.heard: list[Message] = []
        self.link: Link = self.make_link()

    def make_link(
        self, every_s: float = 0.05, queue: int = QUEUE, wired: ModbusMap | None = None, **plan: Any
    ) -> ModbusLink:
        made = ModbusPlan.model_validate(
            {
                "kind": "modbus",
                "port": str(self.units.port),
                "baud": 115200,
                "answer_s": 0.1,
                "parity": "none",
                **plan,
            }
        )
        return ModbusLink("rail", made, SystemClock(), wired or self.wired(every_s), RETRY_S, queue)

    def wired(self, every_s: float) -> ModbusMap:
        base = ModbusPoint(unit=1, address=0, table="input_register", scale=0.01)
        rh = ModbusPoint(unit=2, address=4, table="holding_register", type="float32")
        relays = [ModbusSwitch(unit=1, address=address) for address in (0, 1)]
        return ModbusMap(
            (Place("base1", self.node, base, every_s), Place("rh", "n2", rh, every_s)),
            (Contact("mat1", self.node, relays[0]), Contact("mist", self.node, relays[1])),
        )

    def say(self, message: Message) -> None:
        self.units.words[1, 4, 0] = round(100 * float(message.fields["base1"])) & 0xFFFF

    def say_raw(self, data: bytes) -> None:
        self.units.send(data)

    def took(self, message: Message) -> bool:
        coils = {"mat1": 0, "mist": 1}
        return all(
            self.units.coil(1, coils[channel]) is (float(lease) > 0)
            for channel, lease in message.fields.items()
        )

    def unplug(self) -> None:
        self.units.unplug()

    def plug_in(self) -> None:
        self.units.plug_in()

    def close(self) -> None:
        self.link.stop()
        self.units.close()


@pytest.fixture
def serial_end(tmp_path: Path) -> Iterator[SerialEnd]:
    end = SerialEnd(tmp_path)
    yield end
    end.close()


@pytest.fixture
def mqtt_end(broker: Any) -> Iterator[MqttEnd]:
    end = MqttEnd(broker)
    yield end
    end.close()


@pytest.fixture
def modbus_end(tmp_path: Path) -> Iterator[ModbusEnd]:
    end = ModbusEnd(tmp_path)
    yield end
    end.close()


TALKING = [
    "memory",
    pytest.param("serial", marks=pytest.mark.wire),
    pytest.param("mqtt", marks=pytest.mark.wire),
]


@pytest.fixture(params=TALKING)
def far_end(request: pytest.FixtureRequest, eventually: Callable[..., None]) -> Iterator[FarEnd]:
    """A started link of each kind whose far end speaks by itself, its wire open."""
    yield from _started(request, eventually)


@pytest.fixture(params=[*TALKING, pytest.param("modbus", marks=pytest.mark.wire)])
def any_end(request: pytest.FixtureRequest, eventually: Callable[..., None]) -> Iterator[FarEnd]:
    """A started link of every kind, its wire open, seen from its far end."""
    yield from _started(request, eventually)


def _started(request: pytest.FixtureRequest, eventually: Callable[..., None]) -> Iterator[FarEnd]:
    kind: str = request.param
    end: FarEnd = MemoryEnd() if kind == "memory" else request.getfixturevalue(f"{kind}_end")
    end.link.start()
    eventually(lambda: end.link.health().up)
    yield end
    end.close()


@pytest.fixture
def starting(eventually: Callable[..., None]) -> Iterator[Callable[[Any], Callable[..., Any]]]:
    """starting(end)(**changes of the link's plan) -> a started link; up unless wait=False.

    To be asked for after the end: links are stopped before it is taken away.
    """
    links: list[Any] = []

    def at(end: Any) -> Callable[..., Any]:
        def make(wait: bool = True, **changes: Any) -> Any:
            link = end.make_link(**changes)
            links.append(link)
            link.start()
            if wait:
                eventually(lambda: link.health().up)
            return link

        return make

    yield at
    for link in links:
        link.stop()
