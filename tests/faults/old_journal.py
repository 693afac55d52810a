"""A journal of years in half a minute: one played day, copied back day by day."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from config.model import Site
from config.recipes import recipe_for
from controller.journal.batches import BatchBook
from controller.journal.writer import Journal

DAY_S: Final = 86400
LONG_DAYS: Final = 42.0
"""Age of the oldest open batch."""
EVERY_DAYS: Final = 9
"""A batch is stuck so often, and closed after a month."""
PLANTS: Final = (
    ("Fuchsia hybrids", "softwood"),
    ("Lavandula angustifolia", "semi_ripe"),
    ("Buxus sempervirens", "semi_ripe"),
)
_MINUTES = "probe, mean, low, high, n, flag, run"
_COPIED: Final = (
    f"INSERT INTO minute (t, {_MINUTES}) SELECT t - :s, {_MINUTES} FROM minute WHERE t >= :from",
    "INSERT INTO relay_minute SELECT t - :s, relay, on_ms, starts, run FROM relay_minute "
    "WHERE t >= :from",
    "INSERT INTO decision (at_ms, place, code, text, mode, value, run) SELECT at_ms - 1000 * :s, "
    "place, code, text, mode, value, run FROM decision WHERE at_ms >= 1000 * :from",
    "INSERT INTO alarm_change (at_ms, alarm, place, was, state, priority, text, by, note, run) "
    "SELECT at_ms - 1000 * :s, alarm, place, was, state, priority, text, by, note, run "
    "FROM alarm_change WHERE at_ms >= 1000 * :from",
)


def age(path: Path, site: Site, now_s: float, days: int) -> int:
    """Give a journal that ends at `now_s`, UTC s, a past of so many days like its last one.

    days: beyond 42.  Gives the number of a batch that has been open for six weeks; of the others
    one was stuck every nine days and closed after thirty.
    """
    from_s = int(now_s) - DAY_S
    with closing(sqlite3.connect(path)) as conn:
        # In the order of the day, as they would have come.
        for back in range(days, 0, -1):
            for statement in _COPIED:
                conn.execute(statement, {"s": back * DAY_S, "from": from_s})
        conn.commit()
    with Journal.open(path, site=site, durable=False) as journal:
        for number, ago in enumerate(range(days - 1, 35, -EVERY_DAYS)):
            _lived(journal, site, now_s - ago * DAY_S, PLANTS[number % len(PLANTS)])
        stuck_s = now_s - LONG_DAYS * DAY_S
        book = BatchBook(journal, site, lambda: stuck_s + 1.0)
        plant, kind = PLANTS[2]
        recipe = recipe_for(kind, plant)
        long = book.stick(plant, kind, "north", "left", 180, stuck_s, recipe=recipe)
        book = BatchBook(journal, site, lambda: now_s)
        for day in (15, 25, 35):
            values = {"tested": "10", "rooted": str(day // 10)}
            book.enter(long.number, "tested", values, stuck_s + day * DAY_S, "Aoife")
    return long.number


def _lived(journal: Journal, site: Site, stuck_s: float, sort: tuple[str, str]) -> None:
    plant, kind = sort
    at_s = stuck_s
    book = BatchBook(journal, site, lambda: at_s + 1.0)
    made = book.stick(
        plant, kind, "north", "left", 100, stuck_s, recipe=recipe_for(kind, plant),
        details={"length_cm": "8", "nodes": "4", "hormone": "none"},
    )  # fmt: skip
    for day, rooted in ((10, 2), (20, 6), (28, 9)):
        at_s = stuck_s + day * DAY_S
        values = {"tested": "10", "rooted": str(rooted)}
        book.enter(made.number, "tested", values, at_s, "Aoife")
    at_s = stuck_s + 30 * DAY_S
    book.close(made.number, at_s, by="Aoife", rooted=90)
