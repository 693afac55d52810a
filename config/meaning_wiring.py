"""Who is wired to what: links, addresses, names in the records."""

from collections.abc import Iterator
from typing import NamedTuple

from config.findings import Finding
from config.meaning_devices import mqtt_device
from config.meaning_modbus import modbus_load, modbus_place
from config.modbus import ModbusLink
from config.model import (
    AIR_KINDS,
    Bench,
    LinkPlan,
    MqttLink,
    Probe,
    Relay,
    SerialLink,
    Site,
    mat_id,
    mister_id,
    probe_id,
)
from config.near import near
from config.positions import Path


class _Place(NamedTuple):
    path: Path
    id: str
    device: Probe | Relay


def wiring(site: Site) -> Iterator[Finding]:
    """Links that are not there, addresses that do not fit or are taken, names used twice."""
    places = list(_places(site))
    yield from _links(site, places)
    for place in places:
        yield from _address(place, site)
        if isinstance(place.device, Probe):
            yield from _probe(place.path, place.device)
        elif place.device.channel is not None and place.device.lease != "board":
            yield Finding(
                (*place.path, "lease"),
                "a board always takes a lease; this key is for relays without, take it out",
            )
    taken = list(_taken(places))
    for place, earlier in taken:
        what = _what(place.device)
        yield Finding(
            (*place.path, *_last_key(place.device)),
            f"{earlier.id} already has this {what}; each serves one place only",
        )
    # One address twice is one slip: its name in the records is the same for that very reason.
    twice = {place.path for place, _ in taken}
    yield from _same_names(site, [place for place in places if place.path not in twice])


def _places(site: Site) -> Iterator[_Place]:
    for name, bench in site.benches.items():
        path: Path = ("benches", name)
        for number, probe in enumerate(bench.air.probes):
            yield _Place((*path, "air", "probes", number), probe_id(name, None, probe), probe)
        if bench.mister is not None:
            yield _Place((*path, "mister"), mister_id(name), bench.mister)
        yield from _bay_places(path, name, bench)


def _bay_places(path: Path, name: str, bench: Bench) -> Iterator[_Place]:
    for bay_name, bay in bench.bays.items():
        place = (*path, "bays", bay_name)
        for number, probe in enumerate(bay.probes):
            yield _Place((*place, "probes", number), probe_id(name, bay_name, probe), probe)
        yield _Place((*place, "mat"), mat_id(name, bay_name), bay.mat)


def _links(site: Site, places: list[_Place]) -> Iterator[Finding]:
    ports: dict[str, str] = {}
    clients: dict[tuple[str, int, str], str] = {}
    for name, link in site.links.items():
        path: Path = ("links", name)
        if isinstance(link, SerialLink | ModbusLink):
            other = ports.setdefault(link.port, name)
            if other != name:
                yield Finding((*path, "port"), _shared_port(link, site.links[other], other))
        if isinstance(link, ModbusLink):
            probes = [p.device for p in places if isinstance(p.device, Probe)]
            periods_s = [p.every_s for p in probes if p.link == name and p.modbus is not None]
            yield from modbus_load(path, name, link, periods_s)
        elif isinstance(link, MqttLink):
            yield from _mqtt(path, link)
            if link.client_id is not None:
                key = (link.host, link.port, link.client_id)
                if (other := clients.setdefault(key, name)) != name:
                    yield Finding(
                        (*path, "client_id"),
                        f"link {other} has the same client_id; a broker lets only one of them in",
                    )
    if site.publish is not None and not isinstance(site.links.get(site.publish), MqttLink):
        mqtt = [name for name, link in site.links.items() if isinstance(link, MqttLink)]
        there = f"write one of {', '.join(mqtt)}" if mqtt else "there is none in this file"
        yield Finding(
            ("publish",), f"this is not the name of an mqtt link{near(site.publish, mqtt)}; {there}"
        )


def _shared_port(link: SerialLink | ModbusLink, other: object, name: str) -> str:
    if isinstance(link, ModbusLink) and isinstance(other, ModbusLink):
        return (
            f"link {name} already uses this port; one line is one link: put all its units on "
            f"{name}, each with its own unit"
        )
    return f"link {name} already uses this port"


def _mqtt(path: Path, link: MqttLink) -> Iterator[Finding]:
    if link.password_env is not None and link.user is None:
        yield Finding((*path, "password_env"), "a password goes with a user; write user as well")
    if link.ca_file is not None and not link.tls:
        yield Finding((*path, "ca_file"), "this is only used with tls = true; write that as well")


def _address(place: _Place, site: Site) -> Iterator[Finding]:
    path, device = place.path, place.device
    link = site.links.get(device.link)
    if link is None:
        yield Finding(
            (*path, "link"),
            f"there is no such link{near(device.link, site.links)}; write one of "
            f"{', '.join(site.links)}",
        )
    elif isinstance(link, ModbusLink) is not (device.modbus is not None):
        yield from _modbus_or_not(place, link)
    elif isinstance(link, MqttLink):
        if device.channel is not None and device.node is None:
            yield Finding(
                path, f"link {device.link} is shared by many boards; write node, the board's name"
            )
    elif not isinstance(link, ModbusLink):
        if device.topic is not None:
            yield Finding(
                (*path, "topic"), f"link {device.link} is not mqtt; write channel instead of topic"
            )
        if device.node is not None:
            yield Finding(
                (*path, "node"), f"link {device.link} carries one board only; take node out"
            )
    if device.modbus is not None:
        yield from modbus_place((*path, "modbus"), device.modbus)
        if device.node is not None:
            yield Finding((*path, "node"), "node goes with channel, not with modbus; take it out")
    yield from mqtt_device(path, device)


def _modbus_or_not(place: _Place, link: LinkPlan) -> Iterator[Finding]:
    """An address of another sort than its link carries."""
    device = place.device
    if isinstance(link, ModbusLink):
        yield Finding(
            (*place.path, "channel" if device.channel is not None else "topic"),
            f"link {device.link} is modbus; write modbus = {{ unit = .., table = .., address = .. "
            "} instead",
        )
    else:
        instead = "channel or topic" if isinstance(link, MqttLink) else "channel"
        yield Finding(
            (*place.path, "modbus"),
            f"link {device.link} is not modbus; write {instead} instead of modbus",
        )


def _probe(path: Path, probe: Probe) -> Iterator[Finding]:
    in_bay = "bays" in path
    if in_bay and probe.kind != "base_temperature":
        yield Finding(
            (*path, "kind"),
            "a bay holds base_temperature probes only; move this one to the bench's air",
        )
    if not in_bay and probe.kind not in AIR_KINDS:
        yield Finding(
            (*path, "kind"),
            f"a base probe belongs to a bay; in the air stand {', '.join(AIR_KINDS)}",
        )
    if probe.offset_c and not probe.kind.endswith("temperature"):
        yield Finding((*path, "offset_c"), f"{probe.kind} is not a temperature; take offset_c out")
    if probe.offset_pct and probe.kind != "humidity":
        yield Finding(
            (*path, "offset_pct"), "only a humidity probe has offset_pct; write offset_c instead"
        )
    if probe.height_mm is not None and not in_bay:
        yield Finding((*path, "height_mm"), "only a base probe has a height above the mat")


def _taken(places: list[_Place]) -> Iterator[tuple[_Place, _Place]]:
    """Places whose address an earlier one has: that place, and the earlier one."""
    seen: dict[tuple[object, ...], _Place] = {}
    for place in places:
        device = place.device
        pointer = device.pointer if isinstance(device, Probe) else ""
        what = _what(device)
        lies = (device.modbus.node, device.modbus.key) if device.modbus else None
        key = (what, device.link, device.node, device.channel, device.topic, pointer, lies)
        earlier = seen.setdefault(key, place)
        if earlier is not place:
            yield place, earlier


def _last_key(device: Probe | Relay) -> Path:
    if device.modbus is not None:
        return ("modbus", "address")
    return ("channel" if device.channel else "topic",)


def _what(device: Probe | Relay) -> str:
    return "probe" if isinstance(device, Probe) else "relay"


def _same_names(site: Site, places: list[_Place]) -> Iterator[Finding]:
    """Names in the records must tell probes, relays and bays apart."""
    seen = {f"{bench}.{bay}": "bay" for bench in site.benches for bay in site.benches[bench].bays}
    for place in places:
        if place.id in seen:
            yield Finding(
                place.path,
                f"its name in the records, {place.id}, is already that of a {seen[place.id]}; "
                "give it another name",
            )
        seen.setdefault(place.id, _what(place.device))
