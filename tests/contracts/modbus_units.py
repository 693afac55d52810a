"""Units on an RS-485 line: pymodbus's server, behind a line that can be cut, noisy or half dead.

The line is two pseudo-terminals with a thread between them that sees whole requests and answers.
"""

import asyncio
import os
import pty
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

ADDRESSES = 64
COILS = 16


class Units:
    """words: what registers hold, by (unit, function, address).  coils, inputs: bits by unit.

    writes: (unit, function, address, value) in the order done.  reads: the same of reads, with the
    count.  dead: units that hear nothing.  spoil: changes each answer on its way.
    """

    def __init__(self, port: Path, *units: int) -> None:
        self.port = port
        self.words: dict[tuple[int, int, int], int] = {}
        self.inputs: dict[int, int] = {}
        self.writes: list[tuple[int, int, int, int]] = []
        self.reads: list[tuple[int, int, int, int]] = []
        self.refuse: dict[tuple[int, int, int], ExcCodes] = {}
        self.dead: set[int] = set()
        self.spoil: Callable[[bytes], bytes] = lambda answer: answer
        self._near = -1
        self._far, self._far_slave = _terminal()
        self._woken, self._wake = os.pipe()
        self._lock = threading.Lock()
        self._started = threading.Event()
        self._devices = [self._device(unit) for unit in units]
        self._threads = [threading.Thread(target=run) for run in (self._serve, self._carry)]
        for thread in self._threads:
            thread.start()
        assert self._started.wait(10)
        self.plug_in()

    def coil(self, unit: int, address: int = 0) -> bool:
        """As last written; a coil that was never written is off."""
        done = [value for u, f, a, value in self.writes if (u, f, a) == (unit, 5, address)]
        return bool(done and done[-1])

    def plug_in(self) -> None:
        with self._lock:
            self._near, self._near_slave = _terminal()
            self.port.symlink_to(os.ttyname(self._near_slave))
        os.write(self._wake, b"w")

    def unplug(self) -> None:
        self.port.unlink(missing_ok=True)
        with self._lock:
            near, self._near = self._near, -1
            if near >= 0:
                os.close(near)
                os.close(self._near_slave)
        os.write(self._wake, b"w")

    def send(self, data: bytes) -> None:
        """Bytes that no unit was asked for."""
        os.write(self._near, data)

    def close(self) -> None:
        if not self._threads:
            return
        self.unplug()
        os.write(self._wake, b"x")
        self._loop.call_soon_threadsafe(self._ending.set)
        for thread in self._threads:
            thread.join(5)
        self._threads = []
        for number in (self._far, self._far_slave, self._woken, self._wake):
            os.close(number)

    def _device(self, unit: int) -> SimDevice:
        async def act(
            function: int, start: int, address: int, count: int, held: list[int], put: Any
        ) -> ExcCodes | None:
            refusal = self.refuse.get((unit, function, address))
            if refusal is not None:
                return refusal
            if put:
                self.writes.append((unit, function, address, int(put[0])))
                return None
            self.reads.append((unit, function, address, count))
            if function in (3, 4):
                for n in range(address, address + count):
                    held[n - start] = self.words.get((unit, function, n), held[n - start])
            elif function == 2:
                held[0] = self.inputs.get(unit, 0)
            return None

        bits = SimData(0, values=[False] * COILS, datatype=DataType.BITS)
        words = SimData(0, values=[0] * ADDRESSES, datatype=DataType.REGISTERS)
        return SimDevice(unit, simdata=([bits], [bits], [words], [words]), action=act)

    def _serve(self) -> None:
        asyncio.run(self._serving())

    async def _serving(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._ending = asyncio.Event()
        server = ModbusSerialServer(self._devices, port=os.ttyname(self._far_slave))
        await server.serve_forever(background=True)
        self._started.set()
        await self._ending.wait()
        await server.shutdown()

    def _carry(self) -> None:
        while True:
            near = self._near
            readers = [self._woken, self._far, *([near] if near >= 0 else [])]
            try:
                ready, _, _ = select.select(readers, [], [], 1.0)
            except (OSError, ValueError):  # unplugged just now
                continue
            if self._woken in ready and b"x" in os.read(self._woken, 64):
                return
            with self._lock:
                if near in ready and near == self._near:
                    asked = os.read(near, 256)
                    if asked[0] not in self.dead:
                        os.write(self._far, asked)
                if self._far in ready:
                    answer = self.spoil(os.read(self._far, 256))
                    if answer and self._near >= 0:
                        os.write(self._near, answer)


def _terminal() -> tuple[int, int]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    return master, slave
