"""Where this machine probably stands: its time zone, and the town that names the zone."""

import contextlib
import os
import re
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple
from zoneinfo import available_timezones

_ISO_6709 = re.compile(
    r"(?P<ns>[+-])(?P<lat>\d{2})(?P<lat_min>\d{2})(?:\d{2})?"
    r"(?P<ew>[+-])(?P<lon>\d{3})(?P<lon_min>\d{2})(?:\d{2})?"
)


class Town(NamedTuple):
    """Degrees, north and east positive, to the minute of arc."""

    latitude_deg: float
    longitude_deg: float


def machine_zone(root: Path = Path("/"), environ: Mapping[str, str] = os.environ) -> str | None:
    """Name of the time zone that this machine is set to, None when it names none.

    Asked are TZ, then where /etc/localtime leads, then /etc/timezone.
    """
    zones = available_timezones()
    for found in _named(root, environ):
        if found in zones:
            return found
    return None


def _named(root: Path, environ: Mapping[str, str]) -> list[str]:
    found = [environ.get("TZ", "").removeprefix(":").rpartition("zoneinfo/")[2]]
    with contextlib.suppress(OSError):
        found.append(os.readlink(root / "etc/localtime").rpartition("zoneinfo/")[2])
    with contextlib.suppress(OSError, UnicodeDecodeError):
        found.append((root / "etc/timezone").read_text(encoding="utf-8").strip())
    return found


def town_of(zone: str) -> Town | None:
    """The town that a time zone is named after; None for a zone that belongs to no place.

    Source: zone.tab of the IANA time zone database, in the degrees and minutes of ISO 6709.
    """
    table = files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")
    for line in table.splitlines():
        cells = line.split("\t")
        if line.startswith("#") or len(cells) < 3 or cells[2] != zone:
            continue
        found = _ISO_6709.fullmatch(cells[1])
        if found is None:
            return None
        return Town(
            _degrees(found["ns"], found["lat"], found["lat_min"]),
            _degrees(found["ew"], found["lon"], found["lon_min"]),
        )
    return None


def _degrees(sign: str, degrees: str, minutes: str) -> float:
    value = int(degrees) + int(minutes) / 60
    return -value if sign == "-" else value
