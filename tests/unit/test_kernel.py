"""The kernel model: its algebra against the full matrices, its gradient numerically, and what it can learn."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime
from sklearn.metrics.pairwise import rbf_kernel

from keybench.errors import EstimatorError
from keybench.estimators.channels import CHANNEL_SETS, ChannelSet
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import note_counts
from keybench.estimators.kernel import TiedKernel, circulant_root, convolve, likeness, objective
from keybench.estimators.logistic import TiedLogistic
from keybench.estimators.sureness import fit_lapse
from keybench.key import N_KEYS, N_MODES, transpose_keys
from keybench.notes import NoteTable, Piece


def channels(n, c=3, seed=0):
    return np.random.default_rng(seed).normal(size=(n, c, 12)).astype(np.float32)


def seen_from_all_tonics(x):
    """Return (12 n, C * 12): each piece rolled so that each tonic stands at 0."""
    return np.stack([np.roll(x, -t, axis=2) for t in range(12)], axis=1).reshape(12 * len(x), -1)


def full(kernel):
    """Return the matrix over pieces and tonics, (12 n, 12 m)."""
    n, m, _ = kernel.shape
    difference = (np.arange(12)[:, None] - np.arange(12)) % 12
    return kernel[:, :, difference].transpose(0, 2, 1, 3).reshape(12 * n, 12 * m)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 4), st.integers(1, 4), st.integers(0, 99), st.sampled_from([0.3, 1.0, 4.0]))
def test_likeness_is_the_gaussian_kernel_of_scikit_learn(n, m, seed, width):
    one, other = channels(n, seed=seed), channels(m, seed=seed + 100)
    gamma = 1.0 / (2.0 * width * one.shape[1])
    expected = rbf_kernel(seen_from_all_tonics(one), seen_from_all_tonics(other), gamma)
    np.testing.assert_allclose(full(likeness(one, other, width)), expected, atol=1e-5)


def test_the_root_is_the_root_of_the_full_matrix():
    x = channels(5)
    kernel = likeness(x, x, 1.0)
    values = np.random.default_rng(1).normal(size=(5, 12, 2))
    once = convolve(circulant_root(kernel), values)
    twice = convolve(circulant_root(kernel), once).reshape(60, 2)
    np.testing.assert_allclose(twice, full(kernel) @ values.reshape(60, 2), atol=1e-6)


def made(n=6, seed=0):
    rng = np.random.default_rng(seed)
    x = channels(n, seed=seed)
    truth = rng.random((n, N_KEYS)) < 0.1
    truth[np.arange(n), rng.integers(0, N_KEYS, n)] = True
    mixing = np.linalg.cholesky(0.5 + np.eye(N_MODES))
    return circulant_root(likeness(x, x, 1.0)), truth, mixing


def test_the_gradient_is_the_numerical_one():
    root, truth, mixing = made()
    at = 0.3 * np.random.default_rng(2).normal(size=6 * N_KEYS + N_MODES)
    exact = objective(at, root, truth, mixing, 0.2)[1]
    numeric = approx_fprime(at, lambda v: objective(v, root, truth, mixing, 0.2)[0], 1e-6)
    np.testing.assert_allclose(exact, numeric, atol=2e-4)


def test_the_loss_is_the_penalised_log_likelihood():
    root, truth, mixing = made(seed=3)
    at = 0.5 * np.random.default_rng(4).normal(size=6 * N_KEYS + N_MODES)
    whitened, bias = at[:-7].reshape(6, 12, 7), at[-7:]
    expected = 0.5 * 0.2 * (whitened**2).sum() + 0.005 * (bias**2).sum()
    scores = (convolve(root, whitened) @ mixing.T + bias).reshape(6, N_KEYS)
    for s, t in zip(scores, truth, strict=True):
        expected -= np.log(np.exp(s[t]).sum() / np.exp(s).sum())
    assert objective(at, root, truth, mixing, 0.2)[0] == pytest.approx(expected, rel=1e-9)


def exclusive_or(n, seed):
    """Clusters on a doubled note: home is a third above it if one of two neighbours sounds, a fifth otherwise."""
    rng = np.random.default_rng(seed)
    pieces, keys = [], []
    for _ in range(n):
        root, one, two = rng.integers(12), rng.integers(2), rng.integers(2)
        pitches = [60 + root, 60 + root] + [60 + root + 1] * one + [60 + root + 2] * two
        pieces.append(Piece(np.arange(len(pitches)) * 1.0, np.ones(len(pitches)), np.array(pitches, float)))
        keys.append((root + (4 if one ^ two else 7)) % 12)
    return NoteTable.from_pieces(pieces), np.array(keys)


def counts(table):
    return note_counts(table)[:, None, :].astype(np.float32)


def test_what_a_channel_means_may_depend_on_others(monkeypatch):
    monkeypatch.setitem(CHANNEL_SETS, "counts", ChannelSet("counts", "notes", counts, ("counts",), np.zeros(1, bool)))
    X, y = exclusive_or(120, 0)
    unseen, answers = exclusive_or(60, 1)
    assert (TiedKernel("counts", l2=0.05).fit(X, y).predict(unseen) == answers).mean() == 1.0
    assert (TiedLogistic(channels="counts", l2=0.05).fit(X, y).predict(unseen) == answers).mean() < 0.8


def test_a_key_set_counts_as_one_answer():
    X, truth, groups = small_corpus()
    tonic = np.argmax(truth, axis=1) % 12
    any_mode = np.arange(N_KEYS) % 12 == tonic[:, None]
    model = TiedKernel().fit(X, any_mode, groups)
    p = np.exp(model.predict_log_proba(X)).reshape(-1, 7, 12).sum(axis=1)
    assert p[np.arange(len(p)), tonic].mean() > 0.8


def test_fitting_moves_with_the_music():
    X, truth, groups = small_corpus(42)
    test = small_corpus(10, seed=3)[0]
    shift = np.random.default_rng(0).integers(-5, 7, 42)
    moved = np.stack([transpose_keys(row, k) for row, k in zip(truth, shift, strict=True)])
    one = TiedKernel().fit(X, truth, groups)
    two = TiedKernel().fit(X.transpose(shift), moved, groups)
    np.testing.assert_allclose(one.predict_log_proba(test), two.predict_log_proba(test), atol=0.02)


def test_many_pieces_are_drawn_from():
    X, truth, groups = small_corpus()
    model = TiedKernel(max_pieces=20).fit(X, truth, groups)
    assert model.pieces_.shape[0] == model.coefficients_.shape[0] == 20
    assert model.score(X, truth) > 0.3


def test_one_piece_teaches_without_inner_folds():
    X, truth, _ = small_corpus(2)
    model = TiedKernel().fit(X[:1], truth[:1])
    assert np.isfinite(model.predict_log_proba(X)).all()


@pytest.mark.parametrize(
    ("name", "value"),
    [("width", 0.0), ("l2", -1.0), ("by_third", np.inf), ("max_pieces", 0), ("inner_folds", 1), ("channels", "tones")],
)
def test_parameters_that_make_no_model_are_named(name, value):
    with pytest.raises(EstimatorError) as caught:
        TiedKernel(**{name: value}).check_parameters()
    assert "accepted: " in str(caught.value)
    assert "\n" not in str(caught.value)


def test_sharpness_and_lapse_are_found_again():
    """Truths drawn from the very probabilities, and a tenth of them from nothing."""
    rng = np.random.default_rng(0)
    scores = rng.normal(size=(4000, N_KEYS))
    p = np.exp(2.0 * scores) / np.exp(2.0 * scores).sum(axis=1, keepdims=True)
    drawn = np.array([rng.choice(N_KEYS, p=row) for row in p])
    for lapse in (0.0, 0.08):
        lapsed = rng.random(4000) < lapse
        truth = np.arange(N_KEYS) == np.where(lapsed, rng.integers(0, N_KEYS, 4000), drawn)[:, None]
        sharpness, found = fit_lapse(scores, truth)
        assert sharpness == pytest.approx(2.0, rel=0.1)
        assert found == pytest.approx(lapse, abs=0.03)


def test_a_few_truths_that_nothing_speaks_for_leave_the_other_answers_sure():
    scores = np.zeros((200, N_KEYS))
    scores[:, 0] = 8.0
    truth = np.arange(N_KEYS) == np.zeros((200, 1))
    truth[:4] = np.arange(N_KEYS) == 50
    sharpness, lapse = fit_lapse(scores, truth)
    sure = (1.0 - lapse) * np.exp(8.0 * sharpness) / (np.exp(8.0 * sharpness) + 83.0) + lapse / 84.0
    assert sure == pytest.approx(0.98, abs=0.01)
