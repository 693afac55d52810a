"""One row a minute for every probe and relay, from what was really seen and ordered."""

from math import isnan, nan

import pytest

from controller.minutes import MinuteBook
from controller.records import MinuteRow, RelayOrder, RelayRow
from sensors.readings import Flag, ProbeView, Reading


def view(value, taken_s, flag=Flag.PASS, probe="north.left.base1"):
    return ProbeView(
        Reading(probe, "base_temperature", value, "degC", value, taken_s, flag, ""), 0.0
    )


@pytest.fixture
def book():
    return MinuteBook()


def test_mean_low_high_and_count_of_a_minute(book):
    for taken_s, value in enumerate((20.0, 21.0, 25.0)):
        book.sample((view(value, float(taken_s)),))
    assert book.close(60) == ([MinuteRow(60, "north.left.base1", 22.0, 20.0, 25.0, 3, 1)], [])


def test_reading_shown_at_many_ticks_counts_once(book):
    for _ in range(5):
        book.sample((view(20.0, 7.0),))
    book.close(0)
    book.sample((view(20.0, 7.0),))
    assert book.close(60)[0] == []
    book.sample((view(21.0, 8.0),))
    assert book.close(120)[0][0].n == 1


@pytest.mark.parametrize("flag", [Flag.SUSPECT, Flag.FAIL, Flag.MISSING])
def test_unusable_sample_is_flagged_and_not_averaged(book, flag):
    book.sample((view(20.0, 1.0),))
    book.sample((view(nan, 2.0, flag),))
    (row,) = book.close(0)[0]
    assert (row.mean, row.n, row.flag) == (20.0, 1, flag)


def test_every_minute_of_a_silent_probe_says_so(book):
    silent = view(nan, 1.0, Flag.MISSING)
    for t_s in (0, 60, 120):
        book.sample((silent,))
        (row,) = book.close(t_s)[0]
        assert (row.t_s, row.n, row.flag) == (t_s, 0, Flag.MISSING)
        assert isnan(row.mean)


def orders(mat_s, mist_s=0.0):
    return (RelayOrder("north.left.mat", mat_s), RelayOrder("north.mister", mist_s))


def test_relay_time_is_counted_up_to_the_lease_and_no_further(book):
    book.ordered(orders(20.0), 0.0)
    book.ordered(orders(20.0), 10.0)
    book.ordered(orders(0.0), 10.0)
    book.ordered(orders(0.0), 10.0)
    assert book.close(0)[1] == [RelayRow(0, "north.left.mat", 20.0, 1)]
    book.ordered(orders(0.0, 6.0), 10.0)
    book.ordered(orders(0.0), 10.0)
    assert book.close(60)[1] == [RelayRow(60, "north.mister", 6.0, 1)]


def test_two_short_bursts_are_two_starts_and_a_renewed_lease_is_none(book):
    book.ordered(orders(20.0, 5.0), 10.0)
    book.ordered(orders(20.0, 5.0), 10.0)
    book.ordered(orders(0.0), 10.0)
    rows = {row.relay: row for row in book.close(0)[1]}
    assert rows["north.mister"] == RelayRow(0, "north.mister", 10.0, 2)
    assert rows["north.left.mat"] == RelayRow(0, "north.left.mat", 20.0, 1)


def test_start_at_the_very_first_tick_and_after_a_gap_is_counted(book):
    book.ordered(orders(20.0), 0.0)
    book.ordered(orders(20.0), 10.0)
    book.dropped()
    book.ordered(orders(20.0), 0.0)
    book.ordered(orders(0.0), 10.0)
    assert book.close(0)[1] == [RelayRow(0, "north.left.mat", 20.0, 2)]


def test_nothing_runs_on_over_a_gap(book):
    book.ordered(orders(60.0), 0.0)
    book.dropped()
    book.ordered(orders(0.0), 0.0)
    assert book.close(0)[1] == [RelayRow(0, "north.left.mat", 0.0, 1)]


def test_start_at_the_last_tick_of_a_minute_is_not_lost(book):
    book.ordered(orders(0.0, 5.0), 10.0)
    assert book.close(0)[1] == [RelayRow(0, "north.mister", 0.0, 1)]
    book.ordered(orders(0.0), 10.0)
    assert book.close(60)[1] == [RelayRow(60, "north.mister", 5.0, 0)]


def test_order_that_no_wire_took_adds_nothing_to_the_lease_before_it(book):
    lost = frozenset({"north.left.mat", "north.mister"})
    book.ordered(orders(20.0), 0.0)
    book.ordered(orders(20.0, 5.0), 10.0, lost)
    book.ordered(orders(20.0, 5.0), 10.0, lost)
    book.ordered(orders(20.0, 5.0), 10.0, lost)
    assert book.close(0)[1] == [RelayRow(0, "north.left.mat", 20.0, 1)]
    book.ordered(orders(20.0), 10.0)
    assert book.close(60)[1] == [RelayRow(60, "north.left.mat", 0.0, 1)]
