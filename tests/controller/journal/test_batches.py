"""The book of batches refuses what can't be, in plain words, and changes nothing by it."""

import hashlib
from collections.abc import Callable

import pytest

from config.model import Site
from config.recipes import Recipe, recipe_for, thaw
from controller.entries import effective, evidence, lost, stays
from controller.journal.batches import BatchBook
from controller.journal.errors import BatchError
from controller.journal.writer import Journal
from controller.records import Batch, EntryKind

DAY = 86400.0


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    return recipe_for("semi_ripe")


@pytest.fixture
def book(journal: Journal, site: Site, t0: int) -> BatchBook:
    return BatchBook(journal, site, clock=lambda: t0 + 30 * DAY)


@pytest.fixture
def batch(book: BatchBook, recipe: Recipe, t0: int) -> Batch:
    return book.stick(
        "Buxus sempervirens", "semi_ripe", "north", "left", 120, float(t0), recipe=recipe,
        trays="A1-A3", details={"hormone": "IBA 3000 ppm"},
    )  # fmt: skip


def everything(journal: Journal) -> list[object]:
    return [journal.query("SELECT * FROM batch"), journal.query("SELECT * FROM entry")]


def test_stuck_batch_keeps_all_that_was_said_and_its_recipe_frozen(
    book: BatchBook, batch: Batch, recipe: Recipe, t0: int
) -> None:
    assert book.get(batch.number) == batch
    assert (batch.cuttings, batch.trays, batch.phase, batch.stuck_s) == (120, "A1-A3", "stick", t0)
    assert batch.details == {"hormone": "IBA 3000 ppm"}
    assert thaw(batch.recipe_json) == recipe
    assert batch.recipe_hash == hashlib.sha256(batch.recipe_json.encode()).hexdigest()


def test_numbers_are_never_used_twice(book: BatchBook, batch: Batch, recipe: Recipe) -> None:
    second = book.stick(
        "Buxus", "semi_ripe", "north", "left", 5, batch.stuck_s, recipe=recipe
    )  # fmt: skip
    assert second.number == batch.number + 1


@pytest.mark.usefixtures("batch")
def test_unknown_batch_is_refused_and_the_open_ones_are_named(book: BatchBook) -> None:
    with pytest.raises(BatchError, match="no batch 99 in the book; open now: 1 Buxus"):
        book.get(99)


BAD_STICKS: list[tuple[dict[str, object], str]] = [
    ({"count": 0}, "count 0; a number from 1"),
    ({"count": -5}, "count -5"),
    ({"count": 2_000_000}, "a number from 1"),
    ({"count": 12.5}, "not a whole number"),
    ({"count": True}, "not a whole number"),
    ({"bench": "nort"}, r"no bench 'nort' here \(did you mean north\?\)"),
    ({"bay": "lefty"}, r"no bay of bench north 'lefty' here \(did you mean left\?\)"),
    ({"kind": "softwood"}, "does not fit the recipe 'semi_ripe'"),
    ({"plant": ""}, "plant is missing"),
    ({"plant": "x" * 10_000}, "10000 characters; at most 200"),
    ({"plant": "Buxus\x1b[2J"}, "can't be printed"),
    ({"plant": "Buxus\nsempervirens"}, "must be one line"),
    ({"plant": "Buxus \udcff"}, "can't be printed"),
    ({"trays": "\x00"}, "can't be printed"),
    ({"details": {"mix": "y" * 201}}, "at most 200"),
    ({"details": {str(i): "" for i in range(61)}}, "at most 60"),
    ({"stuck_s": 1_772_409_600 + 32 * DAY}, "more than a day in the future"),
    ({"stuck_s": float("nan")}, "in the future"),
    ({"stuck_s": 0.0}, "before the year 2000"),
]


@pytest.mark.parametrize(("change", "words"), BAD_STICKS)
def test_impossible_sticking_is_refused(
    book: BatchBook, journal: Journal, recipe: Recipe, t0: int,
    change: dict[str, object], words: str,
) -> None:  # fmt: skip
    given: dict[str, object] = {
        "plant": "Buxus", "kind": "semi_ripe", "bench": "north", "bay": "left", "count": 5,
        "stuck_s": float(t0), "recipe": recipe,
    }  # fmt: skip
    with pytest.raises(BatchError, match=words):
        book.stick(**{**given, **change})  # type: ignore[arg-type]
    assert everything(journal) == [[], []]


BAD_ENTRIES: list[tuple[str, dict[str, str], str]] = [
    ("lookd", {}, r"no kind of entry 'lookd' here \(did you mean looked\?\)"),
    ("moved", {}, "by its own command"),
    ("closed", {}, "by its own command"),
    ("corrected", {}, "names the entry it corrects"),
    ("lost", {}, "how many were lost"),
    ("lost", {"lost": "-1"}, "lost -1; a number from 0"),
    ("lost", {"lost": "a few"}, "not a whole number"),
    ("lost", {"lost": "1_0"}, "not a whole number"),
    ("lost", {"lost": "١٢"}, "not a whole number"),
    ("lost", {"lost": "121", "cause": "dried"}, "121 lost is more than the 120 there were"),
    ("lost", {"lost": "3", "cause": "roted"}, r"did you mean rotted\?"),
    ("tested", {"tested": "10", "rooted": "11"}, "11 rooted and callused is more than the 10"),
    ("tested", {"tested": "10", "rooted": "6", "callused": "5"}, "more than the 10 tested"),
    ("tested", {"tested": "121"}, "121 tested is more than the 120 left"),
    ("tested", {"rooted": "1"}, "how many were tested"),
    ("weaned", {}, "weaned to which phase"),
    ("weaned", {"phase": "weanings"}, r"no phase 'weanings' here \(did you mean wean\?\)"),
    ("potted", {"potted": "500"}, "500 potted is more than the 120 left of 120"),
    ("tested", {"tested": "10", "rootd": "3"}, r"no figure .rootd. \(did you mean rooted\?\)"),
    ("looked", {"wilted": "a bit"}, "write yes or no"),
    ("merged", {"into": "2"}, "by its own command"),
    ("looked", {"leaves": "z" * 300}, "at most 200"),
]


@pytest.mark.parametrize(("kind", "values", "words"), BAD_ENTRIES)
def test_impossible_entry_is_refused_and_nothing_is_changed(
    book: BatchBook, batch: Batch, journal: Journal, kind: str, values: dict[str, str], words: str
) -> None:
    before = everything(journal)
    with pytest.raises(BatchError, match=words):
        book.enter(batch.number, kind, values, batch.stuck_s + DAY, "Ann")
    assert everything(journal) == before


def test_entry_before_sticking_or_in_the_future_is_refused(
    book: BatchBook, batch: Batch, journal: Journal
) -> None:
    before = everything(journal)
    for at_s, words in (
        (batch.stuck_s - 1.0, "stuck after that"),
        (batch.stuck_s + 32 * DAY, "in the future"),
        (float("inf"), "in the future"),
    ):
        with pytest.raises(BatchError, match=words):
            book.enter(batch.number, "looked", {}, at_s, "Ann")
    assert everything(journal) == before


def test_lost_cuttings_can_no_longer_be_tested(book: BatchBook, batch: Batch) -> None:
    book.enter(batch.number, "lost", {"lost": "100", "cause": "dried"}, batch.stuck_s + DAY, "Ann")
    with pytest.raises(BatchError, match="21 tested is more than the 20 left of 120, 100 being"):
        book.enter(batch.number, "tested", {"tested": "21"}, batch.stuck_s + 2 * DAY, "Ann")
    with pytest.raises(BatchError, match="121 lost is more than the 120"):
        book.enter(batch.number, "lost", {"lost": "21"}, batch.stuck_s + 2 * DAY, "Ann")


def test_weaning_sets_the_phase_and_can_go_back(book: BatchBook, batch: Batch) -> None:
    at_s = batch.stuck_s + 20 * DAY
    for days, phase in ((0, "wean"), (1, "root")):
        book.enter(batch.number, "weaned", {"phase": phase}, at_s + days * DAY, "Ann")
        held = book.get(batch.number)
        assert (held.phase, held.phase_since_s) == (phase, at_s + days * DAY)


def test_correction_stands_in_place_of_the_entry_and_both_are_kept(
    book: BatchBook, batch: Batch
) -> None:
    at_s = batch.stuck_s + DAY
    wrong = book.enter(batch.number, "lost", {"lost": "30", "cause": "dried"}, at_s, "Ann")
    first = book.enter(
        batch.number, "corrected", {"lost": "3", "cause": "dried"}, at_s, "Ann",
        "misread", wrong.number,
    )  # fmt: skip
    book.enter(
        batch.number, "corrected", {"lost": "4", "cause": "rotted"}, at_s, "Ann", "", first.number
    )
    every = book.entries(batch.number)
    assert len(every) == 3
    assert lost(effective(every)) == {"rotted": 4}
    assert [(e.number, e.kind) for e in effective(every)] == [(wrong.number, EntryKind.LOST)]


def test_correction_without_values_withdraws_a_weaning(book: BatchBook, batch: Batch) -> None:
    at_s = batch.stuck_s + DAY
    entry = book.enter(batch.number, "weaned", {"phase": "wean"}, at_s, "Ann")
    book.enter(batch.number, "corrected", {}, at_s, "Ann", "wrong tray", entry.number)
    assert book.get(batch.number).phase == "stick"


def test_correction_must_fit_too(
    book: BatchBook, batch: Batch, journal: Journal, recipe: Recipe
) -> None:
    at_s = batch.stuck_s + DAY
    entry = book.enter(batch.number, "lost", {"lost": "3"}, at_s, "Ann")
    other = book.stick("Buxus", "semi_ripe", "north", "left", 5, batch.stuck_s, recipe=recipe)
    before = everything(journal)
    for number, values, target, words in (
        (batch.number, {"lost": "300"}, entry.number, "more than the 120"),
        (batch.number, {"lost": "3"}, 9999, "no entry 9999"),
        (other.number, {"lost": "3"}, entry.number, "has no entry"),
    ):
        with pytest.raises(BatchError, match=words):
            book.enter(number, "corrected", values, at_s, "Ann", "", target)
    assert everything(journal) == before


def test_closing_keeps_the_outcome_and_happens_once(book: BatchBook, batch: Batch) -> None:
    at_s = batch.stuck_s + 28 * DAY
    book.enter(batch.number, "lost", {"lost": "10", "cause": "dried"}, batch.stuck_s + DAY, "Ann")
    closed = book.close(
        batch.number, at_s, rooted=90, callused=5, lost={"rotted": 15}, lesson="stick earlier",
        by="Ann",
    )  # fmt: skip
    assert closed.closed_s == at_s
    assert book.open_batches() == []
    assert lost(effective(book.entries(batch.number))) == {"dried": 10, "rotted": 15}
    with pytest.raises(BatchError, match="closed already"):
        book.close(batch.number, at_s, rooted=1, by="Ann")
    with pytest.raises(BatchError, match="was closed"):
        book.enter(batch.number, "looked", {}, at_s, "Ann")
    book.enter(batch.number, "potted", {"potted": "88"}, at_s + DAY, "Ann")
    with pytest.raises(BatchError, match="96 saleable is more than the 95 left of 120, 25 being"):
        book.enter(batch.number, "saleable", {"saleable": "96"}, at_s + DAY, "Ann")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"rooted": 121}, "121 rooted, callused and lost is more than the 120 left"),
        ({"rooted": 100, "lost": {"rotted": 21}}, "more than the 120"),
        ({"rooted": -1}, "rooted -1"),
        ({"rooted": 1, "lost": {"rot": 1}}, "no cause of loss 'rot'"),
        ({"rooted": 1, "at_s": 1_772_409_599.0}, "stuck after that"),
        ({"rooted": 1, "lesson": "z" * 5000}, "at most 4000"),
    ],
)
def test_impossible_closing_is_refused(
    book: BatchBook, batch: Batch, journal: Journal, change: dict[str, object], words: str
) -> None:
    before = everything(journal)
    with pytest.raises(BatchError, match=words):
        book.close(batch.number, **{"at_s": batch.stuck_s + DAY, "by": "Ann", **change})  # type: ignore[arg-type]
    assert everything(journal) == before


def test_withdrawn_closing_opens_the_batch_again(book: BatchBook, batch: Batch) -> None:
    book.close(batch.number, batch.stuck_s + DAY, rooted=1, by="Ann")
    entry = book.entries(batch.number)[-1]
    book.enter(
        batch.number, "corrected", {}, batch.stuck_s + DAY, "Ann", "wrong batch", entry.number
    )
    assert [held.number for held in book.open_batches()] == [batch.number]


def test_checklist_answers_are_read_and_open_ones_left_out(
    book: BatchBook, recipe: Recipe, batch: Batch
) -> None:
    said = {
        "flowering": "NO",
        "length_mm": "7 cm",
        "nodes": "unknown",
        "leaves_kept": "",
        "mix": "A",
    }
    made = book.stick(
        "Buxus", "semi_ripe", "north", "left", 5, batch.stuck_s, recipe=recipe, details=said
    )
    assert made.details == {"flowering": "no", "length_mm": "70", "mix": "A"}


def test_blanks_around_a_name_are_not_kept(book: BatchBook, recipe: Recipe, t0: int) -> None:
    made = book.stick(
        " Buxus \t", "semi_ripe", "north", "left", 5, float(t0), recipe=recipe, trays=" A1 "
    )
    assert (made.plant, made.trays) == ("Buxus", "A1")


def test_an_answer_that_cannot_be_read_sticks_nothing(
    book: BatchBook, recipe: Recipe, batch: Batch, journal: Journal
) -> None:
    before = everything(journal)
    with pytest.raises(BatchError, match="flowering 'a bit': write yes, no or unknown"):
        book.stick(
            "Buxus", "semi_ripe", "north", "left", 5, batch.stuck_s, recipe=recipe,
            details={"flowering": "a bit"},
        )  # fmt: skip
    with pytest.raises(BatchError, match="nodes 'many'"):
        book.enter(batch.number, "checked", {"nodes": "many"}, batch.stuck_s, "Ann")
    with pytest.raises(BatchError, match="checked what"):
        book.enter(batch.number, "checked", {}, batch.stuck_s, "Ann")
    assert everything(journal) == before


def test_answers_entered_later_stand_beside_what_was_recorded_and_change_none_of_it(
    book: BatchBook, batch: Batch
) -> None:
    at_s = batch.stuck_s + DAY
    first = book.enter(batch.number, "checked", {"flowering": "yes", "afp_pct": "28%"}, at_s, "Ann")
    assert book.get(batch.number).details == batch.details
    known = {**batch.details, "flowering": "yes", "afp_pct": "28"}
    assert evidence(batch, effective(book.entries(batch.number))) == known
    book.enter(batch.number, "checked", {"afp_pct": "unknown"}, at_s + DAY, "Ann")
    book.enter(
        batch.number, "corrected", {"flowering": "N"}, at_s, "Ann", "looked again", first.number
    )
    found = evidence(batch, effective(book.entries(batch.number)))
    assert found == {**batch.details, "flowering": "no"}
    with pytest.raises(BatchError, match="flowering 'dunno'"):
        book.enter(batch.number, "corrected", {"flowering": "dunno"}, at_s, "Ann", "", first.number)


def test_answers_can_be_entered_after_closing_and_go_with_a_part(
    book: BatchBook, batch: Batch
) -> None:
    at_s = batch.stuck_s + DAY
    book.enter(batch.number, "checked", {"flowering": "yes"}, at_s, "Ann")
    part = book.split(batch.number, 40, "north", "right", at_s, "Ann")
    assert part.details["flowering"] == "yes"
    book.close(batch.number, at_s, rooted=1, by="Ann")
    book.enter(batch.number, "checked", {"nodes": "3"}, at_s + DAY, "Ann")
    assert evidence(batch, effective(book.entries(batch.number)))["nodes"] == "3"


def test_moved_batch_stood_in_both_bays(book: BatchBook, batch: Batch) -> None:
    at_s = batch.stuck_s + 5 * DAY
    moved = book.move(batch.number, "north", "right", at_s, "Ann")
    assert (moved.bench, moved.bay) == ("north", "right")
    assert stays(moved, effective(book.entries(batch.number)), at_s + DAY) == [
        ("north.left", batch.stuck_s, at_s),
        ("north.right", at_s, at_s + DAY),
    ]
    with pytest.raises(BatchError, match=r"in north\.right already"):
        book.move(batch.number, "north", "right", at_s, "Ann")
    with pytest.raises(BatchError, match="no bay"):
        book.move(batch.number, "north", "middle", at_s, "Ann")


def test_split_keeps_every_cutting_and_the_common_past(book: BatchBook, batch: Batch) -> None:
    at_s = batch.stuck_s + 5 * DAY
    book.enter(batch.number, "weaned", {"phase": "callus"}, at_s - DAY, "Ann")
    part = book.split(batch.number, 40, "north", "right", at_s, "Ann")
    rest = book.get(batch.number)
    assert (rest.cuttings, part.cuttings) == (80, 40)
    assert (part.bay, part.phase, part.stuck_s) == ("right", "callus", batch.stuck_s)
    assert part.recipe_hash == batch.recipe_hash
    assert part.details["split_from"] == str(batch.number)
    assert stays(part, effective(book.entries(part.number)), at_s + DAY)[0] == (
        "north.left", batch.stuck_s, at_s,
    )  # fmt: skip
    book.enter(part.number, "looked", {}, at_s + DAY, "Ann")
    assert book.get(part.number).phase == "callus"


def test_moves_and_splits_entered_late_fall_into_their_place(
    book: BatchBook, batch: Batch, t0: int
) -> None:
    book.enter(batch.number, "weaned", {"phase": "callus"}, t0 + 2 * DAY, "Ann")
    book.enter(batch.number, "weaned", {"phase": "root"}, t0 + 6 * DAY, "Ann")
    book.move(batch.number, "north", "right", t0 + 9 * DAY, "Ann")
    part = book.split(batch.number, 20, "north", "right", t0 + 4 * DAY, "Ann")
    assert stays(part, effective(book.entries(part.number)), t0 + 20 * DAY) == [
        ("north.left", t0, t0 + 4 * DAY), ("north.right", t0 + 4 * DAY, t0 + 20 * DAY),
    ]  # fmt: skip
    assert [e.values.get("phase") for e in effective(book.entries(part.number))] == [
        "callus", None, "root",
    ]  # fmt: skip
    with pytest.raises(BatchError, match=r"in north\.left already"):
        book.move(batch.number, "north", "left", t0 + 3 * DAY, "Ann")
    book.move(batch.number, "north", "right", t0 + 3 * DAY, "Ann")
    moved = book.get(batch.number)
    assert (moved.bench, moved.bay) == ("north", "right")
    assert stays(moved, effective(book.entries(batch.number)), t0 + 5 * DAY)[0] == (
        "north.left", t0, t0 + 3 * DAY,
    )  # fmt: skip


@pytest.mark.parametrize("count", [0, 110, 120, 500])
def test_split_of_more_than_there_are_is_refused(
    book: BatchBook, batch: Batch, journal: Journal, count: int
) -> None:
    book.enter(batch.number, "lost", {"lost": "10"}, batch.stuck_s + DAY, "Ann")
    before = everything(journal)
    with pytest.raises(BatchError):
        book.split(batch.number, count, "north", "right", batch.stuck_s + 2 * DAY, "Ann")
    assert everything(journal) == before


def test_another_program_sees_a_new_entry_by_the_change_mark(
    journal: Journal, batch: Batch, book: BatchBook
) -> None:
    mark: Callable[[], tuple[int, int]] = journal.change_mark
    before = mark()
    book.enter(batch.number, "looked", {}, batch.stuck_s, "Ann")
    assert mark() != before
