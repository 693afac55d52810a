"""The past of a bench as small plots: what was measured, what was wanted, what was given.

The bands drawn are those in force now; what a past phase wanted stands on the page of its batch.
"""

import json
from collections.abc import Callable
from math import inf, isfinite, nan
from typing import Final, NamedTuple

import numpy as np

from config.model import mat_id, mister_id
from controller.draw.markup import Element, element
from controller.draw.paths import Floats
from controller.draw.plot import Band, Line, Plot, picture
from controller.gather import place_samples
from controller.journal.reader import Reader
from controller.page.render import Asked
from sensors.moist_air import vpd_kpa

DAY_S: Final = 86400.0
SPANS: Final = {"24h": (DAY_S, 300), "7d": (7 * DAY_S, 1800)}
"""Length of a trend, and how often the record is looked at for it, s."""
TALL_PX: Final = 104
STEP_S: Final = 300
"""A trend is drawn anew when so much of the controller's time has passed."""


class Series(NamedTuple):
    """Samples of one thing. t_s: UTC s.  values: NaN where not known."""

    t_s: Floats
    values: Floats


NOTHING: Final = Series(np.zeros(0), np.zeros(0))


class Past(NamedTuple):
    """A stretch of the record, read for one page. gap_s: beyond which a line is broken."""

    from_s: float
    to_s: float
    gap_s: float
    read: Callable[[str, str], Series]
    relay: Callable[[str, Series], Series]


def past(asked: Asked, span: str) -> Past:
    """The record of the last 24 h or 7 days up to now."""
    length_s, every_s = SPANS[span]
    now_s = asked.moment.now.utc_s
    return stretch(asked, now_s - length_s, now_s, every_s)


def stretch(asked: Asked, from_s: float, now_s: float, every_s: int) -> Past:
    """The record from `from_s` to `now_s` (UTC s), looked at every `every_s`."""
    span = int(from_s // STEP_S), every_s
    turn = int(now_s // STEP_S)

    def read(place: str, kind: str) -> Series:
        def question(reader: Reader) -> Series:
            return sampled(reader, place, kind, from_s, now_s, every_s)

        return asked.store.kept((span, turn, place, kind), 900.0, question) or NOTHING

    def relay(name: str, known: Series) -> Series:
        def question(reader: Reader) -> Series:
            return _share_on(reader, name, from_s, now_s, every_s * 6, known)

        return asked.store.kept((span, turn, name), 900.0, question) or NOTHING

    return Past(from_s, now_s, every_s * 2.5, read, relay)


def sampled(
    reader: Reader, place: str, kind: str, from_s: float, to_s: float, every_s: int
) -> Series:
    """What the probes of a place read, looked at every `every_s`. Raises JournalError."""
    t_s, milli, usable = place_samples(reader, place, kind, from_s, to_s, every_s)
    values: Floats = np.where(usable, milli / np.float64(1000.0), nan)
    return Series(t_s.astype(np.float64), values)


def span_of(asked: Asked) -> str:
    """Which span the page was asked for."""
    return "7d" if asked.query.get("span") == "7d" else "24h"


def _share_on(
    reader: Reader, relay: str, from_s: float, to_s: float, bin_s: int, known: Series
) -> Series:
    """Per cent of each bin that a relay was ordered on; NaN for bins without any record.

    A minute in which it was off has no row of its own, so `known`, samples of a probe beside it,
    tells where there is a record at all.
    """
    rows = reader.relays([relay], from_s, to_s)[relay]
    first = int(from_s // bin_s) + 1
    count = int(to_s // bin_s) - first + 1
    if count < 1:
        return NOTHING
    place = (rows.t_s // bin_s - first).astype(np.int64)
    inside = (place >= 0) & (place < count)
    on_s = np.bincount(place[inside], rows.on_ms[inside] / 1000.0, count)
    seen = np.isin(np.arange(count) + first, known.t_s[np.isfinite(known.values)] // bin_s)
    t_s: Floats = np.asarray((np.arange(count) + first) * bin_s, dtype=np.float64)
    length_s = np.minimum(to_s - t_s, bin_s)
    share: Floats = np.asarray(100.0 * on_s / np.maximum(length_s, 60.0), dtype=np.float64)
    share[~seen] = nan
    return Series(t_s, share)


def difference(base: Series, top: Series) -> Series:
    """Base minus top at the instants that both have."""
    t_s, at_base, at_top = np.intersect1d(base.t_s, top.t_s, return_indices=True)
    return Series(t_s, base.values[at_base] - top.values[at_top])


def deficit(top: Series, humidity: Series) -> Series:
    """Vapour pressure deficit of the air, kPa, at the instants that both have."""
    t_s, at_top, at_rh = np.intersect1d(top.t_s, humidity.t_s, return_indices=True)
    pairs = zip(top.values[at_top], humidity.values[at_rh], strict=True)
    return Series(t_s, np.array([_vpd(float(c), float(rh)) for c, rh in pairs]))


def _vpd(temp_c: float, rh_pct: float) -> float:
    if temp_c != temp_c or rh_pct != rh_pct:
        return nan
    try:
        return vpd_kpa(temp_c, rh_pct)
    except ValueError:
        return nan


def trend(
    asked: Asked,
    over: Past,
    title: str,
    unit: str,
    lines: dict[str, tuple[str, Series]],
    *,
    good: tuple[float, float] | None = None,
    target: float = nan,
    limits: tuple[float, ...] = (),
    low: float = inf,
    high: float = -inf,
    decimals: int = 1,
    stepped: bool = False,
    tall_px: int = TALL_PX,
    label: str | None = None,
) -> Element:
    """A small plot. lines: look -> (name, series).  limits: drawn as thin lines across.
    label: over it; by default its title and unit."""
    across = np.array([over.from_s, over.to_s])
    drawn = [
        Line(name, one.t_s, one.values, look, over.gap_s * (6 if stepped else 1), stepped)
        for look, (name, one) in lines.items()
    ]
    held = [value for value in (target, *limits) if isfinite(value)]
    if any(np.isfinite(one.values).any() for _, one in lines.values()):
        if isfinite(target):
            drawn.append(Line("target now", across, np.array([target, target]), "target"))
        for value in limits:
            if isfinite(value):
                drawn.append(Line("limit", across, np.array([value, value]), "house"))
    low, high = min([low, *(value - 1.0 for value in held)]), max([high, *held])
    bands = []
    if good is not None:
        bands.append(Band("good band", [(over.from_s, over.to_s, *good)]))
    plot = Plot(
        title, unit, over.from_s, over.to_s, asked.moment.site.site.zone, drawn, bands,
        low=low, high=high, decimals=decimals, height_px=tall_px,
    )  # fmt: skip
    names = json.dumps({look: name for look, (name, _) in lines.items()}, separators=(",", ":"))
    label = f"{title[:1].upper()}{title[1:]}, {unit}" if label is None else label
    said = element("p", label, class_="label") if label else None
    return element(
        "div", said, picture(plot), class_="plot small", data_unit=unit, data_names=names
    )


def base_past(over: Past, bench: str, bay: str) -> Series:
    return over.read(f"{bench}.{bay}", "base_temperature")


def mat_past(over: Past, bench: str, bay: str) -> Series:
    return over.relay(mat_id(bench, bay), base_past(over, bench, bay))


def mist_past(over: Past, bench: str) -> Series:
    return over.relay(mister_id(bench), over.read(bench, "humidity"))
