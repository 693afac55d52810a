"""What the bench file has on one Modbus line."""

from collections.abc import Iterator
from typing import NamedTuple

from config.modbus import ModbusPoint, ModbusSwitch
from config.model import Probe, Relay, Site
from sensors.links.addresses import points
from sensors.links.modbus_frames import Ask


class Place(NamedTuple):
    """A probe on the line. key: its channel in messages.  every_s: how often it is read, s."""

    key: str
    node: str
    point: ModbusPoint
    every_s: float

    @property
    def ask(self) -> Ask:
        point = self.point
        return Ask(point.unit, point.table, point.address, point.words)


class Contact(NamedTuple):
    """A relay on the line. key: its channel in messages."""

    key: str
    node: str
    switch: ModbusSwitch

    def write(self, on: bool) -> Ask:
        switch = self.switch
        value = switch.on_value if on else switch.off_value
        return Ask(switch.unit, switch.table, switch.address, value, write=True)

    @property
    def read_back(self) -> Ask:
        at = self.switch.report or self.switch
        return Ask(at.unit, at.table, at.address, 1)

    def is_on(self, word: int) -> bool:
        """What the word that was read back says. Of a register, whatever is not "off" is on."""
        if self.switch.report is not None or self.switch.table == "coil":
            return word != 0
        return word != self.switch.off_value


class ModbusMap(NamedTuple):
    probes: tuple[Place, ...]
    relays: tuple[Contact, ...]


def map_of(site: Site, link: str) -> ModbusMap:
    """The probes and relays that the bench file names on `link`, in its order."""
    here = [item for item in points(site) if item.link == link and item.modbus is not None]
    return ModbusMap(tuple(_places(here)), tuple(_contacts(here)))


def _places(items: list[Probe | Relay]) -> Iterator[Place]:
    for item in items:
        if isinstance(item, Probe) and item.modbus is not None:
            yield Place(item.modbus.key, item.modbus.node, item.modbus, item.every_s)


def _contacts(items: list[Probe | Relay]) -> Iterator[Contact]:
    for item in items:
        if isinstance(item, Relay) and item.modbus is not None:
            yield Contact(item.modbus.key, item.modbus.node, item.modbus)
