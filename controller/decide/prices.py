"""What a kWh costs in the half hours to come."""

from datetime import UTC, datetime
from functools import lru_cache
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from config.model import Tariff
from controller.decide.ahead import SLOTS
from controller.decide.drift import SLOT_S

_LEEWAY: Final = 2
"""Half hours more than are looked ahead, so that aims may be some minutes old."""


class Prices(NamedTuple):
    """first: number of the first half hour since 1970 UTC.  per_kwh: of it and those after it."""

    first: int
    per_kwh: tuple[float, ...]

    def coming(self, utc_s: float) -> tuple[float, ...]:
        """Of the running half hour and those after it; empty when too few are known."""
        skipped = int(utc_s // SLOT_S) - self.first
        found = self.per_kwh[skipped : skipped + SLOTS] if skipped >= 0 else ()
        return found if len(found) == SLOTS else ()


def prices_at(tariff: Tariff | None, timezone: str, utc_s: float) -> Prices | None:
    """Prices of the half hours to come; None where they are all the same."""
    if tariff is None or not tariff.windows:
        return None
    return _prices(tariff, timezone, int(utc_s // SLOT_S))


@lru_cache(maxsize=8)
def _prices(tariff: Tariff, timezone: str, first: int) -> Prices | None:
    zone = ZoneInfo(timezone)
    found = []
    for slot in range(first, first + SLOTS + _LEEWAY):
        middle = datetime.fromtimestamp((slot + 0.5) * SLOT_S, UTC).astimezone(zone)
        found.append(tariff.price_at(middle.hour * 60 + middle.minute))
    return Prices(first, tuple(found)) if len(set(found)) > 1 else None
