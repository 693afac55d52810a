"""Live sums follow batches through moves, late journals and minutes that two runs share."""

from math import inf

import pytest

from config.load import loads
from config.recipes import freeze, recipe_for
from controller.records import Batch, MinuteRow
from controller.review.warmth import LiveWarmth
from controller.warmths import Counted, WarmthBook

TEXT = """
site = { name = "s", timezone = "UTC", latitude_deg = 0.0, longitude_deg = 0.0 }
links.board = { kind = "memory" }
[benches.north.bays.left]
probes = [{ link = "board", channel = "base1", kind = "base_temperature" }]
mat = { link = "board", channel = "mat1", power_w = 25 }
[benches.north.bays.right]
probes = [{ link = "board", channel = "base2", kind = "base_temperature" }]
mat = { link = "board", channel = "mat2", power_w = 25 }
"""
RECIPE = recipe_for("softwood")
FROZEN, DIGEST = freeze(RECIPE)
STUCK_S = 600.0


def batch(bay="left", number=1, stuck_s=STUCK_S):
    return Batch(
        number, "Fuchsia", "softwood", "north", bay, "", 40, stuck_s, FROZEN, DIGEST, "stick",
        stuck_s, None, {},
    )  # fmt: skip


def rows(t_s, left_c=20.0, right_c=15.0):
    return [
        MinuteRow(t_s, "north.left.base1", left_c, left_c, left_c, 6, 1),
        MinuteRow(t_s, "north.right.base2", right_c, right_c, right_c, 6, 1),
    ]


class Store:
    """A journal of minutes, as far as a recount sees it. stays: where the batch stood."""

    def __init__(self):
        self.minutes = {}
        self.stays = [("north.left", STUCK_S, inf)]
        self.fails = False
        self.counts = 0

    def put(self, t_s, **bases):
        self.minutes[t_s] = rows(t_s, **bases)

    def recount(self, asked):
        self.counts += 1
        if self.fails:
            raise OSError("the disk is away")
        live = LiveWarmth(RECIPE, asked.stuck_s)
        for t_s in sorted(self.minutes):
            for place, from_s, to_s in self.stays:
                if int(from_s) <= t_s < to_s:
                    row = self.minutes[t_s][place == "north.right"]
                    live.add(t_s, round(row.mean * 1000))
        return Counted(live, self.stays, max(self.minutes, default=None))


@pytest.fixture
def store():
    return Store()


@pytest.fixture
def book(store):
    return WarmthBook(loads(TEXT, "bench.toml"), store.recount)


def play(book, store, minutes, stored=True):
    for t_s in minutes:
        book.add(t_s, rows(t_s))
        if stored:
            store.put(t_s)


def test_sum_begins_with_the_batch_and_ends_when_it_is_closed(book, store):
    play(book, store, range(0, 600, 60))
    book.follow([batch()])
    play(book, store, range(600, 1260, 60))
    warmth = book.warmth(1)
    assert warmth.covered_s == 600
    # 20 degC above the softwood floor of 10, for ten minutes.
    assert warmth.degree_hours == pytest.approx(10 * 600 / 3600)
    book.follow([])
    assert book.warmth(1) is None


def test_minutes_that_wait_to_be_written_are_not_lost_to_a_batch_that_appears(book, store):
    play(book, store, range(0, 900, 60))
    play(book, store, range(900, 1260, 60), stored=False)
    book.follow([batch()])
    assert book.warmth(1).covered_s == 600


def test_batch_that_moved_takes_each_minute_from_where_it_stood(book, store):
    book.follow([batch()])
    play(book, store, range(600, 1200, 60))
    # Moved at 1230 s, noticed before that minute is over.
    store.stays = [("north.left", STUCK_S, 1230.0), ("north.right", 1230.0, inf)]
    book.follow([batch("right")])
    play(book, store, range(1200, 1500, 60))
    assert book.warmth(1) == store.recount(batch("right")).live.warmth()
    assert book.warmth(1).worst_low_mc == 15_000
    kelvin_s = 10 * 600 + 7.5 * 60 + 5 * 180
    assert book.warmth(1).degree_hours == pytest.approx(kelvin_s / 3600)


def test_minute_that_two_runs_share_is_counted_again_once_it_is_stored(book, store):
    for t_s in range(600, 1260, 60):
        store.put(t_s)
    book.follow([batch()])
    # This run saw half of minute 1200; the journal merges both halves.
    book.add(1200, rows(1200, left_c=24.0))
    store.put(1200, left_c=22.0)
    play(book, store, range(1260, 1560, 60))
    assert book.warmth(1) == store.recount(batch()).live.warmth()
    assert book.warmth(1).worst_high_mc == 22_000
    settled = store.counts
    play(book, store, range(1560, 2400, 60))
    assert store.counts == settled, "counted again once, not every minute"


def test_sum_is_kept_while_the_journal_cannot_be_asked_and_a_new_batch_waits(book, store):
    book.follow([batch()])
    play(book, store, range(600, 1260, 60))
    store.fails = True
    book.follow([batch(), batch(number=2)])
    play(book, store, range(1260, 1500, 60))
    assert book.warmth(1).covered_s == 840
    assert book.warmth(2) is None
    store.fails = False
    play(book, store, range(1500, 1740, 60))
    assert book.warmth(2) == book.warmth(1)


def test_batch_in_a_bay_that_is_no_longer_in_the_bench_file_gains_nothing(book, store):
    store.stays = [("south.only", STUCK_S, inf)]
    book.follow([batch()._replace(bench="south", bay="only")])
    play(book, store, range(600, 1260, 60), stored=False)
    assert book.warmth(1).covered_s == 0
