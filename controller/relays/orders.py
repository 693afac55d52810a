"""Relay orders made into messages: which wire, which board, which words."""

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Final, NamedTuple

from config import bounds
from config.model import Relay, Site, mat_id, mister_id
from controller.records import RelayOrder

LONGEST_S: Final = max(bounds.LEASE_LONGEST_S, bounds.BURST_LONGEST_S)
"""No order leaves with a longer lease, whoever asked for it."""
TEXT_BYTES: Final = 180
"""Room for one order's words: a line holds 200 bytes with its checksum."""
_VALUE_BYTES: Final = len("=60.0 ")


class UnknownRelay(ValueError):
    """An order for a relay that the bench file does not name."""


class Post(NamedTuple):
    """One message's worth of relays: they share a link and a board.

    relays: (relay id, the name its board or switch knows it by), in the bench file's order.
    """

    link: str
    node: str
    relays: tuple[tuple[str, str], ...]


def relays_of(site: Site) -> dict[str, Relay]:
    """Every relay of the site by its id."""
    found: dict[str, Relay] = {}
    for bench_name, bench in site.benches.items():
        for bay_name, bay in bench.bays.items():
            found[mat_id(bench_name, bay_name)] = bay.mat
        if bench.mister is not None:
            found[mister_id(bench_name)] = bench.mister
    return found


def posts_of(site: Site) -> tuple[Post, ...]:
    """The messages that every round of orders is made of.

    One for each link and board, or more where a board has so many relays that a line would be full.
    A plain switch goes by its topic; its link knows what to publish there. A Modbus relay goes by
    its place in its unit. Each of these has a message of its own: one away holds up no other.
    """
    gathered: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
    for relay_id, relay in relays_of(site).items():
        node, channel = relay.node or "", relay.channel or relay.topic or ""
        if relay.modbus is not None:
            node, channel = relay.modbus.node, relay.modbus.key
        key = relay.link, node, relay.topic or ""
        gathered.setdefault(key, []).append((relay_id, channel))
    return tuple(
        Post(link, node, chunk)
        for (link, node, _), relays in gathered.items()
        for chunk in _chunks(relays)
    )


def _chunks(relays: list[tuple[str, str]]) -> Iterable[tuple[tuple[str, str], ...]]:
    chunk: list[tuple[str, str]] = []
    used = 0
    for relay in relays:
        size = len(relay[1]) + _VALUE_BYTES
        if chunk and used + size > TEXT_BYTES:
            yield tuple(chunk)
            chunk, used = [], 0
        chunk.append(relay)
        used += size
    yield tuple(chunk)


def lease_text(lease_s: float) -> str:
    """A lease as it is sent: seconds with at most one decimal; "0" for anything that is no time.

    Cut to LONGEST_S. A lease under a tenth of a second, negative or not finite is off.
    """
    if not isfinite(lease_s) or lease_s < 0.05:
        return "0"
    text = f"{min(lease_s, LONGEST_S):.1f}"
    return text[:-2] if text.endswith(".0") else text


def fields_of(post: Post, leases: Mapping[str, float]) -> dict[str, str]:
    """The order to one board, as a message's fields.

    leases: seconds by relay id; a relay left out is ordered off.
    """
    return {name: lease_text(leases.get(relay_id, 0.0)) for relay_id, name in post.relays}


def leases_of(orders: Iterable[RelayOrder], known: Mapping[str, object]) -> dict[str, float]:
    """Seconds by relay id. Raises UnknownRelay, naming it and the ones there are."""
    leases: dict[str, float] = dict(orders)
    if not leases.keys() <= known.keys():
        strange = ", ".join(sorted(leases.keys() - known.keys()))
        raise UnknownRelay(f"order for {strange}; the bench file has {', '.join(known)}")
    return leases
