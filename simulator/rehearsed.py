"""A bench file as it is rehearsed: every probe and relay on a simulated board's channel.

Links keep their names. Nodes and other devices' topics become channels of the one board that stands
for the link; the names in the records stay as they are.
"""

from typing import TypeVar

from config.model import Bay, Bench, MemoryLinkPlan, Probe, Relay, Site

R = TypeVar("R", bound=Relay)


def as_rehearsed(site: Site, tick_s: float | None = None) -> Site:
    """The same site with a memory link for each link.

    tick_s: seconds between decisions; leases must outlast them. By default the bench file's.
    """
    used: dict[str, set[str]] = {name: set() for name in site.links}
    benches = {name: _bench(bench, used) for name, bench in site.benches.items()}
    links = {name: MemoryLinkPlan(kind="memory") for name in site.links}
    changed = {"links": links, "benches": benches, "publish": None}
    if tick_s is not None:
        changed["site"] = site.site.model_copy(update={"tick_s": tick_s})
    return site.model_copy(update=changed)


def _bench(bench: Bench, used: dict[str, set[str]]) -> Bench:
    bays = {}
    for name, bay in bench.bays.items():
        probes = tuple(_probe(probe, used) for probe in bay.probes)
        changed: dict[str, object] = {"probes": probes, "mat": _relay(bay.mat, used)}
        bays[name] = Bay.model_copy(bay, update=changed)
    air = bench.air.model_copy(
        update={"probes": tuple(_probe(probe, used) for probe in bench.air.probes)}
    )
    mister = None if bench.mister is None else _relay(bench.mister, used)
    return bench.model_copy(update={"bays": bays, "air": air, "mister": mister})


def _probe(probe: Probe, used: dict[str, set[str]]) -> Probe:
    channel = _free(probe.channel or probe.kind, probe.node, used[probe.link])
    name = probe.name or probe.channel or probe.kind
    changed = {"channel": channel, "node": None, "topic": None, "pointer": "", "name": name}
    return probe.model_copy(update={**changed, "modbus": None, "sends": None})


def _relay(relay: R, used: dict[str, set[str]]) -> R:
    channel = _free(relay.channel or "switch", relay.node, used[relay.link])
    return relay.model_copy(
        update={"channel": channel, "node": None, "topic": None, "modbus": None}
    )


def _free(channel: str, node: str | None, used: set[str]) -> str:
    """The channel, or one like it that the board does not have yet."""
    wanted = channel if channel not in used else f"{node or 'other'}_{channel}"[:32]
    number = 2
    while wanted in used:
        wanted = f"{channel[:28]}_{number}"
        number += 1
    used.add(wanted)
    return wanted
