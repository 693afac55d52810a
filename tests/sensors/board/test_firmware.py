"""The board's program under a real MicroPython, beside chips that answer byte by byte."""

import ast
import json
from typing import Any

import pytest

from sensors.lines import decode

NORTH = "board north\nwire uart=0 tx=0 rx=1\n"
TWO_RELAYS = NORTH + "mat mat1 pin=10 on=high\nmister mist pin=15 on=low longest=30\n"
ONE_PROBE = NORTH + "ds18x20 base1 pin=2\n"


class Rig:
    """The interpreter with a board in it."""

    def __init__(self, micropython: Any) -> None:
        self.run = micropython.run

    def get(self, expression: str) -> Any:
        return ast.literal_eval(self.run(f"print(repr({expression}))"))

    def power_up(self, settings: str) -> None:
        self.run(f"power_up({settings!r})")

    def advance(self, span_s: float, step_ms: int = 100) -> dict[str, float]:
        on_ms = json.loads(self.run(f"advance({round(span_s * 1000)}, {step_ms})"))
        return {name: ms / 1000 for name, ms in on_ms.items()}

    def spoken(self) -> list[tuple[str, dict[str, str]]]:
        lines = [decode(line) for line in self.run("spoken()").splitlines()]
        return [(word, fields) for word, _, fields in lines]

    def readings(self, span_s: float = 10.0) -> dict[str, str]:
        """The last readings said in the next seconds."""
        self.run("spoken()")
        self.advance(span_s)
        found: dict[str, str] = {}
        for word, fields in self.spoken():
            if word == "probe":
                found |= fields
        return found

    def main(self, settings: str, until_ms: int, before: str = "") -> list[Any]:
        """Run the whole program as at power-up; what its pins drove, [(ms, pin, level)]."""
        self.run(
            f"open('board.txt', 'w').write({settings!r})\n"
            "machine.power_off()\nmachine.TRACE[:] = []\n"
            f"CLOCK.ms = 0\nCLOCK.ends_ms = {until_ms}\n{before}\n"
            "try:\n    firmware.main('board.txt', CLOCK)\nexcept SystemExit:\n    pass\n"
            "CLOCK.ends_ms = None"
        )
        return list(self.get("machine.TRACE"))


@pytest.fixture
def rig(micropython: Any) -> Rig:
    return Rig(micropython)


# -- relays -------------------------------------------------------------------------------------


def test_the_level_comes_before_the_direction(rig: Rig) -> None:
    """A pin made an output drives what its latch holds: on a low-active relay, closed."""
    trace = rig.main(TWO_RELAYS, 20_000)
    assert trace == [(0, 10, 0), (0, 15, 1)]


def test_orders_from_before_the_start_are_not_carried_out(rig: Rig) -> None:
    late = "UART.coming = encode('order', 1, {'mat1': '30'}).encode()"
    assert (5000, 10, 1) not in rig.main(TWO_RELAYS, 20_000, late)
    assert all(level == 0 for _, pin, level in rig.get("machine.TRACE") if pin == 10)


def test_a_fault_of_the_program_drops_all_relays_and_starts_anew(rig: Rig) -> None:
    rig.run(
        "class Faulty(UART):\n"
        "    def any(self):\n"
        "        if CLOCK.ms == 6000:\n"
        "            return self.feed()\n"
        "        if CLOCK.ms > 9000: raise MemoryError\n"
        "        return UART.any(self)\n"
        "    def feed(self):\n"
        "        UART.coming = encode('order', 1, {'mat1': '60', 'mist': '20'}).encode()\n"
        "        return 1\n"
    )
    trace = rig.main(TWO_RELAYS, 30_000, "machine.UART = Faulty")
    assert trace[2:] == [
        (6000, 10, 1), (6000, 15, 0), (9010, 10, 0), (9010, 15, 1), (10010, "reset", None),
    ]  # fmt: skip


def test_the_watchdog_is_set_and_fed_in_time(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE1]\nSoftI2C.devices[0x44] = AIR")
    rig.main(TWO_RELAYS + "ds18x20 base1 pin=2\nsht3x air rh sda=4 scl=5\n", 60_000)
    timeout_ms = rig.get("machine.WDT.timeout")
    # RP2040 data sheet, watchdog: its counter reaches no further than 8.388 s.
    assert timeout_ms <= 8388
    assert rig.get("machine.WDT.longest_ms") < timeout_ms / 4
    assert rig.get("machine.WDT.fed_ms") >= 59_000


def test_a_program_that_hangs_is_not_fed(rig: Rig) -> None:
    """A probe that never answers: the stand-in lets a minute pass, as a driver in a loop would."""
    rig.run(
        "class Hangs(SHT3x):\n"
        "    def give(self, count):\n"
        "        CLOCK.sleep_ms(60000)\n"
        "SoftI2C.devices[0x44] = Hangs([0x6666, 0x6666])"
    )
    rig.main(TWO_RELAYS + "sht3x air rh sda=4 scl=5\n", 30_000)
    assert rig.get("machine.WDT.fed_ms") < 7_000


def test_a_mister_opens_after_its_bound_however_often_it_is_renewed(rig: Rig) -> None:
    rig.power_up(TWO_RELAYS)
    open_for = []
    for seq in range(60):
        rig.run(f"hear(encode('order', {seq}, {{'mist': '20', 'mat1': '20'}}).encode())")
        open_for.append(rig.advance(5.0))
    mist = [span["mist"] for span in open_for]
    assert sum(mist[:6]) == pytest.approx(30, abs=0.2)
    assert sum(mist[6:12]) == pytest.approx(0, abs=0.2)
    assert max(sum(mist[at : at + 12]) for at in range(48)) <= 31
    assert sum(span["mat1"] for span in open_for) == pytest.approx(300, abs=0.2)


def test_a_clock_that_jumps_ends_every_lease(rig: Rig) -> None:
    for jump_ms in (-5000, 90_000):
        rig.power_up(TWO_RELAYS)
        rig.run("hear(encode('order', 1, {'mat1': '120'}).encode())")
        assert rig.get("closed('mat1')")
        rig.run(f"CLOCK.ms += {jump_ms}\nSTATE['rounds'].once()")
        assert not rig.get("closed('mat1')")


def test_leases_run_on_over_the_wrap_of_the_tick_counter(rig: Rig) -> None:
    rig.run("CLOCK.ms = 0x3FFFFFFF - 5000")
    rig.power_up(TWO_RELAYS)
    rig.run("hear(encode('order', 1, {'mat1': '20'}).encode())")
    assert rig.advance(60.0)["mat1"] == pytest.approx(20, abs=0.2)


@pytest.mark.parametrize("settings", ["mat mat1 pin=10", "nonsense", None])
def test_settings_that_are_not_sound_touch_no_pin_and_are_told(
    rig: Rig, settings: str | None
) -> None:
    removal = "import os\nos.remove('board.txt')" if settings is None else ""
    rig.run("machine.power_off()\nmachine.TRACE[:] = []\nCLOCK.ends_ms = CLOCK.ms + 12000")
    rig.run(f"open('board.txt', 'w').write({settings or ''!r})\n{removal}")
    said = rig.run("try:\n    firmware.main('board.txt', CLOCK)\nexcept SystemExit:\n    pass\n")
    lines = [decode(line) for line in said.splitlines()]
    assert len(lines) == 3
    expected = "no_board.txt" if settings is None else "board.txt_line_1:"
    assert all(word == "nak" and expected in fields["why"] for word, _, fields in lines)
    assert rig.get("machine.TRACE") == []


# -- probes -------------------------------------------------------------------------------------


def test_power_on_value_of_a_probe_is_never_sent(rig: Rig) -> None:
    """DS18B20 data sheet: +85 degC is what the scratchpad holds when no conversion took place."""
    rig.run("OneWire.pins[2] = [BASE1]")
    rig.power_up(ONE_PROBE)
    assert rig.readings() == {"base1": "20.1250"}
    rig.run("BASE1.convert = BASE1.power_up")  # it loses its supply whenever it measures
    assert rig.readings(30) == {}


def test_a_short_to_ground_is_no_zero_degrees(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE1]")
    rig.power_up(ONE_PROBE.replace("pin=2", "pin=2 rom=" + rom_hex(rig, "ROM1")))
    assert rig.readings() == {"base1": "20.1250"}
    rig.run("OneWire.shorted.add(2)")
    assert rig.readings(30) == {}
    rig.run("OneWire.shorted.clear()")
    assert rig.readings() == {"base1": "20.1250"}


def rom_hex(rig: Rig, name: str) -> str:
    code: bytes = rig.get(name)
    return code.hex()


def test_a_flipped_bit_is_asked_again_and_two_running_are_silence(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE1]")
    rig.power_up(ONE_PROBE)
    for bit in range(0, 72, 5):
        rig.run(f"BASE1.flips = [{bit}]")
        assert rig.readings() == {"base1": "20.1250"}
        rig.run(f"BASE1.flips = [{bit}, {71 - bit}]")
        assert rig.readings() == {}


def test_any_flipped_bit_of_the_air_probe_is_silence_and_it_comes_back(rig: Rig) -> None:
    rig.run("SoftI2C.devices[0x44] = AIR")
    rig.power_up(NORTH + "sht3x air rh sda=4 scl=5\n")
    # SHT3x data sheet, 4.13: 0x6666 is 25 degC and 40 %.
    assert rig.readings() == {"air": "25.00", "rh": "40.00"}
    for bit in range(0, 48, 7):
        rig.run(f"AIR.flip = {bit}")
        assert rig.readings() == {}
        rig.readings()  # the round in which it is reset
        assert rig.readings() == {"air": "25.00", "rh": "40.00"}
    assert rig.get("AIR.resets") == 7
    rig.run("SoftI2C.devices.clear()")
    assert rig.readings(30) == {}
    rig.run("SoftI2C.devices[0x44] = AIR")
    assert rig.readings(20) == {"air": "25.00", "rh": "40.00"}


def test_probes_of_one_wire_are_named_by_their_codes(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE2, BASE1]")
    one, two = rom_hex(rig, "ROM1"), rom_hex(rig, "ROM2")
    rig.power_up(NORTH + f"ds18x20 base1 pin=2 rom={one}\nds18x20 base2 pin=2 rom={two}\n")
    assert rig.readings() == {"base1": "20.1250", "base2": "25.0625"}
    rig.run("BASE1.here = False")
    assert rig.readings() == {"base2": "25.0625"}


def test_probes_without_names_speak_under_their_codes(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE2, BASE1]")
    rig.power_up(NORTH + "ds18x20 pin=2\n")
    assert rig.readings() == {
        rom_hex(rig, "ROM1"): "20.1250",
        rom_hex(rig, "ROM2"): "25.0625",
    }


def test_a_second_probe_where_one_was_told_is_silence_not_a_guess(rig: Rig) -> None:
    rig.run("OneWire.pins[2] = [BASE2, BASE1]")
    rig.power_up(ONE_PROBE)
    assert rig.readings() == {}
    rig.run("OneWire.pins[2] = [BASE2]")  # and a new one in place of the old is taken
    assert rig.readings() == {"base1": "25.0625"}


def test_the_older_probes_with_halves_of_a_degree_are_read(rig: Rig) -> None:
    rig.run(
        "rom = bytes([0x10]) + ROM1[1:7]\n"
        "rom += bytes([machine.remainder(rom, 0x31, 0, True)])\n"
        "OLD = Thermometer(rom, 0x0032)\n"
        "OneWire.pins[2] = [OLD]"
    )
    rig.power_up(ONE_PROBE)
    # DS18S20 data sheet: register 0x0032 is +25.0; here the remainder counts 12 of 16, and
    # 25 - 0.25 + (16 - 12) / 16 = 25.0.
    assert rig.readings() == {"base1": "25.0000"}


def test_light_and_flow_are_told(rig: Rig) -> None:
    rig.run("machine.ADC.raw[26] = 32768")
    rig.power_up(NORTH + "light sun pin=26 full=1200\nflow flow pin=14 ml=2.5\n")
    assert rig.readings() == {"sun": "600.0", "flow": "0"}
    rig.run("for _ in range(101): machine.Pin.handlers[14](None)")
    assert rig.readings()["flow"] == "252"


def test_one_probes_fault_stays_its_own(rig: Rig) -> None:
    rig.run(
        "OneWire.pins[2] = [BASE1]\n"
        "class Broken:\n"
        "    def take(self, data): raise ValueError\n"
        "    def give(self, count): raise ValueError\n"
        "SoftI2C.devices[0x44] = Broken()"
    )
    rig.power_up(NORTH + "sht3x air rh sda=4 scl=5\nds18x20 base1 pin=2\n")
    assert rig.readings() == {"base1": "20.1250"}


# -- the wire and the memory --------------------------------------------------------------------


def test_torn_lines_and_garbage_switch_nothing_and_the_next_order_is_taken(rig: Rig) -> None:
    rig.power_up(TWO_RELAYS)
    rig.run("hear(bytes(range(256)))\nhear(b'x' * 5000)")
    rig.run("hear(encode('order', 1, {'mat1': '9'})[:12].encode())")
    rig.advance(1.0)
    assert not rig.get("closed('mat1')")
    rig.run("hear(('\\n' + encode('order', 2, {'mat1': '9'})).encode())")
    assert rig.get("closed('mat1')")


def test_memory_stays_what_it_was_after_hours(rig: Rig) -> None:
    """WebAssembly MicroPython has 32-bit objects, as the microcontrollers have."""
    rig.run("OneWire.pins[2] = [BASE1]\nSoftI2C.devices[0x44] = AIR\nimport gc")
    rig.power_up(TWO_RELAYS + "ds18x20 base1 pin=2\nsht3x air rh sda=4 scl=5\n")
    # One piece of source, for MicroPython keeps the names and texts of every piece it compiles.
    rig.run(
        "def hour():\n"
        "    for minute in range(60):\n"
        "        BASE1.register = 0x140 + minute\n"
        "        hear(b'torn\\n')\n"
        "        hear(encode('order', minute, {'mat1': '%d.5' % minute}).encode())\n"
        "        advance(60000, 500)\n"
        "        machine.UART.gone = b''\n"
        "    machine.TRACE[:] = []\n"
        "    gc.collect()\n"
    )
    kept = []
    for _ in range(4):
        rig.run("hour()")
        kept.append(rig.get("gc.mem_alloc()"))
    print("bytes kept after each hour", kept)
    assert max(kept[1:]) - kept[0] < 1500
    # Everything here: program, stand-ins and texts. An RP2040 leaves some 180 kB to MicroPython.
    assert max(kept) < 100_000


def test_what_runs_on_the_board_agrees_with_the_tables_of_the_data_sheets(rig: Rig) -> None:
    """The same published values as in tests/science, worked out by MicroPython."""
    rig.run("from sensors.board.convert import *\nfrom sensors.lines import *")
    assert rig.get("plain_crc8(b'123456789')") == 0xF4
    assert rig.get("crc8_maxim(b'123456789')") == 0xA1
    assert rig.get("crc8_sensirion(b'\\xbe\\xef')") == 0x92
    assert rig.get("ds18b20_c(0xFC90)") == -55.0
    assert rig.get("ds18b20_c(0x0191)") == 25.0625
    assert rig.get("round(pt100_c(138.5055), 2)") == 100.0
    assert rig.get("decode('probe 57 base1=20.12 air=14.31 *1D')") == (
        "probe", 57, {"base1": "20.12", "air": "14.31"},
    )  # fmt: skip
