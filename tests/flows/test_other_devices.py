"""Messages of other people's devices, recorded in our own invented nursery, on their way in.

tests/data/alder_lane_devices.jsonl holds them as a broker gives them; the example bench file says
how each is read. They are played into the parser, and through a real broker.
"""

import json
from collections.abc import Callable, Iterator
from importlib.resources import files
from math import isnan
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from config.load import loads
from config.model import Site
from controller.relays.orders import posts_of
from sensors.clock import SystemClock
from sensors.intake import Intake
from sensors.lines import LineError
from sensors.links import make_link
from sensors.links.addresses import addresses_of
from sensors.links.others import Others
from sensors.messages import ORDER, Arrival, Message
from sensors.readings import Flag, Snapshot

RECORDED = Path(__file__).parents[1] / "data" / "alder_lane_devices.jsonl"
BENCH = files("config").joinpath("examples/alder_lane_devices.toml").read_text(encoding="utf-8")


class Recorded(NamedTuple):
    at_s: float
    topic: str
    payload: bytes
    retained: bool


@pytest.fixture(scope="module")
def site() -> Site:
    return loads(BENCH, "bench.toml", embedded=False)


@pytest.fixture(scope="module")
def messages() -> list[Recorded]:
    rows = [json.loads(line) for line in RECORDED.read_text(encoding="utf-8").splitlines()]
    return [
        Recorded(row["at_s"], row["topic"], row["payload"].encode(), row["retained"])
        for row in rows
    ]


def picture(site: Site, messages: list[Recorded], until_s: float) -> tuple[Snapshot, int]:
    """What is known of the benches after so long, and how much was refused."""
    intake, refused = Intake(site), 0
    others = Others(addresses_of(site, "broker"), lambda _channel: 20.0)
    for at_s, topic, payload, retained in messages:
        if at_s > until_s:
            break
        try:
            heard = others.hear(topic, payload)
        except LineError:
            refused += 1
            continue
        refused += heard.refused
        intake.take("broker", [Arrival(m, at_s, "", retained) for m in heard.messages])
    return intake.snapshot(until_s, {}), refused


def test_every_device_is_read_in_its_own_way(site: Site, messages: list[Recorded]) -> None:
    seen, refused = picture(site, messages, 10.0)
    west, east = seen.benches["west"], seen.benches["east"]
    assert (west.top_c, west.rh_pct, west.house_c) == (17.25, 81.5, 9.7)
    assert west.bays["only"].base_c == 19.81  # the middle one of 19.4, 19.81 and 20.06
    assert west.bays["only"].usable == 3
    assert east.bays["only"].base_c == pytest.approx(19.8, abs=1e-9)
    # 63.05 degF is 17.25 degC: (63.05 - 32) / 1.8, NIST SP 811, appendix B.8.
    assert east.top_c == pytest.approx(17.25, abs=1e-6)
    assert east.rh_pct == pytest.approx(81.5, abs=1e-9)
    assert {relay: report.on for relay, report in seen.relays.items()} == {
        "west.only.mat": False, "west.mister": False, "east.only.mat": False,
    }  # fmt: skip
    assert refused == 0


def test_what_was_kept_by_the_broker_is_never_acted_on(
    site: Site, messages: list[Recorded]
) -> None:
    seen, _ = picture(site, messages, 0.0)
    house = seen.benches["west"].air[2]
    assert house.reading.raw == 3.1
    assert house.reading.flag == Flag.FAIL
    assert isnan(seen.benches["west"].house_c)


def test_what_is_no_value_changes_nothing_and_is_counted(
    site: Site, messages: list[Recorded]
) -> None:
    before, _ = picture(site, messages, 10.0)
    after, refused = picture(site, messages, 20.0)
    # unavailable; null and n/a; one probe of two; degF; nothing; cut short; jammed.
    assert refused == 8
    west = after.benches["west"]
    assert (west.top_c, west.rh_pct, west.house_c) == (17.25, 81.5, 9.7)
    assert west.bays["only"].base_c == 19.87  # 19.81 was brought up to date beside it
    assert after.benches["east"].bays["only"].base_c == before.benches["east"].bays["only"].base_c
    assert {relay: (report.on, report.left_s) for relay, report in after.relays.items()} == {
        "west.only.mat": (True, 20.0), "west.mister": (True, 20.0), "east.only.mat": (True, 20.0),
    }  # fmt: skip


def test_each_switch_is_ordered_in_a_message_of_its_own(site: Site) -> None:
    """One that is away would else take the orders of the others with it."""
    assert [[relay for relay, _ in post.relays] for post in posts_of(site)] == [
        ["west.only.mat"], ["west.mister"], ["east.only.mat"],
    ]  # fmt: skip


@pytest.mark.wire
def test_all_of_it_comes_through_a_real_broker(
    site: Site,
    messages: list[Recorded],
    broker: Any,
    publisher: paho.Client,
    eventually: Callable[..., None],
) -> None:
    def publish(rows: list[Recorded]) -> None:
        for _, topic, payload, retained in rows:
            publisher.publish(topic, payload, qos=1, retain=retained).wait_for_publish(5)

    kept = [row for row in messages if row.retained]
    publish(kept)
    publisher.subscribe("alderlane/#", qos=1)
    plan = site.links["broker"].model_copy(update={"host": broker.host, "port": broker.port})
    link = make_link("broker", plan, SystemClock(), site)
    intake = Intake(site)
    got: list[Arrival] = []

    def take() -> list[Arrival]:
        arrivals = link.poll()
        intake.take("broker", arrivals)
        got.extend(arrivals)
        return got

    link.start()
    try:
        mat = "alderlane/plugs/west_mat/set"
        eventually(lambda: take() and link.health().up and link.health().note)
        assert not link.send(Message(ORDER, 1, {mat: "30"}))
        publish([row for row in messages if not row.retained])
        eventually(lambda: take() and link.health().rejected >= 9)
        eventually(lambda: take() and "19.5" in got[-1].message.fields.values())
        assert link.health().rejected == 9
        seen = intake.snapshot(SystemClock().now().mono_s, {}).benches
        assert seen["west"].house_c == 9.7
        assert seen["west"].bays["only"].base_c == 19.87
        assert seen["east"].top_c == pytest.approx(17.25, abs=1e-6)
        assert link.send(Message(ORDER, 2, {mat: "30"}))
        assert link.send(Message(ORDER, 3, {"alderlane/relays/8/order": "30"}))
        order = b'{"relay": 1, "state": 1, "off_after_s": 60}'
        heard: list[tuple[str, bytes]] = publisher.user_data_get()
        eventually(lambda: ("alderlane/relays/8/order", order) in heard)
        eventually(lambda: (mat, b"ON") in heard)
    finally:
        link.stop()
    eventually(lambda: ("alderlane/valves/3/open", b"false") in heard)
    assert [payload for topic, payload in heard if topic == mat][-1] == b"OFF"


@pytest.fixture
def publisher(broker: Any) -> Iterator[paho.Client]:
    """The devices' side of the broker; its user data are the (topic, payload) it heard."""
    heard: list[tuple[str, bytes]] = []
    client = paho.Client(
        CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, userdata=heard
    )
    client.on_message = lambda _client, _data, m: heard.append((m.topic, m.payload))
    client.connect(broker.host, broker.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()
