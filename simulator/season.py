"""A year of batches at Alder Lane, an invented nursery, in four stretches played back to back.

The real controller keeps the full simulated bench for each stretch; the days between are not
played, and the journal has no record of them. Plants and kinds are as the trade roots them at that
time of year; dates, counts, faults and what is wrong with some of the cuttings are invented, so
that a review has good batches, bad ones and mixed neighbours to tell of. The longest kinds, winter
evergreens and semi-ripe wood that takes two months, do not fit a stretch and are left out.
"""

from datetime import datetime
from random import Random
from typing import Final, NamedTuple

from simulator.faults import Fault, make_fault
from simulator.planted import answers
from simulator.scenario import DAY_S, Scenario, Stick, WeatherSpell

YEAR_DAYS: Final = 365
TALC_HELPS: Final = 0.10
"""What a rooting powder adds to the share able to root, of the woody plants; invented."""


class Row(NamedTuple):
    """One batch: stuck on `day` of the stretch (from 1), closed after `days`.

    flaw: key of `cuttings.MATERIALS`.
    """

    day: float
    plant: str
    kind: str
    nature: str
    cuttings: int
    days: float
    flaw: str = "sound"
    hormone: str = "none"
    mix: str = "bark and perlite"


class Stretch(NamedTuple):
    """Part of the year. faults: (kind, day, hour, hours).  spells: (weather, day, hours, K).
    meant: a cause, and the batches its fault or its season is meant for, from 1 in the stretch.
    """

    title: str
    start: datetime
    days: float
    weather: str
    rows: tuple[Row, ...]
    faults: tuple[tuple[str, float, float, float], ...] = ()
    spells: tuple[tuple[str, float, float, float], ...] = ()
    meant: tuple[tuple[str, tuple[int, ...]], ...] = ()


GERANIUM: Final = ("Pelargonium hortorum", "herbaceous", "herbaceous")
MUM: Final = ("Chrysanthemum morifolium", "herbaceous", "herbaceous")
FUCHSIA: Final = ("Fuchsia hybrids", "softwood", "softwood")
HYDRANGEA: Final = ("Hydrangea macrophylla", "softwood", "softwood")
WEIGELA: Final = ("Weigela", "greenwood", "softwood")
HEBE: Final = ("Hebe", "semi_ripe", "softwood")
LAVENDER: Final = ("Lavandula angustifolia", "semi_ripe", "greenwood")
POPLAR: Final = ("Populus hybrids", "hardwood", "poplar")

YEAR: Final = (
    Stretch(
        "Winter", datetime(2026, 1, 2, 7), 30.0, "winter_dull",
        (
            Row(1.1, *POPLAR, 100, 26),
            Row(1.2, *POPLAR, 90, 26, hormone="talc"),
            Row(1.3, *POPLAR, 80, 26, "old_wood"),
            Row(1.4, *POPLAR, 120, 26),
            Row(2.1, *GERANIUM, 120, 26),
            Row(2.2, *GERANIUM, 110, 26, hormone="talc"),
            Row(2.3, *MUM, 100, 26),
        ),
        spells=(("frost", 6.0, 60.0, 0.0),),
        meant=(("dark", (5, 6, 7)),),
    ),
    Stretch(
        "Spring", datetime(2026, 3, 23, 7), 35.0, "spring_mixed",
        (
            Row(1.1, *FUCHSIA, 120, 32),
            Row(1.2, *FUCHSIA, 100, 32, hormone="talc"),
            Row(1.3, *FUCHSIA, 90, 32, "flowering"),
            Row(1.4, *FUCHSIA, 110, 32),
            Row(1.5, *FUCHSIA, 80, 32, "close_mix", mix="old peat"),
            Row(2.1, *GERANIUM, 150, 20),
            Row(2.2, *GERANIUM, 120, 20, "long_wait"),
            Row(2.3, *GERANIUM, 120, 20),
            Row(2.4, *MUM, 100, 20),
            Row(16.1, *GERANIUM, 120, 18),
            Row(16.2, *MUM, 100, 18),
            Row(16.3, *GERANIUM, 110, 18, hormone="talc"),
        ),
        faults=(("mister_blocked", 17.0, 1.0, 8.0), ("lid_open", 17.0, 2.0, 5.5)),
        spells=(("spring_bright", 17.0, 24.0, 3.0),),
        meant=(("dry", (10, 11, 12)),),
    ),
    Stretch(
        "Summer", datetime(2026, 6, 8, 7), 33.0, "summer_mild",
        (
            Row(1.1, *HYDRANGEA, 100, 30),
            Row(1.2, *HYDRANGEA, 90, 30, hormone="talc"),
            Row(1.3, *HYDRANGEA, 90, 30, "disease"),
            Row(1.4, *HYDRANGEA, 80, 30),
            Row(1.5, *WEIGELA, 100, 30),
            Row(2.1, *WEIGELA, 90, 30, "few_leaves"),
            Row(2.2, *WEIGELA, 110, 30, hormone="talc"),
            Row(2.3, *WEIGELA, 90, 30),
            Row(2.4, *FUCHSIA, 120, 30),
            Row(2.5, *FUCHSIA, 100, 30, "unseen"),
            Row(3.1, *FUCHSIA, 90, 29, hormone="talc"),
        ),
        spells=(("hot_spell", 20.0, 30.0, -3.0),),
    ),
    Stretch(
        "Autumn", datetime(2026, 9, 14, 7), 45.0, "autumn_damp",
        (
            Row(1.1, *HEBE, 120, 34),
            Row(1.2, *HEBE, 100, 34, hormone="talc"),
            Row(1.3, *HEBE, 90, 34, "old_wood"),
            Row(1.4, *HEBE, 100, 34),
            Row(1.5, *HEBE, 90, 34, "flowering"),
            Row(2.1, *LAVENDER, 150, 38, hormone="talc"),
            Row(2.2, *LAVENDER, 120, 38),
            Row(2.3, *LAVENDER, 100, 38, "unseen"),
            Row(2.4, *LAVENDER, 120, 38),
            Row(2.5, *GERANIUM, 120, 20),
            Row(2.6, *MUM, 100, 20),
            Row(28.1, *GERANIUM, 120, 16),
            Row(28.2, *MUM, 110, 16),
        ),
        faults=(("mat_dead", 36.0, 12.0, 220.0),),
        spells=(("frost", 36.5, 210.0, 3.0),),
        meant=(("cold", (12, 13)),),
    ),
)  # fmt: skip


def year(seed: int = 0) -> list[Scenario]:
    """The stretches as scenarios, in order of time. seed: of another weather of the same kind."""
    return [_scenario(stretch, number, seed) for number, stretch in enumerate(YEAR, 1)]


def with_light(bench_text: str) -> str:
    """The demonstration's bench file with a light probe, without which a dark winter is a guess."""
    before = "[benches.north.air]\nprobes = [\n"
    light = '    { link = "board", channel = "light", kind = "light", every_s = 30 },\n'
    return bench_text.replace(before, before + light, 1)


def truths() -> list[str]:
    """What was planted for each batch, in order of number; "" for nothing."""
    found: list[str] = []
    for stretch in YEAR:
        planted = ["" if row.flaw == "sound" else row.flaw for row in stretch.rows]
        for cause, batches in stretch.meant:
            for number in batches:
                planted[number - 1] = cause
        found += planted
    return found


def _scenario(stretch: Stretch, number: int, seed: int) -> Scenario:
    return Scenario(
        title=f"Alder Lane, {stretch.title.lower()}",
        start=stretch.start,
        days=stretch.days,
        weather=stretch.weather,
        seed=seed + number,
        preset="bench",
        sticks=tuple(_stick(row, f"{number}/{i}") for i, row in enumerate(stretch.rows)),
        faults=tuple(_fault(*fault) for fault in stretch.faults),
        spells=tuple(
            WeatherSpell(kind, (day - 1) * DAY_S, (day - 1) * DAY_S + hours * 3600.0, shift_k)
            for kind, day, hours, shift_k in stretch.spells
        ),
        warm_hours=24.0,
    )


def _fault(kind: str, day: float, hour: float, hours: float) -> Fault:
    return make_fault(kind, (day - 1) * DAY_S + hour * 3600.0, hours)


def _stick(row: Row, name: str) -> Stick:
    rng = Random(f"season/{name}")
    said = answers(row.flaw, rng, slips=0.3)
    vigour = rng.gauss(0.97, 0.05) + (TALC_HELPS if row.hormone == "talc" else 0.0)
    if row.plant in (GERANIUM[0], MUM[0]):
        vigour = rng.gauss(1.0, 0.03)
    return Stick(
        at_s=(row.day - 1.0) * DAY_S + 2 * 3600.0,
        plant=row.plant,
        kind=row.kind,
        nature=row.nature,
        bench="",
        bay="",
        trays=name.replace("/", "-"),
        cuttings=row.cuttings,
        test_from_day=row.days / 4,
        test_every_days=row.days / 7,
        tested=10,
        close_after_days=row.days,
        details={**said, "hormone": row.hormone, "mix": row.mix},
        flaw=row.flaw,
        vigour=max(0.7, min(1.12, vigour)),
    )
