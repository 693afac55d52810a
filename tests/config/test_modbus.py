"""Modbus in a bench file: what it means, and each slip with file, line, key, found, allowed."""

from importlib.resources import files

import pytest

from config.load import ConfigError, loads
from config.modbus import ModbusLink
from sensors.links.modbus_frames import Ask
from sensors.links.modbus_map import map_of

EXAMPLE = files("config").joinpath("examples/alder_lane_modbus.toml").read_text(encoding="utf-8")


def said(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        loads(text, "bench.toml")
    return str(caught.value)


def changed(old: str, new: str) -> str:
    assert EXAMPLE.count(old) >= 1, old
    return EXAMPLE.replace(old, new, 1)


def test_the_example_is_read_as_it_is_written() -> None:
    site = loads(EXAMPLE, "bench.toml")
    link = site.links["line"]
    assert isinstance(link, ModbusLink)
    assert (link.baud, link.parity, link.stop_bits) == (9600, "none", 1)
    wired = map_of(site, "line")
    assert [place.ask for place in wired.probes] == [
        Ask(1, "input_register", 0, 1),
        Ask(1, "input_register", 1, 1),
        Ask(2, "holding_register", 20, 1),
        Ask(2, "holding_register", 0, 2),
        Ask(2, "holding_register", 2, 2),
    ]
    mister, mat = wired.relays
    assert mat.write(True) == Ask(3, "coil", 0, 1, write=True)
    assert mat.read_back == Ask(3, "discrete_input", 0, 1)
    assert mister.write(False) == Ask(3, "holding_register", 1, 512, write=True)
    assert map_of(site, "other") == ((), ())


def test_line_settings_are_by_default_those_of_the_standard() -> None:
    """19200 baud and even parity ("Modbus over Serial Line" V1.02, section 3.4)."""
    link = ModbusLink(kind="modbus", port="/dev/ttyUSB0")
    assert (link.baud, link.parity, link.stop_bits) == (19200, "even", 1)


MAT = (
    "modbus = { unit = 3, address = 0, report = "
    '{ unit = 3, table = "discrete_input", address = 0 } }\n'
)
MISTER = 'table = "holding_register", address = 1, on_value = 256, off_value = 512'
OTHER = '[links.other]\nkind = "%s"\nport = "/dev/serial/by-id/usb-rs485-adapter"\n[benches.east]'
AIR = 'modbus = { unit = 1, table = "input_register", address = 0, scale = 0.1 }'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            changed("unit = 1, table", "unit = 248, table"),
            "benches.east.air.probes[1].modbus.unit = 248 - this is too high; write a whole number "
            "between 1 and 247",
        ),
        (
            changed('"input_register"', '"input_registers"'),
            'benches.east.air.probes[1].modbus.table = "input_registers" - this is not known here '
            '(did you mean input_register?); write one of "input_register", "holding_register"',
        ),
        (
            changed('"input_register"', '"coil"'),
            'benches.east.air.probes[1].modbus.table = "coil" - this is not known here; write one '
            'of "input_register", "holding_register"',
        ),
        (
            changed('type = "float32"', 'type = "float64"'),
            'modbus.type = "float64" - this is not known here (did you mean float32?); write one '
            'of "int16", "uint16", "int32", "uint32", "float32"',
        ),
        (
            changed("address = 0, scale = 0.1", "address = 65536, scale = 0.1"),
            "modbus.address = 65536 - this is too high; write a whole number between 0 and 65535",
        ),
        (
            changed('address = 0, type = "float32"', 'address = 65535, type = "float32"'),
            "modbus.address = 65535 - float32 takes two registers; write at most 65534",
        ),
        (changed("scale = 0.1", "scale = 0"), "scale = 0 - this makes every value the same"),
        (
            changed("scale = 0.1", 'word_order = "low_first"'),
            "int16 is a single register; take word_order out",
        ),
        (
            changed("address = 1, on_value", 'address = 1, word_order = "x", on_value'),
            "there is no such key; keys here are unit, address, table, on_value, off_value, report",
        ),
        (
            changed("off_value = 512", "off_value = 256"),
            "benches.east.mister.modbus.off_value = 256 - on_value and off_value are the same",
        ),
        (
            changed("unit = 3, address = 0, report", "unit = 3, address = 0, on_value = 2, report"),
            "a coil is on or off; on_value goes with holding_register only",
        ),
        (
            changed('lease = "auto_off"\npower_w', "power_w"),
            'a Modbus relay takes no lease from Warmfoot; write lease = "auto_off"',
        ),
        (
            changed(MAT, MAT + 'channel = "mat1"\n'),
            "a relay has one address; write either channel (on a board) or topic (a plain MQTT "
            "switch) or modbus (a Modbus relay)",
        ),
        (changed(AIR, 'channel = "air"'), "link line is modbus; write modbus = { unit = .., table"),
        (
            changed('kind = "modbus"', 'kind = "serial"').replace(
                'parity = "none"\nstop_bits = 1\n', ""
            ),
            "benches.east.mister.modbus - link line is not modbus; write channel instead of modbus",
        ),
        (
            changed(AIR, 'node = "n", ' + AIR),
            "probes[1].node = \"n\" - node goes with channel, not with modbus; take it out",
        ),
        (
            changed("address = 1, type", "address = 0, type"),
            "modbus.address = 0 - east.air already has this probe; each serves one place only",
        ),
        (
            changed(MISTER, "address = 0"),
            "already has this relay; each serves one place only",
        ),
        (
            changed("[benches.east]", OTHER % "modbus"),
            'links.other.port = "/dev/serial/by-id/usb-rs485-adapter" - link line already uses '
            "this port; one line is one link: put all its units on line, each with its own unit",
        ),
        (
            changed("[benches.east]", OTHER % "serial"),
            "link line already uses this port",
        ),
        (
            changed("baud = 9600", "baud = 1200").replace(
                "kind = \"base_temperature\"", 'kind = "base_temperature", every_s = 0.5'
            ),
            "links.line.baud = 1200 - the 5 probes on link line ask for 101 % of what the line "
            "carries, at most 70 % leaves room for orders",
        ),
        (
            changed('parity = "none"', 'parity = "mark"'),
            'links.line.parity = "mark" - this is not known here; write one of "even", "odd", '
            '"none"',
        ),
    ],
)  # fmt: skip
def test_slip_is_told_in_a_growers_words(text: str, words: str) -> None:
    told = said(text)
    assert words in told
    assert told.startswith("bench.toml line ")


def test_a_probe_and_a_relay_may_share_a_unit_and_an_address() -> None:
    text = changed("unit = 1, table = \"input_register\", address = 0", "unit = 3, table = "
                   '"input_register", address = 0')  # fmt: skip
    assert loads(text, "bench.toml")
