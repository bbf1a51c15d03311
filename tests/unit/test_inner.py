"""Inner folds keep groups together; mode shares come out as a textbook would divide them."""

from typing import ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.grouping import deal_folds
from keybench.errors import EstimatorError
from keybench.estimators.base import KeyEstimator, as_truth, log_softmax
from keybench.estimators.checks import small_corpus
from keybench.estimators.inner import (
    choose_flattening,
    inner_folds,
    log_likelihoods,
    log_mode_shares,
    mode_balanced,
    out_of_fold,
)
from keybench.estimators.taught import log_tonics
from keybench.key import DORIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 15), min_size=20, max_size=60), st.integers(2, 6), st.integers(0, 3))
def test_no_group_stands_in_two_folds(groups, n_folds, seed):
    groups = np.array(groups)
    fold_of = inner_folds(len(groups), groups, n_folds, seed)
    for g in np.unique(groups):
        assert len(np.unique(fold_of[groups == g])) == 1
    # The same dealing as that of the runner, on groups numbered without gaps.
    labels = np.unique(groups, return_inverse=True)[1]
    np.testing.assert_array_equal(fold_of, deal_folds(labels, n_folds, seed))


def test_pieces_without_groups_stand_alone_and_folds_are_even():
    sizes = np.bincount(inner_folds(23, None, 4, 0))
    assert sizes.sum() == 23
    assert sizes.max() - sizes.min() <= 1


def test_fewer_groups_than_folds_leave_folds_empty():
    assert len(np.unique(inner_folds(6, np.array([3, 3, 9, 9, 9, 3]), 5, 0))) == 2


def test_groups_of_another_length_are_refused():
    with pytest.raises(EstimatorError, match="groups has 3 entries"):
        inner_folds(4, np.arange(3), 2, 0)


class Recorder(KeyEstimator):
    """Keeps which pieces it was fitted on, and answers with the number of notes of the first of them."""

    seen: ClassVar[list] = []

    def fit(self, X, y=None, groups=None):
        self.pieces_ = X.n_notes.copy()
        Recorder.seen.append((set(X.n_notes.tolist()), set(groups.tolist())))
        return self

    def predict_log_proba(self, X):
        assert not set(X.n_notes.tolist()) & set(self.pieces_.tolist()), "asked about a piece it was fitted on"
        return np.full((len(X), N_KEYS), float(len(self.pieces_)))


def test_out_of_fold_answers_come_from_methods_that_saw_no_related_piece():
    notes, truth, _ = small_corpus(40)
    rows = np.unique(notes.n_notes, return_index=True)[1]  # pieces told apart by their number of notes
    notes, truth = notes[rows], truth[rows]
    groups = np.arange(len(rows)) // 2
    fold_of = inner_folds(len(rows), groups, 3, 0)
    Recorder.seen = []
    out = out_of_fold(Recorder, notes, truth, groups, fold_of)
    assert len(Recorder.seen) == 3
    for fold, (_, taught) in zip(np.unique(fold_of), Recorder.seen, strict=True):
        assert not taught & set(groups[fold_of == fold].tolist())
        assert (out[fold_of == fold] == (fold_of != fold).sum()).all()


def test_mode_shares_by_hand():
    # Three pieces: one major, one Dorian, one that may be minor or Dorian; half a piece is added to each of 7 modes.
    truth = as_truth(np.array([12 * MAJOR + 3, 12 * DORIAN + 2, 12 * MINOR + 9]), 3)
    truth[2, 12 * DORIAN + 9] = True
    shares = np.exp(log_mode_shares(truth))
    assert shares.sum() == pytest.approx(1.0)
    assert shares[MAJOR] == pytest.approx(1.5 / 6.5)
    assert shares[DORIAN] == pytest.approx(2.0 / 6.5)
    assert shares[MINOR] == pytest.approx(1.0 / 6.5)


def test_likelihoods_times_shares_are_the_posterior():
    """Bayes' rule, on random numbers."""
    rng = np.random.default_rng(0)
    log_p = log_softmax(rng.normal(size=(5, N_KEYS)))
    log_modes = log_softmax(rng.normal(size=7))
    likelihood = log_likelihoods(log_p, log_modes)
    again = likelihood + np.repeat(log_modes, 12)
    np.testing.assert_allclose(log_softmax(again), log_p, atol=1e-12)


def test_mode_balanced_choice_is_no_surer_than_the_shares_allow():
    """By hand: of .5 for major and .4 for Dorian, with a fifth as many Dorian pieces, Dorian comes first, with .4."""
    log_modes = np.log(np.array([0.5, 0.1, 0.05, 0.05, 0.1, 0.15, 0.05]))
    p = np.full((2, N_KEYS), 0.1 / 82)
    p[:, 12 * MAJOR], p[:, 12 * DORIAN] = 0.5, 0.4
    log_p = np.log(p)
    np.testing.assert_array_equal(mode_balanced(log_p, log_modes, 0.0), log_p)
    found = np.exp(mode_balanced(log_p, log_modes, 1.0))
    np.testing.assert_array_equal(found.argmax(axis=1), 12 * DORIAN)
    np.testing.assert_allclose(found[:, 12 * DORIAN], 0.4, atol=1e-4)
    np.testing.assert_allclose(found[:, 12 * MAJOR], 0.4, atol=1e-4)  # a hair below
    np.testing.assert_allclose(found[:, 1], 0.2 / 82, atol=1e-4)  # what major lost
    np.testing.assert_allclose(found.sum(axis=1), 1.0)


def test_tonic_probabilities_are_sums_over_modes():
    log_p = log_softmax(np.random.default_rng(1).normal(size=(4, N_KEYS)))
    summed = np.exp(log_p).reshape(4, 7, 12).sum(axis=1)
    np.testing.assert_allclose(np.exp(log_tonics(log_p)), summed)


def test_flattening_trades_exact_for_recall_as_far_as_it_may():
    """Ten pieces, of which two are Mixolydian and look major: which part of the shares pays, by hand."""
    keys = np.array([12 * MAJOR] * 8 + [12 * MIXOLYDIAN] * 2)
    truth = as_truth(keys, 10)
    log_modes = np.full(7, np.log(0.01))
    log_modes[MAJOR], log_modes[MIXOLYDIAN] = np.log(0.75), np.log(0.2)  # log ratio 1.32
    log_p = np.full((10, N_KEYS), -20.0)
    lead = np.array([3.0] * 6 + [0.5, 0.5] + [0.45, 0.45])  # of major over Mixolydian
    log_p[:, 12 * MAJOR], log_p[:, 12 * MIXOLYDIAN] = 0.0, -lead
    log_p = log_softmax(log_p)
    modes = np.array([MAJOR, MIXOLYDIAN])
    # A part of 0.35 takes out 0.46: the two Mixolydian pieces are found at no cost; 0.4 (0.53) would lose two major.
    assert choose_flattening(log_p, truth, log_modes, 0.9, modes) == pytest.approx(0.35)
    # Where the two Mixolydian pieces cost three major ones, the floor decides: 0.8 are right as it is, 0.7 then.
    lead[5:8] = 0.3
    log_p[:, 12 * MIXOLYDIAN] = log_p[:, 12 * MAJOR] - lead
    assert choose_flattening(log_p, truth, log_modes, 0.85, modes) == 0.0
    assert choose_flattening(log_p, truth, log_modes, 0.65, modes) == pytest.approx(0.35)
