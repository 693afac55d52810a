"""Which topics the bench file names on one MQTT link."""

from collections.abc import Iterator
from typing import NamedTuple

from config.model import Probe, Relay, Site
from sensors.devices import Presence, State, Value
from sensors.kinds import KINDS
from sensors.topics import LONE_NODE, check_topic, foreign_key, parse_pointer, slug


class Switch(NamedTuple):
    """A plain on/off topic of another device."""

    topic: str
    on_payload: str
    off_payload: str


class Addresses(NamedTuple):
    """What an MQTT link reads and switches.

    site: the site's topic level.  probes: topic -> each value in it.
    switches: channel key -> switch.  states, presences: topic -> what switches tell there of
    themselves.  lone_board: True unless a node is really called "board"; then the board of that
    name in topics is the node "" of the bench file.
    """

    site: str
    probes: dict[str, list[Value]]
    switches: dict[str, Switch]
    states: dict[str, list[State]]
    presences: dict[str, list[Presence]]
    lone_board: bool = True

    def topics(self) -> list[str]:
        """Every topic of other devices that is to be heard."""
        return list(dict.fromkeys([*self.probes, *self.states, *self.presences]))


def addresses_of(site: Site, link: str) -> Addresses:
    """The addresses that the bench file names on `link`.

    Raises PayloadError for a topic or pointer that cannot be used.
    """
    made = Addresses(slug(site.site.name), {}, {}, {}, {})
    lone_board = True
    for item in points(site):
        if item.link != link:
            continue
        lone_board = lone_board and item.node != LONE_NODE
        if item.topic is None:
            continue
        topic = check_topic(item.topic)
        if isinstance(item, Probe):
            parse_pointer(item.pointer)
            key = foreign_key(topic, item.pointer)
            unit = "ml" if item.kind == "water_meter" else KINDS[item.kind].unit
            value = Value(key, item.pointer, unit, item.sends or "")
            made.probes.setdefault(topic, []).append(value)
        else:
            made.switches[foreign_key(topic)] = Switch(topic, item.on_payload, item.off_payload)
            _listen(made, topic, item)
    return made._replace(lone_board=lone_board)


def _listen(made: Addresses, channel: str, relay: Relay) -> None:
    """Where a plain switch tells of itself."""
    if (state := relay.state) is not None:
        parse_pointer(state.pointer)
        on, off = state.on or relay.on_payload, state.off or relay.off_payload
        there = made.states.setdefault(check_topic(state.topic), [])
        there.append(State(channel, state.pointer, on, off))
    if (told := relay.available) is not None:
        parse_pointer(told.pointer)
        heard = made.presences.setdefault(check_topic(told.topic), [])
        heard.append(Presence(channel, told.pointer, told.payload))


def points(site: Site) -> Iterator[Probe | Relay]:
    """Every probe and relay of the site, in the order of the bench file."""
    for bench in site.benches.values():
        yield from bench.air.probes
        if bench.mister is not None:
            yield bench.mister
        for bay in bench.bays.values():
            yield from bay.probes
            yield bay.mat


def address_words(device: Probe | Relay) -> str:
    """Where a probe or relay is to be found: link, then board and channel, topic or register."""
    if device.modbus is not None:
        place = device.modbus
        return f"{device.link} unit {place.unit} {place.table.replace('_', ' ')} {place.address}"
    parts = (device.link, device.node, device.channel or device.topic)
    return " ".join(part for part in parts if part)
