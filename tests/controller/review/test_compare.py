"""Batches beside each other: what is compared with what, and what is said of a difference."""

from math import inf
from zoneinfo import ZoneInfo

import pytest

from controller.review.compare import CHANCE, compare, over_all, standing
from controller.review.groups import (
    BY,
    NOT_RECORDED,
    group_of,
    half_rooted,
    rooting_curve,
    value_of,
)
from controller.review.proportions import wilson

ZONE = ZoneInfo("Europe/Dublin")


def closed(batch, number, count, *, cuttings=100, tests=(), **more):
    return batch(number, tests, closed=(40, count), cuttings=cuttings, **more)


def by_hormone(batch, talc, none, **more):
    histories = [closed(batch, i, k, hormone="talc", **more) for i, k in enumerate(talc, 1)]
    histories += [closed(batch, i, k, hormone="none", **more) for i, k in enumerate(none, 50)]
    return histories


def only_pair(histories, by="hormone"):
    (found,) = compare(histories, by, ZONE)
    (pair,) = found.pairs
    return found, pair


def test_strike_of_single_batches_is_wilsons(batch):
    found, _ = only_pair(by_hormone(batch, [45], [36], cuttings=50))
    for group in found.groups:
        assert (group.low, group.high) == wilson(group.rooted, 50)
    assert {g.value: g.rooted for g in found.groups} == {"talc": 45, "none": 36}


def test_two_batches_far_apart_differ_but_say_not_why(batch):
    _, pair = only_pair(by_hormone(batch, [90], [60]))
    assert pair.test == "cuttings"
    assert pair.chance < 0.001
    assert pair.verdict == "these batches differ"


def test_two_small_batches_are_too_few_to_tell(batch):
    _, pair = only_pair(by_hormone(batch, [9], [5], cuttings=10))
    assert pair.verdict == "too few to tell"
    assert pair.chance is None


def test_three_against_three_can_show_nothing_by_dealing_out(batch):
    _, pair = only_pair(by_hormone(batch, [90, 70, 80], [75, 60, 95]))
    assert pair.chance is None
    assert pair.verdict == "too few to tell"


def test_enough_batches_on_either_side_differ(batch):
    _, pair = only_pair(by_hormone(batch, [90, 92, 88, 91], [70, 66, 72, 75]))
    assert pair.test == "batches"
    assert pair.chance == pytest.approx(2 / 70)
    assert pair.verdict == "differ"


def test_cuttings_do_not_make_batches_that_differ_among_themselves_sure(batch):
    """By cuttings alone the chance would be tiny; the batches of each group are all over."""
    histories = by_hormone(batch, [95, 40, 90, 55], [80, 30, 70, 45])
    found, pair = only_pair(histories)
    assert pair.chance > CHANCE
    assert pair.verdict == "too few to tell"
    talc = next(g for g in found.groups if g.value == "talc")
    assert talc.spread > 10
    plain = wilson(talc.rooted, talc.cuttings)
    assert talc.high - talc.low > 2 * (plain[1] - plain[0])


def test_alike_and_well_known_is_no_difference_seen(batch):
    _, pair = only_pair(by_hormone(batch, [81, 79, 80, 82], [80, 82, 78, 81], cuttings=100))
    assert pair.verdict == "no difference seen"
    assert pair.high - pair.low < 0.2


def test_many_batches_are_judged_by_the_widened_interval(batch):
    _, pair = only_pair(by_hormone(batch, [85, 90] * 10, [60, 65] * 10))
    assert (pair.test, pair.chance, pair.verdict) == ("batches", None, "differ")


def test_chances_of_several_pairs_are_raised(batch):
    histories = by_hormone(batch, [90, 92, 88, 91], [70, 66, 72, 75, 71])
    histories += [closed(batch, i, k, hormone="gel") for i, k in enumerate([69, 74, 73, 70], 90)]
    (found,) = compare(histories, "hormone", ZONE)
    assert {pair.beside for pair in found.pairs} == {"none"}
    talc = next(pair for pair in found.pairs if pair.value == "talc")
    assert talc.chance == pytest.approx(2 * 1 / 126)


def test_like_only_with_like_unless_asked(batch):
    histories = [
        closed(batch, 1, 80, hormone="talc"),
        closed(batch, 2, 60, hormone="none", plant="Fuchsia hybrids"),
    ]
    assert compare(histories, "hormone", ZONE) == []
    (found,) = compare(histories, "hormone", ZONE, unlike=True)
    assert len(found.groups) == 2
    assert "unlike" in found.like
    (found,) = compare(histories, "plant", ZONE)
    assert found.like == "softwood"


def test_capitals_and_spaces_do_not_part_what_is_the_same(batch):
    histories = by_hormone(batch, [80], [60])
    histories.append(closed(batch, 7, 85, hormone=" TALC "))
    (found,) = compare(histories, "hormone", ZONE)
    assert sorted(len(g.batches) for g in found.groups) == [1, 2]


def test_what_nobody_wrote_down_is_shown_last_and_not_tested(batch):
    histories = [*by_hormone(batch, [80], [60]), closed(batch, 7, 10)]
    found, pair = only_pair(histories)
    assert found.groups[-1].value == NOT_RECORDED
    assert NOT_RECORDED not in (pair.value, pair.beside)


def test_an_open_batch_has_no_strike_rate_but_counts_in_time(batch):
    histories = [*by_hormone(batch, [80], []), batch(9, [(20, 10, 2)], now=25, hormone="none")]
    found, pair = only_pair(histories)
    none = next(g for g in found.groups if g.value == "none")
    assert (none.open, none.strike, none.low) == (1, None, None)
    assert none.curve
    assert (pair.verdict, pair.low) == ("too few to tell", None)


def test_what_else_was_not_alike_is_noted(batch):
    histories = [
        closed(batch, 1, 90, hormone="talc", base_c=22),
        closed(batch, 2, 40, hormone="none", base_c=17, stuck=90),
    ]
    _, pair = only_pair(histories)
    notes = " ".join(pair.notes)
    assert "5.0 K" in notes
    assert "different months" in notes


@pytest.mark.parametrize("by", BY)
def test_every_thing_to_compare_by_has_a_value(batch, by):
    one = batch(1, hormone="talc", mix="bark", stock="bed 3")
    expected = {
        "plant": "Weigela", "kind": "softwood", "hormone": "talc", "mix": "bark", "stock": "bed 3",
        "month": "March", "bay": "north.left",
    }  # fmt: skip
    assert value_of(one, by, ZONE) == expected[by]
    with pytest.raises(ValueError, match="colour"):
        compare([one], "colour", ZONE)


def test_months_are_local_and_in_order(batch):
    histories = [closed(batch, i, 50, stuck=day) for i, day in enumerate((60, 0, 29.98), 1)]
    (found,) = compare(histories, "month", ZONE)
    # T0 is 2 March; day 29.98 is 31 March 23:31 UTC, which is April in Dublin's summer time.
    assert [g.value for g in found.groups] == ["March", "April", "May"]


def test_curve_of_one_batch_is_its_tests_and_who_was_at_risk(batch):
    one = closed(batch, 1, 80, tests=[(7, 10, 0), (14, 10, 3), (21, 10, 8)])
    assert [(p.day, round(p.rooted, 2), p.at_risk) for p in rooting_curve([one])] == [
        (7, 0, 130), (14, 0.3, 120), (21, 0.8, 110), (28, 0.8, 100), (35, 0.8, 100),
    ]  # fmt: skip
    assert rooting_curve([batch(2)]) == ()


def test_half_rooted_waits_for_running_ones_and_leaves_failed_ones_out(batch, rooted):
    parts = [rooted(1, 20), rooted(2, 20)]
    assert half_rooted(parts) == ((17, 20), 2)
    running = [batch(i, [(30, 10, 0)], now=31) for i in (3, 4, 5)]
    assert half_rooted([*parts, *running]) == ((inf, inf), 2)
    assert half_rooted([*parts, closed(batch, 6, 3, tests=[(20, 10, 0)])]) == ((17, 20), 2)
    assert half_rooted(running) == (None, 0)


@pytest.mark.parametrize(
    ("mine", "theirs", "verdict"),
    [
        (70, [60, 80, 75], "within what they had"),
        (30, [60, 80, 75], "below every one of them"),
        (90, [60, 80, 75], "above every one of them"),
        (30, [60, 80], "too few like batches to tell"),
        (30, [], "too few like batches to tell"),
    ],
)
def test_a_batch_beside_the_ones_like_it(batch, mine, theirs, verdict):
    others = [closed(batch, i, k) for i, k in enumerate(theirs, 2)]
    others.append(closed(batch, 40, 1, plant="Fuchsia hybrids"))
    found = standing(closed(batch, 1, mine), [*others, closed(batch, 1, mine)])
    assert found.verdict == verdict
    assert (found.others.closed if found.others else 0) == len(theirs)
    assert standing(batch(1, now=3), others).verdict == "not closed yet"


def test_group_without_record_says_so(batch):
    group = group_of("x", [closed(batch, 1, 50, base_c=None)])
    assert (group.base_c, group.cold_h, group.warmth_kh_day) == (None, None, None)


def test_blocks_of_several_plants_show_what_no_plant_has_batches_for(batch):
    plants = ("Weigela", "Hebe", "Fuchsia hybrids", "Hydrangea", "Philadelphus", "Deutzia")
    histories = []
    for i, plant in enumerate(plants):
        for j, (hormone, count) in enumerate((("talc", 70 + i), ("none", 40 + 5 * i))):
            histories.append(closed(batch, 10 * i + j, count, plant=plant, hormone=hormone))
    (found,) = over_all(histories, "hormone", ZONE)
    assert (found.value, found.beside) == ("talc", "none")
    assert (found.blocks, found.batches, found.verdict) == (6, (6, 6), "differ")
    assert found.difference == pytest.approx(0.2)
    assert found.chance == pytest.approx(2 / 2**6)
    assert over_all(histories, "month", ZONE) == []


def test_batches_of_other_months_are_no_block(batch):
    """The bad ones without talc were stuck in another month: that is no fair comparison."""
    histories = [
        closed(batch, 10 * i + j, count, plant=plant, hormone=hormone, stuck=60 * j)
        for i, plant in enumerate(("Weigela", "Hebe", "Fuchsia hybrids"))
        for j, (hormone, count) in enumerate((("talc", 80), ("none", 20)))
    ]
    assert over_all(histories, "hormone", ZONE) == []


def test_blocks_that_speak_against_each_other_show_nothing(batch):
    counts = {"Weigela": (80, 40), "Hebe": (40, 80), "Fuchsia hybrids": (60, 60)}
    histories = [
        closed(batch, 10 * i + j, counts[plant][j], plant=plant, hormone=hormone)
        for i, plant in enumerate(counts)
        for j, hormone in enumerate(("talc", "none"))
    ]
    (found,) = over_all(histories, "hormone", ZONE)
    assert found.verdict == "no difference shown"
    assert found.chance == 1.0
