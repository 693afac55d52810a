"""Probes on the pins of a microcontroller, each told to measure, then asked some time later.

A probe that does not answer, or whose check fails, is left out: a bad value is never sent as a
good one. Runs under MicroPython; CPython only with stand-ins for `machine` and `onewire`.
"""

# ruff: noqa: UP031
from sensors.board.convert import ds18x20_scratchpad_c, sht3x_reply

try:
    from typing import Any
except ImportError:  # MicroPython has no typing, and evaluates no annotations
    pass

MEASURE_MS = 800
"""Longest conversion of a DS18B20 at 12 bits is 750 ms (its data sheet); of an SHT3x 15.5 ms."""
POWER_ON_C = 85.0

_SKIP_ROM = 0xCC
_CONVERT = 0x44
_READ_SCRATCHPAD = 0xBE
_FAMILIES = (0x28, 0x22, 0x10)
_SHT3X_MEASURE = b"\x24\x00"  # single shot, high repeatability, no clock stretching
_SHT3X_RESET = b"\x30\xa2"


class BaseProbes:
    """All DS18x20 probes on one 1-Wire pin.

    wire: a `onewire.OneWire`.  named: code (eight bytes) -> channel.  alone: channel of the one
    probe on the pin when its code is not told, or "".  Without both, every probe that is found
    speaks under its own code in hex, so that it can be read off and named.
    """

    def __init__(self, wire: "Any", named: "list[tuple[bytes, str]]", alone: str = ""):
        self._wire = wire
        self._named = named
        self._alone = alone
        self._known = named
        self.channels = [name for _, name in named] or ([alone] if alone else [])

    def start(self) -> None:
        """Tell all of them to measure."""
        if not self._named:
            self._look()
        if self._wire.reset():
            self._wire.writebyte(_SKIP_ROM)
            self._wire.writebyte(_CONVERT)

    def _look(self) -> None:
        found = [bytes(rom) for rom in self._wire.scan() if rom[0] in _FAMILIES]
        if not self._alone:
            self._known = [(rom, "".join(["%02x" % byte for byte in rom])) for rom in found]
        elif len(found) == 1:
            self._known = [(found[0], self._alone)]
        else:  # none, or nobody knows which of them is meant
            self._known = []

    def read(self) -> "list[tuple[str, str]]":
        """Channel and degC of each that gave a sound answer."""
        got = []
        for rom, name in self._known:
            for _ in range(2):  # a spike on the wire spoils one answer, seldom two
                try:
                    temp_c = self._one(rom)
                except Exception:  # whatever the driver raises, it is this probe's fault alone
                    continue
                if temp_c != POWER_ON_C:  # no conversion took place
                    got.append((name, "%.4f" % temp_c))
                    break
        return got

    def _one(self, rom: bytes) -> float:
        if not self._wire.reset():
            raise ValueError("no probe answers")
        self._wire.select_rom(rom)
        self._wire.writebyte(_READ_SCRATCHPAD)
        return ds18x20_scratchpad_c(rom[0], bytes([self._wire.readbyte() for _ in range(9)]))


class AirProbe:
    """An SHT3x on I2C. channels: those of its temperature and its humidity.  address: 0x44, 0x45"""

    def __init__(self, i2c: "Any", address: int, channels: "list[str]"):
        self._i2c = i2c
        self._address = address
        self.channels = channels
        self._asked = False
        self._failed = False

    def start(self) -> None:
        self._asked = False
        try:
            if self._failed:
                self._failed = False
                self._i2c.writeto(self._address, _SHT3X_RESET)
                return  # its start takes a millisecond or two; it is asked next time
            self._i2c.writeto(self._address, _SHT3X_MEASURE)
            self._asked = True
        except OSError:
            pass

    def read(self) -> "list[tuple[str, str]]":
        if not self._asked:
            return []
        try:
            temp_c, rh_pct = sht3x_reply(self._i2c.readfrom(self._address, 6))
        except (OSError, ValueError):
            self._failed = True
            return []
        return [(self.channels[0], "%.2f" % temp_c), (self.channels[1], "%.2f" % rh_pct)]


class LightProbe:
    """A voltage on an analogue input. full_w_m2: W/m2 at full scale."""

    def __init__(self, adc: "Any", full_w_m2: float, channel: str):
        self._adc = adc
        self._full_w_m2 = full_w_m2
        self.channels = [channel]

    def start(self) -> None:
        pass

    def read(self) -> "list[tuple[str, str]]":
        return [(self.channels[0], "%.1f" % (self._full_w_m2 * self._adc.read_u16() / 65535))]


class FlowMeter:
    """Pulses on an input: millilitres since power-up, up to 9,999,999 and round again."""

    def __init__(self, ml_per_pulse: float, channel: str):
        self._ml_per_pulse = ml_per_pulse
        self._pulses = 0
        self.channels = [channel]

    def pulse(self, _pin: "Any") -> None:
        """Called by the interrupt: counts, and makes no objects."""
        self._pulses = (self._pulses + 1) & 0x3FFFFFFF

    def start(self) -> None:
        pass

    def read(self) -> "list[tuple[str, str]]":
        return [(self.channels[0], "%d" % (int(self._pulses * self._ml_per_pulse) % 10000000))]
