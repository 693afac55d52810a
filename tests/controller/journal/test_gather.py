"""From the journal to a batch's figures."""

from pathlib import Path

import numpy as np
import pytest

from config.model import Site
from config.recipes import Recipe, recipe_for
from controller.gather import CaseBook, bay_share, live_warmth, review_batch
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


def weeks(t0: int, left_c: float, right_c: float, days: int = 92) -> list[Row]:
    """Rows every ten minutes: the left bay at one temperature, the right at another."""
    rows: list[Row] = []
    probes = {
        "north.left.base1": left_c, "north.right.base2": right_c, "north.air": 12.0,
        "north.rh": 80.0,
    }  # fmt: skip
    for t_s in range(t0, t0 + days * DAY, 600):
        rows += [MinuteRow(t_s, name, v, v, v, 6, 1) for name, v in probes.items()]
    return rows


def closed(
    book: BatchBook, recipe: Recipe, t0: int, bay: str, rooted: int, details: dict[str, str]
) -> int:
    batch = book.stick(
        "Buxus", "semi_ripe", "north", bay, 100, float(t0), recipe=recipe, details=details
    )
    book.close(batch.number, t0 + 91.0 * DAY, rooted=rooted, by="me")
    return batch.number


def test_a_cold_bay_is_named_beside_a_warm_one(
    journal: Journal, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    """Four batches in the cold bay against four in the warm one, all else being the same."""
    book = BatchBook(journal, site, clock=lambda: t0 + 92.0 * DAY)
    journal.write(weeks(t0, 9.0, 20.0))
    cold = [closed(book, recipe, t0, "left", 5, {"flowering": "no"}) for _ in range(4)]
    warm = [closed(book, recipe, t0, "right", 80, {"flowering": "no"}) for _ in range(4)]
    with open_reader(path) as reader:
        cases = CaseBook(reader, site, t0 + 92.0 * DAY)
        verdict = cases.explain(cold[0])
        assert cases.explain(warm[0]).answer == "not bad"
    (first, *_) = verdict.causes
    assert (first.key, first.sure) == ("cold", "likely")
    assert "below 15 °C for 100 % of the time" in first.measured
    assert first.compared == "0 of 4 good batches of Buxus had as much"
    assert first.beside == "0 of 3 beside it did well"
    assert "old wood" not in [cause.title for cause in verdict.causes]
    assert "young growth" in verdict.unknown
    assert "flowering" not in verdict.unknown


def test_a_batch_of_before_there_were_probes_has_not_enough_data(
    journal: Journal, path: Path, site: Site, recipe: Recipe, t0: int
) -> None:
    book = BatchBook(journal, site, clock=lambda: t0 + 92.0 * DAY)
    journal.write(weeks(t0, 20.0, 20.0, days=92))
    old = book.stick("Buxus", "semi_ripe", "north", "left", 100, t0 - 200.0 * DAY, recipe=recipe)
    book.close(old.number, t0 - 100.0 * DAY, rooted=5, by="me")
    with open_reader(path) as reader:
        verdict = CaseBook(reader, site, t0 + 92.0 * DAY).explain(old.number)
    assert verdict.text == "not enough data (coverage 0 %)"
