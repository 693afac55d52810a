"""Stand-in for MicroPython's `machine`: pins that remember what they drove, and when.

Runs inside the MicroPython interpreter beside the firmware. Chips answer byte by byte as their data
sheets say; check sums are worked out here by long division, not by the firmware's own code.
"""


class Clock:
    """MicroPython's `time` with hands that only the test moves."""

    ms = 0
    ends_ms = None  # SystemExit once it is that late

    def ticks_ms(self):
        return self.ms & 0x3FFFFFFF

    def ticks_diff(self, later, earlier):
        return ((later - earlier + 0x20000000) & 0x3FFFFFFF) - 0x20000000

    def sleep_ms(self, ms):
        self.ms += ms
        if self.ends_ms is not None and self.ms >= self.ends_ms:
            raise SystemExit


CLOCK = Clock()
TRACE = []  # (ms, pin, level driven, None for an input)
_LATCH = {}
_DRIVES = {}


def remainder(data, polynomial, start, reflected):
    """CRC-8 as long division over bits, most significant first (or last when reflected)."""
    crc = start
    for byte in data:
        for place in range(8) if reflected else range(7, -1, -1):
            top = crc >> 7 & 1
            crc = (crc << 1) & 0xFF
            if top ^ (byte >> place & 1):
                crc ^= polynomial
    if reflected:
        crc = sum([(crc >> place & 1) << (7 - place) for place in range(8)])
    return crc


class Pin:
    IN, OUT, PULL_UP, IRQ_FALLING = 0, 1, 1, 4
    handlers = {}

    def __init__(self, number, mode=-1, pull=-1, *, value=None):
        self.number = number
        if value is not None:
            self.value(value)
        if mode == Pin.OUT:
            _DRIVES[number] = True
            self._note()

    def value(self, level=None):
        if level is None:
            return _LATCH.get(self.number, 0)
        if level != _LATCH.get(self.number):
            _LATCH[self.number] = level
            if _DRIVES.get(self.number):
                self._note()
        return None

    def irq(self, handler, trigger):
        assert trigger == Pin.IRQ_FALLING
        Pin.handlers[self.number] = handler

    def _note(self):
        TRACE.append((CLOCK.ms, self.number, _LATCH.get(self.number, 0)))


def driven(number):
    """Level a pin drives, None while it is an input."""
    return _LATCH.get(number, 0) if _DRIVES.get(number) else None


class ADC:
    raw = {}

    def __init__(self, pin):
        self._number = pin.number

    def read_u16(self):
        return ADC.raw[self._number]


class UART:
    """The other end puts into `coming` and takes from `gone`."""

    coming = b""
    gone = b""

    def __init__(self, number, baud, *, tx, rx, rxbuf):
        assert rxbuf >= 200

    def any(self):
        return len(UART.coming)

    def read(self, count):
        got = UART.coming[:count]
        UART.coming = UART.coming[count:]
        return got

    def write(self, data):
        UART.gone += data


class SHT3x:
    """words: temperature and humidity as the chip sends them. flip: bit to spoil in one reply."""

    def __init__(self, words):
        self.words = words
        self.flip = None
        self.resets = 0
        self._asked_ms = None

    def take(self, data):
        if data == b"\x30\xa2":
            self.resets += 1
            self._asked_ms = None
        elif data == b"\x24\x00":
            self._asked_ms = CLOCK.ms
        else:
            raise OSError(5)

    def give(self, count):
        if self._asked_ms is None or CLOCK.ms - self._asked_ms < 16:
            raise OSError(5)  # it answers nothing before the measurement is there
        reply = b""
        for word in self.words:
            two = bytes([word >> 8, word & 0xFF])
            reply += two + bytes([remainder(two, 0x31, 0xFF, False)])
        if self.flip is not None:
            spoiled = bytearray(reply)
            spoiled[self.flip // 8] ^= 1 << self.flip % 8
            reply = bytes(spoiled)
            self.flip = None
        self._asked_ms = None
        return reply[:count]


class SoftI2C:
    devices = {}

    def __init__(self, *, scl, sda, freq):
        assert freq <= 100000

    def writeto(self, address, data):
        if address not in SoftI2C.devices:
            raise OSError(19)
        SoftI2C.devices[address].take(data)

    def readfrom(self, address, count):
        if address not in SoftI2C.devices:
            raise OSError(19)
        return SoftI2C.devices[address].give(count)


class WDT:
    """longest_ms: longest time between two feeds so far."""

    timeout = None
    fed_ms = None
    longest_ms = 0

    def __init__(self, *, timeout):
        WDT.timeout = timeout
        WDT.fed_ms = CLOCK.ms

    def feed(self):
        WDT.longest_ms = max(WDT.longest_ms, CLOCK.ms - WDT.fed_ms)
        WDT.fed_ms = CLOCK.ms


def reset():
    """A restart: every pin is an input again."""
    TRACE.append((CLOCK.ms, "reset", None))
    power_off()
    raise SystemExit


def power_off():
    _LATCH.clear()
    _DRIVES.clear()
    UART.coming = UART.gone = b""
