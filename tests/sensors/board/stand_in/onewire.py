"""Stand-in for MicroPython's `onewire`: DS18x20 probes that answer byte by byte."""

from machine import CLOCK, remainder


class Thermometer:
    """rom: eight bytes. register: 16 bits, what the next conversion finds.

    flips: bits to spoil, one in each of the next answers.
    """

    def __init__(self, rom, register):
        self.rom = rom
        self.register = register
        self.flips = []
        self.here = True
        self.power_up()

    def power_up(self):
        """Its scratchpad as after power-up: +85 degC."""
        tail = b"\x4b\x46\xff\xff\x0c\x10" if self.rom[0] == 0x10 else b"\x4b\x46\x7f\xff\x0c\x10"
        self._pad = (b"\xaa\x00" if self.rom[0] == 0x10 else b"\x50\x05") + tail
        self._began_ms = None

    def convert(self):
        self._began_ms = CLOCK.ms

    def scratchpad(self):
        if self._began_ms is not None and CLOCK.ms - self._began_ms >= 750:
            self._pad = bytes([self.register & 0xFF, self.register >> 8]) + self._pad[2:]
        reply = bytearray(self._pad + bytes([remainder(self._pad, 0x31, 0, True)]))
        if self.flips:
            bit = self.flips.pop(0)
            reply[bit // 8] ^= 1 << bit % 8
        return bytes(reply)


class OneWire:
    """pins: number -> thermometers on it. shorted: pins tied to ground."""

    pins = {}
    shorted = set()

    def __init__(self, pin):
        self._number = pin.number
        self._reply = b""
        self._selected = []

    def _there(self):
        return [one for one in OneWire.pins.get(self._number, []) if one.here]

    def reset(self, required=False):
        self._selected = []
        self._reply = b""
        return self._number in OneWire.shorted or bool(self._there())

    def scan(self):
        return [] if self._number in OneWire.shorted else [one.rom for one in self._there()]

    def select_rom(self, rom):
        self._selected = [one for one in self._there() if one.rom == bytes(rom)]

    def writebyte(self, byte):
        if byte == 0xCC:
            self._selected = self._there()
        elif byte == 0x44:
            for one in self._selected:
                one.convert()
        elif byte == 0xBE:
            self._reply = self._selected[0].scratchpad() if self._selected else b""
        else:
            raise ValueError(byte)

    def readbyte(self):
        if self._number in OneWire.shorted:
            return 0
        byte, self._reply = (self._reply[:1] or b"\xff"), self._reply[1:]
        return byte[0]
