"""Wires: they carry messages both ways, and nothing else."""

from collections.abc import Callable
from typing import Any, Final

from config.model import LinkPlan, Site
from sensors.clock import Clock
from sensors.links.base import Link


def _memory(name: str, plan: Any, clock: Clock, site: Site) -> Link:  # noqa: ARG001
    from sensors.links.memory_link import MemoryLink

    return MemoryLink(name, clock)


def _serial(name: str, plan: Any, clock: Clock, site: Site) -> Link:  # noqa: ARG001
    from sensors.links.serial_link import SerialLink

    return SerialLink(name, plan, clock)


def _mqtt(name: str, plan: Any, clock: Clock, site: Site) -> Link:
    from sensors.links.addresses import addresses_of
    from sensors.links.mqtt_link import MqttLink

    return MqttLink(name, plan, clock, addresses_of(site, name))


def _modbus(name: str, plan: Any, clock: Clock, site: Site) -> Link:
    from sensors.links.modbus_link import ModbusLink
    from sensors.links.modbus_map import map_of

    return ModbusLink(name, plan, clock, map_of(site, name))


# Each imports its library only when used: a bench without a broker needs no MQTT library.
LINK_KINDS: Final[dict[str, Callable[[str, Any, Clock, Site], Link]]] = {
    "memory": _memory,
    "modbus": _modbus,
    "mqtt": _mqtt,
    "serial": _serial,
}


class UnknownKindError(ValueError):
    """A kind of link that there is not."""


def make_link(name: str, plan: LinkPlan, clock: Clock, site: Site) -> Link:
    """The link that the bench file names `name`, not yet started.

    Raises UnknownKindError, listing the kinds, and sensors.topics.PayloadError for a topic or
    pointer in the bench file that cannot be used.
    """
    make = LINK_KINDS.get(plan.kind)
    if make is None:
        kinds = ", ".join(sorted(LINK_KINDS))
        raise UnknownKindError(f"links.{name}.kind = {plan.kind!r}; expected one of {kinds}")
    return make(name, plan, clock, site)
