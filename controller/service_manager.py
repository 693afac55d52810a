"""What the process has to do with the system around it.

The service manager is talked to by the datagrams of sd_notify(3) and sd_watchdog_enabled(3).
"""

import contextlib
import os
import select
import socket


class Bell:
    """Wakes the loop from a signal handler.

    A handler may run between any two steps of the code it interrupts, so it must take no lock: an
    Event that is being waited for could hang both for ever. Writing to a pipe takes none.
    """

    def __init__(self) -> None:
        self._hear, self._ring = os.pipe()
        os.set_blocking(self._hear, False)
        os.set_blocking(self._ring, False)

    def ring(self) -> None:
        """End the present wait, or the next one."""
        with contextlib.suppress(OSError):  # full: it has been rung often enough
            os.write(self._ring, b"!")

    def wait(self, longest_s: float) -> None:
        """Return when rung, or after `longest_s` >= 0 seconds."""
        if select.select([self._hear], [], [], longest_s)[0]:
            with contextlib.suppress(BlockingIOError):
                os.read(self._hear, 4096)

    def close(self) -> None:
        os.close(self._hear)
        os.close(self._ring)


class ServiceManager:
    """Sends state to the socket named in NOTIFY_SOCKET; silent when there is none."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]

    def send(self, *lines: str) -> None:
        """Send e.g. "READY=1". A manager that does not listen is not an error."""
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
                wire.setblocking(False)
                wire.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return

    @property
    def watchdog_s(self) -> float | None:
        """Interval in which the manager wants a sign of life, or None when it wants none."""
        pid = os.environ.get("WATCHDOG_PID")
        if pid and pid != str(os.getpid()):
            return None
        given = os.environ.get("WATCHDOG_USEC", "")
        return int(given) / 1e6 if given.isdigit() and int(given) > 0 else None
