"""Proportions, exact tests and times between looks, against published examples and scipy."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from controller.review.proportions import (
    blocked_permutation,
    difference,
    fisher,
    holm,
    least_permutation,
    permutation,
    spread_factor,
    wilson,
)
from controller.review.survival import Between, kaplan_meier, quantile, reached, turnbull

# Newcombe, Stat. Med. 17 (1998) 857, Table I, method 3 (second-hand).
WILSON = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("k", "n", "low", "high"), WILSON)
def test_wilson_interval_is_the_published_one(k, n, low, high):
    assert wilson(k, n) == pytest.approx((low, high), abs=0.00006)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_interval_is_scipys(pair):
    k, n = pair
    expected = stats.binomtest(k, n).proportion_ci(method="wilson")
    assert wilson(k, n) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_wilson_of_none_or_all_ends_at_the_edge():
    assert wilson(0, 10)[0] == 0.0
    assert wilson(10, 10)[1] == 1.0
    for k, n in ((-1, 5), (6, 5), (0, 0)):
        with pytest.raises(ValueError, match="no proportion"):
            wilson(k, n)


def test_difference_of_proportions_is_the_published_one():
    """Newcombe, Stat. Med. 17 (1998) 873, method 10, case a: 56/70 - 48/80 (from memory)."""
    assert difference((56, 70), (48, 80)) == pytest.approx((0.0524, 0.3339), abs=0.0001)


# Table, two-sided chance, source.
FISHER = [
    ((3, 1, 1, 3), 0.485714),  # Fisher, The Design of Experiments (1935): tasting tea (from memory)
    ((4, 0, 0, 4), 2 / 70),
    ((1, 9, 11, 3), 0.002759456),  # the worked example of the test in Wikipedia (second-hand)
    ((2, 15, 10, 3), 0.000536724),  # Fisher: convictions of twins (from memory)
    ((8, 2, 1, 5), 0.034965),
]


@pytest.mark.parametrize(("table", "chance"), FISHER)
def test_fisher_is_the_published_chance(table, chance):
    assert fisher(*table) == pytest.approx(chance, abs=1e-6)


@given(st.tuples(*[st.integers(0, 40)] * 4))
def test_fisher_is_scipys(table):
    a, b, c, d = table
    if 0 in (a + b, c + d, a + c, b + d):
        assert fisher(*table) == 1.0
        return
    assert fisher(*table) == pytest.approx(stats.fisher_exact([[a, b], [c, d]])[1], abs=1e-9)


@given(
    st.lists(st.integers(0, 20), min_size=2, max_size=5),
    st.lists(st.integers(0, 20), min_size=2, max_size=5),
)
def test_permutation_is_scipys(ours, theirs):
    def apart(x, y):
        return abs(np.mean(x) - np.mean(y))

    expected = stats.permutation_test(
        (np.array(ours, float), np.array(theirs, float)), apart, alternative="greater",
        n_resamples=np.inf,
    )  # fmt: skip
    assert permutation(ours, theirs) == pytest.approx(expected.pvalue, abs=1e-9)


# Darwin's maize, crossed minus self-fertilised, eighths of an inch (Fisher, The Design of
# Experiments (1935), table 3, from memory).
MAIZE = (49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48)


def test_blocks_of_pairs_give_fishers_count_for_darwins_maize():
    """Section 21: in 1726 of the 32768 ways the sum is at least as far from 0 as 314."""
    blocks = [([0.5 + diff / 1000], [0.5]) for diff in MAIZE]
    apart, chance = blocked_permutation(blocks)
    assert apart == pytest.approx(sum(MAIZE) / 15 / 1000)
    assert chance == pytest.approx(1726 / 32768)


@given(
    st.lists(st.integers(0, 20), min_size=1, max_size=4),
    st.lists(st.integers(0, 20), min_size=1, max_size=4),
)
def test_one_block_is_the_plain_test(ours, theirs):
    """On a grid: shares of twelfths of a twentieth keep equal differences equal."""
    ours, theirs = [k * 0.042 for k in ours], [k * 0.042 for k in theirs]
    found = blocked_permutation([(ours, theirs), ([0.3], []), ([], [])])
    assert found[0] == pytest.approx(np.mean(ours) - np.mean(theirs), abs=1e-4)
    assert found[1] == pytest.approx(permutation(ours, theirs), abs=1e-9)


def test_no_block_with_both_is_not_told():
    assert blocked_permutation([([0.5], []), ([], [0.4])]) is None
    assert blocked_permutation([]) is None


@pytest.mark.parametrize(("ours", "theirs"), [(1, 1), (2, 3), (3, 3), (4, 3), (2, 5)])
def test_permutation_is_never_less_than_its_least(ours, theirs):
    found = permutation([0.9 + i / 1000 for i in range(ours)], [i / 1000 for i in range(theirs)])
    assert found == pytest.approx(least_permutation(ours, theirs))


def test_permutation_of_too_many_batches_or_none_is_not_told():
    assert permutation([0.1] * 20, [0.2] * 20) is None
    assert permutation([], [0.2]) is None


def test_holm_raises_as_published():
    """Holm, Scand. J. Statist. 6 (1979) 65: the smallest of m times m, the next times m - 1 ..."""
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([0.5, 0.9]) == [1.0, 1.0]


def test_spread_between_batches_makes_cuttings_worth_less():
    # By hand: share 1/2, variance 2/1 * (25 + 25)/400 = 1/4; over p(1-p)/n = 1/80: 20.
    assert spread_factor([(10, 10), (0, 10)]) == pytest.approx(20.0)
    assert spread_factor([(5, 10), (5, 10)]) == 1.0
    assert spread_factor([(7, 10)]) == 1.0
    assert spread_factor([(10, 10), (10, 10)]) == 1.0


@given(st.integers(0, 2**32 - 1))
def test_spread_of_batches_that_are_all_alike_is_near_one(seed):
    rng = np.random.default_rng(seed)
    batches = [(int(k), 50) for k in rng.binomial(50, 0.7, size=60)]
    assert 1.0 <= spread_factor(batches) < 2.2


# Freireich et al., Blood 21 (1963) 699: weeks in remission on 6-MP, + still in it (times from
# memory; the figures below are the published ones).
MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
CONTROL = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
MP_CURVE = [
    (6, 21, 3, 0.8571), (7, 17, 1, 0.8067), (10, 15, 1, 0.7529), (13, 12, 1, 0.6902),
    (16, 11, 1, 0.6275), (22, 7, 1, 0.5378), (23, 6, 1, 0.4482),
]  # fmt: skip


def weeks(text):
    return [(float(word.rstrip("+")), not word.endswith("+")) for word in text.split()]


def test_kaplan_meier_of_the_6mp_trial_is_the_published_curve():
    found = kaplan_meier(weeks(MP))
    assert [(s.time, s.at_risk, s.events) for s in found] == [row[:3] for row in MP_CURVE]
    assert [s.share for s in found] == pytest.approx([row[3] for row in MP_CURVE], abs=5e-5)
    assert reached(found, 0.5) == 23
    assert reached(found, 0.6) == inf
    assert reached(kaplan_meier(weeks(CONTROL)), 0.5) == 8


def test_turnbull_of_exact_times_is_kaplan_meier():
    """Each time as the week that ends with it: the two estimates are then the same."""
    spans = [Between(t - 1, t) if happened else Between(t, inf) for t, happened in weeks(MP)]
    masses = turnbull(spans)
    left = 1.0 - np.cumsum([m.share for m in masses if m.by != inf])
    assert left == pytest.approx([row[3] for row in MP_CURVE], abs=1e-4)
    assert quantile(masses, 0.5) == (22, 23)
    assert quantile(masses, 0.6) == (inf, inf)


# Finkelstein & Wolfe, Biometrics 41 (1985) 933: months to breast retraction, radiotherapy alone;
# as printed in Klein & Moeschberger, Survival Analysis (2003), table 1.18 (data from memory, and
# the estimate below as published for them agrees).
RADIOTHERAPY = (
    "0-7 0-8 0-5 4-11 5-12 5-11 6-10 7-16 7-14 11-15 11-18 15- 17- 17-25 17-25 18- 19-35 18-26 22- "
    "24- 24- 25-37 26-40 27-34 32- 33- 34- 36-44 36-48 36- 36- 37-44 37- 37- 37- 38- 40- 45- "
    + "46- "
    * 8
)
PUBLISHED = [
    (4, 5, 0.0463), (6, 7, 0.0334), (7, 8, 0.0887), (11, 12, 0.0708), (24, 25, 0.0926),
    (33, 34, 0.0818), (38, 40, 0.1209), (46, 48, 0.4656),
]  # fmt: skip


def test_turnbull_of_the_cosmesis_data_is_the_published_estimate():
    edges = [word.split("-") for word in RADIOTHERAPY.split()]
    spans = [Between(float(a), float(b) if b else inf) for a, b in edges]
    assert len(spans) == 46
    found = turnbull(spans)
    assert [(m.after, m.by) for m in found] == [row[:2] for row in PUBLISHED]
    assert [m.share for m in found] == pytest.approx([row[2] for row in PUBLISHED], abs=6e-5)


@given(
    st.lists(st.tuples(st.integers(1, 12), st.integers(1, 9), st.integers(0, 9)), min_size=1,
             max_size=12)
)  # fmt: skip
def test_turnbull_of_single_looks_is_the_isotonic_mean(looks):
    """Each cutting seen once, rooted or not: the estimate is the mean made rising by pooling
    neighbours (Ayer et al., Ann. Math. Statist. 26 (1955) 641)."""
    seen, sums = [], {}
    for day, tested, rooted in looks:
        rooted = min(rooted, tested)
        if rooted:
            seen.append(Between(0, day, rooted))
        if tested > rooted:
            seen.append(Between(day, inf, tested - rooted))
        k, n = sums.get(day, (0, 0))
        sums[day] = (k + rooted, n + tested)
    pools = []
    for day in sorted(sums):
        pools.append([*sums[day], [day]])
        while len(pools) > 1 and pools[-2][0] * pools[-1][1] >= pools[-1][0] * pools[-2][1]:
            k, n, days = pools.pop()
            pools[-1] = [pools[-1][0] + k, pools[-1][1] + n, pools[-1][2] + days]
    masses = turnbull(seen)
    for k, n, days in pools:
        for day in days:
            by_then = sum(m.share for m in masses if m.by <= day)
            assert by_then == pytest.approx(k / n, abs=0.01)


def test_turnbull_refuses_what_is_no_stretch_and_gives_nothing_for_nothing():
    assert turnbull([]) == []
    for span in (Between(3, 3), Between(5, 2), Between(-1, 2), Between(1, 2, 0)):
        with pytest.raises(ValueError, match="no stretch"):
            turnbull([span])
