"""What riding low, sun and stored warmth saved a bay, beside its target held flat."""

from collections.abc import Iterator, Sequence
from math import hypot, isfinite, nan
from typing import Final, NamedTuple

import numpy as np

from config.model import Site, mat_id
from controller.decide import build_aims, learn
from controller.decide.schedule import sun_height_deg
from controller.decide.state import BayState
from controller.decide.state import load as load_state
from controller.entries import effective, phase_at, stays
from controller.gather import place_means
from controller.journal.reader import Reader
from controller.records import Batch
from controller.review.flat import SLOT_MIN, Flat, Floats, flat, losses, minutes_of
from controller.review.summary import Energy, energy
from sensors.clock import Now

DARK_DEG: Final = -2.0
RATE_ERROR: Final = 0.15
"""Share by which the rise at full heat may be misjudged (this program's own estimate)."""
HOURS_ERROR: Final = 0.01
"""Share of the flat energy, and of its cost, that may be counted in the wrong hours: the largest
miss of eighteen simulated twins was 0.9 %, the usual one 0.2 %."""


class Saving(NamedTuple):
    """A bay beside its target held flat, from the minutes known.

    target_c: flat, mean.  given, flat: energy and cost; what the flat base would hold stored at the
    end over what is, is taken off flat at the mean price.  error_kwh, error_cost: of the saving,
    about what simulated twins ever missed by.  blocks: of dark hours that the bay's losses are
    judged by.  known_share: 0..1 of the time.
    """

    target_c: float
    given: Energy
    flat: Energy
    error_kwh: float
    error_cost: float | None
    blocks: int
    known_share: float

    @property
    def kwh(self) -> float:
        return self.flat.kwh - self.given.kwh

    @property
    def cost(self) -> float | None:
        if self.flat.cost is None or self.given.cost is None:
            return None
        return self.flat.cost - self.given.cost


def saving_of(
    reader: Reader, site: Site, place: str, from_s: float, to_s: float
) -> Saving | None:  # fmt: skip
    """The bay `place` in [from_s, to_s), UTC s; None where records or losses are not well known.

    By the bench file as it is now; without its `ride`, day parts and early warmth. Needs a house
    probe. Raises JournalError.
    """
    bench, _, bay = place.partition(".")
    if bench not in site.benches or bay not in site.benches[bench].bays:
        return None
    last_s = reader.last_minute_s()
    to_s = to_s if last_s is None else min(to_s, last_s + 60.0)
    name = mat_id(bench, bay)
    rows = reader.relays([name], from_s, to_s)[name]
    found = minutes_of(
        place_means(reader, place, "base_temperature", from_s, to_s),
        place_means(reader, bench, "house_temperature", from_s, to_s),
        (rows.t_s, rows.on_ms),
        from_s,
        to_s,
    )
    rate_k_s, delay_s = _answer(reader, site, (bench, bay), to_s)
    dark = _dark(site, found.begin_s, len(found.duty))
    lost = losses(found, dark, rate_k_s, delay_s)
    if lost is None:
        return None
    target_c = _targets(reader, site, place, found.begin_s, len(found.duty))
    power_w = site.benches[bench].bays[bay].mat.power_w
    lift_k = lost.lift_k

    def beside(lift_k: float, rate_k_s: float) -> tuple[Flat, Energy, Energy] | None:
        held = flat(found, lift_k, rate_k_s, delay_s, target_c)
        return None if held is None else (held, *_energies(held, site, power_w))

    usual = beside(lift_k, rate_k_s)
    others = (
        beside(lift_k * (1.0 + lost.error), rate_k_s),
        beside(lift_k * (1.0 - lost.error), rate_k_s),
        beside(lift_k, rate_k_s * (1.0 + RATE_ERROR)),
        beside(lift_k, rate_k_s * (1.0 - RATE_ERROR)),
    )
    if usual is None or None in others:
        return None
    flats = [other[2] for other in others if other is not None]
    held, given, even = usual
    costs = [each.cost for each in flats if each.cost is not None]
    return Saving(
        float(np.nanmean(target_c)),
        given,
        even,
        hypot(_spread([each.kwh for each in flats]), HOURS_ERROR * even.kwh),
        hypot(_spread(costs), HOURS_ERROR * (even.cost or 0.0)) if costs else None,
        lost.blocks,
        held.known_share,
    )


def saving_for(reader: Reader, site: Site, batch: Batch, now_s: float) -> Saving | None:
    """The bay that a batch stands in, since it was stuck or moved there. As `saving_of`."""
    until_s = now_s if batch.closed_s is None else min(now_s, batch.closed_s)
    stood = stays(batch, effective(reader.entries(batch.number)), until_s)
    return saving_of(reader, site, *stood[-1]) if stood else None


def _spread(ends: Sequence[float]) -> float:
    """Half of what each pair of ends lies apart, as independent errors."""
    return hypot(ends[0] - ends[1], ends[2] - ends[3]) / 2.0


def _energies(held: Flat, site: Site, power_w: float) -> tuple[Energy, Energy]:
    zone = site.site.zone
    given, even = (
        energy(held.t_s, np.round(1000.0 * each_s).astype(np.int64), power_w, site.tariff, zone)
        for each_s in (held.given_s, held.flat_s)
    )
    left_kwh = held.left_s * power_w / 3.6e6
    cost = even.cost
    if cost is not None and even.kwh > 0.0:
        cost -= left_kwh * cost / even.kwh
    return given, even._replace(kwh=even.kwh - left_kwh, cost=cost)


def _answer(
    reader: Reader, site: Site, key: tuple[str, str], at_s: float
) -> tuple[float, float]:  # fmt: skip
    """(rise at full heat in K/s, its delay in s), learned or as expected of the mat."""
    now = Now(at_s, 0.0)
    aims = build_aims(site, reader.batches(only_open=True), now).bays[key]
    saved = reader.last_state()
    state = None if saved is None else load_state(saved.json, now).bays.get(key)
    plant = learn.plant(aims, state or BayState())
    return plant.rate_k_s, plant.delay_s


def _dark(site: Site, begin_s: int, n: int) -> np.ndarray:
    where = site.site
    heights = [
        sun_height_deg(where.latitude_deg, where.longitude_deg, begin_s + 60.0 * minute)
        for minute in range(0, n + SLOT_MIN, SLOT_MIN)
    ]
    by_minute = np.interp(np.arange(n), SLOT_MIN * np.arange(len(heights)), heights)
    dark: np.ndarray = by_minute < DARK_DEG
    return dark


def _targets(reader: Reader, site: Site, place: str, begin_s: int, n: int) -> Floats:
    """The flat target of each minute, as phases and batches came and went; NaN at rest."""
    bench, _, bay = place.partition(".")
    plain = _plain(site)
    found = np.full(n, nan)
    lives = list(_lives(reader, place, begin_s + 60.0 * n))
    moments = {at_s for _, since_s, until_s in lives for at_s in (since_s, until_s)}
    for at_s in sorted({float(begin_s), *(m for m in moments if m > begin_s)}):
        there = [batch for batch, since_s, until_s in lives if since_s <= at_s < until_s]
        aims = build_aims(plain, there, Now(at_s, 0.0)).bays[bench, bay]
        found[int((at_s - begin_s) // 60) :] = aims.target_c
    return found


def _lives(reader: Reader, asked: str, until_s: float) -> Iterator[tuple[Batch, float, float]]:
    """Every batch as it stood in that bay in one phase, since when and until when, UTC s."""
    for batch in reader.batches():
        entries = effective(reader.entries(batch.number))
        end_s = until_s if batch.closed_s is None else min(until_s, batch.closed_s)
        for place, from_s, to_s in stays(batch, entries, end_s):
            if place != asked:
                continue
            bench, _, bay = place.partition(".")
            moments = [e.at_s for e in entries if e.values.get("phase") and from_s < e.at_s < to_s]
            for since_s, next_s in zip([from_s, *moments], [*moments, to_s], strict=True):
                lived = [entry for entry in entries if entry.at_s <= since_s]
                phase, phase_s = phase_at(batch, lived, "stick")
                stood = batch._replace(
                    bench=bench, bay=bay, phase=phase, phase_since_s=phase_s, closed_s=None
                )
                yield stood, since_s, next_s


def _plain(site: Site) -> Site:
    """The bench file without what moves a target from hour to hour."""
    flat_plan = {"ride": "target", "parts": (), "warm_early": False}
    benches = {}
    for name, bench in site.benches.items():
        bays = {
            bay_name: bay
            if bay.heat is None
            else bay.model_copy(update={"heat": bay.heat.model_copy(update=flat_plan)})
            for bay_name, bay in bench.bays.items()
        }
        heat = bench.heat.model_copy(update=flat_plan)
        benches[name] = bench.model_copy(update={"heat": heat, "bays": bays})
    return site.model_copy(update={"benches": benches})


def in_words(found: Saving, share: float = 1.0) -> str:
    """One line; share: of the bay, 0..1."""
    whose = "" if share > 0.999 else " (its share of the bay)"
    kwh, cost = share * found.kwh, None if found.cost is None else share * found.cost
    parts = [_part(kwh, share * found.error_kwh, "kWh", 1)]
    if cost is not None and found.error_cost is not None and isfinite(cost):
        parts.append(_part(cost, share * found.error_cost, found.given.currency, 2))
    return (
        f"beside {found.target_c:.1f} °C held flat{whose}: {', '.join(parts)}; "
        f"judged by {found.blocks} stretches of dark hours on record"
    )


def _part(saved: float, error: float, unit: str, places: int) -> str:
    if abs(saved) <= max(error, 0.5 * 10.0**-places):
        return f"about as many {unit}"
    way = "saved" if saved > 0.0 else "more"
    return f"about {abs(saved):.{places}f} {unit} {way} (give or take {error:.{places}f})"
