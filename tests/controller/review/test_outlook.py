"""When a batch is due: from like batches, from the usual days, moved by warmth, and how it held."""

from random import Random

import pytest

from controller.review.outlook import (
    LIKE_LEAST,
    calibration,
    due_tests,
    likes_of,
    outlook,
    window,
)

T0, DAY = 1_772_409_600.0, 86400.0


def at(day):
    return T0 + day * DAY


def day_of(at_s):
    return (at_s - T0) / DAY


def test_too_few_like_batches_fall_back_on_the_usual_days(batch, rooted):
    likes = [rooted(i, 24) for i in range(2, 2 + LIKE_LEAST - 1)]
    due = outlook(batch(1, now=5), likes, at(5))
    assert not due.own
    assert due.share is None
    assert due.likes.rooted == LIKE_LEAST - 1
    assert (day_of(due.from_s), day_of(due.to_s)) == pytest.approx((14, 42), abs=0.1)


def test_window_of_like_batches_reaches_over_all_their_tests(batch, rooted):
    likes = [rooted(i, day) for i, day in enumerate((20, 22, 24, 26), 2)]
    due = outlook(batch(1, now=5), likes, at(5))
    assert due.own
    assert due.likes.rooted == 4
    assert due.share == pytest.approx(3 / 5)
    assert (day_of(due.from_s), day_of(due.to_s)) == pytest.approx((17, 26), abs=0.1)


def test_of_many_the_outer_tenths_are_left_out(batch, rooted):
    likes = [rooted(i, 20 + i) for i in range(2, 22)]
    due = outlook(batch(1, now=5), likes, at(5))
    assert due.share == 0.8
    assert day_of(due.from_s) == pytest.approx(22 - 3 + 1, abs=0.1)
    assert day_of(due.to_s) == pytest.approx(39, abs=0.1)


def test_unlike_batches_do_not_count(batch, rooted):
    others = [rooted(i, 24, plant="Fuchsia hybrids") for i in range(2, 9)]
    assert outlook(batch(1, now=5), others, at(5)).likes.rooted == 0


def test_a_running_batch_that_outlasts_the_others_moves_the_end(batch, rooted):
    likes = [rooted(i, 24) for i in range(2, 6)]
    running = batch(9, [(20, 10, 0), (34, 10, 1)], stuck=-34, now=0)
    without = outlook(batch(1, now=1), likes, at(1))
    beside = outlook(batch(1, now=1), [*likes, running], at(1))
    assert beside.likes.running == 1
    assert day_of(without.to_s) == pytest.approx(24, abs=0.1)
    assert day_of(beside.to_s) > 34


def test_batches_closed_without_roots_are_told_and_not_waited_for(batch, rooted):
    likes = [rooted(i, 24) for i in range(2, 6)]
    failed = batch(9, [(20, 10, 0)], closed=(40, 3), stuck=-90)
    due = outlook(batch(1, now=5), [*likes, failed], at(5))
    assert due.likes.failed == 1
    assert day_of(due.to_s) == pytest.approx(24, abs=0.1)


@pytest.mark.parametrize(("base_c", "pace"), [(16, 0.5), (22, 1.0), (25, 1.25)])
def test_window_moves_with_what_the_base_gave(batch, rooted, base_c, pace):
    likes = [rooted(i, 24) for i in range(2, 6)]
    due = outlook(batch(1, now=10, base_c=base_c), likes, at(10))
    assert day_of(due.from_s) == pytest.approx(21 / pace, abs=0.2)
    assert day_of(due.to_s) == pytest.approx(24 / pace, abs=0.2)
    assert due.shift_days == pytest.approx(22.5 / pace - 22.5, abs=0.2)
    assert due.pace == pytest.approx(pace)


def test_like_batches_on_a_cold_bench_are_no_slower_in_warm_days(batch, rooted):
    """They took 24 days at half the warmth; at the target it takes half as long."""
    likes = [rooted(i, 24, base_c=16) for i in range(2, 6)]
    due = outlook(batch(1, now=5), likes, at(5))
    assert day_of(due.to_s) == pytest.approx(12, abs=0.2)


def test_a_test_without_roots_pushes_the_window_behind_it(batch, rooted):
    likes = [rooted(i, day) for i, day in enumerate((15, 18, 24, 30), 2)]
    due = outlook(batch(1, [(20, 10, 0)], now=20), likes, at(20))
    assert day_of(due.from_s) >= 20
    assert day_of(due.to_s) == pytest.approx(30, abs=0.1)


def test_past_all_like_batches_it_is_late(batch, rooted):
    likes = [rooted(i, 24) for i in range(2, 6)]
    due = outlook(batch(1, [(30, 10, 0)], now=32), likes, at(32))
    assert due.late
    assert due.from_s <= due.to_s < at(32)


def test_once_half_rooted_the_tests_speak(batch):
    due = outlook(batch(1, [(20, 10, 1), (24, 10, 6)], now=30), [], at(30))
    assert due.rooted
    assert (day_of(due.from_s), day_of(due.to_s)) == (20, 24)


def test_a_closed_batch_has_no_outlook(rooted):
    with pytest.raises(ValueError, match="closed"):
        outlook(rooted(1, 20), [], at(30))


def test_calibration_knows_only_what_was_known_at_sticking(rooted):
    """One after another: each is judged by those closed before it, never by itself."""
    histories = [rooted(i, 24, stuck=-1000.0 + 40 * i) for i in range(1, 10)]
    own, usual = calibration(histories)
    assert own.judged == 9 - LIKE_LEAST
    assert own.held == own.judged
    assert usual.judged == LIKE_LEAST
    together = [rooted(i, 24, stuck=-100.0) for i in range(1, 10)]
    assert calibration(together)[0].judged == 0


def test_calibration_tells_sooner_from_later(rooted):
    before = [rooted(i, 24, stuck=-1000.0 + 40 * i) for i in range(1, 6)]
    own, _ = calibration([*before, rooted(7, 12, stuck=0.0)])
    assert (own.held, own.early, own.late) == (1, 1, 0)
    own, _ = calibration([*before, rooted(7, 40, stuck=0.0)])
    assert (own.held, own.early, own.late) == (1, 0, 1)


def test_windows_hold_at_least_as_often_as_they_say(batch):
    """Invented plants with a spread of their own: the share within is the one promised or more."""
    rng = Random(4)
    held = promised = 0.0
    for plant in range(150):
        middle, spread = rng.uniform(15, 40), rng.uniform(0.05, 0.3)

        def one(number, middle=middle, spread=spread):
            day = middle * rng.lognormvariate(0.0, spread)
            tests = [(t, 10, 8 if t >= day else 1) for t in range(3, int(day) + 8, 4)]
            return batch(number, tests, closed=(day + 12, 80), stuck=-300.0 + number), day

        count = rng.randint(4, 14)
        likes = [one(i)[0] for i in range(2, 2 + count)]
        new = batch(1, now=0.0)
        low, high, own, share = window(likes_of(new, likes, at(0)), new.recipe)
        assert own, plant
        day = one(99)[1]
        held += low <= day <= high
        promised += share
    assert held >= promised - 1.0
    assert held / 150 < 0.98  # a window of everything would be no window


def test_tests_are_due_from_half_the_usual_days_then_at_the_kinds_interval(batch):
    found = due_tests(batch(1, now=2), at(2), at(30))
    assert [day_of(s) for s in found] == [14, 18, 22, 26, 30]
    found = due_tests(batch(1, [(16, 10, 0)], now=17), at(17), at(25))
    assert [day_of(s) for s in found] == [20, 24]


def test_an_overdue_test_stays_and_the_next_count_from_now(batch):
    found = due_tests(batch(1, now=20), at(20), at(25))
    assert [day_of(s) for s in found] == [14, 24]


def test_no_tests_once_closed_or_almost_weaned(batch):
    assert due_tests(batch(1, closed=(20, 3)), at(25), at(30)) == []
    one = batch(1, now=20)
    late = one._replace(batch=one.batch._replace(phase="wean_late"))
    assert due_tests(late, at(20), at(30)) == []
    assert due_tests(one._replace(potted=80), at(20), at(30)) == []


def test_the_interval_is_that_of_the_kind(batch):
    for kind, plant, days in (
        ("softwood", "Weigela", 4), ("semi_ripe", "Buxus", 7), ("evergreen", "Thuja", 14),
    ):  # fmt: skip
        found = due_tests(batch(1, [(90, 10, 0)], now=91, plant=plant, kind=kind), at(91), at(130))
        assert [day_of(s) for s in found[:2]] == [90 + days, 90 + 2 * days]
