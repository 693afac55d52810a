"""A bench on other people's units: from register to heat, and from the contact back to an alarm."""

from pathlib import Path

import pytest

from config.load import loads
from controller.app import build
from controller.loop import Controller
from sensors.links.base import LinkHealth
from sensors.messages import NO_SEQ, PROBE, RELAY, Arrival, Message
from simulator.clock import VirtualClock

BENCH = """
site = {{ name = "Alder Lane", timezone = "Europe/Dublin", latitude_deg = 53.3, longitude_deg = -6.5 }}
[links.line]
kind = "modbus"
port = "/dev/none"
[benches.east]
recipe = "semi_ripe"
[benches.east.bays.only]
probes = [{{ link = "line", kind = "base_temperature", modbus = {{ unit = 2, table = "holding_register", address = 0, type = "float32" }} }}]
mat = {{ link = "line", power_w = 120, lease = "{lease}", modbus = {{ unit = 3, address = 5 }} }}
"""  # noqa: E501
MAT, COIL = "unit3.coil.5", "coil.5"


class Units:
    """The line as its link shows it. base_c: what the probe reads.  closed: the mat's contact."""

    name = "line"

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.base_c = 15.0
        self.closed: bool | None = None
        self.leases: dict[tuple[str, str], float] = {}
        self.hears = True

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def poll(self) -> list[Arrival]:
        ordered = self.leases.get((MAT, COIL), 0.0) > 0
        closed = ordered if self.closed is None else self.closed
        said = [
            ("unit2", Message(PROBE, NO_SEQ, {"holding_register.0": f"{self.base_c}"})),
            (MAT, Message(RELAY, NO_SEQ, {COIL: "1/20" if closed else "0/0"})),
        ]
        return [Arrival(message, self.clock.now().mono_s, node) for node, message in said]

    def send(self, message: Message, node: str = "") -> bool:
        if self.hears:
            for channel, text in message.fields.items():
                self.leases[node, channel] = float(text)
        return self.hears

    def health(self) -> LinkHealth:
        return LinkHealth(True, "", 0.0)


class Bench:
    def __init__(self, journal: Path, lease: str) -> None:
        self.clock = VirtualClock(1_772_452_800.0)
        self.units = Units(self.clock)
        text = BENCH.format(lease=lease)
        self.controller: Controller = build(
            loads(text, "bench.toml"),
            clock=self.clock,
            journal=journal,
            links={"line": self.units},
            site_text=text,
        )

    def tick(self, times: int) -> None:
        for _ in range(times):
            self.clock.advance(10.0)
            self.controller.tick()

    def alarm(self, name: str) -> str:
        held = self.controller.state.alarms.get((name, "east.only"))
        return str(held.state) if held is not None else "NORM"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "bench.db", "auto_off")


def test_a_cold_base_in_a_register_puts_the_mat_on_in_another_unit(bench: Bench) -> None:
    with bench.controller:
        bench.tick(12)
        assert set(bench.units.leases) == {(MAT, COIL)}
        assert bench.units.leases[MAT, COIL] > 0
        bench.units.base_c = 31.0
        bench.tick(12)
        assert bench.units.leases[MAT, COIL] == 0
    assert bench.units.leases[MAT, COIL] == 0


@pytest.mark.parametrize(
    ("closed", "base_c", "alarm"), [(True, 31.0, "mat_stuck_on"), (False, 15.0, "relay_disagrees")]
)
def test_a_contact_that_does_not_follow_is_told(
    bench: Bench, closed: bool, base_c: float, alarm: str
) -> None:
    with bench.controller:
        bench.tick(12)
        assert bench.alarm(alarm) == "NORM"
        bench.units.closed = closed
        bench.units.base_c = base_c
        bench.tick(30)
        assert bench.alarm(alarm) == "UNACK"


def test_a_relay_board_without_a_watch_of_its_own_keeps_an_alarm_standing(tmp_path: Path) -> None:
    for lease, state in (("auto_off", "NORM"), ("none", "UNACK")):
        made = Bench(tmp_path / f"{lease}.db", lease)
        with made.controller:
            made.tick(60)
            assert made.alarm("lease_missing") == state


def test_orders_that_a_silent_unit_does_not_take_are_not_counted_as_given(bench: Bench) -> None:
    with bench.controller:
        bench.tick(12)
        bench.units.hears = False
        bench.tick(12)
        assert bench.controller.driver.untaken == {"east.only.mat"}
