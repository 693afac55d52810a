"""What there is to be wired up: boards on serial ports, topics on a broker."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from config.modbus import ModbusLink
from config.model import MqttLink, SerialLink, Site, probes_of
from controller.wiring.hands import Hands
from controller.wiring.heard import Told
from sensors.clock import Clock
from sensors.links.mqtt_session import LinkError
from sensors.links.ports import Port, serial_ports
from sensors.links.serial_link import SerialLink as SerialWire
from sensors.links.topics_heard import TopicHeard, topics_heard
from sensors.messages import HELLO, PROBE, RELAY

TOPICS_TOLD: Final = 20
PORT_S: Final = 15.0
"""A board reports every ten seconds; one that is woken by the opening says hello at once."""


class Board(NamedTuple):
    """What was heard at a port. name: the board's own, "" when it did not say.

    channels: heard or named.  messages, refused: lines that were right, and not.  why: it can't be
    opened, in words, else "".
    """

    port: Port
    name: str
    channels: tuple[str, ...]
    messages: int
    refused: int
    why: str


def boards_at(ports: Sequence[Port], clock: Clock, span_s: float = PORT_S) -> list[Board]:
    """Listen at all ports at once for `span_s` seconds. Nothing is sent."""
    if not ports:
        return []
    wires = [SerialWire(one.name, SerialLink(kind="serial", port=one.name), clock) for one in ports]
    names = dict.fromkeys((one.name for one in ports), "")
    channels: dict[str, dict[str, None]] = {one.name: {} for one in ports}
    why = dict.fromkeys(names, "")
    try:
        for wire in wires:
            wire.start()
        ends_s = clock.now().mono_s + span_s
        while clock.now().mono_s < ends_s:
            clock.wait_until(min(ends_s, clock.now().mono_s + 0.5))
            for wire in wires:
                for arrival in wire.poll():
                    message = arrival.message
                    if message.word == HELLO:
                        names[wire.name] = message.fields.get("id", "")
                        told = message.fields.get("ch", "").split(",")
                        channels[wire.name].update(dict.fromkeys(one for one in told if one))
                    elif message.word in (PROBE, RELAY):
                        channels[wire.name].update(dict.fromkeys(message.fields))
            why = {
                wire.name: "" if (health := wire.health()).up or health.heard else health.why
                for wire in wires
            }
        return [
            Board(
                port,
                names[wire.name],
                tuple(channels[wire.name]),
                (health := wire.health()).heard,
                health.rejected,
                "" if health.heard else why[wire.name],
            )
            for port, wire in zip(ports, wires, strict=True)
        ]
    finally:
        for wire in wires:
            wire.stop()


def boards(clock: Clock, span_s: float = PORT_S) -> list[Board]:
    """What is heard at every serial port of this machine; at once where there is none."""
    return boards_at(serial_ports(), clock, span_s)


def topics(host: str, port: int, span_s: float) -> list[TopicHeard]:
    """What is said on a broker. Raises LinkError."""
    return topics_heard(MqttLink(kind="mqtt", host=host, port=port), span_s)


def board_words(one: Board) -> str:
    """A line of what is at a port, and the lines that a bench file needs for it."""
    at = f"{one.port.name}{f' ({one.port.words})' if one.port.words else ''}"
    if one.why:
        return f"{at}: {one.why}"
    if not one.messages:
        garbled = f", {one.refused} lines that make no sense: another baud, or another device"
        return f"{at}: {'nothing is heard' if not one.refused else 'no board' + garbled}"
    return (
        f"{at}: a board{f' named {one.name}' if one.name else ''} with "
        f"{', '.join(one.channels) or 'no channel'}\n"
        f'  links.board = {{ kind = "serial", port = "{one.port.name}" }}'
    )


# -- where something that a bench file names is not heard ------------------------------------------


def elsewhere(hands: Hands, clock: Clock, span_s: float = PORT_S) -> list[Told]:
    """What is at other serial ports where a board is not heard, and the topics of a broker where a
    probe is not: for `span_s` seconds each. Nothing is sent, so units on a Modbus are not found.
    """
    site, told = hands.site, []
    lost = {probe.link for name, probe in probes_of(site) if name not in hands.readings}
    board_lost = False
    for name, view in hands.snapshot().links.items():
        plan, health = site.links[name], view.health
        if isinstance(plan, MqttLink) and health.up and (name in lost or not health.heard):
            told += _topics_told(name, plan, span_s)
        board_lost |= isinstance(plan, SerialLink) and not health.heard
    return told + _ports_told(site, clock, span_s) if board_lost else told


def _ports_told(site: Site, clock: Clock, span_s: float) -> list[Told]:
    plans = site.links.values()
    named = {Path(one.port).resolve() for one in plans if isinstance(one, SerialLink | ModbusLink)}
    ports = [one for one in serial_ports() if Path(one.device).resolve() not in named]
    if not ports:
        return [Told("ports", "there is no other serial port on this machine", "unsure")]
    return [
        Told(
            f"port {one.port.name}",
            board_words(one).partition(": ")[2].partition("\n")[0]
            + ("; if it is the one, this is its port" if one.messages else ""),
            "unsure",
        )
        for one in boards_at(ports, clock, span_s)
    ]


def _topics_told(link: str, plan: MqttLink, span_s: float) -> list[Told]:
    try:
        said = topics_heard(plan, span_s)
    except LinkError as error:
        return [Told(f"link {link}", str(error), "unsure")]
    told = [
        Told(f"{link} {one.topic}", f"says {one.last!r}, {one.how_often}", "unsure")
        for one in said[:TOPICS_TOLD]
    ]
    if len(said) > TOPICS_TOLD:
        ask = f"`warmfoot check --broker {plan.host}:{plan.port}`"
        told.append(Told(f"link {link}", f"{len(said) - TOPICS_TOLD} topics more: {ask}", "unsure"))
    return told or [Told(f"link {link}", "nothing else is said on its broker", "unsure")]
