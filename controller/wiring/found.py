"""What there is to be wired up: boards on serial ports, topics on a broker."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from config.model import MqttLink, SerialLink
from sensors.clock import Clock
from sensors.links.ports import Port, serial_ports
from sensors.links.serial_link import SerialLink as SerialWire
from sensors.links.topics_heard import TopicHeard, topics_heard
from sensors.messages import HELLO, PROBE, RELAY

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
