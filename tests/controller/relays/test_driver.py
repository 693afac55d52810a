"""The driver: absolute orders on every tick, off on every way out, and the echo compared."""

from math import nan
from typing import Any

import pytest

from controller.records import RelayOrder
from controller.relays.driver import Driver
from controller.relays.orders import UnknownRelay
from sensors.readings import RelayReport, Snapshot

MAT, MIST, OTHER = "north.left.mat", "north.mister", "south.right.mat"


def seen(relay: str, on: bool, heard_s: float) -> Snapshot:
    return Snapshot({}, {}, {relay: RelayReport(on, 20.0 if on else 0.0, heard_s)})


def test_every_relay_gets_its_order_on_every_tick(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    for tick in range(3):
        assert driver.send([RelayOrder(MAT, 30.0), RelayOrder(MIST, 0.0)], 2.0 * tick) == ()
    assert [message.fields for message, _ in links["board"].sent] == [
        {"mat1": "30", "mist": "0"}
    ] * 3
    assert [(m.fields, node) for m, node in links["net"].sent] == [({"mat2": "0"}, "shed")] * 3


def test_sequence_numbers_rise_by_one_and_wrap(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    for tick in range(65538):
        driver.send([], float(tick))
    seqs = [message.seq for message, _ in links["board"].sent]
    assert seqs[:3] == [1, 2, 3]
    assert seqs[65534:] == [65535, 0, 1, 2]


def test_all_off_reaches_every_link_even_if_one_is_broken(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    links["board"].broken = True
    assert driver.all_off() is False
    assert links["net"].sent[-1][0].fields == {"mat2": "0"}
    links["board"].broken = False
    assert driver.all_off() is True
    assert links["board"].sent[-1][0].fields == {"mat1": "0", "mist": "0"}


def test_a_link_that_takes_nothing_is_named_and_the_others_get_theirs(
    site: Any, links: Any
) -> None:
    driver = Driver(site, links)
    links["net"].refuse = True
    assert driver.send([RelayOrder(MAT, 30.0)], 0.0) == ("net",)
    assert links["board"].sent[-1][0].fields["mat1"] == "30"


def test_a_missing_link_is_named_too(site: Any, links: Any) -> None:
    del links["net"]
    assert Driver(site, links).all_off() is False


def test_an_unknown_relay_stops_the_round_before_anything_is_sent(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    with pytest.raises(UnknownRelay):
        driver.send([RelayOrder(MAT, 30.0), RelayOrder("attic.mat", 30.0)], 0.0)
    assert links["board"].sent == []


def test_not_a_number_leaves_as_off(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([RelayOrder(MAT, nan)], 0.0)
    assert links["board"].sent[-1][0].fields["mat1"] == "0"
    assert driver.on_until_s(MAT) == float("-inf")


def test_what_is_on_until_when_follows_the_orders(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([RelayOrder(MAT, 30.0), RelayOrder(MIST, 500.0)], 100.0)
    assert driver.on_until_s(MAT) == 130.0
    assert driver.on_until_s(MIST) == 160.0
    driver.all_off()
    assert driver.on_until_s(MAT) == float("-inf")


def test_a_report_against_an_old_order_is_a_disagreement(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([], 0.0)
    driver.send([RelayOrder(MAT, 30.0)], 100.0)
    assert driver.compare(seen(MAT, False, 109.0), 110.0) == []
    driver.send([RelayOrder(MAT, 30.0)], 110.0)
    (found,) = driver.compare(seen(MAT, False, 111.0), 112.0)
    assert (found.relay, found.ordered_on, found.reported_on, found.since_s) == (
        MAT, True, False, 100.0,
    )  # fmt: skip
    assert driver.compare(seen(MAT, True, 111.0), 112.0) == []


def test_a_report_from_before_the_order_proves_nothing(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([RelayOrder(MAT, 30.0)], 100.0)
    assert driver.compare(seen(MAT, False, 95.0), 125.0) == []


def test_a_relay_still_on_after_its_lease_is_a_disagreement(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([RelayOrder(MIST, 5.0)], 100.0)
    driver.send([RelayOrder(MIST, 3.0)], 102.0)
    assert driver.compare(seen(MIST, True, 114.0), 114.0) == []
    driver.send([], 106.0)
    (found,) = driver.compare(seen(MIST, True, 116.0), 116.0)
    assert (found.ordered_on, found.since_s) == (False, 105.0)


def test_after_all_off_nothing_is_accused_until_the_next_order(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    driver.send([RelayOrder(MAT, 30.0)], 0.0)
    driver.all_off()
    assert driver.compare(seen(MAT, True, 100.0), 100.0) == []
    driver.send([], 100.0)
    assert driver.compare(seen(MAT, True, 111.0), 111.0) != []


def test_relays_whose_link_took_nothing_are_named(site: Any, links: Any) -> None:
    driver = Driver(site, links)
    orders = (RelayOrder(MAT, 30.0), RelayOrder(MIST, 5.0))
    assert driver.send(orders, 0.0) == ()
    assert driver.untaken == frozenset()
    links["board"].send = lambda *_: False
    assert driver.send(orders, 10.0) == ("board",)
    assert driver.untaken == {MAT, MIST}


def test_a_link_that_was_not_open_at_the_start_gets_its_off_before_anything_else(
    site: Any, links: Any
) -> None:
    driver = Driver(site, links)
    send = links["board"].send
    links["board"].send = lambda *_: False
    assert driver.all_off() is False
    assert driver.send([RelayOrder(MAT, 30.0)], 0.0) == ("board",)
    links["board"].send = send
    assert driver.send([RelayOrder(MAT, 30.0)], 10.0) == ()
    assert links["board"].sent[-1][0].fields["mat1"] == "0"
    assert driver.untaken == {MAT, MIST}
    driver.send([RelayOrder(MAT, 30.0)], 20.0)
    assert links["board"].sent[-1][0].fields["mat1"] == "30"
    assert driver.untaken == frozenset()
