"""How often due windows hold on simulated lots, on a bench that is some K off from batch to batch.

The lots root by the rates of `simulator/cuttings.py`, which know nothing of warm days; plants,
speeds and temperatures are invented. Truth is the hour in which half of the living have roots.
"""

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from config.recipes import freeze, recipe_for
from controller.records import Batch, Entry
from controller.review.history import History, got_of, looks_of, warm_clock
from controller.review.outlook import outlook
from simulator.cuttings import NATURES, SOUND, Lot

T0, DAY = 1_772_409_600.0, 86400.0
SORTS = (
    ("Petunia", "herbaceous", "herbaceous", 3.0),
    ("Fuchsia hybrids", "softwood", "softwood", 4.0),
    ("Weigela", "greenwood", "greenwood", 5.0),
    ("Hebe", "semi_ripe", "semi_ripe", 7.0),
    ("Populus hybrids", "hardwood", "poplar", 3.0),
)
BATCHES, NURSERIES = 12, 6


def live(number, sort, stuck_s, rng, blind):
    """(history at any time, true day of half). blind: the base is not on record."""
    plant, kind, nature, every = sort
    recipe = recipe_for(kind, plant)
    base_c = recipe.base_target_c + rng.uniform(-4.0, 1.0)
    lot = Lot(100, NATURES[nature], replace(SOUND, pace=rng.lognormvariate(0.0, 0.08)))
    frozen, digest = freeze(recipe)
    entries, truth, hour = [], None, 0
    while truth is None or hour % (every * 24) or hour / 24 < truth:
        hour += 1
        lot.advance(3600.0, base_c, 0.9, 0.1)
        now = lot.tally()
        if truth is None and now.rooted >= now.alive / 2:
            truth = hour / 24
        if hour % (every * 24) == 0:
            rooted, _ = lot.sample(10)
            values = {"tested": "10", "rooted": str(rooted)}
            entries.append(
                Entry(len(entries), number, stuck_s + hour * 3600, "tested", "x", values)
            )
        if hour > 24 * 200:
            return None
    batch = Batch(number, plant, kind, "north", "left", "", 100, stuck_s, frozen, digest, "stick",
                  stuck_s, None, {})  # fmt: skip
    until_s = stuck_s + hour * 3600.0

    def at(now_s):
        end_s = min(now_s, until_s)
        t_s = np.arange(stuck_s, end_s, 900).astype(np.int64)[: 0 if blind else None]
        usable = np.ones(len(t_s), dtype=bool)
        seen = (t_s, np.full(len(t_s), round(base_c * 1000)), usable, recipe, stuck_s, end_s)
        known = [entry for entry in entries if entry.at_s <= now_s]
        return History(
            batch, recipe, "north.left", end_s, None, looks_of(batch, known),
            warm_clock(*seen), got_of(*seen),
        )  # fmt: skip

    return at, truth


@pytest.mark.benchmark
@pytest.mark.parametrize("blind", [False, True])
def test_how_often_windows_hold(blind):
    """Each later batch is asked on its sixth day, from those before it."""
    held = own = 0
    promised = width = 0.0
    for sort in SORTS:
        for nursery in range(NURSERIES):
            rng = Random(f"{sort}/{nursery}")
            before = []
            for number in range(1, BATCHES + 1):
                stuck_s = T0 + number * 60 * DAY
                made = live(number, sort, stuck_s, rng, blind)
                assert made is not None
                at, truth = made
                now_s = stuck_s + 6.0 * DAY
                due = outlook(at(now_s), before, now_s)
                before.append(at(1e12))
                if due.own and not due.rooted:
                    own += 1
                    promised += due.share or 0.0
                    first, last = ((s - stuck_s) / DAY for s in (due.from_s, due.to_s))
                    held += first - 1e-6 <= truth <= last + 1e-6
                    width += (last - first) / truth
    print(
        f"\n{'days alone' if blind else 'warm days'}: held {held} of {own} "
        f"({held / own:.0%}), promised {promised / own:.0%}, {width / own:.0%} of the days wide"
    )
    if not blind:
        assert held / own >= promised / own - 0.08
