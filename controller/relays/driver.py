"""The last hand before the wire: sends every relay its order on every tick, and watches the echo.

Orders are absolute and carry their own end, so a lost message, a hung program or a dead wire ends
with the relays off, provided that the board or the device keeps its lease. A plain switch that
knows no leases is ended by its link.
"""

import logging
from collections.abc import Mapping, Sequence
from math import inf
from typing import Final, NamedTuple

from config.model import Site
from controller.records import RelayOrder
from controller.relays.orders import LONGEST_S, fields_of, leases_of, posts_of, relays_of
from sensors.links.base import Link
from sensors.messages import ORDER, SEQ_MODULUS, Message
from sensors.readings import Snapshot

log = logging.getLogger(__name__)

LAG_S: Final = 10.0
"""A board's report must agree with orders that are older than this."""


class Disagreement(NamedTuple):
    """A relay whose board says other than it was told. since_s: monotonic, of the order."""

    relay: str
    ordered_on: bool
    reported_on: bool
    since_s: float


class Driver:
    """Sends orders, and knows which relays are on until when by our own orders."""

    def __init__(self, site: Site, links: Mapping[str, Link]) -> None:
        """links: by the names of the bench file; a relay on a missing one can not be switched."""
        self._links = dict(links)
        self._posts = posts_of(site)
        self._known = relays_of(site)
        self._seq = [0] * len(self._posts)
        self._until_s: dict[str, float] = dict.fromkeys(self._known, -inf)
        self._since_s: dict[str, float] = dict.fromkeys(self._known, inf)
        self._refused: tuple[str, ...] = ()
        self._orders: tuple[RelayOrder, ...] = ()
        self._quiet = False  # all are off, and were at the last round too: nothing to keep
        self._leases: dict[str, float] = {}
        self._off = [fields_of(post, {}) for post in self._posts]
        self._owed: set[int] = set()
        self._unsent: list[int] = []
        self._fields = self._off

    def send(self, orders: Sequence[RelayOrder], mono_s: float) -> tuple[str, ...]:
        """Send one round of orders; names of the links that did not take theirs.

        A relay without an order is ordered off. Every link is tried, whatever another one does.
        Raises UnknownRelay when an order names a relay that there is not; nothing is sent then.
        """
        if orders == self._orders:
            if self._quiet:
                return self._post(self._fields)
            self._quiet = not any(self._leases.values())
        else:
            self._quiet = False
            leases = leases_of(orders, self._known)
            self._fields = [fields_of(post, leases) for post in self._posts]
            self._orders, self._leases = tuple(orders), leases
        leases = self._leases
        refused = self._post(self._fields)
        untils_s, sinces_s = self._until_s, self._since_s
        for relay, until_s in untils_s.items():
            lease_s = leases.get(relay, 0.0)
            on = 0.05 <= lease_s < inf
            if until_s < mono_s:  # off, or run out by itself since the last round
                if on or sinces_s[relay] == inf:
                    sinces_s[relay] = mono_s
                elif until_s > sinces_s[relay]:
                    sinces_s[relay] = until_s
            elif not on:
                sinces_s[relay] = mono_s
            untils_s[relay] = mono_s + min(lease_s, LONGEST_S) if on else -inf
        return refused

    @property
    def untaken(self) -> frozenset[str]:
        """Relays whose last order did not go out: what was sent before still holds for them."""
        return frozenset(
            relay_id for index in self._unsent for relay_id, _ in self._posts[index].relays
        )

    def all_off(self) -> bool:
        """Order everything off, on every way in and out. True when every link took it.

        A link that does not take it now, because it is still opening, is given it before anything
        else: no relay goes on that was not ordered off first.
        """
        self._quiet = False
        self._until_s = dict.fromkeys(self._known, -inf)
        self._since_s = dict.fromkeys(self._known, inf)
        self._owed = set(range(len(self._posts)))
        return not self._post(self._off)

    def on_until_s(self, relay: str) -> float:
        """Monotonic time at which our last order for the relay ends; -inf when it is off."""
        return self._until_s[relay]

    def compare(self, snapshot: Snapshot, mono_s: float) -> list[Disagreement]:
        """Relays whose last report contradicts an order that is older than LAG_S by then."""
        found = []
        for relay, report in snapshot.relays.items():
            until_s = self._until_s.get(relay, -inf)
            since_s = self._since_s.get(relay, inf)
            ordered_on = until_s >= mono_s
            if not ordered_on and until_s > since_s:
                since_s = until_s
            if report.on is not ordered_on and report.heard_s - since_s > LAG_S:
                found.append(Disagreement(relay, ordered_on, report.on, since_s))
        return found

    def _post(self, fields: list[dict[str, str]]) -> tuple[str, ...]:
        refused: list[str] = []
        self._unsent = []
        for index, post in enumerate(self._posts):
            seq = self._seq[index] = (self._seq[index] + 1) % SEQ_MODULUS
            link = self._links.get(post.link)
            owed = index in self._owed
            words = self._off[index] if owed else fields[index]
            try:
                taken = link is not None and link.send(Message(ORDER, seq, words), post.node)
            except Exception:
                log.exception("link %s failed to take an order", post.link)
                taken = False
            if not taken:
                if post.link not in refused:
                    refused.append(post.link)
            elif owed:
                self._owed.discard(index)
            if not taken or words is not fields[index]:
                self._unsent.append(index)
        if refused:
            if tuple(refused) != self._refused:
                log.warning("orders not taken by %s", ", ".join(refused))
        elif self._refused:
            log.info("all links take orders again")
        self._refused = tuple(refused)
        return self._refused
