"""Own news on MQTT: strict JSON, retained where it is so now, kept while a broker is away."""

import json
from typing import Any

import pytest

from controller.publish import Publisher, alarm_payload, alarms_payload, state_payload


class Broker:
    def __init__(self) -> None:
        self.out: list[tuple[str, str, bool]] = []
        self.up = True

    def publish(self, topic_suffix: str, payload: str, retain: bool) -> bool:
        if self.up:
            self.out.append((topic_suffix, payload, retain))
        return self.up


def picture(at_utc_s: float) -> dict[str, Any]:
    return {"at_utc_s": at_utc_s, "alarms": [{"alarm": "base_cold"}], "benches": {}}


@pytest.fixture
def publisher(site: Any) -> tuple[Publisher, Broker]:
    broker = Broker()
    chosen = site().model_copy(update={"publish": "board"})
    return Publisher(chosen, {"board": broker}), broker


def test_payloads_are_strict_json(row: Any) -> None:
    assert json.loads(state_payload(picture(1.0)))["at_utc_s"] == 1.0
    assert json.loads(alarms_payload(picture(1.0)))["alarms"] == [{"alarm": "base_cold"}]
    told = json.loads(alarm_payload(row()))
    assert (told["alarm"], told["place"], told["state"]) == ("base_cold", "north.left", "UNACK")
    with pytest.raises(ValueError, match="JSON"):
        state_payload(picture(float("nan")))


def test_state_is_retained_and_a_change_is_not(publisher: Any, row: Any) -> None:
    hand, broker = publisher
    hand.publish(picture(0.0), [row()])
    assert [(topic, kept) for topic, _, kept in broker.out] == [
        ("state", True), ("alarms", True), ("alarm", False),
    ]  # fmt: skip


def test_state_goes_out_every_ten_seconds_and_at_once_with_a_change(
    publisher: Any, row: Any
) -> None:
    hand, broker = publisher
    for at_s in range(0, 21, 2):
        hand.publish(picture(float(at_s)), [])
    assert sum(topic == "state" for topic, _, _ in broker.out) == 3
    hand.publish(picture(21.0), [row()])
    assert sum(topic == "state" for topic, _, _ in broker.out) == 4


def test_changes_wait_for_the_broker(publisher: Any, row: Any) -> None:
    hand, broker = publisher
    broker.up = False
    for i in range(150):
        hand.publish(picture(float(i)), [row(place=f"north.bay{i}")])
    broker.up = True
    hand.publish(picture(200.0), [])
    places = [json.loads(p)["place"] for topic, p, _ in broker.out if topic == "alarm"]
    assert places == [f"north.bay{i}" for i in range(50, 150)]


def test_without_a_link_to_publish_on_nothing_happens(site: Any, row: Any) -> None:
    Publisher(site(), {}).publish(picture(0.0), [row()])
