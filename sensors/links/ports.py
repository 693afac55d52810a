"""Serial ports that this machine has now."""

from pathlib import Path

from serial.tools import list_ports


def ports_found(by_id: Path = Path("/dev/serial/by-id")) -> list[str]:
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
    return [lasting.get(str(Path(port.device).resolve()), port.device) for port in (*usb, *rest)]
