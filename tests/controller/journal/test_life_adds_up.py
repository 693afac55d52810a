"""Whatever is entered, in whatever order: no cutting is made, none is lost without an entry."""

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from config.model import Site
from config.recipes import recipe_for
from controller.entries import effective, left, lost, merged_away, stays
from controller.journal.batches import BatchBook
from controller.journal.errors import BatchError
from controller.journal.writer import Journal
from controller.records import EntryKind

DAY = 86400.0
STUCK = 60
KINDS = ("lost", "tested", "weaned", "potted", "saleable", "looked", "sprayed")

few = st.integers(0, 8)
many = st.integers(-1, 70)
acts = st.one_of(
    st.tuples(st.just("enter"), st.sampled_from(KINDS), few, few),
    st.tuples(st.just("enter"), st.sampled_from(KINDS), many, many),
    st.tuples(st.just("split"), few, st.sampled_from(["left", "right"])),
    st.tuples(st.just("merge"), st.integers(0, 5)),
    st.tuples(st.just("move"), st.sampled_from(["left", "right"])),
    st.tuples(st.just("close"), few, few, few),
    st.tuples(st.just("correct"), st.integers(0, 9), few),
    st.tuples(st.just("withdraw"), st.integers(0, 9)),
)
lives = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 20), acts), min_size=6, max_size=25)
PHASES = ("stick", "callus", "root", "wean", "wean_late")


def values_of(kind: str, number: int, other: int) -> dict[str, str]:
    return {
        "lost": {"lost": str(number), "cause": "dried"},
        "tested": {"tested": str(number), "rooted": str(other)},
        "weaned": {"phase": PHASES[abs(number) % 5]},
        "potted": {"potted": str(number)},
        "saleable": {"saleable": str(number)},
        "looked": {"wilted": "yes" if number % 2 else "no"},
    }.get(kind, {})


def do(book: BatchBook, batch: int, at_s: float, act: tuple[Any, ...]) -> None:
    what, *more = act
    if what == "enter":
        kind, number, other = more
        book.enter(batch, kind, values_of(kind, number, other), at_s, "Ann")
    elif what == "split":
        book.split(batch, more[0], "north", more[1], at_s, "Ann")
    elif what == "merge":
        book.merge(batch, more[0], at_s, "Ann")
    elif what == "move":
        book.move(batch, "north", more[0], at_s, "Ann")
    elif what == "close":
        book.close(batch, at_s, rooted=more[0], callused=more[1], lost={"rotted": more[2]}, by="A")
    else:
        kind = next((e.kind for e in book.entries(batch) if e.number == more[0]), "lost")
        values = values_of(kind, more[1], 0) if what == "correct" else {}
        book.enter(batch, "corrected", values, at_s, "Ann", "", more[0])


def check(book: BatchBook, stuck: int) -> None:
    """Every cutting stuck is in exactly one batch; nothing in any of them is below nought."""
    batches = book.all_batches()
    there = 0
    for batch in batches:
        entries = effective(book.entries(batch.number))
        there += batch.cuttings - merged_away(entries)
        assert batch.cuttings >= 1
        assert left(batch, entries) >= 0
        assert all(count >= 0 for count in lost(entries).values())
        assert batch.phase in PHASES
        assert all(end > start for _, start, end in stays(batch, entries, 9e9))
        closed = any(e.kind == EntryKind.CLOSED for e in entries)
        assert (batch.closed_s is not None) == (closed or bool(batch.merged_into))
        for entry in entries:
            if entry.kind == EntryKind.CLOSED:
                told = [int(entry.values[key]) for key in ("rooted", "callused")]
                assert sum(told) <= left(batch, entries)
    assert there == stuck


@pytest.fixture
def fresh(journal: Journal, site: Site, t0: int) -> Callable[[], BatchBook]:
    """fresh() -> a book of two batches of one plant; those of the life before stay beside them."""

    def make() -> BatchBook:
        book = BatchBook(journal, site, clock=lambda: t0 + 30 * DAY)
        for bay in ("left", "right"):
            book.stick(
                "Hebe", "semi_ripe", "north", bay, STUCK, float(t0), recipe=recipe_for("semi_ripe")
            )
        return book

    return make


@settings(
    max_examples=80,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    phases=[Phase.generate],  # a life is short enough to be read as it is
)
@given(life=lives)
def test_no_order_of_entries_makes_or_loses_a_cutting(
    journal: Journal, fresh: Callable[[], BatchBook], t0: int, life: list[Any]
) -> None:
    book = fresh()
    first = book.all_batches()[-1].number - 1
    stuck = STUCK * len([b for b in book.all_batches() if "split_from" not in b.details])
    first_entry = journal.query("SELECT coalesce(max(number), 0) FROM entry")[0][0]
    for turn, days, asked in life:
        there = book.all_batches()[-1].number - first + 1
        entered = journal.query("SELECT coalesce(max(number), 0) FROM entry")[0][0] - first_entry
        act = asked
        if act[0] == "merge":
            act = ("merge", first + act[1] % there)
        if act[0] in ("correct", "withdraw"):
            act = (act[0], first_entry + 1 + act[1] % max(1, entered), *act[2:])
        before = journal.query("SELECT * FROM batch"), journal.query("SELECT * FROM entry")
        try:
            do(book, first + turn % there, t0 + days * DAY, act)
        except BatchError:
            after = journal.query("SELECT * FROM batch"), journal.query("SELECT * FROM entry")
            assert after == before
        else:
            entries = journal.query("SELECT * FROM entry")
            assert entries[: len(before[1])] == before[1]
        check(book, stuck)


def test_a_closing_dated_before_losses_leaves_the_living_alive(
    fresh: Callable[[], BatchBook], t0: int
) -> None:
    book = fresh()
    batch = book.open_batches()[-1].number
    book.enter(batch, "lost", {"lost": str(STUCK - 5), "cause": "dried"}, t0 + 20.0 * DAY, "Ann")
    with pytest.raises(BatchError, match="beside the 6 alive at closing; date the closing after"):
        book.close(batch, t0 + 10.0 * DAY, rooted=6, by="Ann")
    book.close(batch, t0 + 10.0 * DAY, rooted=5, by="Ann")
    check(book, STUCK * len(book.all_batches()))
