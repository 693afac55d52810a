"""What only units on a Modbus line can do to a link: pymodbus's server is the other side."""

import time
from collections.abc import Callable
from typing import Any

import pytest
import serial
from pymodbus.constants import ExcCodes

from config.modbus import ModbusLink as ModbusPlan
from config.modbus import ModbusReport, ModbusSwitch
from sensors.clock import SystemClock
from sensors.links.modbus_line import Line
from sensors.links.modbus_map import Contact, ModbusMap
from sensors.messages import NAK, NO_SEQ, ORDER, PROBE, RELAY, Arrival, Message

pytestmark = [pytest.mark.wire, pytest.mark.usefixtures("no_thread_left")]

Eventually = Callable[..., None]
ON = Message(ORDER, 1, {"mat1": "30"})
OFF = Message(ORDER, 2, {"mat1": "0"})


@pytest.fixture
def start(modbus_end: Any, starting: Callable[..., Any]) -> Callable[..., Any]:
    """start(**changes of the link's plan) -> a started link; up unless wait=False."""
    return starting(modbus_end)  # type: ignore[no-any-return]


def reports(link: Any, into: list[str]) -> list[str]:
    """What was read back of the mat, and what was before."""
    got = [a.message.fields for a in link.poll() if a.message.word == RELAY]
    into += [fields["mat1"] for fields in got if "mat1" in fields]
    return into


def next_of(link: Any, word: str, channel: str) -> Arrival:
    """The first message of a channel from now on."""
    link.poll()
    deadline = time.monotonic() + 5.0
    while time.monotonic() < deadline:
        for arrival in link.poll():
            if arrival.message.word == word and channel in arrival.message.fields:
                return arrival
        time.sleep(0.002)
    raise AssertionError(f"no {word} of {channel} came")


def test_values_of_both_units_are_read(modbus_end: Any, start: Any) -> None:
    modbus_end.units.words[1, 4, 0] = 0xFFFF & -550
    modbus_end.units.words[2, 3, 4] = 0x42B1  # 88.5 as an IEEE 754 single: 42B10000
    link = start()
    assert next_of(link, PROBE, "base1").message == Message(PROBE, NO_SEQ, {"base1": "-5.5"})
    arrival = next_of(link, PROBE, "rh")
    assert (arrival.message.fields, arrival.node) == ({"rh": "88.5"}, "n2")
    assert not arrival.retained


def test_readings_are_stamped_when_they_come(start: Any) -> None:
    link = start()
    before = time.clock_gettime(time.CLOCK_BOOTTIME)
    arrival = next_of(link, PROBE, "base1")
    assert before <= arrival.mono_s <= time.clock_gettime(time.CLOCK_BOOTTIME)


def test_all_is_off_at_connect_and_at_close(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))
    link.stop()
    coils = [(address, on) for unit, function, address, on in modbus_end.units.writes]
    assert coils[:2] == [(0, 0), (1, 0)]
    assert set(coils[-2:]) == {(0, 0), (1, 0)}
    assert (0, 1) in coils


def test_an_off_at_close_that_is_lost_is_told_again(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))
    lost: list[object] = []

    class Noise(set[int]):
        """The first two requests from the close on, the off to the mat among them, are lost."""

        def __contains__(self, unit: object) -> bool:
            if link._stopping.is_set():
                lost.append(unit)
            return bool(lost) and len(lost) <= 2

    modbus_end.units.dead = Noise()
    link.stop()
    assert len(lost) > 2
    assert not modbus_end.units.coil(1)


def test_silent_units_are_told_off_once_at_close_and_hold_it_up_no_longer(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    modbus_end.units.dead.update((1, 2))
    eventually(lambda: not link.health().up)
    asked: list[object] = []

    class Dead(set[int]):
        def __contains__(self, unit: object) -> bool:
            if link._stopping.is_set():
                asked.append(unit)
            return True

    modbus_end.units.dead = Dead()
    link.stop()
    assert 2 <= len(asked) <= 3, "both relays, and perhaps what was asked at that moment"


def test_an_order_that_is_not_renewed_ends(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    eventually(lambda: link.send(Message(ORDER, 1, {"mat1": "0.3"}), "n"))
    eventually(lambda: modbus_end.units.coil(1))
    eventually(lambda: not modbus_end.units.coil(1))


def test_what_the_coil_says_is_reported_not_what_was_ordered(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    report = ModbusReport(unit=2, table="discrete_input", address=3)
    contact = Contact("mat1", "n", ModbusSwitch(unit=1, address=0, report=report))
    link = start(wired=ModbusMap((), (contact,)))
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))
    told: list[str] = []
    eventually(lambda: len(reports(link, told)) >= 2)
    assert set(told) == {"0/0"}  # its contact is open
    modbus_end.units.inputs[2] = 1 << 3
    assert link.send(OFF, "n")
    eventually(lambda: reports(link, told)[-1] == "1/0")


def test_a_relay_in_a_holding_register_is_switched(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    switch = ModbusSwitch(unit=2, table="holding_register", address=9, on_value=256, off_value=512)
    link = start(wired=ModbusMap((), (Contact("mat1", "n", switch),)))
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: (2, 6, 9, 256) in modbus_end.units.writes)
    told: list[str] = []
    eventually(lambda: any(text.startswith("1/") for text in reports(link, told)))
    link.stop()
    assert modbus_end.units.writes[-1] == (2, 6, 9, 512)


def test_a_dead_unit_is_told_and_leaves_the_others_their_readings(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    modbus_end.units.dead.add(2)
    eventually(lambda: "unit 2 does not answer" in link.health().note)
    assert link.health().up
    assert link.send(ON, "n")
    eventually(lambda: modbus_end.units.coil(1))
    next_of(link, PROBE, "base1")
    modbus_end.units.dead.clear()
    eventually(lambda: link.health().note == "")
    next_of(link, PROBE, "rh")


def test_a_line_without_any_answer_is_down_and_takes_no_orders(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))
    modbus_end.units.dead.update((1, 2))
    eventually(lambda: not link.health().up)
    assert link.health().why.startswith(f"no unit answers on port {modbus_end.units.port}")
    assert not link.send(ON, "n")
    modbus_end.units.dead.clear()
    eventually(lambda: link.health().up, within_s=10)
    eventually(lambda: link.send(ON, "n"))
    coils = [on for _, _, address, on in modbus_end.units.writes if address == 0]
    assert 0 in coils[coils.index(1) :]  # off once more before it goes on again


def test_garbled_answers_are_refused_and_told(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    modbus_end.units.spoil = lambda answer: bytes(b ^ 0x04 for b in answer)
    eventually(lambda: "cannot be read; are baud, parity and stop_bits" in link.health().why)
    refused = link.health().rejected
    assert refused > 0
    modbus_end.units.spoil = lambda answer: b"\x00\xff" + answer  # the line's turning round
    eventually(lambda: link.health().up, within_s=10)
    next_of(link, PROBE, "base1")


def test_an_adapter_that_echoes_is_understood(modbus_end: Any, start: Any) -> None:
    """Its own request comes back before each answer. 21.5 must not be read out of it."""
    modbus_end.units.words[1, 4, 0] = 2150
    asked = bytes.fromhex("01 04 00 00 00 01 31 CA")
    modbus_end.units.spoil = lambda answer: (asked if answer[1] == 4 else b"") + answer
    link = start()
    assert next_of(link, PROBE, "base1").message.fields == {"base1": "21.5"}


def test_an_exception_is_told_in_words_and_an_order_refused_is_counted(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    modbus_end.units.refuse[1, 4, 0] = ExcCodes.ILLEGAL_ADDRESS
    eventually(lambda: "unit 1 has no input register 0" in link.health().note)
    next_of(link, PROBE, "rh")
    modbus_end.units.refuse.clear()
    eventually(lambda: link.health().note == "")
    modbus_end.units.refuse[1, 5, 0] = ExcCodes.DEVICE_FAILURE
    eventually(lambda: link.send(ON, "n"))
    naks: list[Message] = []

    def refused() -> bool:
        naks.extend(a.message for a in link.poll() if a.message.word == NAK)
        return bool(naks)

    eventually(refused)
    assert naks[0].fields == {"why": "exception4"}
    assert "unit 1 has a fault of its own" in link.health().note


def test_a_link_nobody_polls_keeps_the_newest(start: Any, eventually: Eventually) -> None:
    link = start(queue=5)
    eventually(lambda: link.health().dropped >= 10)
    assert len(link.poll()) == 5


def test_two_programs_cannot_share_the_line(
    modbus_end: Any, start: Any, eventually: Eventually
) -> None:
    link = start()
    with pytest.raises(serial.SerialException):
        serial.Serial(str(modbus_end.units.port), exclusive=True)
    link.stop()
    other = serial.Serial(str(modbus_end.units.port), exclusive=True)
    late = start(wait=False)
    eventually(lambda: "in use by another program" in late.health().why)
    other.close()
    eventually(lambda: late.health().up)


def test_the_port_is_set_as_the_bench_file_says() -> None:
    plan = ModbusPlan(kind="modbus", port="loop://", baud=9600, parity="odd", stop_bits=2)
    line = Line(plan, SystemClock())
    port = line._port
    assert (port.baudrate, port.parity, port.stopbits) == (9600, serial.PARITY_ODD, 2)
    line.close()


def test_settings_that_a_port_does_not_take_are_named(start: Any, eventually: Eventually) -> None:
    link = start(parity="even")  # the first opening of a pseudo-terminal lets it pass
    link.stop()
    again = start(wait=False, parity="even")
    eventually(lambda: "does not take 115200 baud, parity even, 1 stop bits" in again.health().why)


def test_a_fault_in_the_program_still_switches_off(
    modbus_end: Any, start: Any, eventually: Eventually, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = start()
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))
    errors = [RuntimeError("once")]
    look = link._look_at_units

    def fail_once(opened: bool) -> None:
        if errors:
            raise errors.pop()
        look(opened)

    monkeypatch.setattr(link, "_look_at_units", fail_once)
    eventually(lambda: not errors and not modbus_end.units.coil(1))
    eventually(lambda: link.send(ON, "n"))
    next_of(link, PROBE, "base1")


def test_a_fault_in_the_program_switches_off_by_the_port_that_is_open(
    modbus_end: Any, start: Any, eventually: Eventually, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may not be there to be opened again."""
    link = start()
    eventually(lambda: link.send(ON, "n"))
    eventually(lambda: modbus_end.units.coil(1))

    def fail(_opened: bool) -> None:
        modbus_end.units.port.unlink()
        raise RuntimeError("once")

    monkeypatch.setattr(link, "_look_at_units", fail)
    eventually(lambda: "not there" in link.health().why)
    assert not modbus_end.units.coil(1)
