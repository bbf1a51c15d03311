"""Trees over candidates: our plain arrays against scikit-learn's own answers, and the laws on toy tunes."""

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

from keybench.errors import EstimatorError
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import CHANNEL_NAMES, tune_channels
from keybench.estimators.trees import (
    DEGREES,
    FEATURE_NAMES,
    CandidateTrees,
    candidate_features,
    plain_trees,
    tree_scores,
)
from keybench.key import DORIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS
from keybench.notes import NoteTable

SMALL = {"rounds": 12, "mode_rounds": 6, "smallest_leaf": 5}


@pytest.mark.parametrize("n_classes", [2, 4])
def test_plain_trees_say_what_scikit_learn_says(n_classes):
    rng = np.random.default_rng(n_classes)
    rows = rng.normal(size=(600, 7)).round(1)  # many equal values: thresholds fall between them
    classes = (rows[:, 0] + rows[:, 1] * rows[:, 2] > 0).astype(int) + (n_classes > 2) * 2 * (rows[:, 3] > 0.5)
    model = HistGradientBoostingClassifier(max_iter=12, max_leaf_nodes=9, learning_rate=0.2, early_stopping=False)
    model.fit(rows, classes)
    asked = np.concatenate([rows[:50], rng.normal(size=(3000, 7)) * 3])
    scores = tree_scores(plain_trees(model), asked)
    expected = model.decision_function(asked)
    np.testing.assert_allclose(scores if n_classes > 2 else scores[:, 0], expected, atol=1e-12)


def test_a_tree_without_a_split_gives_its_start():
    """Fewer rows than two leaves need: every tree is a single leaf."""
    model = HistGradientBoostingClassifier(max_iter=3, min_samples_leaf=20).fit(np.arange(12.0)[:, None], [0, 1] * 6)
    rows = np.arange(4.0)[:, None]
    np.testing.assert_allclose(tree_scores(plain_trees(model), rows)[:, 0], model.decision_function(rows), atol=1e-12)


def test_features_are_the_channels_counted_from_the_candidate():
    notes = small_corpus(6)[0]
    seen = candidate_features(notes)
    assert seen.shape == (6, 12, len(FEATURE_NAMES))
    channels = tune_channels(notes)
    at = FEATURE_NAMES.index("strong beats at 7")
    whole = channels[:, CHANNEL_NAMES.index("strong beats")]
    degree = FEATURE_NAMES.index("degree of last")
    last = channels[:, CHANNEL_NAMES.index("last")].argmax(axis=1)
    for candidate in range(12):
        np.testing.assert_allclose(seen[:, candidate, at], whole[:, (candidate + 7) % 12], atol=1e-5)
        np.testing.assert_array_equal(seen[:, candidate, degree], (last - candidate) % 12)
    assert len(DEGREES) == len(set(DEGREES))


def test_moving_the_music_moves_the_candidates():
    notes = small_corpus(6)[0]
    moved = candidate_features(notes.transpose(5))
    np.testing.assert_allclose(np.roll(candidate_features(notes), 5, axis=1), moved, atol=2e-5)


def test_learns_home_and_mode_of_tunes():
    notes, truth, groups = small_corpus(280)
    test, test_truth, _ = small_corpus(140, seed=1)
    model = CandidateTrees(**SMALL).fit(notes, truth, groups=groups)
    predicted = model.predict(test)
    # Walks over the scale that end at home four times in five: a guess would be right once in 84.
    assert test_truth[np.arange(140), predicted].mean() > 0.6
    assert set(model.modes_) == set(range(7))


def test_a_label_that_leaves_the_mode_open_is_no_evidence_against_either():
    notes, truth, groups = small_corpus(280)
    modes = truth.argmax(axis=1) // 12
    keep = np.isin(modes, (MAJOR, MINOR, DORIAN))
    notes, truth, groups, modes = notes[keep], truth[keep].copy(), groups[keep], modes[keep]
    opened = np.flatnonzero(modes == DORIAN)[::2]  # half of the Dorian tunes are labelled "minor or Dorian"
    truth[opened, 12 * MINOR + truth[opened].argmax(axis=1) % 12] = True
    model = CandidateTrees(**SMALL).fit(notes, truth, groups=groups)
    likely = model.predict_log_proba(notes)[opened].argmax(axis=1) // 12
    assert (likely == DORIAN).mean() > 0.7


def test_home_notes_alone_teach_home_notes_and_leave_modes_to_their_shares():
    notes, truth, groups = small_corpus(84)
    homes = np.tile(truth.reshape(-1, 7, 12).any(axis=1), 7)
    model = CandidateTrees(**SMALL).fit(notes, homes, groups=groups)
    assert not model.mode_trees_
    p = np.exp(model.predict_log_proba(notes)).reshape(-1, 7, 12)
    np.testing.assert_allclose(p / p.sum(axis=1, keepdims=True), 1 / 7, atol=1e-9)


def test_likelihoods_leave_out_the_shares_of_the_modes():
    notes, truth, groups = small_corpus(84)
    few = truth.argmax(axis=1) // 12 != MIXOLYDIAN
    model = CandidateTrees(**SMALL).fit(notes[few], truth[few], groups=groups[few])
    gap = model.predict_log_proba(notes) - model.predict_log_likelihood(notes)
    np.testing.assert_allclose(gap[0], np.repeat(model.log_modes_, 12), atol=1e-12)


def test_one_piece_and_no_notes_are_answered():
    notes, truth, _ = small_corpus(1)
    model = CandidateTrees(**SMALL).fit(notes, truth)
    assert np.isfinite(model.predict_log_proba(NoteTable.from_notes([]))).all()
    assert model.predict_log_proba(notes).shape == (1, N_KEYS)


@pytest.mark.parametrize(
    ("name", "value"), [("rounds", 0), ("leaves", 1), ("learning_rate", 0.0), ("held_out", -1), ("l2", -1.0)]
)
def test_numbers_that_make_no_forest_are_named(name, value):
    with pytest.raises(EstimatorError, match=name):
        CandidateTrees(**{name: value}).check_parameters()


def test_without_a_hold_out_the_forests_are_the_same_and_only_surer():
    notes, truth, groups = small_corpus(210)
    held = CandidateTrees(**SMALL).fit(notes, truth, groups=groups)
    plain = CandidateTrees(held_out=0, **SMALL).fit(notes, truth, groups=groups)
    assert plain.home_sharpness_ == plain.mode_sharpness_ == 1.0
    for name, array in held.home_trees_.items():
        np.testing.assert_array_equal(plain.home_trees_[name], array)


def test_a_mode_that_every_label_leaves_open_is_learnt_all_the_same():
    """One collection's "minor" is always "minor or Dorian", and no other label names minor."""
    notes, truth, groups = small_corpus(280)
    modes = truth.argmax(axis=1) // 12
    keep = np.isin(modes, (MAJOR, MINOR))
    notes, truth, groups, modes = notes[keep], truth[keep].copy(), groups[keep], modes[keep]
    minor = np.flatnonzero(modes == MINOR)
    truth[minor, 12 * DORIAN + truth[minor].argmax(axis=1) % 12] = True
    model = CandidateTrees(**SMALL).fit(notes, truth, groups=groups)
    assert MINOR in model.modes_
    assert (model.predict(notes)[minor] // 12 == MINOR).mean() > 0.8
