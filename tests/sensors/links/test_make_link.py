"""From the bench file to links."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import sensors.links
from config.model import Site
from sensors.clock import SystemClock
from sensors.devices import Value
from sensors.links import LINK_KINDS, UnknownKindError, make_link
from sensors.links.addresses import Switch, addresses_of
from sensors.links.memory_link import MemoryLink
from sensors.messages import ORDER, Message
from sensors.topics import PayloadError


def site(link: dict[str, Any], probe: dict[str, Any], mat: dict[str, Any]) -> Site:
    return Site.model_validate(
        {
            "site": {
                "name": "Alder Lane",
                "timezone": "Europe/Dublin",
                "latitude_deg": 53.3,
                "longitude_deg": -6.5,
            },
            "links": {"wire": link},
            "benches": {
                "north": {
                    "air": {"probes": ({"link": "wire", "kind": "air_temperature"} | probe,)},
                    "bays": {
                        "left": {
                            "probes": (
                                {"link": "wire", "kind": "base_temperature", "channel": "b"},
                            ),
                            "mat": {"link": "wire", "power_w": 90.0} | mat,
                        }
                    },
                }
            },
        }
    )


PLANS = {
    "memory": {"kind": "memory"},
    "serial": {"kind": "serial", "port": "/dev/none"},
    "mqtt": {"kind": "mqtt"},
    "modbus": {"kind": "modbus", "port": "/dev/none"},
}


@pytest.mark.parametrize("kind", LINK_KINDS)
def test_every_kind_in_the_bench_file_makes_its_link(kind: str) -> None:
    whole = site(PLANS[kind], {"channel": "air"}, {"channel": "mat1"})
    link = make_link("wire", whole.links["wire"], SystemClock(), whole)
    assert link.name == "wire"
    # Before its start a link carries nothing, and says why.
    assert link.poll() == []
    assert not link.send(Message(ORDER, 1, {"mat1": "30"}))
    assert link.health()[:2] == (False, "not started")
    link.stop()


def test_an_unknown_kind_lists_those_there_are() -> None:
    whole = site(PLANS["memory"], {"channel": "air"}, {"channel": "mat1"})
    plan = whole.links["wire"].model_copy(update={"kind": "pigeon"})
    with pytest.raises(
        UnknownKindError, match=r"links\.wire\.kind = 'pigeon'.*memory, modbus, mqtt, serial"
    ):
        make_link("wire", plan, SystemClock(), whole)


def test_a_bench_without_broker_or_port_imports_neither_library() -> None:
    code = (
        "import sys, sensors.links, sensors.links.memory_link\n"
        "print(sorted({'paho', 'serial', 'ssl'} & set(sys.modules)))"
    )
    root = Path(sensors.links.__file__).parents[2]
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"


def test_topics_and_pointers_come_from_the_bench_file() -> None:
    whole = site(
        PLANS["mqtt"],
        {"topic": "t/1", "pointer": "/temperature"},
        {"topic": "plug/set", "on_payload": "1", "off_payload": "0", "lease": "none"},
    )
    addresses = addresses_of(whole, "wire")
    assert addresses.site == "alder-lane"
    assert addresses.probes == {"t/1": [Value("t/1#/temperature", "/temperature", "degC")]}
    assert addresses.switches == {"plug/set": Switch("plug/set", "1", "0")}
    assert addresses.lone_board
    assert addresses_of(whole, "other") == ("alder-lane", {}, {}, {}, {}, True)


def test_a_node_really_called_board_is_no_lone_board() -> None:
    whole = site(PLANS["mqtt"], {"channel": "air", "node": "board"}, {"channel": "mat1"})
    assert not addresses_of(whole, "wire").lone_board


@pytest.mark.parametrize("address", [{"topic": "t/#"}, {"topic": "t", "pointer": "temperature"}])
def test_a_topic_or_pointer_that_cannot_be_used_is_refused(address: dict[str, str]) -> None:
    whole = site(PLANS["mqtt"], address, {"channel": "mat1"})
    with pytest.raises(PayloadError):
        make_link("wire", whole.links["wire"], SystemClock(), whole)


# -- the memory link's far end --------------------------------------------------------------------


def test_a_bench_model_may_ask_what_the_orders_amount_to() -> None:
    link = MemoryLink("wire")
    link.start()
    link.send(Message(ORDER, 1, {"mat1": "30", "mist": "5"}))
    link.send(Message(ORDER, 2, {"mist": "0"}))
    assert link.relays() == {"mat1": 30.0, "mist": 0.0}


def test_history_holds_times_and_lines_and_stays_bounded() -> None:
    link = MemoryLink("wire", history=2)
    link.start()
    for seq in range(3):
        link.feed("", 10.0 * seq)
        link.send(Message(ORDER, seq, {"mat1": "30"}))
    assert [(at, line.split(" *")[0]) for at, line in link.sent] == [
        (10.0, "order 1 mat1=30"),
        (20.0, "order 2 mat1=30"),
    ]
