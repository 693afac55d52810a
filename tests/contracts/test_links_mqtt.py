"""What only a broker can do to a link; facts about paho-mqtt that bite."""

import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sensors.devices import Presence, State, Value
from sensors.links.addresses import Addresses, Switch
from sensors.messages import NO_SEQ, ORDER, PROBE, RELAY, Arrival, Message

pytestmark = [pytest.mark.wire, pytest.mark.usefixtures("no_thread_left")]

Eventually = Callable[..., None]
SITE = "alder-lane"
STATUS = f"warmfoot/1/{SITE}/host/status"
FOREIGN = Addresses(
    SITE,
    {
        "sensors/t1": [
            Value("sensors/t1#/temperature", "/temperature"),
            Value("sensors/t1#/rh", "/rh"),
        ],
        "plain/t2": [Value("plain/t2")],
    },
    {"plug/mat": Switch("plug/mat", "ON", "OFF")},
    {"plug/state": [State("plug/mat", "/relay", "true", "false")]},
    {"plug/here": [Presence("plug/mat", "", "online")]},
)


@pytest.fixture
def start(mqtt_end: Any, starting: Callable[..., Any]) -> Callable[..., Any]:
    """start(**changes of the link's plan) -> a started link; up unless wait=False."""
    return starting(mqtt_end)  # type: ignore[no-any-return]


def collect(link: Any, count: int, within_s: float = 5.0) -> list[Arrival]:
    got: list[Arrival] = []
    deadline = time.monotonic() + within_s
    while len(got) < count and time.monotonic() < deadline:
        got += link.poll()
        time.sleep(0.002)
    return got


def payloads(end: Any, topic: str) -> list[str]:
    return [message.payload.decode() for message in end.seen if message.topic == topic]


def test_a_replayed_reading_is_marked(mqtt_end: Any, start: Any) -> None:
    topic = f"warmfoot/1/{SITE}/north/probe"
    mqtt_end.publish(topic, '{"seq":900,"values":{"base1":35}}', retain=True)
    link = start()
    mqtt_end.say(Message(PROBE, 880, {"base1": "20"}))
    got = collect(link, 2)
    # The old one does not make the fresh one look late, either.
    assert [(a.message.seq, a.retained) for a in got] == [(900, True), (880, False)]


def test_a_fresh_reading_sent_with_the_retain_flag_is_fresh(mqtt_end: Any, start: Any) -> None:
    link = start(addresses=FOREIGN)
    mqtt_end.publish("plain/t2", "19.5", retain=True)
    (arrival,) = collect(link, 1)
    assert not arrival.retained


def test_values_of_other_devices_are_taken_by_pointer(mqtt_end: Any, start: Any) -> None:
    link = start(addresses=FOREIGN)
    mqtt_end.publish("sensors/t1", '{"temperature": 21.25, "rh": "88.5", "battery": 97}')
    mqtt_end.publish("plain/t2", "-3.5")
    got = collect(link, 2)
    assert [arrival.message for arrival in got] == [
        Message(PROBE, NO_SEQ, {"sensors/t1#/temperature": "21.25", "sensors/t1#/rh": "88.5"}),
        Message(PROBE, NO_SEQ, {"plain/t2": "-3.5"}),
    ]
    assert {arrival.node for arrival in got} == {""}


def test_what_is_no_number_is_counted_not_read(mqtt_end: Any, start: Any) -> None:
    link = start(addresses=FOREIGN)
    for payload in (b"nan", b"true", b'"1e400"', b"1e400", b"", b"\xff", b"21,5", b"[1]"):
        mqtt_end.publish("plain/t2", payload)
    mqtt_end.publish("plain/t2", b" " * 5000 + b"7")
    mqtt_end.publish("plain/t2", b"8")
    (arrival,) = collect(link, 1)
    assert arrival.message.fields == {"plain/t2": "8"}
    assert link.health().rejected == 9


def test_orders_are_never_retained_and_expire_with_their_lease(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    link.send(Message(ORDER, 1, {"mat1": "30", "mist": "5"}), "north")
    topic = f"warmfoot/1/{SITE}/north/order"
    eventually(lambda: payloads(mqtt_end, topic))
    (message,) = (message for message in mqtt_end.seen if message.topic == topic)
    assert message.payload == b'{"seq":1,"values":{"mat1":30,"mist":5}}'
    assert message.qos == 1
    assert not message.retain
    assert message.properties.MessageExpiryInterval <= 5
    mqtt_end.seen.clear()
    mqtt_end.listen_to(topic)
    time.sleep(0.1)
    assert payloads(mqtt_end, topic) == []


def test_status_is_told_at_start_stop_and_death(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start(wait=False, client_id="one")
    mqtt_end.listen_to(STATUS)
    eventually(lambda: payloads(mqtt_end, STATUS)[-1:] == ["online"])
    link.stop()
    eventually(lambda: payloads(mqtt_end, STATUS)[-1:] == ["offline"])


def test_the_broker_tells_when_this_program_vanished(
    mqtt_end: Any, start: Any, eventually: Eventually, monkeypatch: pytest.MonkeyPatch
) -> None:
    start()
    mqtt_end.listen_to(STATUS)
    eventually(lambda: payloads(mqtt_end, STATUS)[-1:] == ["online"])

    def fail(*_: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("sensors.links.mqtt_session.Session.pump", fail)
    monkeypatch.setattr("sensors.links.mqtt_session.Session.open", fail)
    monkeypatch.setattr("paho.mqtt.client.Client.disconnect", lambda _self: None)
    eventually(lambda: payloads(mqtt_end, STATUS)[-1:] == ["offline"])


def test_an_error_while_taking_a_message_does_not_end_the_link(
    mqtt_end: Any, start: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # With paho's own network thread, an error in on_message ends it, and is_connected stays True.
    link = start()
    put = link._inbox.put
    errors = [RuntimeError("once")]

    def put_or_fail(item: Any) -> None:
        if errors:
            raise errors.pop()
        put(item)

    monkeypatch.setattr(link._inbox, "put", put_or_fail)
    mqtt_end.say(Message(PROBE, 1, {"base1": "20"}))
    mqtt_end.say(Message(PROBE, 2, {"base1": "21"}))
    assert [arrival.message.seq for arrival in collect(link, 1)] == [2]
    assert link.health().reopened == 0


def test_nothing_unsent_comes_to_life_after_a_break(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    # paho would send what the old connection did not acknowledge again.
    link = start()
    mqtt_end.broker.freeze()
    for seq in range(1, 4):
        began = time.monotonic()
        assert link.send(Message(ORDER, seq, {"mat1": "30"}), "north")
        assert time.monotonic() - began < 2.0
    time.sleep(0.2)
    mqtt_end.unplug()
    eventually(lambda: not link.health().up)
    mqtt_end.plug_in()
    eventually(lambda: link.health().up)
    last = Message(ORDER, 9, {"mat1": "0"})
    link.send(last, "north")
    eventually(lambda: last in mqtt_end.heard)
    assert mqtt_end.heard == [last]


def test_a_wrong_password_is_named_and_tried_again(
    make_broker: Any, start: Any, tmp_path: Path, eventually: Eventually
) -> None:
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.skip("no mosquitto_passwd here; install it: apt-get install mosquitto")
    passwords = tmp_path / "passwords"
    subprocess.run([maker, "-c", "-b", passwords, "bench", "right"], check=True)
    closed = make_broker("allow_anonymous false", f"password_file {passwords}")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BENCH_PASSWORD", "wrong")
        login = {"port": closed.port, "user": "bench", "password_env": "BENCH_PASSWORD"}
        link = start(wait=False, **login)
        eventually(lambda: "refuses user 'bench'" in link.health().why)
        patch.setenv("BENCH_PASSWORD", "right")
        eventually(lambda: link.health().up)  # read again at each attempt


def test_orders_that_an_access_list_stops_are_told_until_they_get_through(
    make_broker: Any, start: Any, tmp_path: Path, eventually: Eventually
) -> None:
    """The broker answers each of them, so the link is up, but no board hears a word."""
    allowed = tmp_path / "allowed"
    allowed.write_text("topic read #\n")
    strict = make_broker(f"acl_file {allowed}")
    link = start(port=strict.port)
    order = f"warmfoot/1/{SITE}/north/order"
    seq = iter(range(1, 60000))

    def told(wanted: bool) -> bool:
        link.send(Message(ORDER, next(seq), {"mat1": "20"}), "north")
        time.sleep(0.02)
        return (f"does not take {order} (not authorized)" in link.health().note) is wanted

    eventually(lambda: told(True))
    assert link.health().up
    assert "access list" in link.health().note
    allowed.write_text("topic readwrite #\n")
    strict.reload()
    eventually(lambda: told(False))


def test_a_missing_password_is_named(start: Any, eventually: Eventually) -> None:
    link = start(wait=False, user="bench", password_env="NO_SUCH_PASSWORD")
    eventually(lambda: "variable or systemd credential NO_SUCH_PASSWORD" in link.health().why)


def test_a_password_may_come_as_a_systemd_credential(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sensors.links.mqtt_session import read_secret

    (tmp_path / "BENCH_PASSWORD").write_text("secret\n")
    monkeypatch.delenv("BENCH_PASSWORD", raising=False)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert read_secret("BENCH_PASSWORD") == "secret"


def test_a_broker_that_is_not_there_is_named(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    mqtt_end.unplug()
    link = start(wait=False)
    eventually(lambda: "no broker answers at 127.0.0.1" in link.health().why)
    mqtt_end.plug_in()
    eventually(lambda: link.health().up)


def test_a_second_program_with_the_same_client_id_is_named(
    start: Any, eventually: Eventually
) -> None:
    first = start(client_id="same")
    why: set[str] = set()
    start(client_id="same")
    eventually(lambda: why.add(first.health().why) or any("'same'" in text for text in why))


def test_tls_is_checked_against_the_given_authority(
    make_broker: Any, start: Any, tmp_path: Path, eventually: Eventually
) -> None:
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("no openssl here; install it: apt-get install openssl")
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    request = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    address = ["-subj", "/CN=bench", "-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run(
        [program, *request, *address, "-keyout", str(key), "-out", str(cert)],
        check=True,
        capture_output=True,
    )
    safe = make_broker(f"certfile {cert}", f"keyfile {key}")
    link = start(port=safe.port, tls=True, ca_file=str(cert))
    assert link.health().up
    stranger = start(wait=False, port=safe.port, tls=True, client_id="two")
    eventually(lambda: "is not trusted" in stranger.health().why)
    lost = start(wait=False, port=safe.port, tls=True, ca_file=str(tmp_path / "none.pem"))
    eventually(lambda: "none.pem is not there" in lost.health().why)


def test_plain_switches_begin_off_follow_orders_and_end_off(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    mqtt_end.listen_to("plug/mat")
    link = start(addresses=FOREIGN)
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF"])
    for seq in range(3):  # told once, not at every renewal
        assert link.send(Message(ORDER, seq, {"plug/mat": "30"}))
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF", "ON"])
    link.stop()
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF", "ON", "OFF"])
    assert not any(message.retain for message in mqtt_end.seen)
    assert mqtt_end.heard == []


def test_a_plain_switch_tells_what_it_is(mqtt_end: Any, start: Any) -> None:
    link = start(addresses=FOREIGN)
    assert link.send(Message(ORDER, 0, {"plug/mat": "30"}))
    for said in (b'{"relay": true}', b'{"relay": "maybe"}', b'{"relay": false}'):
        mqtt_end.publish("plug/state", said)
    got = collect(link, 2)
    told = [arrival.message.fields["plug/mat"] for arrival in got]
    assert [arrival.message.word for arrival in got] == [RELAY, RELAY]
    assert told[0].startswith("1/")
    assert 25 <= float(told[0][2:]) <= 30
    assert told[1] == "0/0"
    assert link.health().rejected == 1


def test_a_plain_switch_that_is_away_takes_no_order_and_comes_back_off(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    mqtt_end.publish("plug/here", "offline", retain=True)  # its will, kept by the broker
    mqtt_end.listen_to("plug/mat")
    link = start(addresses=FOREIGN)
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF"])
    eventually(lambda: link.poll() or link.health().note)
    assert link.health().note == "not there, by its own word: plug/mat"
    assert not link.send(Message(ORDER, 0, {"plug/mat": "30"}))
    mqtt_end.publish("plug/here", "online", retain=True)
    eventually(lambda: link.poll() or not link.health().note)
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF", "OFF"])
    assert link.send(Message(ORDER, 1, {"plug/mat": "30"}))
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF", "OFF", "ON"])


def test_after_a_break_a_switch_counts_as_there_until_it_says_otherwise(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    """It may have come back meanwhile, and said so to nobody."""
    link = start(addresses=FOREIGN)
    mqtt_end.publish("plug/here", "offline")
    eventually(lambda: link.poll() or link.health().note)
    mqtt_end.unplug()
    eventually(lambda: not link.health().up)
    mqtt_end.plug_in()
    eventually(lambda: link.health().up)
    assert link.send(Message(ORDER, 0, {"plug/mat": "30"}))


def test_a_plain_switch_goes_off_when_orders_stop(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    mqtt_end.listen_to("plug/mat")
    link = start(addresses=FOREIGN)
    link.send(Message(ORDER, 0, {"plug/mat": "0.3"}))
    eventually(lambda: payloads(mqtt_end, "plug/mat") == ["OFF", "ON", "OFF"])


def test_own_news_is_published(mqtt_end: Any, start: Any, eventually: Eventually) -> None:
    topic = f"warmfoot/1/{SITE}/host/alarms"
    mqtt_end.listen_to(topic)
    link = start()
    assert link.publish("alarms", "[]", retain=True)
    eventually(lambda: payloads(mqtt_end, topic) == ["[]"])
    mqtt_end.seen.clear()
    mqtt_end.listen_to(topic)
    eventually(lambda: [m.retain for m in mqtt_end.seen if m.topic == topic] == [True])


def test_a_board_without_a_node_is_the_lone_board(
    mqtt_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    mqtt_end.publish(f"warmfoot/1/{SITE}/board/probe", '{"seq":1,"values":{"base1":20}}')
    assert [arrival.node for arrival in collect(link, 1)] == [""]
    mqtt_end.listen_to(f"warmfoot/1/{SITE}/board/order")
    link.send(Message(ORDER, 1, {"mat1": "30"}))
    eventually(lambda: mqtt_end.heard == [Message(ORDER, 1, {"mat1": "30"})])
