"""A board with its chips, for tests to drive from outside the interpreter."""

import json

import machine
from machine import CLOCK, UART, SHT3x, SoftI2C
from onewire import OneWire, Thermometer

from sensors.board import firmware, settings
from sensors.lines import encode  # noqa: F401  (for what tests run here)

ROM1 = bytes([0x28, 0xFF, 0x64, 0x1E, 0x8C, 0x16, 0x04])
ROM1 += bytes([machine.remainder(ROM1, 0x31, 0, True)])
ROM2 = bytes([0x28, 0xFF, 0xA2, 0xB1, 0xC3, 0xD4, 0x04])
ROM2 += bytes([machine.remainder(ROM2, 0x31, 0, True)])
BASE1, BASE2, AIR = Thermometer(ROM1, 0x0142), Thermometer(ROM2, 0x0191), SHT3x([0x6666, 0x6666])

STATE = {}


def power_up(text):
    """Start the board on these settings; the chips stay as they are."""
    machine.power_off()
    items = settings.parse(text)
    relays = firmware.make_relays(items)
    STATE["relays"] = relays
    STATE["pins"] = {
        one.names[0]: (one.number("pin"), one.number("on"))
        for one in items
        if one.kind in ("mat", "mister")
    }
    STATE["rounds"] = firmware.start(relays, items, CLOCK)


def closed(name):
    """Whether the relay is closed, by the level its pin drives."""
    pin, on = STATE["pins"][name]
    return machine.driven(pin) == on


def advance(ms, step_ms=100):
    """Milliseconds each relay was closed meanwhile, as JSON."""
    on_ms = dict.fromkeys(STATE["pins"], 0)
    rounds = STATE["rounds"]
    for _ in range(ms // step_ms):
        CLOCK.ms += step_ms
        rounds.once()
        for name in on_ms:
            if closed(name):
                on_ms[name] += step_ms
    print(json.dumps(on_ms))


def hear(data):
    """Bytes from the host, taken at once."""
    UART.coming += data
    STATE["rounds"].once()


def spoken():
    """What the board said since the last call."""
    text, UART.gone = UART.gone, b""
    print(text.decode(), end="")


SETTINGS = """board north
wire uart=0 tx=0 rx=1
ds18x20 base1 pin=2
sht3x air rh sda=4 scl=5
mat mat1 pin=10 on=high
mister mist pin=15 on=low longest=60
"""


def start_live():
    OneWire.pins[2] = [BASE1]
    SoftI2C.devices[0x44] = AIR
    power_up(SETTINGS)


def live_round(ms, data):
    CLOCK.ms = ms
    UART.coming += data
    STATE["rounds"].once()
    spoken()
