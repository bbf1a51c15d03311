"""Abstention: thresholds that keep a stated risk, and what is measured of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from keybench.errors import EstimatorError
from keybench.estimators import make
from keybench.estimators.abstain import NEVER, Abstaining, guaranteed_threshold, upper_bound
from keybench.estimators.checks import small_corpus
from keybench.estimators.inner import inner_folds, out_of_fold
from keybench.scores.risk import accuracy_at, answered_at_risk, area_under_risk, risk_coverage


@pytest.mark.parametrize(("wrong", "n"), [(0, 10), (1, 10), (3, 50), (49, 50), (50, 50), (7, 1000)])
@pytest.mark.parametrize("confidence", [0.9, 0.99])
def test_upper_bound_against_scipy(wrong, n, confidence):
    # Reference: scipy's exact binomial interval, one-sided.
    expected = binomtest(wrong, n, alternative="less").proportion_ci(confidence, method="exact").high
    assert upper_bound(wrong, n, confidence) == pytest.approx(expected)


def test_upper_bound_by_hand():
    # No error among n: (1 - bound)^n = 1 - confidence; "rule of three" (Hanley & Lippman-Hand 1983): 3 / n at .95.
    assert upper_bound(0, 100, 0.95) == pytest.approx(1 - 0.05**0.01)
    assert upper_bound(0, 100, 0.95) == pytest.approx(0.03, rel=0.02)
    assert upper_bound(0, 0, 0.95) == 1.0


def test_threshold_by_hand():
    # 180 right answers at .9, then 20 wrong ones at .5: all together risk .1, too much; the 180 alone have none, and
    # at 1 - .1 / 40 that bounds the risk at 1 - .0025^(1 / 180) = .033.
    sure = np.append(np.full(180, 0.9), np.full(20, 0.5))
    right = np.append(np.ones(180), np.zeros(20))
    assert guaranteed_threshold(sure, right, 0.05, 0.9) == 0.9
    assert guaranteed_threshold(sure, right, 0.3, 0.9) == 0.5
    assert guaranteed_threshold(sure, right, 0.034, 0.9) == 0.9
    assert guaranteed_threshold(sure, right, 0.032, 0.9) == NEVER
    assert guaranteed_threshold(np.zeros(0), np.zeros(0), 0.5, 0.9) == NEVER
    assert guaranteed_threshold(np.full(50, 0.7), np.zeros(50), 0.5, 0.9) == NEVER


def test_the_stated_risk_is_kept_as_often_as_stated():
    """Over many draws of training answers, the true risk above the threshold exceeds the stated one rarely enough."""
    rng = np.random.default_rng(0)
    risk, confidence, exceeded, answered = 0.2, 0.5, 0, 0
    grid = np.linspace(0, 1, 2001)
    for _ in range(300):
        sure = rng.random(300)
        right = (rng.random(300) < sure).astype(float)  # the true risk of answers at or above t is (1 - t) / 2
        threshold = guaranteed_threshold(sure, right, risk, confidence)
        if threshold <= 1.0:
            answered += 1
            exceeded += (1.0 - grid[grid >= threshold]).mean() > risk
    assert answered > 200
    assert exceeded <= binom.ppf(0.999, 300, 1 - confidence)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 9), st.booleans()), min_size=1, max_size=60), st.floats(0.05, 0.6))
def test_what_is_answered_keeps_the_bound(answers, risk):
    sure = np.array([a for a, _ in answers]) / 10
    right = np.array([float(b) for _, b in answers])
    threshold = guaranteed_threshold(sure, right, risk, 0.8)
    given_ = sure >= threshold
    if given_.any():
        assert upper_bound((1 - right[given_]).sum(), given_.sum(), 1 - 0.2 / 40) <= risk
    for lower in np.unique(sure[~given_]):  # and with fewer than 40 answers, none more could have been given
        more = sure >= lower
        assert len(sure) > 40 or upper_bound((1 - right[more]).sum(), more.sum(), 1 - 0.2 / 40) > risk


def test_risk_and_coverage_by_hand():
    sure = np.array([0.9, 0.8, 0.8, 0.5, np.nan])
    right = np.array([1.0, 1.0, 0.0, 1.0, 0.0])
    coverage, risk = risk_coverage(sure, right)
    np.testing.assert_allclose(coverage, [0.2, 0.6, 0.8, 1.0])
    np.testing.assert_allclose(risk, [0, 1 / 3, 1 / 4, 2 / 5])
    # Wrong answers after 1 to 5: 0, a half (the tie), 1, 1, 2.
    assert area_under_risk(sure, right) == pytest.approx((0 + 0.5 / 2 + 1 / 3 + 1 / 4 + 2 / 5) / 5)
    assert accuracy_at(sure, right, 0.8) == (pytest.approx(2 / 3), 3)
    assert accuracy_at(sure, right, 0.95) == (pytest.approx(np.nan, nan_ok=True), 0)
    assert np.isnan(area_under_risk(np.zeros(0), np.zeros(0)))
    assert [len(part) for part in risk_coverage(np.zeros(0), np.zeros(0))] == [0, 0]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40), st.randoms())
def test_the_curve_does_not_depend_on_the_order_of_pieces(answers, shuffle):
    sure, right = np.array([a for a, _ in answers]), np.array([float(b) for _, b in answers])
    order = np.arange(len(sure))
    shuffle.shuffle(order)
    coverage, risk = risk_coverage(sure, right)
    assert coverage[-1] == 1.0
    assert risk[-1] == pytest.approx(1 - right.mean())
    for one, other in zip((coverage, risk), risk_coverage(sure[order], right[order]), strict=True):
        np.testing.assert_allclose(one, other)
    best, worst = (area_under_risk(s, right) for s in (right, 1 - right))
    assert best - 1e-12 <= area_under_risk(sure, right) <= worst + 1e-12


def test_the_threshold_of_a_fold_comes_from_the_others():
    rng = np.random.default_rng(1)
    n = 600
    sure, fold = rng.random(n), np.arange(n) % 3
    right = (rng.random(n) < sure).astype(float)
    sure[:3] = np.nan
    right[:3] = 0.0
    answered = answered_at_risk(sure, right, fold, 0.2, 0.9)
    assert not answered[:3].any()
    for k in range(3):
        others = (fold != k) & ~np.isnan(sure)
        threshold = guaranteed_threshold(sure[others], right[others], 0.2, 0.9)
        here = (fold == k) & ~np.isnan(sure)
        np.testing.assert_array_equal(answered[here], sure[here] >= threshold)
    changed = right.copy()
    changed[fold == 0] = 0.0  # what is right in a fold changes nothing of what is answered there
    np.testing.assert_array_equal(answered_at_risk(sure, changed, fold, 0.2)[fold == 0], answered[fold == 0])


def test_a_method_that_is_not_always_sure():
    notes, truth, groups = small_corpus(252)
    model = Abstaining("learnt-profile", risk=0.1, confidence=0.8, folds=3).fit(notes, truth, groups)
    said = out_of_fold(lambda: make("learnt-profile"), notes, truth, groups, inner_folds(len(notes), groups, 3, 0))
    sure = np.exp(said.max(axis=1))
    right = truth[np.arange(len(said)), said.argmax(axis=1)].astype(float)
    assert model.threshold_ == guaranteed_threshold(sure, right, 0.1, 0.8)
    assert model.coverage_ == pytest.approx((sure >= model.threshold_).mean())
    assert 0.1 < model.coverage_ < 1.0
    plain = make("learnt-profile").fit(notes, truth, groups)
    new = small_corpus(60, seed=3)[0]
    np.testing.assert_array_equal(model.predict_log_proba(new), plain.predict_log_proba(new))
    answer = model.predict_or_abstain(new)
    p = np.exp(plain.predict_log_proba(new))
    np.testing.assert_array_equal(answer, np.where(p.max(axis=1) >= model.threshold_, p.argmax(axis=1), -1))
    assert {-1} < set(answer.tolist())


def test_a_method_that_nothing_is_known_of_never_answers():
    notes, truth, _ = small_corpus(12)
    model = Abstaining("opening-note", risk=0.01).fit(notes, truth)
    assert model.threshold_ == NEVER
    assert (model.predict_or_abstain(notes) == -1).all()
    assert (model.predict(notes) >= 0).all()


def test_bad_parameters_are_named():
    for parameters, message in (
        ({"risk": 0.0}, "risk is 0.0; accepted: a number between 0 and 1"),
        ({"confidence": 1.5}, "confidence is 1.5"),
        ({"folds": 0}, "folds is 0"),
        ({"base": "no-such"}, "unknown estimator"),
    ):
        with pytest.raises(EstimatorError, match=message):
            Abstaining(**parameters).check_parameters()
    assert Abstaining("albrecht-shanahan").calibrated
    assert not Abstaining("most-common-key").calibrated
