"""Comparisons over several corpora against scipy, brute force and a published worked example."""

from itertools import product

import baycomp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from keybench.stats.intervals import GroupBootstrap
from keybench.stats.paired import holm, paired_difference
from keybench.stats.several import MIN_CORPORA, TOO_FEW, bayesian_signed_rank, compare_pairs, effects, signed_rank_p

# Demsar 2006, table 2: areas under the curve of C4.5 and C4.5+m on 14 data sets, the columns that are also in table 6.
C45 = [0.763, 0.599, 0.954, 0.628, 0.882, 0.936, 0.661, 0.583, 0.775, 1.000, 0.940, 0.619, 0.972, 0.957]
C45_M = [0.768, 0.591, 0.971, 0.661, 0.888, 0.931, 0.668, 0.583, 0.838, 1.000, 0.962, 0.666, 0.981, 0.978]


def test_signed_rank_of_the_published_example():
    # Section 3.1.3: the smaller sum of ranks is 12, below the critical value 21 of 14 data sets at .05.
    d = np.array(C45_M) - np.array(C45)
    r = stats.rankdata(np.abs(d.round(6)))
    assert r[d < -1e-9].sum() + r[d == 0].sum() / 2 == pytest.approx(12.0)
    assert signed_rank_p(d.round(6)) < 0.05


def test_signed_rank_is_scipys_exact_test_without_ties():
    for seed in range(5):
        d = np.random.default_rng(seed).normal(0.3, 1.0, size=11)
        assert signed_rank_p(d) == pytest.approx(stats.wilcoxon(d, method="exact").pvalue)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(-4, 4), min_size=1, max_size=9))
def test_signed_rank_with_ties_and_zeros_is_that_of_all_signs(values):
    d = np.array(values, dtype=float)
    r = np.where(d != 0, stats.rankdata(np.abs(d)), 0.0)
    total = r[d > 0].sum()
    sums = np.array([(r * np.array(signs)).sum() for signs in product((0, 1), repeat=len(d))])
    brute = min(1.0, 2 * min((sums <= total + 1e-9).mean(), (sums >= total - 1e-9).mean()))
    assert signed_rank_p(d) == pytest.approx(brute)
    assert signed_rank_p(-d) == pytest.approx(signed_rank_p(d))


def test_why_six_corpora():
    # The reason that is given: even if all corpora agree, five are not enough.
    assert signed_rank_p(np.arange(1.0, MIN_CORPORA)) > 0.05
    assert signed_rank_p(np.arange(1.0, MIN_CORPORA + 1)) < 0.05
    assert compare_pairs(np.random.default_rng(0).random((MIN_CORPORA - 1, 3))) == []
    assert str(MIN_CORPORA) in TOO_FEW


def test_pairs_by_hand():
    base = np.linspace(0.6, 0.8, 8)
    scores = np.column_stack([base, base - 0.05, base + np.tile([0.002, -0.002], 4)])
    first, second, third = compare_pairs(scores)
    assert [(p.a, p.b) for p in (first, second, third)] == [(0, 1), (0, 2), (1, 2)]
    assert (first.for_a, first.for_b, first.median) == (8, 0, pytest.approx(0.05))
    assert first.p == pytest.approx(2 / 2**8)  # one way of 256 at either end
    assert [p.p_holm for p in (first, second, third)] == pytest.approx(holm([first.p, second.p, third.p]))
    assert first.a_better > 0.95
    assert second.equivalent > 0.95
    assert third.b_better > 0.95


def test_only_the_pairs_named_are_adjusted_for():
    scores = np.random.default_rng(1).random((9, 5))
    (only,) = compare_pairs(scores, pairs=[(2, 4)])
    assert only.p == only.p_holm == signed_rank_p(scores[:, 2] - scores[:, 4])


def test_bayesian_signed_rank_agrees_with_its_definition():
    # Benavoli et al. 2017, section 4.1, written out: weights from a Dirichlet distribution with half an observation at
    # no difference; all pairs of them vote on which side their mean lies.
    d = np.array([0.03, 0.012, -0.004, 0.02, 0.001, 0.04, -0.02])
    rope = 0.01
    z = np.append(0.0, d)
    w = np.random.default_rng(5).dirichlet([0.5] + [1.0] * len(d), size=20_000)
    mean = (z[:, None] + z) / 2
    shares = np.stack([np.einsum("si,ij,sj->s", w, side, w) for side in (
        (mean > rope) + 0.5 * (mean == rope), (np.abs(mean) < rope) + 0.5 * (np.abs(mean) == rope),
        (mean < -rope) + 0.5 * (mean == -rope),
    )], axis=1)  # fmt: skip
    expected = np.bincount(shares.argmax(axis=1), minlength=3) / len(w)
    assert bayesian_signed_rank(d, rope) == pytest.approx(expected, abs=0.02)
    assert bayesian_signed_rank(d, rope) == bayesian_signed_rank(d, rope)
    assert bayesian_signed_rank(-d, rope) == pytest.approx(expected[::-1], abs=0.02)
    a, b = baycomp.two_on_multiple(d, np.zeros(len(d)), rope=rope)[::2]
    assert (a, b) == pytest.approx((expected[0], expected[2]), abs=0.02)
    with pytest.raises(ValueError, match="rope"):
        bayesian_signed_rank(d, 0.0)


def test_effects_come_corpus_by_corpus():
    rng = np.random.default_rng(0)
    corpus = np.array(["reels"] * 80 + ["airs"] * 50)
    groups = np.arange(130) // 2
    a, b = (rng.random(130) < 0.9) * 1.0, (rng.random(130) < 0.6) * 1.0
    found = effects(a, b, corpus, groups, resamples=300)
    assert list(found) == ["reels", "airs"]
    here = corpus == "airs"
    assert found["airs"] == paired_difference(a[here], b[here], GroupBootstrap(groups[here], 300))


def test_missing_scores_are_refused():
    with pytest.raises(ValueError, match="accepted"):
        compare_pairs(np.array([[0.5, np.nan]] * 7))
