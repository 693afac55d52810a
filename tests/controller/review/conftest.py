"""Makes batches with a life, for tests of outlook and comparison."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from config.recipes import freeze, recipe_for
from controller.records import Batch, Entry
from controller.review.history import History, got_of, looks_of, warm_clock

T0, DAY = 1_772_409_600.0, 86400.0
EVERY_S = 900


def samples(base_c, stuck_s, until_s):
    """A base held at `base_c`, or None for nothing on record, as the book samples it."""
    times = np.arange(-(-stuck_s // EVERY_S) * EVERY_S, until_s, EVERY_S).astype(np.int64)
    if base_c is None:
        times = times[:0]
    base = np.full(len(times), round((base_c or 0.0) * 1000), dtype=np.int64)
    return times, base, np.ones(len(times), dtype=bool)


def make(
    number: int,
    tests: Sequence[tuple[float, int, int]] = (),
    *,
    closed: tuple[float, int] | None = None,
    now: float = 100.0,
    stuck: float = 0.0,
    base_c: float | None = 22.0,
    plant: str = "Weigela",
    kind: str = "softwood",
    place: str = "north.left",
    cuttings: int = 100,
    **details: str,
) -> History:
    """A batch stuck `stuck` days after T0.

    tests: (day, tested, rooted).  closed: (day, rooted).  now: day up to which it is seen; all days
    count from its own sticking, but `now` from T0.
    """
    recipe = recipe_for(kind, plant)
    frozen, digest = freeze(recipe)
    stuck_s = T0 + stuck * DAY
    closed_s = None if closed is None else stuck_s + closed[0] * DAY
    entries = [
        Entry(i, number, stuck_s + day * DAY, "tested", "me",
              {"tested": str(tested), "rooted": str(rooted)})
        for i, (day, tested, rooted) in enumerate(tests, 1)
    ]  # fmt: skip
    if closed_s is not None and closed is not None:
        entries.append(Entry(99, number, closed_s, "closed", "me", {"rooted": str(closed[1])}))
    bench, bay = place.split(".")
    batch = Batch(
        number, plant, kind, bench, bay, "1", cuttings, stuck_s, frozen, digest, "stick", stuck_s,
        closed_s, details,
    )  # fmt: skip
    until_s = max(stuck_s, T0 + now * DAY if closed_s is None else closed_s)
    seen = (*samples(base_c, stuck_s, until_s), recipe, stuck_s, until_s)
    return History(
        batch, recipe, place, until_s, closed[1] if closed else None, looks_of(batch, entries),
        warm_clock(*seen), got_of(*seen),
    )  # fmt: skip


def make_rooted(number: int, day: float, *, stuck: float | None = None, **more: object) -> History:
    """A batch whose half rooted between the tests of `day` - 3 and `day`; stuck long before T0."""
    stuck = -200.0 + number if stuck is None else stuck
    tests = [(day - 3, 10, 1), (day, 10, 7)]
    return make(number, tests, closed=(day + 10, 80), stuck=stuck, **more)  # type: ignore[arg-type]


@pytest.fixture
def batch() -> Callable[..., History]:
    """batch(number, tests, closed=, ...): see `make`."""
    return make


@pytest.fixture
def rooted() -> Callable[..., History]:
    """rooted(number, day, ...): see `make_rooted`."""
    return make_rooted
