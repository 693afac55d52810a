"""Talk to the service manager: the datagram protocol of sd_notify(3) and sd_watchdog_enabled(3)."""

import os
import socket


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
