"""board.txt is taken whole or refused with its line."""

import pytest

from sensors.board.convert import crc8_maxim
from sensors.board.settings import SettingsError, parse

# Family, serial number; the check digit pair is the CRC that application note 27 of Maxim defines.
ROM = bytes.fromhex("021CB801000000A2")


def test_every_kind_is_read() -> None:
    items = parse(
        "# bench\nboard north\n\nwire uart=1 tx=8 rx=9 baud=9600\n"
        "ds18x20 base1 pin=2 rom=021CB801000000A2  # left tray\n"
        "sht3x air rh sda=4 scl=5 address=45\nmat mat1 pin=10 on=high longest=90\n"
        "mister mist pin=15 on=low\nlight sun pin=26 full=1200\nflow flow pin=14 ml=2.25\r\n"
    )
    found = {item.kind: (item.names, item.values) for item in items}
    assert found == {
        "board": (["north"], {}),
        "wire": ([], {"uart": 1, "tx": 8, "rx": 9, "baud": 9600}),
        "ds18x20": (["base1"], {"pin": 2, "rom": ROM}),
        "sht3x": (["air", "rh"], {"sda": 4, "scl": 5, "address": 0x45}),
        "mat": (["mat1"], {"pin": 10, "on": 1, "longest": 90}),
        "mister": (["mist"], {"pin": 15, "on": 0}),
        "light": (["sun"], {"pin": 26, "full": 1200.0}),
        "flow": (["flow"], {"pin": 14, "ml": 2.25}),
    }


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("board north\nheater h pin=3", "line 2: heater? expected board, ds18x20"),
        ("mat mat1 pin=10", "line 1: mat needs on="),
        ("mat mat1 on=high", "line 1: mat needs pin="),
        ("mat pin=10 on=high", "mat needs 1 name(s), found 0"),
        ("sht3x air sda=4 scl=5", "sht3x needs 2 name(s), found 1"),
        ("mat mat1 pin=10 on=1", "on=1? expected on=high or on=low"),
        ("mat mat1 pin=ten on=high", "pin=ten? expected 0 to 48"),
        ("mat mat1 pin=-1 on=high", "pin=-1? expected 0 to 48"),
        ("mat mat1 pin=99 on=high", "pin=99? expected 0 to 48"),
        ("mat mat1 pin=10 pin=11 on=high", "pin comes twice"),
        ("mat mat1 pin=10 on=high colour=red", "colour? mat knows pin, on, longest"),
        ("mat m=1 mat1 pin=10 on=high", "m? mat knows"),
        ("mat mat1 pin=10 on=high longest=121", "longest=121? expected 1 to 120"),
        ("mister mist pin=10 on=high longest=61", "longest=61? expected 1 to 60"),
        ("mister mist pin=10 on=high longest=0", "longest=0? expected 1 to 60"),
        ("mat a pin=10 on=high\nmister b pin=10 on=low", "line 2: pin 10 is already on line 1"),
        ("mat a pin=10 on=high\nmister a pin=11 on=low", "line 2: a is already on line 1"),
        ("sht3x air rh sda=4 scl=4", "pin 4 comes twice"),
        ("board a\nboard b", "line 2: board line is already on line 1"),
        ("ds18x20 a pin=2\nds18x20 b pin=2", "several probes on pin 2: each needs its rom="),
        (f"ds18x20 a pin=2 rom={ROM.hex()}\nds18x20 b pin=2", "each needs its rom="),
        (f"ds18x20 a pin=2 rom={ROM.hex()}\nds18x20 b pin=2 rom={ROM.hex()}", "the same rom"),
        ("ds18x20 a pin=2 rom=021CB801000000A3", "has a digit wrong"),
        ("ds18x20 a pin=2 rom=28", "expected sixteen hex digits"),
        ("sht3x air rh sda=4 scl=5 address=46", "an SHT3x is at 44 or 45"),
        ("light sun pin=26 full=0", "expected a number above 0"),
        ("flow f pin=26 ml=nan", "expected a number above 0"),
        ("mat " + 33 * "x" + " pin=10 on=high", "expected key=value, or a name"),
        ("mat mät pin=10 on=high", "expected key=value, or a name"),
        (4001 * "#", "longer than 4000 bytes"),
    ],
)
def test_what_cannot_be_is_refused_with_its_line(text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse(text)
    assert says in str(caught.value)


def test_two_probes_of_one_wire_are_told_apart_by_their_codes() -> None:
    other = ROM[:6] + b"\x01"
    other += bytes([crc8_maxim(other)])
    items = parse(f"ds18x20 a pin=2 rom={ROM.hex()}\nds18x20 b pin=2 rom={other.hex()}")
    assert [item.values["rom"] for item in items] == [ROM, other]
