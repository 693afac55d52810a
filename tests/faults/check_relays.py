"""Invariants of relays: leases, heat, mist, and what must make no difference to them."""

from collections.abc import Iterator
from math import inf
from typing import Final, NamedTuple

from evidence import Evidence, Order

SLACK_S: Final = 1.5
"""A board drops a relay within a turn of its own clock."""
HOT_FOR_S: Final = 180.0
"""A base over the ceiling is seen after the probe's lag and three samples."""
HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0


class Span(NamedTuple):
    """A relay closed from..to."""

    relay: str
    from_s: float
    to_s: float


def spans(run: Evidence) -> list[Span]:
    """Every time a relay was closed, oldest first."""
    since: dict[str, float] = {}
    found = []
    for t_s, relay, on in run.turns:
        if on:
            since.setdefault(relay, t_s)
        elif relay in since:
            found.append(Span(relay, since.pop(relay), t_s))
    found += [Span(relay, from_s, run.end_s) for relay, from_s in since.items()]
    return sorted(found, key=lambda span: span.from_s)


def i1(run: Evidence) -> Iterator[str]:
    """No relay on longer than its lease after the last valid order."""
    orders: dict[str, list[tuple[float, float]]] = {}
    for order in run.orders:
        for relay, lease_s in order.leases_s.items():
            capped_s = min(lease_s, run.longest_on_s.get(relay, inf))
            orders.setdefault(relay, []).append((order.t_s, capped_s))
    for relay, from_s, to_s in spans(run):
        if relay in run.excused:
            continue
        until_s = -inf
        for t_s, lease_s in orders.get(relay, []):
            in_time = t_s <= max(from_s, until_s) + SLACK_S
            if t_s > to_s or not in_time:
                break  # it should have let go before this order came
            until_s = t_s + lease_s
        if to_s > until_s + SLACK_S:
            yield f"{relay} closed at {to_s:.0f} s, {to_s - until_s:.0f} s past its lease"


def tripped_spans(run: Evidence) -> list[tuple[str, float, float]]:
    """(bay, from, to) in which the trip is latched, by the journal, in UTC s."""
    rows = run.asked(
        "SELECT at_ms / 1000.0, place, state FROM alarm_change "
        "WHERE alarm = 'base_overheat' ORDER BY id"
    )
    since: dict[str, float] = {}
    found = []
    for at_s, place, state in rows:
        if state != "NORM":
            since.setdefault(place, at_s)
        elif place in since:
            found.append((place, since.pop(place), at_s))
    return found + [(place, at_s, inf) for place, at_s in since.items()]


def i2(run: Evidence) -> Iterator[str]:
    """No heat while the base is at its ceiling or its trip is latched."""
    latched = tripped_spans(run)
    hot_since: dict[str, float] = {}
    orders = {order.t_s: order for order in run.orders}
    for look in run.looks:
        order = orders.get(look.t_s)
        if order is None:
            continue
        for bay, relay in run.mats.items():
            ceiling_c, trip_c = run.limits[bay]
            on = order.leases_s.get(relay, 0.0) > 0.0
            if look.hottest_c[bay] >= ceiling_c and on:
                yield f"{relay} ordered on at {look.t_s:.0f} s with {look.hottest_c[bay]:.1f} °C"
            seen = look.true_c[bay] >= ceiling_c and look.usable[bay] > 0
            hot_since[bay] = min(hot_since.get(bay, inf), look.t_s) if seen else inf
            if on and look.t_s - hot_since[bay] > HOT_FOR_S and relay not in run.excused:
                yield f"{relay} ordered on at {look.t_s:.0f} s, base truly {look.true_c[bay]:.1f}"
            if on and any(p == bay and a <= look.utc_s < b for p, a, b in latched):
                yield f"{relay} ordered on at {look.t_s:.0f} s with its trip ({trip_c}) latched"


def i3(run: Evidence) -> Iterator[str]:
    """No burst over the limit; budgets of hour and day never passed, but for survival timing."""
    closed = spans(run)
    for bench, relay in run.misters.items():
        if relay in run.excused:
            continue
        burst_s, share, day_s = run.bounds[bench]
        mine = [span for span in closed if span.relay == relay]
        survival = _survival(run, f"{bench}.mister")
        for span in mine:
            if span.to_s - span.from_s > burst_s + SLACK_S:
                yield f"{relay} on for {span.to_s - span.from_s:.1f} s at {span.from_s:.0f} s"
        for first in mine:
            hour = [s for s in mine if first.from_s <= s.from_s < first.from_s + HOUR_S]
            used_s = sum(s.to_s - s.from_s for s in hour)
            if used_s > share * HOUR_S + SLACK_S * len(hour):
                yield f"{relay} on for {used_s:.0f} s of the hour from {first.from_s:.0f} s"
                break
        # A day of the budget is one from midnight; none holds more than two half-used ones.
        plain = [s for s in mine if not any(a <= s.from_s < b for a, b in survival)]
        for first in plain:
            day = [s for s in plain if first.from_s <= s.from_s < first.from_s + DAY_S]
            used_s = sum(s.to_s - s.from_s for s in day)
            if used_s > 2.0 * day_s:
                yield f"{relay} on for {used_s:.0f} s of the day from {first.from_s:.0f} s"
                break


def _survival(run: Evidence, place: str) -> list[tuple[float, float]]:
    since, found = inf, []
    for look in run.looks:
        survives = look.codes.get(place, "").startswith("mist_survival")
        if survives:
            since = min(since, look.t_s)
        elif since < inf:
            found.append((since, look.t_s))
            since = inf
    return [*found, (since, inf)] if since < inf else found


def i11(run: Evidence) -> Iterator[str]:
    """Orders do not depend on wall clock, page load or storage."""
    if run.twin is None:
        return
    from_s, to_s = run.same

    def part(orders: list[Order]) -> list[Order]:
        alike = run.alike or set(run.mats.values()) | set(run.misters.values())
        return [
            Order(o.t_s, {relay: s for relay, s in o.leases_s.items() if relay in alike})
            for o in orders
            if from_s <= o.t_s < to_s
        ]

    own, other = part(run.orders), part(run.twin)
    if len(own) != len(other):
        yield f"{len(own)} orders, and {len(other)} in the same run without the fault"
    for mine, theirs in zip(own, other, strict=False):
        if mine != theirs:
            yield f"at {mine.t_s:.0f} s {mine.leases_s}, without the fault {theirs.leases_s}"
            break
