"""From the journal to a batch's figures."""

from pathlib import Path

import numpy as np
import pytest

from config.model import Site
from config.recipes import Recipe, recipe_for
from controller.gather import bay_share, live_warmth, review_batch
from controller.journal.batches import BatchBook
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Batch, MinuteRow, RelayRow, Row
from controller.review.warmth import bay_minute

DAY = 86400


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    return recipe_for("semi_ripe")


@pytest.fixture
def book(journal: Journal, site: Site, t0: int) -> BatchBook:
    return BatchBook(journal, site, clock=lambda: t0 + 30.0 * DAY)


def stick(book: BatchBook, recipe: Recipe, t0: int, count: int = 100) -> Batch:
    return book.stick("Buxus", "semi_ripe", "north", "left", count, float(t0), recipe=recipe)


def hour(t0: int, left_c: float, right_c: tuple[float, float], minutes: int = 61) -> list[Row]:
    rows: list[Row] = []
    probes = {
        "north.left.base1": left_c, "north.right.base2": right_c[0],
        "north.right.base3": right_c[1], "north.air": 17.0, "north.rh": 85.0,
    }  # fmt: skip
    for index in range(minutes):
        t_s = t0 + 60 * index
        rows += [MinuteRow(t_s, name, v, v, v, 6, 1) for name, v in probes.items()]
        rows += [RelayRow(t_s, "north.left.mat", 30.0, 1), RelayRow(t_s, "north.mister", 1.0, 1)]
    return rows


def test_review_puts_together_what_the_journal_holds(
    journal: Journal, book: BatchBook, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    batch = stick(book, recipe, t0)
    journal.write(hour(t0, 21.0, (19.0, 20.0)))
    with open_reader(path) as reader:
        found = review_batch(reader, site, batch, t0 + 7200.0)
    gain = min(21.0, recipe.warmth_cap_c) - recipe.warmth_floor_c
    assert found.warmth.degree_hours == pytest.approx(gain)
    assert found.known_share == 0.5
    assert found.mean_difference_k == 4.0
    assert found.heat.kwh == pytest.approx(90 * 61 * 30 / 3.6e6)
    assert found.heat.cost == pytest.approx(found.heat.kwh * 0.10)  # before 08:00, night rate
    assert found.heat.currency == "EUR"
    assert found.litres == pytest.approx(61 * 12 / 1000)
    assert found.mist_bursts == 61
    assert [(gap.from_s - t0, gap.to_s - t0) for gap in found.gaps] == [(3660, 7200)]
    assert found.dry_known_h == 1.0


def test_warmth_follows_a_batch_to_another_bay(
    journal: Journal, book: BatchBook, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    batch = stick(book, recipe, t0)
    journal.write(hour(t0, 21.0, (18.0, 19.0), minutes=121))
    moved = book.move(batch.number, "north", "right", t0 + 3600.0, "Ann")
    with open_reader(path) as reader:
        found = review_batch(reader, site, moved, t0 + 7200.0)
    floor = recipe.warmth_floor_c
    left, right = 21.0 - floor, 18.5 - floor
    between = (left + right) / 2 * 60  # the minute of the move
    assert found.warmth.sum2_mk_s / 2000 == pytest.approx(
        left * 59 * 60 + between + right * 59 * 60
    )


def test_live_warmth_taken_up_from_the_journal_ends_equal_to_the_review(
    journal: Journal, book: BatchBook, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    batch = stick(book, recipe, t0)
    chance = np.random.default_rng(7)
    rows = [
        MinuteRow(t0 + 60 * i, "north.left.base1", v, v, v, 6, 1)
        for i, v in enumerate(chance.normal(20.0, 5.0, 600).tolist())
        if not 200 <= i < 230
    ]
    journal.write(rows[:300])
    with open_reader(path) as reader:
        live = live_warmth(reader, batch, recipe)
    for row in rows[300:]:
        live.add(row.t_s, bay_minute([row]))
    journal.write(rows[300:])
    with open_reader(path) as reader:
        assert review_batch(reader, site, batch, t0 + 36_000.0).warmth == live.warmth()


def test_batches_share_the_heat_of_their_bay_by_cuttings_and_time(
    book: BatchBook, recipe: Recipe, t0: int
) -> None:
    first = stick(book, recipe, t0, 100)
    assert bay_share(first, book.all_batches(), t0 + 10.0 * DAY) == 1.0
    stick(book, recipe, t0 + 5 * DAY, 300)
    every = book.all_batches()
    assert bay_share(first, every, t0 + 10.0 * DAY) == pytest.approx(0.5 * 1.0 + 0.5 * 0.25)
    assert bay_share(every[1], every, t0 + 10.0 * DAY) == pytest.approx(0.75)


def test_review_ends_when_the_batch_was_closed(
    journal: Journal, book: BatchBook, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    batch = stick(book, recipe, t0)
    journal.write(hour(t0, 21.0, (19.0, 20.0), minutes=200))
    closed = book.close(batch.number, t0 + 3600.0, rooted=90, by="Ann")
    with open_reader(path) as reader:
        found = review_batch(reader, site, closed, t0 + 9e6)
    assert found.until_s == t0 + 3600.0
    assert found.warmth.span_s == 59 * 60
