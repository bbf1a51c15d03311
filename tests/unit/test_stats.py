"""Intervals and paired comparisons against scipy, statsmodels-free worked examples, and simulation."""

import numpy as np
import pytest
from scipy import stats

from keybench.stats.intervals import GroupBootstrap
from keybench.stats.paired import holm, paired_difference


def test_interval_agrees_with_scipy_where_every_piece_is_its_own_group():
    rng = np.random.default_rng(0)
    values = rng.normal(3.0, 2.0, size=300)
    ours = GroupBootstrap(np.arange(300), 4000, seed=1).mean(values)
    theirs = stats.bootstrap((values,), np.mean, n_resamples=4000, method="percentile", rng=2).confidence_interval
    assert ours.value == pytest.approx(values.mean())
    assert ours.low == pytest.approx(theirs.low, abs=0.03)
    assert ours.high == pytest.approx(theirs.high, abs=0.03)


def test_groups_widen_the_interval():
    # 40 groups of 25 equal values carry the information of 40 numbers, not of 1,000.
    rng = np.random.default_rng(0)
    group_values = rng.normal(size=40)
    groups = np.repeat(np.arange(40), 25)
    grouped = GroupBootstrap(groups, 2000).mean(group_values[groups])
    alone = GroupBootstrap(np.arange(40), 2000).mean(group_values)
    naive = GroupBootstrap(np.arange(1000), 2000).mean(group_values[groups])
    assert grouped.high - grouped.low == pytest.approx(alone.high - alone.low, rel=0.05)
    assert grouped.high - grouped.low > 3 * (naive.high - naive.low)


def test_coverage_in_simulation():
    # 95 % intervals over groups of uneven size should cover the true mean in about 95 of 100 samples.
    rng = np.random.default_rng(7)
    covered, n = 0, 400
    truth = np.clip(0.8 + 0.15 * rng.normal(size=500_000), 0, 1).mean()
    for i in range(n):
        groups = np.repeat(np.arange(120), rng.integers(1, 4, size=120))
        chance = np.clip(0.8 + 0.15 * rng.normal(size=120), 0, 1)[groups]
        right = (rng.random(len(groups)) < chance).astype(float)
        e = GroupBootstrap(groups, 400, seed=i).mean(right)
        covered += e.low <= truth <= e.high
    assert 0.91 <= covered / n <= 0.98


def test_all_right_still_has_an_interval_with_width():
    e = GroupBootstrap(np.arange(9), 300).mean(np.ones(9))
    wilson = stats.binomtest(9, 9).proportion_ci(method="wilson")  # oracle: scipy
    assert (e.value, e.high) == (1.0, pytest.approx(wilson.high))
    assert e.low == pytest.approx(wilson.low)


def test_nothing_measured_is_not_zero():
    e = GroupBootstrap(np.arange(3), 100).mean(np.ones(3), np.zeros(3, dtype=bool))
    assert e.n == 0
    assert np.isnan(e.value)


def test_same_seed_same_interval():
    values = np.random.default_rng(0).random(50)
    one, two, other = (GroupBootstrap(np.arange(50), 300, seed=s).mean(values) for s in (1, 1, 2))
    assert one == two
    assert one != other


def test_paired_difference_by_hand_and_mcnemar():
    a = np.array([1.0] * 70 + [1.0] * 15 + [0.0] * 5 + [0.0] * 10)
    b = np.array([1.0] * 70 + [0.0] * 15 + [1.0] * 5 + [0.0] * 10)
    d = paired_difference(a, b, GroupBootstrap(np.arange(100), 2000))
    assert d.value == pytest.approx(0.10)
    assert (d.only_a, d.only_b) == (15, 5)
    # Exact McNemar: twice the binomial tail P(X <= 5 | 20, 1/2), worked from the binomial table.
    assert d.p_mcnemar == pytest.approx(2 * stats.binom.cdf(5, 20, 0.5))
    assert d.low < 0.10 < d.high
    assert d.low > 0


def test_equal_methods_are_not_told_apart():
    a = np.ones(30)
    d = paired_difference(a, a, GroupBootstrap(np.arange(30), 200))
    assert (d.value, d.p, d.p_mcnemar) == (0.0, 1.0, 1.0)


def test_no_pieces_is_refused():
    with pytest.raises(ValueError, match="no pieces"):
        paired_difference(np.zeros(0), np.zeros(0), GroupBootstrap(np.zeros(0, dtype=int), 100))


def test_holm_worked_example():
    # Worked by hand from Holm 1979: p sorted .005 .01 .03 .04 times 4 3 2 1, then made monotone.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]).shape == (0,)
    assert holm([0.9, 0.8]) == pytest.approx([1.0, 1.0])


def test_three_pieces_do_not_make_certainty():
    d = paired_difference(np.ones(3), np.zeros(3), GroupBootstrap(np.arange(3), 500))
    assert d.p == pytest.approx(0.25)  # exact McNemar: two of the eight ways to fall, worked by hand
