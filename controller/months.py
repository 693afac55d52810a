"""What each bench took and saved, month by month."""

from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from config.model import Site, mat_id, mister_id
from controller.journal.reader import Reader
from controller.review.summary import Energy, add_energy, energy
from controller.saving import Saving, saving_of


class Month(NamedTuple):
    """One bench in one local month, or the part of it that is on record.

    from_s, to_s: UTC s.  mist_s: seconds of mist, in `bursts`.  litres: None where the flow is not
    in the bench file.  saved: by bay, beside its target held flat; only bays of which that can be
    told.
    """

    bench: str
    from_s: float
    to_s: float
    heat: Energy
    mist_s: float
    bursts: int
    litres: float | None
    saved: dict[str, Saving]


def months(reader: Reader, site: Site, now_s: float, most: int = 12) -> list[Month]:
    """Every bench in each of the last `most` months with records, newest first.

    By the bench file as it is now: power, flow and tariff. Raises JournalError.
    """
    runs, last_s = reader.runs(), reader.last_minute_s()
    if not runs or last_s is None:
        return []
    begun_s = max(0.0, runs[0].started_s)
    found = []
    for from_s, to_s in _spans(begun_s, min(now_s, last_s + 60.0), site.site.zone, most):
        for bench in site.benches:
            made = _month(reader, site, bench, from_s, to_s)
            if made.heat.on_s or made.bursts or _any(reader, from_s, to_s):
                found.append(made)
    return found


def _any(reader: Reader, from_s: float, to_s: float) -> bool:
    return bool(
        reader.query("SELECT 1 FROM relay_minute WHERE t >= ? AND t < ? LIMIT 1", (from_s, to_s))
    )


def _spans(
    begun_s: float, end_s: float, zone: ZoneInfo, most: int
) -> Iterator[tuple[float, float]]:
    """Local months from the newest back, each (from, to) UTC s."""
    to_s = end_s
    first = datetime.fromtimestamp(end_s, zone).replace(
        day=1, hour=0, minute=0, second=0, microsecond=0
    )
    for _ in range(most):
        from_s = max(first.timestamp(), begun_s)
        if from_s < to_s:
            yield from_s, to_s
        if first.timestamp() <= begun_s:
            return
        to_s = first.timestamp()
        first = (
            first.replace(year=first.year - 1, month=12)
            if first.month == 1
            else first.replace(month=first.month - 1)
        )


def _month(reader: Reader, site: Site, bench: str, from_s: float, to_s: float) -> Month:
    plan = site.benches[bench]
    parts: list[Energy] = []
    saved: dict[str, Saving] = {}
    for bay, held in plan.bays.items():
        name = mat_id(bench, bay)
        rows = reader.relays([name], from_s, to_s)[name]
        parts.append(
            energy(rows.t_s, rows.on_ms, held.mat.power_w, site.tariff, site.site.zone)
        )  # fmt: skip
        beside = saving_of(reader, site, f"{bench}.{bay}", from_s, to_s)
        if beside is not None:
            saved[bay] = beside
    mist_s, bursts = reader.relay_sums([mister_id(bench)], from_s, to_s)[mister_id(bench)]
    flow = None if plan.mister is None else plan.mister.flow_ml_per_s
    litres = None if flow is None else mist_s * flow / 1000.0
    return Month(bench, from_s, to_s, add_energy(parts), mist_s, bursts, litres, saved)
