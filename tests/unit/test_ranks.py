"""Ranks over corpora against Demsar 2006 (JMLR 7, 1-30), the analysis of variance of ranks, and brute force."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from keybench.stats.ranks import average_ranks, critical_difference, friedman, iman_davenport, not_told_apart, ranks

# Demsar 2006, table 6: ranks of four versions of C4.5 on 14 data sets (areas under the curve, here by their printed
# ranks: two of the printed areas are equal only by rounding).
C45_RANKS = np.array(
    [
        [4, 3, 2, 1], [1, 2, 3, 4], [4, 1, 2, 3], [4, 1, 3, 2], [4, 2, 3, 1], [1, 2.5, 4, 2.5], [3, 2, 4, 1],
        [2.5, 2.5, 4, 1], [4, 3, 2, 1], [2.5, 2.5, 2.5, 2.5], [4, 2.5, 1, 2.5], [3, 2, 4, 1], [4, 1, 2, 3],
        [3, 1, 4, 2],
    ]
)  # fmt: skip
TIES = 1 - 78 / (14 * (4**3 - 4))  # by hand: a tie of four, of which t^3 - t = 60, and three of two, 6 each


def test_average_ranks_of_the_published_example():
    assert average_ranks(-C45_RANKS) == pytest.approx([3.143, 2.000, 2.893, 1.964], abs=0.0005)
    assert ranks(-C45_RANKS) == pytest.approx(C45_RANKS)


def test_friedman_and_iman_davenport_of_the_published_example():
    # Section 3.2.2: chi-square 9.28, not corrected for ties, and F 3.69.
    result = friedman(-C45_RANKS)
    assert result.chi_square * TIES == pytest.approx(9.28, abs=0.005)
    assert iman_davenport(9.28, 14, 4) == pytest.approx(3.69, abs=0.005)
    assert result.p_f < 0.05


def test_f_of_iman_davenport_is_the_analysis_of_variance_of_the_ranks():
    # The statistic is the two-way analysis of variance on ranks (Iman & Davenport 1980), worked here from its sums of
    # squares.
    scores = np.random.default_rng(3).normal(size=(8, 4)) + np.arange(4) / 2
    r = ranks(scores)
    between = 8 * ((r.mean(0) - r.mean()) ** 2).sum()
    rest = ((r - r.mean()) ** 2).sum() - between - 4 * ((r.mean(1) - r.mean()) ** 2).sum()
    f = (between / 3) / (rest / 21)
    assert friedman(scores).f == pytest.approx(f)
    assert friedman(scores).p_f == pytest.approx(stats.f.sf(f, 3, 21))


def test_nothing_but_ties_and_nothing_but_agreement():
    assert friedman(np.ones((7, 4))).p_f == 1.0
    agreed = friedman(np.tile(np.arange(4.0), (7, 1)))
    assert np.isinf(agreed.f)
    assert agreed.p_f == 0.0


@pytest.mark.parametrize(
    ("alpha", "published"),
    [  # Demsar 2006, table 5 (a): two-tailed Nemenyi test, 2 to 10 methods
        (0.05, [1.960, 2.343, 2.569, 2.728, 2.850, 2.949, 3.031, 3.102, 3.164]),
        (0.10, [1.645, 2.052, 2.291, 2.459, 2.589, 2.693, 2.780, 2.855, 2.920]),
    ],
)
def test_critical_values_of_the_published_table(alpha, published):
    ours = [critical_difference(k, 1, alpha) / np.sqrt(k * (k + 1) / 6) for k in range(2, 11)]
    assert ours == pytest.approx(published, abs=0.0012)


def test_critical_difference_of_the_published_example():
    assert critical_difference(4, 14) == pytest.approx(1.25, abs=0.01)
    assert critical_difference(4, 14, alpha=0.10) == pytest.approx(1.12, abs=0.005)


def test_groups_of_the_published_example():
    # Section 3.2.2: at .05 nothing is told apart, since the ranks span 1.18, less than 1.25. At .10 the first version
    # is told from the second and the fourth, and to whom the third belongs is not known.
    average = average_ranks(-C45_RANKS)
    assert not_told_apart(average, critical_difference(4, 14)) == [(3, 1, 2, 0)]
    assert not_told_apart(average, critical_difference(4, 14, 0.10)) == [(3, 1, 2), (2, 0)]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(10, 80), min_size=1, max_size=7), st.integers(1, 30))
def test_groups_are_all_largest_sets_that_lie_close(tenths, width):
    average, critical = np.array(tenths) / 10, width / 10 + 0.05  # never equal to a difference
    close = [
        set(some)
        for size in range(2, len(tenths) + 1)
        for some in combinations(range(len(tenths)), size)
        if np.ptp(average[list(some)]) < critical
    ]
    largest = [some for some in close if not any(some < other for other in close)]
    ours = not_told_apart(average, critical)
    assert sorted(map(sorted, ours)) == sorted(map(sorted, largest))
    assert all(list(average[list(group)]) == sorted(average[list(group)]) for group in ours)


@pytest.mark.parametrize("scores", [np.zeros((0, 3)), np.ones(4), np.array([[1.0, np.nan, 2.0]] * 3)])
def test_missing_scores_are_refused(scores):
    with pytest.raises(ValueError, match="accepted"):
        ranks(scores)


def test_two_methods_are_not_for_friedman():
    with pytest.raises(ValueError, match="3 methods"):
        friedman(np.ones((5, 2)))
    with pytest.raises(ValueError, match="2 methods"):
        critical_difference(1, 9)
