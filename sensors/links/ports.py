"""Serial ports that this machine has now."""

from pathlib import Path
from typing import Final, NamedTuple

from serial.tools import list_ports

BY_ID: Final = Path("/dev/serial/by-id")


class Port(NamedTuple):
    """A serial port. name: to be written as `port`.  device: as the system counts it.

    words: what it says it is, "" when it says nothing.
    """

    name: str
    device: str
    words: str


def serial_ports(by_id: Path = BY_ID) -> list[Port]:
    """Ports a board may be on, the surest first.

    by_id: where the system keeps names that stay when leads are plugged elsewhere; such a name
    stands in place of the port it leads to. Ports with nothing known behind them come last.
    """
    found = list_ports.comports()
    lasting = {}
    if by_id.is_dir():
        lasting = {str(name.resolve()): str(name) for name in sorted(by_id.iterdir())}
    usb = [port for port in found if port.vid is not None]
    rest = [port for port in found if port.vid is None and port.hwid not in (None, "n/a")]
    return [
        Port(
            lasting.get(str(Path(port.device).resolve()), port.device),
            port.device,
            "" if port.description in (None, "n/a") else str(port.description),
        )
        for port in (*usb, *rest)
    ]


def ports_found(by_id: Path = BY_ID) -> list[str]:
    """Names of the ports a board may be on, to be written as `port`, the surest first."""
    return [port.name for port in serial_ports(by_id)]
