"""A site with two boards, and links that only remember."""

from typing import Any

import pytest

from config.model import Site
from sensors.links.base import LinkHealth
from sensors.messages import Arrival, Message


class Recording:
    """A link that keeps what it was sent. refuse: takes nothing. broken: raises."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.sent: list[tuple[Message, str]] = []
        self.refuse = False
        self.broken = False

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def poll(self) -> list[Arrival]:
        return []

    def health(self) -> LinkHealth:
        return LinkHealth(True, "", 0.0)

    def send(self, message: Message, node: str = "") -> bool:
        if self.broken:
            raise OSError("unplugged")
        if self.refuse:
            return False
        self.sent.append((message, node))
        return True


def _bay(link: str, base: str, mat: dict[str, Any]) -> dict[str, Any]:
    return {
        "probes": [{"link": link, "channel": base, "kind": "base_temperature"}],
        "mat": {"link": link, "power_w": 90.0} | mat,
    }


def _site(benches: dict[str, Any]) -> Site:
    return Site.model_validate(
        {
            "site": {
                "name": "Alder Lane Nursery",
                "timezone": "Europe/Dublin",
                "latitude_deg": 53.3,
                "longitude_deg": -6.5,
            },
            "links": {"board": {"kind": "memory"}, "net": {"kind": "mqtt"}},
            "benches": benches,
        }
    )


@pytest.fixture
def site() -> Site:
    return _site(
        {
            "north": {
                "bays": {"left": _bay("board", "base1", {"channel": "mat1"})},
                "mister": {"link": "board", "channel": "mist"},
            },
            "south": {"bays": {"right": _bay("net", "base2", {"channel": "mat2", "node": "shed"})}},
        }
    )


@pytest.fixture
def make_site() -> Any:
    def make(bays: int, channel: str) -> Site:
        plan = {
            f"bay{i}": _bay("board", f"base{i}", {"channel": channel.format(i)})
            for i in range(bays)
        }
        return _site({"north": {"bays": plan}})

    return make


@pytest.fixture
def links() -> dict[str, Recording]:
    return {"board": Recording("board"), "net": Recording("net")}
