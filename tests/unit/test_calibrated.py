"""Calibration: methods whose probabilities are wrong in a known way become right, and their answers stay."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from sklearn.base import clone
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression

from keybench.errors import EstimatorError
from keybench.estimators import make
from keybench.estimators.base import ScoringEstimator, log_softmax
from keybench.estimators.calibrated import METHODS, Calibrated
from keybench.estimators.checks import small_corpus
from keybench.estimators.inner import inner_folds, out_of_fold
from keybench.estimators.sureness import (
    LEAST,
    fit_right,
    fit_sureness,
    log_odds,
    logistic,
    raise_first,
    sure_log_proba,
)
from keybench.key import MAJOR, MIXOLYDIAN, N_KEYS, RELATION_TABLE, RELATIONS, transpose_keys
from keybench.notes import NoteTable
from keybench.scores.calibration import calibration_error


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(168)


def boastful(n, seed, true_share=lambda log_odds: log_odds / 3.0):
    """Answers whose log-odds of the first choice are three times what they should be, and their truths."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(size=(n, N_KEYS))
    top = scores.argmax(axis=1)
    rows = np.arange(n)
    odds = rng.uniform(-1.0, 9.0, size=n)
    said = raise_first(log_softmax(scores), logistic(odds))
    right = rng.random(n) < logistic(true_share(odds))
    other = np.where(np.exp(said) == np.exp(said).max(axis=1, keepdims=True), 0.0, np.exp(said))
    other /= other.sum(axis=1, keepdims=True)
    wrong_answer = np.array([rng.choice(N_KEYS, p=row) for row in other])
    truth = np.zeros((n, N_KEYS), dtype=bool)
    truth[rows, np.where(right, top, wrong_answer)] = True
    return said, truth


def test_sureness_mends_a_boastful_method():
    said, truth = boastful(3000, 0)
    new, new_truth = boastful(3000, 1)
    rows = np.arange(3000)
    found = sure_log_proba(new, fit_sureness(said, truth))
    np.testing.assert_array_equal(found.argmax(axis=1), new.argmax(axis=1))
    right = new_truth[rows, new.argmax(axis=1)].astype(float)
    before, after = (calibration_error(np.exp(p.max(axis=1)), right) for p in (new, found))
    assert before > 0.1
    assert after < 0.03
    truly = logistic(log_odds(np.exp(new.max(axis=1))) / 3.0)
    assert np.abs(np.exp(found.max(axis=1)) - truly).mean() < 0.03


def test_the_mode_that_is_named_counts():
    """Half of the answers are Mixolydian and right one time in five; the others nine in ten, just as surely said."""
    rng = np.random.default_rng(0)
    n = 2000
    top = 12 * np.where(np.arange(n) % 2 == 0, MAJOR, MIXOLYDIAN) + rng.integers(12, size=n)
    said = np.full((n, N_KEYS), np.log(0.4 / 83))
    said[np.arange(n), top] = np.log(0.6)
    right = rng.random(n) < np.where(top // 12 == MAJOR, 0.9, 0.2)
    major_instead = 12 * MAJOR + (top + np.where(top // 12 == MAJOR, 7, 0)) % 12
    truth = np.zeros((n, N_KEYS), dtype=bool)
    truth[np.arange(n), np.where(right, top, major_instead)] = True
    learnt = fit_sureness(said, truth)
    found = np.exp(sure_log_proba(said[:2], learnt))
    assert found[0, top[0]] == pytest.approx(0.9, abs=0.03)
    # Major on the same home note takes what Mixolydian loses, but stays behind what is said: they meet.
    assert found[1, major_instead[1]] > 0.19
    assert found[1].argmax() == top[1]
    # Of wrong major answers, the right key was always a fifth above; of wrong Mixolydian ones, the parallel major.
    kind = RELATIONS[int(RELATION_TABLE[top[0], major_instead[0]])]
    assert kind == "fifth above"
    fifths_above = RELATION_TABLE[top[0]] == RELATIONS.index(kind)
    assert found[0, fifths_above].sum() > 0.5 * (1 - found[0, top[0]]) / 3


def test_keys_that_cannot_be_named_get_their_share(corpus):
    """A method that knows major only, on tunes of which six in seven are in other modes."""
    notes, truth, _ = corpus

    class Majors(ScoringEstimator):
        def _scores(self, X):
            scores = np.full((len(X), N_KEYS), -np.inf)
            scores[:, :12] = 0.0
            for i, piece in enumerate(X.pieces()):
                scores[i, int(piece.pitch[-1]) % 12] = 1.0
            return scores

    model = Majors().fit(notes, truth)
    p = np.exp(model.predict_log_proba(notes))
    assert p[:, 12:].sum(axis=1).mean() == pytest.approx(truth[:, 12:].any(axis=1).mean(), abs=0.1)
    assert (p.argmax(axis=1) < 12).all()


def test_fit_right_against_scikit_learn():
    # Reference: scikit-learn's logistic regression, with the same targets as weighted pairs, no ridge, no bounds met.
    rng = np.random.default_rng(3)
    n = 400
    design = np.column_stack([rng.normal(size=(n, 2)), np.ones(n)])
    right = (rng.random(n) < logistic(design @ [1.5, 0.7, -0.3])).astype(float)
    found = fit_right(design, right, np.array([1.0, 1.0, 0.0]), np.full(3, 1e-9), 2)
    target = (right * n + 0.5) / (n + 1)
    both = np.vstack([design, design])
    reference = LogisticRegression(C=1e9, fit_intercept=False, tol=1e-8, max_iter=500).fit(
        both, np.repeat([1, 0], n), sample_weight=np.concatenate([target, 1 - target])
    )
    np.testing.assert_allclose(found, reference.coef_[0], atol=2e-3)


def test_surer_is_never_less_often_right():
    # The less sure half is right more often: the line that is not allowed to fall is flat.
    said = np.repeat(np.linspace(-2, 2, 50), 4)
    design = np.column_stack([said, np.ones(200)])
    right = (np.arange(200) % 4 < np.where(said < 0, 3, 1)).astype(float)
    weights = fit_right(design, right, np.array([1.0, 0.0]), np.full(2, 1e-3), 1)
    assert weights[0] == pytest.approx(0.0, abs=1e-9)
    assert logistic(weights[1:])[0] == pytest.approx(0.5, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 11), st.floats(0.0, 1.0))
def test_calibration_keeps_the_order_of_first_and_moves_with_the_music(seed, k, share):
    rng = np.random.default_rng(seed)
    n = 20
    said = log_softmax(rng.normal(scale=rng.choice([0.1, 1.0, 5.0]), size=(n, N_KEYS)))
    truth = np.zeros((n, N_KEYS), dtype=bool)
    truth[np.arange(n), np.where(rng.random(n) < share, said.argmax(axis=1), rng.integers(N_KEYS, size=n))] = True
    learnt = fit_sureness(said, truth)
    trust = rng.random(n)
    for change in (
        lambda rows: sure_log_proba(rows, learnt),
        lambda rows: sure_log_proba(rows, learnt, trust=trust),
        lambda rows: raise_first(rows, np.full(n, share)),
    ):
        found = change(said)
        assert np.isfinite(found).all()
        np.testing.assert_allclose(np.exp(found).sum(axis=1), 1.0, atol=1e-9)
        np.testing.assert_array_equal(found.argmax(axis=1), said.argmax(axis=1))
        assert np.exp(found).min() >= LEAST * 0.99
        np.testing.assert_allclose(change(transpose_keys(said, k)), transpose_keys(found, k), atol=1e-5)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(1e-4, 1.0), min_size=3, max_size=3), st.floats(0.02, 0.98))
def test_others_are_held_below_the_first_as_by_brute_force(shares, sure):
    """The first choice gets what is stated; the others are as near as can be to their proportions, none above it."""
    p = np.full(N_KEYS, 1e-4)
    p[[5, 20, 40]] = shares
    p[0] = 2.0
    p /= p.sum()
    found = np.exp(raise_first(np.log(p)[None], np.array([sure])))[0]
    assert found[0] == pytest.approx(max(sure, 1 / N_KEYS), abs=1e-4)
    rest = p[1:] / p[1:].sum() * (1 - sure)
    low, high = 1.0, 1e6  # by bisection: the factor at which held values sum to what is left
    for _ in range(200):
        middle = np.sqrt(low * high)
        low, high = (middle, high) if np.minimum(rest * middle, sure).sum() < 1 - sure else (low, middle)
    np.testing.assert_allclose(found[1:], np.minimum(rest * low, sure), atol=2e-4)


@pytest.mark.parametrize("method", METHODS)
def test_answers_stay_those_of_the_method(corpus, method):
    notes, truth, groups = corpus
    plain = make("albrecht-shanahan-modes").fit(notes, truth)
    model = Calibrated("albrecht-shanahan-modes", method).fit(notes, truth, groups)
    new = small_corpus(60, seed=4)[0]
    np.testing.assert_array_equal(model.predict(new), plain.predict(new))
    assert model.tags.names == plain.tags.names
    json.dumps({name: getattr(model, name) for name in ("temperature_", "usual_rows_") if hasattr(model, name)})


def test_what_is_learnt_is_learnt_on_answers_out_of_fold(corpus):
    notes, truth, groups = corpus

    def base():
        return make("albrecht-shanahan-modes")

    said = out_of_fold(base, notes, truth, groups, inner_folds(len(notes), groups, 4, 7))
    temperature = Calibrated("albrecht-shanahan-modes", "temperature", 4, random_state=7).fit(notes, truth, groups)

    def loss(b):
        n = len(said)
        log_p = log_softmax(b * said)
        return -(n * np.log(np.exp(log_p)[truth]).sum() + log_p.mean(axis=1).sum()) / (n + 1)

    best = minimize(loss, [1.0], method="Nelder-Mead", options={"xatol": 1e-6})
    assert temperature.temperature_ == pytest.approx(best.x[0], rel=1e-2)

    isotonic = Calibrated("albrecht-shanahan-modes", "isotonic", 4, random_state=7).fit(notes, truth, groups)
    first = np.exp(said.max(axis=1))
    right = truth[np.arange(len(said)), said.argmax(axis=1)]
    reference = IsotonicRegression(y_min=1 / 170, y_max=1 - 1 / 170).fit(first, right)
    at = np.linspace(first.min(), first.max(), 50)
    np.testing.assert_allclose(np.interp(at, isotonic.said_, isotonic.right_), reference.predict(at))


@pytest.mark.parametrize("method", METHODS)
def test_few_notes_are_not_made_sure(corpus, method):
    notes, truth, groups = corpus
    model = Calibrated("last-note", method).fit(notes, truth, groups)
    p = np.exp(model.predict_log_proba(NoteTable.from_notes([62])))
    assert p.max() < 0.4
    assert np.exp(model.predict_log_proba(notes)).max(axis=1).mean() > p.max() + 0.1


def test_a_single_group_and_hardly_any_pieces_will_do(corpus):
    notes, truth, _ = corpus
    for few in (slice(0, 1), slice(0, 2), slice(0, 7)):
        n = len(range(*few.indices(168)))
        for groups in (None, np.zeros(n, dtype=int)):
            for method in METHODS:
                model = Calibrated("krumhansl-kessler", method).fit(notes[few], truth[few], groups)
                np.testing.assert_allclose(np.exp(model.predict_log_proba(notes[:5])).sum(axis=1), 1.0)


def test_bad_parameters_are_named(corpus):
    for parameters, message in (
        ({"method": "platt"}, "unknown method 'platt'; accepted: answered-mode, temperature, isotonic"),
        ({"folds": 1}, "folds is 1; accepted: a whole number, 2 or more"),
        ({"base": "no-such"}, "unknown estimator 'no-such'"),
        ({"params": 3}, "params is 3; accepted: a table"),
        ({"base": "logistic", "params": {"l2": -1.0}}, "l2 is -1.0"),
    ):
        with pytest.raises(EstimatorError, match=message):
            Calibrated(**parameters).check_parameters()
    with pytest.raises(EstimatorError, match="groups has 3 entries"):
        Calibrated("last-note").fit(*corpus[:2], np.zeros(3))
    assert clone(Calibrated("logistic", params={"l2": 3.0})).make_base().l2 == 3.0
