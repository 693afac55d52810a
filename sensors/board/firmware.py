"""The program of the board: probes to lines, orders to relays, and off when in doubt.

Runs under MicroPython with `machine` and `onewire` of its port; tests give stand-ins. It speaks the
line format of `sensors/lines.py`, the same file as the host's.

What keeps relays safe here: each output gets the level that opens its relay before it becomes an
output, and before anything else is done; an order is a lease; a fault in this program drops all
relays and starts it anew; a hardware watchdog does so when it hangs, within 8 s. None of it
replaces the mat's own thermal cut-out.
"""

import gc

from sensors import lines
from sensors.board.probes import MEASURE_MS, AirProbe, BaseProbes, FlowMeter, LightProbe
from sensors.board.relays import Relay
from sensors.board.settings import LEASE_MOST_S, MIST_MOST_S, Item, SettingsError, parse
from sensors.lines import LINE_BYTES, LineAssembler, LineError, decode, encode, parse_number

try:
    from typing import Any
except ImportError:  # MicroPython has no typing, and evaluates no annotations
    pass

FIRMWARE = "1.0"
EVERY_MS = 10000
"""Between two readings of every probe."""
RELAY_REPORT_MS = 60000
WATCHDOG_MS = 8000
"""Under the 8388 ms that an RP2040's watchdog can count (its data sheet, 4.7)."""
LONGEST_STEP_MS = 60000
PAUSE_MS = 5000
"""Before it begins, so that files can be copied to a board that starts by itself."""
ROUND_MS = 10
SEEN_KEPT = 16


class Board:
    """Probes and relays behind the line format. write: takes one line as bytes."""

    def __init__(self, name: str, probes: "list[Any]", relays: "list[Relay]", write: "Any"):
        self.name = name
        self._probes = probes
        self._relays = relays
        self._write = write
        self._assembler = LineAssembler()
        self._seq = 0
        self._up_s = 0
        self._up_rest_ms = 0
        self._greeted = False
        self._told = ""
        self._relay_ms = 0
        self._probe_ms = 0
        self._measuring: list[Any] | None = None
        self._fields: dict[str, str] = {}

    def receive(self, data: bytes) -> None:
        """Bytes from the host."""
        for line in self._assembler.feed(data):
            self._take(line)

    def _take(self, line: str) -> None:
        try:
            word, seq, fields = decode(line)
        except LineError:
            self._say("nak", {"of": "0", "why": "line"})
            return
        if word != "order":
            self._say("nak", {"of": str(seq), "why": "word"})
            return
        leases = []
        for name in fields:
            relay = self._relay(name)
            if relay is None:
                self._say("nak", {"of": str(seq), "why": "channel"})
                return
            try:
                lease_s = parse_number(fields[name])
            except LineError:
                lease_s = -1.0
            if lease_s < 0:
                self._say("nak", {"of": str(seq), "why": "lease"})
                return
            leases.append((relay, int(1000 * min(lease_s, LEASE_MOST_S))))
        for relay, lease_ms in leases:  # all of a line or nothing
            relay.order(lease_ms)

    def _relay(self, name: str) -> "Relay | None":
        for relay in self._relays:
            if relay.name == name:
                return relay
        return None

    def step(self, dt_ms: int) -> None:
        """Let `dt_ms` pass: relays first, then what is due to be said."""
        for relay in self._relays:
            relay.tick(dt_ms)
        self._up_rest_ms += dt_ms
        self._up_s += self._up_rest_ms // 1000
        self._up_rest_ms %= 1000
        if not self._greeted:
            self._greeted = True
            self._greet()
        self._report_relays(dt_ms)
        self._report_probes(dt_ms)

    def drop_all(self) -> None:
        for relay in self._relays:
            relay.drop()

    def _report_relays(self, dt_ms: int) -> None:
        self._relay_ms -= dt_ms
        states = "".join(["1" if relay.left_ms > 0 else "0" for relay in self._relays])
        if states and (self._relay_ms <= 0 or states != self._told):
            self._told = states
            self._relay_ms = RELAY_REPORT_MS
            self._put([(relay.name, relay.report()) for relay in self._relays], "relay")
            self._flush("relay")

    def _report_probes(self, dt_ms: int) -> None:
        self._probe_ms -= dt_ms
        if self._measuring is None:
            if self._probe_ms > 0:
                return
            self._probe_ms = EVERY_MS
            for probe in self._probes:
                try:
                    probe.start()
                except Exception:  # one probe's fault stays its own
                    continue
            self._measuring = list(self._probes)
        elif self._probe_ms > EVERY_MS - MEASURE_MS:
            return
        elif self._measuring:  # one at a time: relays and wire are served in between
            try:
                self._put(self._measuring.pop(0).read(), "probe")
            except Exception:  # as above
                return
        else:
            self._measuring = None
            self._flush("probe")
            gc.collect()

    def _greet(self) -> None:
        fields = {"id": self.name, "fw": FIRMWARE, "up": str(self._up_s)}
        names = []
        for probe in self._probes:
            names += probe.channels
        names += [relay.name for relay in self._relays]
        room = LINE_BYTES - 40 - len(self.name)
        fields["ch"] = ",".join(names)[:room] or "-"
        self._say("hello", fields)

    def _put(self, pairs: "list[tuple[str, str]]", word: str) -> None:
        """Add to the line that is being filled; say it first where they would not fit."""
        for name, text in pairs:
            size = 20 + sum([len(key) + len(self._fields[key]) + 2 for key in self._fields])
            if size + len(name) + len(text) + 2 > LINE_BYTES:
                self._flush(word)
            self._fields[name] = text

    def _flush(self, word: str) -> None:
        fields = self._fields
        self._fields = {}
        if fields:
            self._say(word, fields)

    def _say(self, word: str, fields: "dict[str, str]") -> None:
        self._write(encode(word, self._seq, fields).encode())
        self._seq = (self._seq + 1) % 65536


class Rounds:
    """The board and its wire, brought up to date again and again. clock: MicroPython's `time`."""

    def __init__(self, board: Board, wire: "Any", clock: "Any"):
        self.board = board
        self._wire = wire
        self._clock = clock
        self._last_ms = clock.ticks_ms()

    def once(self) -> None:
        now_ms = self._clock.ticks_ms()
        dt_ms = self._clock.ticks_diff(now_ms, self._last_ms)
        self._last_ms = now_ms
        # A clock that went back, or stood for long, ends every lease rather than stretch one.
        self.board.step(dt_ms if 0 <= dt_ms <= LONGEST_STEP_MS else 2 * LONGEST_STEP_MS)
        self.board.receive(self._wire.read())


class UsbWire:
    """The board's own USB port, which MicroPython offers as its console."""

    def __init__(self, stdin: "Any", stdout: "Any", poll: "Any"):
        self._in = stdin.buffer
        self._out = stdout.buffer
        self._poll = poll
        poll.register(stdin, 1)  # POLLIN

    def read(self) -> bytes:
        """What has come, at most two lines' worth; never waits."""
        got = b""
        while len(got) < 2 * LINE_BYTES and self._poll.poll(0):
            one = self._in.read(1)
            if not one:
                break
            got += one
        return got

    def write(self, data: bytes) -> None:
        self._out.write(data)


class UartWire:
    """Two pins of the board as a serial line. uart: a `machine.UART`."""

    def __init__(self, uart: "Any"):
        self._uart = uart

    def read(self) -> bytes:
        return self._uart.read(2 * LINE_BYTES) or b"" if self._uart.any() else b""

    def write(self, data: bytes) -> None:
        self._uart.write(data)


def make_relays(items: "list[Item]") -> "list[Relay]":
    """Relays first of all. `value` gives the level before the pin becomes an output."""
    from machine import Pin

    relays = []
    for item in items:
        if item.kind not in ("mat", "mister"):
            continue
        mist = item.kind == "mister"
        on = item.number("on")
        pin = Pin(item.number("pin"), Pin.OUT, value=1 - on)
        longest_ms = 1000 * item.number("longest", MIST_MOST_S if mist else LEASE_MOST_S)
        relays.append(Relay(item.names[0], pin, on, longest_ms, longest_ms if mist else 0))
    return relays


def make_probes(items: "list[Item]") -> "list[Any]":
    from machine import ADC, Pin, SoftI2C
    from onewire import OneWire

    probes: list[Any] = []
    done = []
    for item in items:
        pin = item.number("pin")
        if item.kind == "ds18x20" and pin not in done:
            done.append(pin)
            here = [one for one in items if one.kind == "ds18x20" and one.number("pin") == pin]
            named = [(one.values["rom"], one.names[0]) for one in here if "rom" in one.values]
            alone = item.names[0] if item.names and not named else ""
            probes.append(BaseProbes(OneWire(Pin(pin)), named, alone))
        elif item.kind == "sht3x":
            wires = Pin(item.number("scl")), Pin(item.number("sda"))
            i2c = SoftI2C(scl=wires[0], sda=wires[1], freq=20000)  # slow: the lead is long
            probes.append(AirProbe(i2c, item.number("address", 0x44), item.names))
        elif item.kind == "light":
            probes.append(LightProbe(ADC(Pin(pin)), item.values["full"], item.names[0]))
        elif item.kind == "flow":
            meter = FlowMeter(item.values["ml"], item.names[0])
            Pin(pin, Pin.IN, Pin.PULL_UP).irq(meter.pulse, Pin.IRQ_FALLING)
            probes.append(meter)
    return probes


def make_wire(items: "list[Item]") -> "UsbWire | UartWire":
    for item in items:
        if item.kind == "wire":
            from machine import UART, Pin

            tx, rx = Pin(item.number("tx")), Pin(item.number("rx"))
            baud = item.number("baud", 115200)
            return UartWire(UART(item.number("uart"), baud, tx=tx, rx=rx, rxbuf=512))
    import select
    import sys

    import micropython

    micropython.kbd_intr(-1)  # a stray Ctrl-C on the wire must not end the program
    return UsbWire(sys.stdin, sys.stdout, select.poll())


def name_of(items: "list[Item]") -> str:
    for item in items:
        if item.kind == "board":
            return item.names[0]
    return "board"


def start(relays: "list[Relay]", items: "list[Item]", clock: "Any") -> Rounds:
    """All but the relays: wire, probes, board."""
    lines._SEEN_KEPT = SEEN_KEPT  # the host remembers hundreds of texts; a board has less room
    wire = make_wire(items)
    board = Board(name_of(items), make_probes(items), relays, wire.write)
    for _ in range(100):  # orders from before the start are old
        if not wire.read():
            break
    return Rounds(board, wire, clock)


def main(path: str = "board.txt", clock: "Any" = None) -> None:
    """Run for ever. clock: MicroPython's `time`, or a stand-in for it."""
    from machine import WDT, reset

    if clock is None:
        import time as clock
    try:
        with open(path) as file:
            items = parse(file.read())
    except (OSError, SettingsError) as error:
        complain(str(error) if isinstance(error, SettingsError) else "no " + path, clock)
        return
    relays = make_relays(items)
    try:
        clock.sleep_ms(PAUSE_MS)
        rounds = start(relays, items, clock)
        watchdog = WDT(timeout=WATCHDOG_MS)
        while True:
            rounds.once()
            watchdog.feed()  # only after relays, lines and probes have each had their turn
            clock.sleep_ms(ROUND_MS)
    except Exception:
        for relay in relays:
            relay.drop()
        clock.sleep_ms(1000)
        reset()
    finally:
        for relay in relays:
            relay.drop()


def complain(why: str, clock: "Any") -> None:
    """Say what is wrong with board.txt, on the console, for ever; no pin is touched."""
    seq = 0
    text = why[:120].replace(" ", "_")
    while True:
        print(encode("nak", seq, {"of": "0", "why": text}), end="")
        seq = (seq + 1) % 65536
        clock.sleep_ms(5000)
