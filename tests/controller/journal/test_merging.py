"""Two batches made one: every cutting is in one place, and the one that ended has no result."""

import pytest

from config.model import Site
from config.recipes import recipe_for
from controller.entries import effective, left, merged_away
from controller.gather import CaseBook
from controller.histories import HistoryBook
from controller.journal.batches import BatchBook
from controller.journal.errors import BatchError
from controller.journal.reader import open_reader
from controller.journal.writer import Journal
from controller.records import Batch

DAY = 86400.0


@pytest.fixture
def book(journal: Journal, site: Site, t0: int) -> BatchBook:
    return BatchBook(journal, site, clock=lambda: t0 + 40 * DAY)


@pytest.fixture
def pair(book: BatchBook, t0: int) -> tuple[Batch, Batch]:
    """80 of one plant on the left, 40 on the right, stuck a day later."""

    def stick(count: int, bay: str, days: float, trays: str) -> Batch:
        return book.stick(
            "Buxus sempervirens", "semi_ripe", "north", bay, count, t0 + days * DAY,
            recipe=recipe_for("semi_ripe"), trays=trays,
        )  # fmt: skip

    return stick(80, "left", 0.0, "A1"), stick(40, "right", 1.0, "B1")


def everything(journal: Journal) -> list[object]:
    return [journal.query("SELECT * FROM batch"), journal.query("SELECT * FROM entry")]


def test_all_that_lives_goes_on_in_the_other_batch(
    book: BatchBook, pair: tuple[Batch, Batch], t0: int
) -> None:
    one, other = pair
    book.enter(other.number, "lost", {"lost": "2", "cause": "dried"}, t0 + 3 * DAY, "Ann")
    merged = book.merge(one.number, other.number, t0 + 5 * DAY, "Ann")
    gone = book.get(other.number)
    assert (merged.cuttings, merged.trays, merged.bay) == (118, "A1, B1", "left")
    assert (gone.cuttings, gone.closed_s, gone.merged_into) == (40, t0 + 5 * DAY, one.number)
    entries = effective(book.entries(other.number))
    assert (merged_away(entries), left(gone, entries)) == (38, 0)
    assert [held.number for held in book.open_batches()] == [one.number]


def test_tests_made_before_need_not_fit_the_number_of_after(
    book: BatchBook, pair: tuple[Batch, Batch], t0: int
) -> None:
    one, other = pair
    book.enter(one.number, "tested", {"tested": "80", "rooted": "5"}, t0 + 4 * DAY, "Ann")
    book.merge(one.number, other.number, t0 + 5 * DAY, "Ann")
    book.enter(one.number, "tested", {"tested": "120", "rooted": "9"}, t0 + 6 * DAY, "Ann")
    with pytest.raises(BatchError, match="81 tested is more than the 80 left of 80"):
        book.enter(one.number, "tested", {"tested": "81"}, t0 + 4 * DAY, "Ann")
    part = book.split(one.number, 100, "north", "right", t0 + 7 * DAY, "Ann")
    assert (book.get(one.number).cuttings, part.cuttings) == (20, 100)


def test_what_ended_by_merging_takes_no_more_entries_and_its_losses_are_settled(
    book: BatchBook, journal: Journal, pair: tuple[Batch, Batch], t0: int
) -> None:
    one, other = pair
    loss = book.enter(other.number, "lost", {"lost": "2", "cause": "dried"}, t0 + 3 * DAY, "Ann")
    book.merge(one.number, other.number, t0 + 5 * DAY, "Ann")
    merging = book.entries(other.number)[-1]
    before = everything(journal)
    later = t0 + 6 * DAY
    for act, words in (
        (lambda: book.enter(other.number, "potted", {"potted": "1"}, later, "Ann"), "goes on as"),
        (lambda: book.enter(other.number, "looked", {}, later, "Ann"), "was closed|goes on as"),
        (lambda: book.close(other.number, later, rooted=1, by="Ann"), "goes on as batch 1"),
        (lambda: book.merge(one.number, other.number, later, "Ann"), "goes on as batch 1"),
        (
            lambda: book.enter(
                other.number, "corrected", {"lost": "3", "cause": "dried"}, t0 + 3 * DAY, "Ann",
                "", loss.number,
            ),
            "went into batch 1 with 38 cuttings, not 37; enter the change there",
        ),
        (
            lambda: book.enter(
                other.number, "corrected", {}, later, "Ann", "", merging.number
            ),
            "put right by doing it again",
        ),
    ):  # fmt: skip
        with pytest.raises(BatchError, match=words):
            act()
    assert everything(journal) == before


def test_unlike_batches_and_impossible_mergings_are_refused(
    book: BatchBook, journal: Journal, pair: tuple[Batch, Batch], t0: int
) -> None:
    one, other = pair
    fuchsia = book.stick(
        "Fuchsia", "softwood", "north", "left", 9, t0 + DAY, recipe=recipe_for("softwood")
    )
    book.enter(other.number, "looked", {}, t0 + 8 * DAY, "Ann")
    before = everything(journal)
    for into, gone, at_s, words in (
        (one.number, one.number, t0 + 9 * DAY, "into itself"),
        (one.number, fuchsia.number, t0 + 9 * DAY, "only one plant and kind"),
        (one.number, 77, t0 + 9 * DAY, "no batch 77"),
        (one.number, other.number, t0 + 7 * DAY, "entries of after that"),
        (one.number, other.number, t0 + 0.5 * DAY, "stuck after that"),
        (one.number, other.number, t0 + 90 * DAY, "in the future"),
    ):
        with pytest.raises(BatchError, match=words):
            book.merge(into, gone, at_s, "Ann")
    assert everything(journal) == before


def test_a_merged_batch_is_no_failure_of_its_plant(
    book: BatchBook, journal: Journal, site: Site, pair: tuple[Batch, Batch], t0: int
) -> None:
    one, other = pair
    book.merge(one.number, other.number, t0 + 5 * DAY, "Ann")
    book.close(one.number, t0 + 30 * DAY, rooted=100, callused=20, by="Ann")
    with open_reader(journal.path) as reader:
        histories = HistoryBook(reader, t0 + 31 * DAY)
        assert [held.number for held in histories.every()] == [one.number]
        assert histories.like(one.number) == []
        assert histories.get(other.number).rooted is None
        assert CaseBook(reader, site, t0 + 31 * DAY).explain(other.number).answer == "not bad"
