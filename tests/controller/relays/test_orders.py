"""Orders as text: what leaves is a bounded time, for the right board, in a line that fits."""

from math import inf, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import RelayOrder
from controller.relays.orders import (
    LONGEST_S,
    UnknownRelay,
    fields_of,
    lease_text,
    leases_of,
    posts_of,
)
from sensors.lines import encode


@pytest.mark.parametrize(
    ("lease_s", "text"),
    [(30.0, "30"), (5.5, "5.5"), (2.04, "2"), (0.0, "0"), (60.0, "60"), (9.96, "10")],
)
def test_a_lease_is_sent_short(lease_s: float, text: str) -> None:
    assert lease_text(lease_s) == text


@pytest.mark.parametrize("lease_s", [nan, inf, -inf, -1.0, 0.01, -0.0])
def test_what_is_no_time_is_off(lease_s: float) -> None:
    assert lease_text(lease_s) == "0"


@given(st.floats())
def test_no_lease_is_longer_than_the_longest(lease_s: float) -> None:
    assert 0.0 <= float(lease_text(lease_s)) <= LONGEST_S == 60.0


def test_one_message_goes_to_each_board(site: Any) -> None:
    posts = posts_of(site)
    assert [(post.link, post.node) for post in posts] == [("board", ""), ("net", "shed")]
    assert posts[0].relays == (("north.left.mat", "mat1"), ("north.mister", "mist"))


def test_a_relay_without_an_order_is_ordered_off(site: Any) -> None:
    made = fields_of(posts_of(site)[0], {"north.left.mat": 30.0})
    assert made == {"mat1": "30", "mist": "0"}
    assert encode("order", 88, made).startswith("order 88 mat1=30 mist=0 *")


def test_many_relays_are_split_so_that_every_line_fits(make_site: Any) -> None:
    site = make_site(bays=40, channel="a_rather_long_channel_name_{}")
    posts = posts_of(site)
    assert len(posts) > 1
    sent: dict[str, str] = {}
    for post in posts:
        made = fields_of(post, {relay: 59.9 for relay, _ in post.relays})
        assert len(encode("order", 65535, made)) <= 200
        sent |= made
    assert len(sent) == 40


def test_an_order_for_a_relay_there_is_not_names_those_there_are() -> None:
    with pytest.raises(UnknownRelay, match=r"south\.mat.*north\.left\.mat"):
        leases_of([RelayOrder("south.mat", 5.0)], {"north.left.mat": 1})
