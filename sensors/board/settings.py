"""board.txt: what is wired to which pin of the microcontroller, one thing a line.

    # the board on the north bench
    board north
    ds18x20 base1 pin=2 rom=28ff641e8c160495
    ds18x20 base2 pin=2 rom=28ffa2b1c3d40453
    sht3x air rh sda=4 scl=5
    mat mat1 pin=10 on=high
    mister mist pin=15 on=high longest=30
    light light pin=26 full=1200
    flow flow pin=14 ml=2.25

First the kind, then the channels it speaks as, then what belongs to it; "#" begins a remark.
Runs unchanged under MicroPython and CPython: built-ins only.
"""

from sensors.board.convert import crc8_maxim

try:
    from typing import Any
except ImportError:  # MicroPython has no typing, and evaluates no annotations
    pass

LEASE_MOST_S = 120
"""A mat's relay never stays closed longer than this without another order."""
MIST_MOST_S = 60
"""A mister's relay never stays closed longer than this, whatever is ordered."""
LARGEST_PIN = 48
FILE_BYTES = 4000

# kind: (least channels, most channels, keys it must have, keys it may have)
_KINDS = {
    "board": (1, 1, (), ()),
    "wire": (0, 0, ("uart", "tx", "rx"), ("baud",)),
    "ds18x20": (0, 1, ("pin",), ("rom",)),
    "sht3x": (2, 2, ("sda", "scl"), ("address",)),
    "light": (1, 1, ("pin", "full"), ()),
    "flow": (1, 1, ("pin", "ml"), ()),
    "mat": (1, 1, ("pin", "on"), ("longest",)),
    "mister": (1, 1, ("pin", "on"), ("longest",)),
}
_NAME = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.-"
_PINS = ("pin", "sda", "scl", "tx", "rx")


class SettingsError(ValueError):
    """board.txt says something that cannot be; the text names the line and what is expected."""


class Item:
    """One line. kind: a key of the list above; names: channels; values: key -> number or text.

    pin, sda, scl, tx, rx, uart, baud: whole numbers.  rom: eight bytes.  address: 0x44 or 0x45.
    on: the level, 0 or 1, that closes the relay.  longest: s.  full: W/m2 at full scale.
    ml: per pulse.
    """

    def __init__(self, kind: str, names: list[str], values: "dict[str, Any]"):
        self.kind = kind
        self.names = names
        self.values = values

    def number(self, key: str, default: int = 0) -> int:
        return int(self.values.get(key, default))


def parse(text: str) -> list[Item]:
    """Every line of board.txt. Raises SettingsError for the first that is not sound."""
    if len(text) > FILE_BYTES:
        raise SettingsError("board.txt is longer than " + str(FILE_BYTES) + " bytes")
    items: list[Item] = []
    seen: dict[str, int] = {}
    used: dict[int, int] = {}
    number = 0
    for line in text.split("\n"):
        number += 1
        words = line.split("#")[0].split()
        if not words:
            continue
        try:
            item = _item(words)
            for name in [item.kind + " line"] if item.kind in ("board", "wire") else item.names:
                if name in seen:
                    raise SettingsError(name + " is already on line " + str(seen[name]))
                seen[name] = number
            _claim_pins(item, used, items)
        except SettingsError as error:
            raise SettingsError("board.txt line " + str(number) + ": " + str(error)) from None
        items.append(item)
        for key in _PINS:
            if key in item.values:
                used[item.number(key)] = number
    return items


def _claim_pins(item: Item, used: dict[int, int], items: list[Item]) -> None:
    """Refuse a pin that something else has; probes may share one 1-Wire pin."""
    own: list[int] = []
    for key in _PINS:
        if key not in item.values:
            continue
        pin = item.number(key)
        if pin in own:
            raise SettingsError("pin " + str(pin) + " comes twice")
        own.append(pin)
        if pin not in used:
            continue
        shared = [one for one in items if one.kind == "ds18x20" and one.number("pin") == pin]
        if item.kind != "ds18x20" or not shared:
            raise SettingsError("pin " + str(pin) + " is already on line " + str(used[pin]))
        if "rom" not in item.values or "rom" not in shared[0].values:
            raise SettingsError("several probes on pin " + str(pin) + ": each needs its rom=")
        if [one for one in shared if one.values["rom"] == item.values["rom"]]:
            raise SettingsError("another probe has the same rom")


def _item(words: list[str]) -> Item:
    kind = words[0]
    if kind not in _KINDS:
        raise SettingsError(kind + "? expected " + ", ".join(sorted(_KINDS)))
    least, most, needed, allowed = _KINDS[kind]
    names: list[str] = []
    values: dict[str, Any] = {}
    for word in words[1:]:
        key, sign, value = word.partition("=")
        if not sign:
            if values or key.strip(_NAME) or len(key) > 32:
                raise SettingsError(word + "? expected key=value, or a name of A-Z a-z 0-9 _ . -")
            names.append(key)
        elif key not in needed and key not in allowed:
            raise SettingsError(key + "? " + kind + " knows " + ", ".join(needed + allowed))
        elif key in values:
            raise SettingsError(key + " comes twice")
        else:
            values[key] = _value(kind, key, value)
    if not least <= len(names) <= most:
        wanted = str(least) if least == most else str(least) + " or " + str(most)
        raise SettingsError(kind + " needs " + wanted + " name(s), found " + str(len(names)))
    for key in needed:
        if key not in values:
            raise SettingsError(kind + " needs " + key + "=")
    return Item(kind, names, values)


def _value(kind: str, key: str, text: str) -> "Any":
    if key in _PINS:
        return _whole(key, text, 0, LARGEST_PIN)
    if key == "on":
        if text not in ("high", "low"):
            raise SettingsError("on=" + text + "? expected on=high or on=low")
        return 1 if text == "high" else 0
    if key == "rom":
        return _rom(text)
    if key == "address":
        if text not in ("44", "45"):
            raise SettingsError("address=" + text + "? an SHT3x is at 44 or 45")
        return int(text, 16)
    if key == "longest":
        return _whole(key, text, 1, MIST_MOST_S if kind == "mister" else LEASE_MOST_S)
    if key == "uart":
        return _whole(key, text, 0, 3)
    if key == "baud":
        return _whole(key, text, 1200, 1000000)
    return _above_zero(key, text)


def _whole(key: str, text: str, low: int, high: int) -> int:
    if text and not text.strip("0123456789") and len(text) < 9 and low <= int(text) <= high:
        return int(text)
    raise SettingsError(key + "=" + text + "? expected " + str(low) + " to " + str(high))


def _above_zero(key: str, text: str) -> float:
    whole, _, rest = text.partition(".")
    if whole and not (whole + rest).strip("0123456789") and len(text) < 9:
        number = float(text)
        if number > 0:
            return number
    raise SettingsError(key + "=" + text + "? expected a number above 0")


def _rom(text: str) -> bytes:
    """The eight bytes of a probe's code, family first, as sixteen hex digits; its CRC is held."""
    if len(text) == 16 and not text.strip("0123456789abcdefABCDEF"):
        rom = bytes([int(text[at : at + 2], 16) for at in range(0, 16, 2)])
        if crc8_maxim(rom[:7]) == rom[7]:
            return rom
        raise SettingsError("rom=" + text + " has a digit wrong: its check does not fit")
    raise SettingsError("rom=" + text + "? expected sixteen hex digits")
