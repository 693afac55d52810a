"""Batches whose true cause of failure is known, to try the ranking of causes on.

Climate: `plain.py`, not the full bench and not the controller. Cuttings: the lots of `cuttings.py`,
which know nothing of thresholds in a review. What is written down comes from the lot's own counts,
and answers are left open, or wrong without effect, at chance. Every batch, sound ones too, has
small troubles: a weak mat for two nights, an afternoon with the cover open, a short gap.
"""

from collections.abc import Callable
from random import Random
from typing import Final, NamedTuple

import numpy as np

from config.recipes import freeze, recipe_for
from config.seasons import months_outside
from controller.records import Batch, Entry
from controller.review.cases import Case, case_of, span_of
from controller.review.exposure import MOL_PER_J, Series, exposure_of
from controller.review.summary import Climate, Hole, phase_limits
from simulator.cuttings import MATERIALS, NATURES, SOUND, Lot
from simulator.grower import phase_after
from simulator.plain import DAY_S, STEP_S, Floats, PlainClimate, Trouble, plain_climate

LATITUDE_DEG: Final = 53.3
BASE_S: Final = 1_767_225_600
"""2026-01-01T00:00Z."""


class Sort(NamedTuple):
    """A plant that is stuck. month: 1..12, when."""

    plant: str
    kind: str
    nature: str
    month: int
    weather: str
    shift_k: float


SORTS: Final = (
    Sort("Pelargonium hortorum", "herbaceous", "herbaceous", 3, "spring_mixed", 1.0),
    Sort("Fuchsia hybrids", "softwood", "softwood", 5, "spring_mixed", 3.0),
    Sort("Hydrangea macrophylla", "softwood", "softwood", 6, "summer_mild", 0.0),
    Sort("Weigela", "greenwood", "greenwood", 7, "summer_mild", -1.0),
    Sort("Hebe", "semi_ripe", "greenwood", 9, "autumn_damp", 2.0),
    Sort("Lavandula angustifolia", "semi_ripe", "greenwood", 8, "summer_mild", -2.0),
)
CLOSE_AFTER: Final = 1.8
"""A batch is closed after this many times its nature's days."""

MATERIAL_CAUSES: Final = {
    "flowering": "flowering",
    "old_wood": "old_wood",
    "few_leaves": "few_leaves",
    "close_mix": "close_mix",
    "disease": "disease",
    "long_wait": "long_wait",
    "season": "off_season",
}
"""Causes planted in the cuttings: what a review calls it -> what happens to them."""
CLIMATE_CAUSES: Final = ("cold", "hot", "dry", "never_dry", "no_record", "dark")
UNSEEN: Final = "unseen"
PLANTED: Final = (*CLIMATE_CAUSES, *MATERIAL_CAUSES, UNSEEN)


class Planted(NamedTuple):
    """A case with its truth. others: good batches of before and neighbours."""

    cause: str
    how: str
    case: Case
    others: tuple[Case, ...]


def planted(cause: str, seed: int) -> Planted:
    """One batch that failed of one planted cause, its neighbours and like batches of before.

    Drawn until it does badly with its cause and well without it, all else being the same. The same
    cause and seed give the same batch. Raises KeyError for a cause not in `PLANTED`.
    """
    if cause not in PLANTED:
        raise KeyError(cause)
    rng = Random(f"{cause}/{seed}")
    while True:
        drawn = _drawn(cause, rng)
        case, sound = drawn.case, drawn.without
        if case.strike is None or sound.strike is None:
            continue
        if case.strike < case.recipe.usual_strike[0] <= sound.strike:
            return Planted(cause, drawn.how, case, (*_beside(drawn, rng), *_before(drawn, rng)))


class _Drawn(NamedTuple):
    how: str
    sort: Sort
    in_season: Sort
    begin_s: int
    weather: tuple[str, int, float]
    troubles: tuple[Trouble, ...]
    lit: bool
    dark: bool
    case: Case
    without: Case


def _drawn(cause: str, rng: Random) -> _Drawn:
    sort = rng.choice(SORTS)
    if cause == "dark":
        sort = rng.choice(SORTS[:2])._replace(month=rng.choice((11, 12)), weather="winter_dull")
        sort = sort._replace(shift_k=6.0)
    in_season = sort
    if cause == "season":
        in_season = rng.choice(SORTS[2:])
        sort = _off_season(in_season, rng)
    days = CLOSE_AFTER * NATURES[sort.nature].days
    begin_s = BASE_S + DAY_S * ((sort.month - 1) * 30 + rng.choice((2, 14))) + 9 * 3600
    small = _small(rng, days)
    how, troubles = _troubles(cause, days, rng)
    weather = (sort.weather, rng.randrange(4), sort.shift_k)
    flaw = MATERIAL_CAUSES.get(cause, UNSEEN if cause == UNSEEN else "sound")
    lit = cause == "dark" or rng.random() < 0.5
    every = (*small, *troubles)
    case = _batch(1, sort, begin_s, weather, every, flaw, rng, lit)
    if cause == "dark":  # the same batch in other light
        spring = (begin_s - 270 * DAY_S, ("spring_mixed", weather[1], 1.0))
        without = _batch(1, sort, *spring, small, "sound", rng, lit)
    else:
        without = _batch(1, sort, begin_s, weather, small, "sound", rng, lit)
    return _Drawn(
        how, sort, in_season, begin_s, weather, every, lit, cause == "dark", case, without
    )


def _off_season(sort: Sort, rng: Random) -> Sort:
    """The same plant, stuck two to four months before or after its wood is right, in fair light."""
    recipe = recipe_for(sort.kind, sort.plant)
    outside = {month: months_outside(recipe, LATITUDE_DEG, month) or 0 for month in range(3, 11)}
    month = rng.choice([month for month, off in outside.items() if 2 <= off <= 4])
    weather = "spring_mixed" if month < 6 else "summer_mild" if month < 9 else "autumn_damp"
    return sort._replace(month=month, weather=weather, shift_k=2.0)


def _beside(drawn: _Drawn, rng: Random) -> list[Case]:
    """None to three batches stuck in the same bay that day."""
    found = []
    for number in range(2, 2 + rng.randrange(4)):
        sort = rng.choice(SORTS)._replace(shift_k=drawn.sort.shift_k)
        here = (drawn.begin_s, drawn.weather, drawn.troubles)
        found.append(_batch(number, sort, *here, "sound", rng, drawn.lit))
    return found


def _before(drawn: _Drawn, rng: Random) -> list[Case]:
    """Two to seven batches of the same plant in earlier years, well or badly done."""
    found = []
    sort = drawn.in_season
    days = CLOSE_AFTER * NATURES[sort.nature].days
    for number in range(10, 10 + rng.randrange(2, 8)):
        weather = (sort.weather, rng.randrange(4), sort.shift_k)
        begin_s = drawn.begin_s
        if drawn.dark:  # the grower's earlier ones were stuck in spring
            begin_s, weather = begin_s - 270 * DAY_S, ("spring_mixed", weather[1], 1.0)
        if sort != drawn.sort:
            begin_s += DAY_S * (30 * (sort.month - drawn.sort.month) - 360)
        small = _small(rng, days)
        made = _batch(number, sort, begin_s, weather, small, "sound", rng, drawn.lit, "before")
        found.append(made)
    return found


def _troubles(cause: str, days: float, rng: Random) -> tuple[str, tuple[Trouble, ...]]:
    """What is planted in the climate, and its name for people."""
    early = rng.uniform(1.0, 4.0)
    made: dict[str, Callable[[], tuple[str, tuple[Trouble, ...]]]] = {
        "cold": lambda: rng.choice(
            (
                ("cold nights", (Trouble("mat_night", 0.0, days, rng.uniform(0.0, 0.1)),)),
                ("dead mat", (Trouble("mat", early, days, 0.0),)),
            )
        ),
        "hot": lambda: ("hot base", (Trouble("welded", early, early + rng.uniform(5.0, 12.0)),)),
        "dry": lambda: rng.choice(
            (
                ("dry afternoons", (Trouble("dry_day", early, early + rng.uniform(4.0, 8.0)),)),
                ("blocked nozzle", (Trouble("no_mist", early, early + rng.uniform(6.0, 12.0)),)),
            )
        ),
        "never_dry": lambda: ("never dry", (Trouble("leak", early, days),)),
        "no_record": lambda: ("power cut", (Trouble("power", early, early + rng.uniform(2, 4)),)),
        "dark": lambda: ("dark winter", (Trouble("shade", 0.0, days, rng.uniform(0.6, 1.0)),)),
    }
    return made[cause]() if cause in made else (cause, ())


def _small(rng: Random, days: float) -> tuple[Trouble, ...]:
    """Troubles that every bench has, and cuttings stand."""
    found = []
    if rng.random() < 0.5:
        at = rng.uniform(0.0, days - 3.0)
        found.append(Trouble("mat_night", at, at + 2.0, 0.4))
    if rng.random() < 0.5:
        at = rng.uniform(0.0, days - 1.0)
        found.append(Trouble("dry_day", at, at + rng.uniform(0.05, 0.12)))
    if rng.random() < 0.5:
        at = rng.uniform(0.0, days - 1.0)
        found.append(Trouble("record", at, at + rng.uniform(0.05, 0.25)))
    if rng.random() < 0.3:
        at = rng.uniform(5.0, days - 2.0)
        found.append(Trouble("leak", at, at + rng.uniform(0.5, 2.0)))
    return tuple(found)


def _batch(
    number: int,
    sort: Sort,
    begin_s: int,
    weather: tuple[str, int, float],
    troubles: tuple[Trouble, ...],
    flaw: str,
    rng: Random,
    lit: bool,
    place: str = "north.left",
) -> Case:
    recipe = recipe_for(sort.kind, sort.plant)
    frozen, digest = freeze(recipe)
    nature = NATURES[sort.nature]
    days = CLOSE_AFTER * nature.days
    climate = plain_climate(
        weather,
        begin_s,
        days,
        target_c=recipe.base_target_c,
        callus_day=recipe.phases[1].usual_days,
        root_day=recipe.phases[2].usual_days,
        troubles=troubles,
        latitude_deg=LATITUDE_DEG,
    )
    lot = Lot(rng.randrange(60, 160), nature, MATERIALS.get(flaw, SOUND))
    bench, bay = place.split(".") if "." in place else (place, "left")
    batch = Batch(
        number, sort.plant, sort.kind, bench, bay, "1", lot.count, begin_s, frozen, digest,
        recipe.phases[0].name, begin_s, None, answers(flaw, rng),
    )  # fmt: skip
    entries = _life(batch, lot, climate, days)
    until_s = entries[-1].at_s
    from_s, end_s = span_of(batch, entries, until_s)
    lived = [(batch.stuck_s, batch.phase)]
    lived += [(e.at_s, e.values["phase"]) for e in entries if e.values.get("phase")]
    callus_s = next((at_s for at_s, phase in lived if phase != batch.phase), None)
    exposure = exposure_of(
        _minutes(climate),
        _series(climate, climate.light_w_m2) if lit else _series(climate, climate.light_w_m2[:0]),
        recipe,
        from_s=from_s,
        until_s=end_s,
        limits=phase_limits(recipe, lived),
        callus_s=callus_s,
        gaps=_holes(climate),
        latitude_deg=LATITUDE_DEG,
    )
    return case_of(batch, entries, f"{bench}.{bay}", until_s, exposure, LATITUDE_DEG)


def answers(flaw: str, rng: Random, slips: float = 1.0) -> dict[str, str]:
    """The checklist as this grower filled it in: what is planted always, the rest mostly.

    slips: how often an answer speaks of a flaw that did no harm, beside what is usual here.
    """
    said = {
        "young_growth": "no" if rng.random() < 0.05 * slips else "yes",
        "flowering": "yes" if rng.random() < 0.05 * slips else "no",
        "pest_or_disease": "yes" if rng.random() < 0.03 * slips else "no",
        "length_mm": str(rng.randrange(45, 110)),
        "nodes": str(rng.randrange(2, 5)),
        "leaves_kept": str(rng.choice((2, 2, 3, 4, 4))),
        "base_stripped": "no" if rng.random() < 0.1 * slips else "yes",
        "cut_below_node": "no" if rng.random() < 0.1 * slips else "yes",
        "hours_to_sticking": f"{rng.uniform(0.3, 4.0):.1f}",
        "mix_crumbled": "no" if rng.random() < 0.1 * slips else "yes",
        "afp_pct": str(rng.randrange(18, 33)),
    }
    kept = {key: value for key, value in said.items() if rng.random() < 0.8}
    wood = Random(
        repr(said)
    )  # a stream of its own: batches drawn before it was asked stay the same
    if wood.random() < 0.8:
        kept["wood_ready"] = "no" if wood.random() < 0.02 * slips else "yes"
    if flaw == "close_mix" and rng.random() < 0.3:
        return {k: v for k, v in kept.items() if k != "afp_pct"} | {"mix_crumbled": "no"}
    wrong = {
        "old_wood": {"young_growth": "no"},
        "flowering": {"flowering": "yes"},
        "disease": {"pest_or_disease": "yes"} if rng.random() < 0.5 else {},
        "few_leaves": {"leaves_kept": rng.choice(("0", "1"))},
        "close_mix": {"afp_pct": str(rng.randrange(6, 16))},
        "off_season": {"wood_ready": wood.choice(("no", ""))},
        "long_wait": {"hours_to_sticking": str(rng.randrange(8, 48))},
    }
    return kept | wrong.get(flaw, {})


def _life(batch: Batch, lot: Lot, climate: PlainClimate, days: float) -> list[Entry]:
    """What happens to the lot, hour by hour, and what the grower writes down."""
    per_hour = 3600 // STEP_S
    hours = int(min(days * 24, len(climate.t_s) // per_hour))

    def hourly(values: Floats) -> Floats:
        means: Floats = values[: hours * per_hour].reshape(hours, per_hour).mean(axis=1)
        return means

    base, wet, deficit = (
        hourly(one) for one in (climate.base_c, climate.wet_share, climate.deficit_kpa)
    )
    per_day = hourly(climate.light_w_m2)[: hours // 24 * 24].reshape(-1, 24).sum(axis=1)
    mol = per_day * 3600 * MOL_PER_J
    entries: list[Entry] = []
    lost = {"dried": 0, "rotted": 0, "disease": 0}
    phase = batch.phase
    test_hours = max(3.0, lot.nature.days / 6.0) * 24.0
    due = test_hours
    for hour in range(hours):
        day = min(hour // 24, len(mol) - 1)
        lot.advance(3600.0, float(base[hour]), float(wet[hour]), float(deficit[hour]), mol[day])
        last = hour == hours - 1
        if hour + 1 < due and not last:
            continue
        due += test_hours
        at_s = batch.stuck_s + 3600.0 * (hour + 1)
        now = lot.tally()
        for cause, dead in zip(lost, (now.dried, now.rotted, now.diseased), strict=True):
            if dead > lost[cause]:
                values = {"lost": str(dead - lost[cause]), "cause": cause}
                entries.append(_entry(batch, entries, at_s, "lost", values))
                lost[cause] = dead
        if last:
            values = {"rooted": str(now.rooted), "callused": str(now.callused)}
            entries.append(_entry(batch, entries, at_s, "closed", values))
        elif now.alive >= 1:
            tested = min(10, now.alive)
            rooted, callused = lot.sample(tested)
            values = {"tested": str(tested), "rooted": str(rooted), "callused": str(callused)}
            after = phase_after(phase, rooted / tested, callused / tested)
            if after != phase:
                values["phase"] = phase = after
            entries.append(_entry(batch, entries, at_s, "tested", values))
    return entries


def _entry(
    batch: Batch, before: list[Entry], at_s: float, kind: str, values: dict[str, str]
) -> Entry:
    return Entry(len(before) + 1, batch.number, at_s, kind, "simulated", values)


def _series(climate: PlainClimate, values: Floats) -> Series:
    """Steps on record, as the review has minutes: thousandths; a step of ten minutes still joins
    its neighbours."""
    seen = climate.seen[: len(values)]
    t_s = climate.t_s[: len(values)][seen]
    milli = np.rint(values[seen] * 1000).astype(np.int64)
    return t_s, milli, np.ones(len(t_s), dtype=bool)


def _minutes(climate: PlainClimate) -> Climate:
    return Climate(
        _series(climate, climate.base_c),
        _series(climate, climate.top_c),
        _series(climate, climate.rh_pct),
    )


def _holes(climate: PlainClimate) -> tuple[Hole, ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([True], climate.seen, [True])).astype(np.int8)))
    last_s = float(climate.t_s[-1] + STEP_S)
    times = [float(climate.t_s[i]) if i < len(climate.t_s) else last_s for i in edges]
    return tuple(Hole(a, b, "not known") for a, b in zip(times[::2], times[1::2], strict=True))
