"""The ensemble: its gradient against differences, its weights on members made to be right or wrong, what they hear."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.special import log_softmax as scipy_log_softmax

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError
from keybench.estimators import ensemble
from keybench.estimators.base import KeyEstimator, Tags
from keybench.estimators.checks import run_checks, small_corpus
from keybench.estimators.ensemble import Stacked, stack_objective, stack_scores, statements
from keybench.key import DORIAN, MAJOR, MIXOLYDIAN, N_KEYS, N_MODES, transpose_keys
from keybench.notes import BASS, NoteTable, Piece
from keybench.views.lines import lowest_line

QUICK = ("logistic", "last-note", "krumhansl-kessler-modes")


def problem(seed, m=3, n=6):
    rng = np.random.default_rng(seed)
    said = [statements(scipy_log_softmax(rng.normal(scale=2, size=(n, N_KEYS)), axis=1)) for _ in range(m)]
    truth = rng.random((n, N_KEYS)) < 0.02
    truth[np.arange(n), rng.integers(N_KEYS, size=n)] = True
    return np.stack([s[0] for s in said]), np.stack([s[1] for s in said]), truth, rng.random(m * 8 + 7)


@pytest.mark.parametrize("seed", range(3))
def test_gradient_is_that_of_differences(seed):
    home, mode, truth, weights = problem(seed)
    value = lambda w: stack_objective(w, home, mode, truth, 3.0)[0]  # noqa: E731
    gradient = stack_objective(weights, home, mode, truth, 3.0)[1]
    np.testing.assert_allclose(gradient, approx_fprime(weights, value, 1e-6), rtol=1e-3, atol=1e-3)


def test_scores_are_weighted_sums_written_out():
    home, mode, _, weights = problem(0)
    m, n = home.shape[:2]
    scores = stack_scores(weights, home, mode)
    for i in range(n):
        for key in range(N_KEYS):
            by_mode, tonic = key // 12, key % 12
            total = weights[m * 8 + by_mode]
            for k in range(m):
                total += weights[k] * home[k, i, by_mode, tonic]
                total += weights[m + N_MODES * k + by_mode] * mode[k, i, by_mode, tonic]
            assert scores[i, key] == pytest.approx(total)


def test_statements_multiply_to_what_was_said():
    log_p = scipy_log_softmax(np.random.default_rng(0).normal(size=(4, N_KEYS)), axis=1)
    home, mode = statements(log_p)
    np.testing.assert_allclose((home + mode).reshape(4, N_KEYS), log_p, atol=1e-12)
    np.testing.assert_allclose(np.exp(home[:, 0]).sum(axis=1), 1.0)
    np.testing.assert_allclose(np.exp(mode).sum(axis=1), 1.0)


def test_one_member_at_equal_trust_says_what_the_member_says():
    home, mode, _, _ = problem(1, m=1)
    weights = np.concatenate([np.ones(8), np.zeros(7)])
    expected = (home + mode)[0].reshape(-1, N_KEYS)
    np.testing.assert_allclose(stack_scores(weights, home, mode), expected, atol=1e-12)


class Oracle(KeyEstimator):
    """Knows the key of a walk over a scale by its pitches: the mode and tonic of the nearest scale; or says nothing."""

    tags = Tags()

    def __init__(self, about="home"):
        self.about = about

    def fit(self, X, y=None, groups=None):
        self.fitted_ = 1
        return self

    def predict_log_proba(self, X):
        scores = np.zeros((len(X), 7, 12))
        if self.about == "home":
            last = np.array([X.pitch[b - 1] for b in X.offsets[1:]]).astype(int) % 12
            scores[np.arange(len(X)), :, last] = 3.0
        return scipy_log_softmax(scores.reshape(len(X), N_KEYS), axis=1)


def test_a_member_that_says_nothing_gets_no_say(monkeypatch):
    made = {"home": lambda: Oracle("home"), "nothing": lambda: Oracle("nothing")}
    monkeypatch.setattr("keybench.estimators.make", lambda name, **params: made[name]())
    notes, truth, groups = small_corpus(140)
    model = Stacked(members=["home", "nothing"]).fit(notes, truth, groups=groups)
    # Home is the last note four times in five and the member says so with odds of 20 to 11: it must be trusted as it
    # is or more. What says nothing keeps the weight that the ridge draws it to, and it changes no answer.
    assert model.home_weights_[0] > 0.9
    alone = Stacked(members=["home"]).fit(notes, truth, groups=groups)
    np.testing.assert_array_equal(model.predict(notes), alone.predict(notes))


def test_weights_come_from_answers_to_unseen_pieces(monkeypatch):
    """A member that learns its pieces by heart is right about all it was fitted on and about nothing else."""

    class ByHeart(KeyEstimator):
        tags = Tags(learns=True)

        def fit(self, X, y=None, groups=None):
            self.known_ = {X[i].pitch.tobytes(): np.asarray(y)[i].argmax() for i in range(len(X))}
            return self

        def predict_log_proba(self, X):
            scores = np.zeros((len(X), N_KEYS))
            for i in range(len(X)):
                guess = (int(X[i].pitch[-1]) + 6) % 12  # what is surely wrong, for pieces it does not know
                scores[i, self.known_.get(X[i].pitch.tobytes(), guess)] = 5.0
            return scipy_log_softmax(scores, axis=1)

    made = {"heart": ByHeart, "home": lambda: Oracle("home")}
    monkeypatch.setattr("keybench.estimators.make", lambda name, **params: made[name]())
    notes, truth, _ = small_corpus(140)
    model = Stacked(members=["heart", "home"]).fit(notes, truth)
    # By answers to its own pieces it would be the best of all; the ridge keeps it from quite zero.
    assert model.home_weights_[0] < 0.25 * model.home_weights_[1]


def test_beats_or_equals_its_members_on_toy_tunes():
    notes, truth, groups = small_corpus(210)
    test, test_truth, _ = small_corpus(105, seed=1)
    model = Stacked(members=QUICK).fit(notes, truth, groups=groups)
    rows = np.arange(len(test))
    right = test_truth[rows, model.predict(test)].mean()
    others = [test_truth[rows, each.predict(test)].mean() for each in model.fitted_]
    assert right >= max(others) - 0.03
    assert (model.home_weights_ >= 0).all()
    assert (model.mode_weights_ >= 0).all()


def test_the_balanced_decision_takes_out_what_was_chosen():
    notes, truth, groups = small_corpus(140)
    model = Stacked(members=QUICK).fit(notes, truth, groups=groups)
    natural = model.predict_log_proba(notes)
    model.flattening_, model.decision = 0.4, "mode-balanced"
    moved = model.predict_log_proba(notes) - natural + 0.4 * np.repeat(model.log_modes_, 12)
    np.testing.assert_allclose(moved, np.broadcast_to(moved[:, :1], moved.shape), atol=1e-9)
    gap = natural - model.predict_log_likelihood(notes)
    np.testing.assert_allclose(gap[0], np.repeat(model.log_modes_, 12), atol=1e-9)


def two_voices(n=60, seed=0):
    """Tunes over a bass that ends at home; the upper voice ends a third above it."""
    tunes, truth, groups = small_corpus(n, seed)
    pieces = []
    for i, piece in enumerate(tunes.pieces()):
        tonic = truth[i].argmax() % 12
        half = len(piece.onset) // 2
        onset = np.concatenate([piece.onset, piece.onset[::2]])
        duration = np.concatenate([piece.duration, piece.duration[::2]])
        low = np.full(len(piece.onset[::2]), 36.0 + tonic)
        part = np.concatenate([np.zeros(len(piece.onset)), np.full(len(low), BASS)])
        pieces.append(Piece(onset, duration, np.concatenate([piece.pitch, low]), part.astype(int)))
        assert half
    return NoteTable.from_pieces(pieces), truth, groups


def test_a_member_hears_its_view_and_nothing_else(monkeypatch):
    heard = []

    class Listener(Oracle):
        def predict_log_proba(self, X):
            heard.append(X)
            return super().predict_log_proba(X)

    monkeypatch.setattr("keybench.estimators.make", lambda name, **params: Listener())
    notes, truth, groups = two_voices()
    model = Stacked(members=[{"use": "a", "view": "lowest-line"}, "a"]).fit(notes, truth, groups=groups)
    heard.clear()
    model.predict_log_proba(notes)
    np.testing.assert_array_equal(heard[0].pitch, lowest_line(notes).pitch)
    np.testing.assert_array_equal(heard[1].pitch, notes.pitch)


def recording_of(notes):
    """Eight frames for each piece, with the energies of its pitch classes."""
    time = np.tile(np.arange(8.0), len(notes))
    energy = np.zeros((len(notes), 12), np.float32)
    np.add.at(energy, (notes.piece, notes.pitch.astype(int) % 12), notes.duration)
    frames = np.repeat(energy / energy.sum(axis=1, keepdims=True), 8, axis=0)
    return ChromaTable(time=time, bass=frames, treble=frames, offsets=8 * np.arange(len(notes) + 1))


def test_notes_and_recording_go_to_the_members_that_take_them():
    notes, truth, groups = small_corpus(84)
    both = BothTable(notes, recording_of(notes))
    members = ["last-note", {"use": "logistic", "view": "chroma"}, {"use": "logistic", "view": "lowest-line"}]
    model = Stacked(members=members)
    assert model.tags.takes == "both"
    model.fit(both, truth, groups=groups)
    answer = model.predict_log_proba(both)
    moved = model.predict_log_proba(both.transpose(4))
    np.testing.assert_allclose(transpose_keys(answer, 4), moved, atol=1e-3)
    assert truth[np.arange(84), answer.argmax(axis=1)].mean() > 0.5


def test_takes_what_its_members_take():
    assert Stacked().tags.takes == "notes"
    chroma = Stacked(members=[{"use": "logistic", "view": "chroma"}])
    assert chroma.tags.takes == "chroma"
    table = recording_of(small_corpus(42)[0])
    chroma.fit(table, small_corpus(42)[1])
    assert chroma.predict_log_proba(table).shape == (42, N_KEYS)


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"members": []}, "at least one method"),
        ({"members": "logistic"}, "at least one method"),
        ({"members": ["no-such-method"]}, "unknown estimator"),
        ({"members": [{"params": {}}]}, "a name, or a table"),
        ({"members": [{"use": "logistic", "weight": 2}]}, "a name, or a table"),
        ({"members": [{"use": "logistic", "view": "no-such-view"}]}, "unknown view"),
        ({"members": [{"use": "logistic", "view": "transposed"}]}, "moves the music"),
        ({"members": [{"use": "hmm", "view": "chroma"}]}, "takes notes"),
        ({"members": QUICK, "folds": 1}, "folds is 1"),
        ({"members": QUICK, "pull": 0.0}, "pull is 0.0"),
        ({"members": QUICK, "decision": "loud"}, "natural, mode-balanced"),
    ],
)
def test_what_cannot_be_stacked_is_named(parameters, said):
    with pytest.raises(EstimatorError, match=said):
        Stacked(**parameters).check_parameters()


def test_a_view_of_a_medium_that_is_not_there_is_named():
    notes, truth, groups = small_corpus(42)
    model = Stacked(members=[{"use": "logistic", "view": "chroma"}])
    with pytest.raises(EstimatorError, match="which the music is not"):
        model.fit(notes, truth, groups=groups)


def test_modes_that_training_lacks_are_never_the_answer():
    notes, truth, groups = small_corpus(140)
    keep = np.isin(truth.argmax(axis=1) // 12, (MAJOR, DORIAN))
    model = Stacked(members=QUICK).fit(notes[keep], truth[keep], groups=groups[keep])
    assert not (model.predict(notes) // 12 == MIXOLYDIAN).any()


def test_keeps_the_contract():
    outcome = run_checks(Stacked(members=("albrecht-shanahan-modes", "last-note"), folds=2))
    assert not outcome.failed, str(outcome)
    assert outcome.n_run >= 15


def test_members_of_the_registered_ensemble_are_registered():
    Stacked(members=ensemble.FOLK).check_parameters()
