"""The logistic model: its products against plain loops, its gradient against differences, its laws on toy tunes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime, check_grad

from keybench.errors import EstimatorError
from keybench.estimators import logistic
from keybench.estimators.channels import in_words
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import CHANNEL_NAMES, SINGLE_NOTE, tune_channels
from keybench.estimators.inner import inner_folds
from keybench.estimators.logistic import (
    FOURIER,
    TiedLogistic,
    correlate,
    correlate_gradient,
    key_order,
    objective,
    to_blocks,
)
from keybench.key import (
    DORIAN,
    HAS_MINOR_THIRD,
    MAJOR,
    MINOR,
    MIXOLYDIAN,
    N_KEYS,
    N_MODES,
    Key,
    key_at,
    transpose_keys,
)
from keybench.notes import NoteTable, Piece


def plain_correlate(channels, weights):
    """``s[n, t, m] = sum_{c, j} x[n, c, (j + t) % 12] * weights[c, m, j]``, loop by loop."""
    n, c, _ = channels.shape
    m = weights.shape[1]
    s = np.zeros((n, 12, m))
    for i in range(n):
        for t in range(12):
            for mode in range(m):
                for channel in range(c):
                    s[i, t, mode] += sum(
                        channels[i, channel, (j + t) % 12] * weights[channel, mode, j] for j in range(12)
                    )
    return s


def problem(seed, n=5, c=3, answers=2):
    """Random channels, truths of one or more keys in tonic-major order, a covariance root and parameters."""
    rng = np.random.default_rng(seed)
    channels = rng.normal(size=(n, c, 12))
    truth = np.zeros((n, N_KEYS), dtype=bool)
    for row in truth:
        row[rng.choice(N_KEYS, size=int(rng.integers(1, answers + 1)), replace=False)] = True
    root = rng.normal(size=(N_MODES, N_MODES))
    mixing = np.linalg.cholesky(root @ root.T + np.eye(N_MODES))
    return channels, truth, mixing, rng.normal(scale=0.3, size=c * N_MODES * 12 + N_MODES)


def plain_loss(parameters, channels, truth, mixing, l2):
    """Penalised negative log-likelihood by plain sums: a set's likelihood is the summed probability of its keys."""
    c = channels.shape[1]
    independent, bias = parameters[:-N_MODES].reshape(c, N_MODES, 12), parameters[-N_MODES:]
    weights = np.einsum("mk,ckj->cmj", mixing, independent)
    scores = plain_correlate(channels, weights) + bias
    loss = 0.0
    for i in range(len(channels)):
        odds = np.exp(scores[i])
        hits = sum(odds[column // N_MODES, column % N_MODES] for column in np.flatnonzero(truth[i]))
        loss -= np.log(hits / odds.sum())
    return loss + 0.5 * l2 * (independent**2).sum() + 0.005 * (bias**2).sum()


def test_fourier_basis_is_orthonormal():
    assert FOURIER.shape == (12, 12)
    np.testing.assert_allclose(FOURIER.T @ FOURIER, np.eye(12), atol=1e-12)
    np.testing.assert_allclose(FOURIER @ FOURIER.T, np.eye(12), atol=1e-12)


def test_fourier_basis_is_one_wave_per_column():
    # Reference library: numpy's transform of column 2k - 1 or 2k has power at frequencies k and 12 - k only.
    power = np.abs(np.fft.fft(FOURIER, axis=0)) ** 2
    for column in range(12):
        k = (column + 1) // 2
        assert set(np.flatnonzero(power[:, column] > 1e-9).tolist()) == {k, (12 - k) % 12}


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 4), st.integers(1, 3), st.integers(1, 7), st.integers(0, 10_000))
def test_correlate_is_its_plain_definition(n, c, m, seed):
    rng = np.random.default_rng(seed)
    channels, weights = rng.normal(size=(n, c, 12)), rng.normal(size=(c, m, 12))
    found = correlate(to_blocks(channels), weights)
    assert found.shape == (n, 12, m)
    np.testing.assert_allclose(found, plain_correlate(channels, weights), atol=1e-10)


def test_correlate_in_single_precision():
    rng = np.random.default_rng(0)
    channels, weights = rng.normal(size=(6, 4, 12)), rng.normal(size=(4, 7, 12))
    found = correlate(to_blocks(channels.astype(np.float32)), weights.astype(np.float32))
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, plain_correlate(channels, weights), atol=1e-4)


def test_correlate_by_hand():
    # One note, D, and a weight of 5 on the fourth above home in mode 1: D is the fourth of A.
    channels, weights = np.zeros((1, 1, 12)), np.zeros((1, 2, 12))
    channels[0, 0, 2], weights[0, 1, 5] = 1, 5
    found = correlate(to_blocks(channels), weights)
    expected = np.zeros((1, 12, 2))
    expected[0, 9, 1] = 5
    np.testing.assert_allclose(found, expected, atol=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 6), st.integers(1, 4), st.integers(1, 7), st.integers(0, 10_000))
def test_correlate_gradient_is_the_adjoint(n, c, m, seed):
    rng = np.random.default_rng(seed)
    blocks = to_blocks(rng.normal(size=(n, c, 12)))
    weights, gradient = rng.normal(size=(c, m, 12)), rng.normal(size=(n, 12, m))
    back = correlate_gradient(blocks, gradient, c)
    assert back.shape == weights.shape
    np.testing.assert_allclose((correlate(blocks, weights) * gradient).sum(), (weights * back).sum(), atol=1e-9)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 11), st.integers(0, 10_000))
def test_rolling_the_channels_rolls_the_scores(k, seed):
    rng = np.random.default_rng(seed)
    channels, weights = rng.normal(size=(3, 2, 12)), rng.normal(size=(2, 7, 12))
    plain = correlate(to_blocks(channels), weights)
    rolled = correlate(to_blocks(np.roll(channels, k, axis=2)), weights)
    np.testing.assert_allclose(rolled, np.roll(plain, k, axis=1), atol=1e-10)


@pytest.mark.parametrize("seed", range(4))
def test_objective_is_its_plain_definition(seed):
    channels, truth, mixing, parameters = problem(seed, answers=4)
    assert (truth.sum(axis=1) > 1).any()
    loss, gradient = objective(parameters, to_blocks(channels), truth, mixing, 0.7)
    np.testing.assert_allclose(loss, plain_loss(parameters, channels, truth, mixing, 0.7), rtol=1e-10)
    assert gradient.shape == parameters.shape


@pytest.mark.parametrize(("seed", "answers"), [(0, 1), (1, 1), (2, 3), (3, 7)])
def test_objective_gradient_against_differences(seed, answers):
    channels, truth, mixing, parameters = problem(seed, n=4, c=2, answers=answers)
    blocks = to_blocks(channels)

    def loss(p):
        return objective(p, blocks, truth, mixing, 0.7)[0]

    gradient = objective(parameters, blocks, truth, mixing, 0.7)[1]
    step = 1e-5  # central differences, all parameters
    central = np.array([(loss(parameters + step * e) - loss(parameters - step * e)) for e in np.eye(len(parameters))])
    np.testing.assert_allclose(gradient, central / (2 * step), rtol=1e-6, atol=1e-7)
    # Reference library: scipy's forward differences.
    np.testing.assert_allclose(gradient, approx_fprime(parameters, loss, 1e-7), atol=1e-4)
    assert check_grad(loss, lambda p: objective(p, blocks, truth, mixing, 0.7)[1], parameters) < 1e-4
    assert np.abs(gradient).max() > 0.1


def test_a_set_of_every_key_says_nothing():
    channels, truth, mixing, parameters = problem(0)
    loss, gradient = objective(parameters, to_blocks(channels), np.ones_like(truth), mixing, 0.0)
    np.testing.assert_allclose(loss, 0.005 * (parameters[-N_MODES:] ** 2).sum(), atol=1e-10)
    np.testing.assert_allclose(gradient[:-N_MODES], 0, atol=1e-10)


def test_likelihood_of_a_set_is_the_sum_of_its_members():
    channels, _, mixing, parameters = problem(3, n=1)
    blocks = to_blocks(channels)

    def likelihood(*columns):
        truth = np.zeros((1, N_KEYS), dtype=bool)
        truth[0, list(columns)] = True
        penalty = objective(parameters, blocks, np.ones_like(truth), mixing, 0.7)[0]
        return np.exp(penalty - objective(parameters, blocks, truth, mixing, 0.7)[0])

    np.testing.assert_allclose(likelihood(3, 40, 77), likelihood(3) + likelihood(40) + likelihood(77), rtol=1e-9)
    np.testing.assert_allclose(sum(likelihood(k) for k in range(N_KEYS)), 1, rtol=1e-9)


def test_objective_survives_hopeless_truths():
    channels, truth, mixing, parameters = problem(1)
    loss, gradient = objective(1000 * parameters, to_blocks(channels), truth, mixing, 0.7)
    assert np.isfinite(loss)
    assert np.isfinite(gradient).all()


def testkey_order_turns_tonic_and_mode_into_key_index():
    scores = np.arange(2 * 12 * N_MODES).reshape(2, 12, N_MODES)
    flat = key_order(scores)
    for i in range(2):
        for k in range(N_KEYS):
            key = key_at(k)
            assert flat[i, k] == scores[i, key.tonic, key.mode]


def test_modes_covary_as_the_parameters_say():
    mixing = TiedLogistic(shared=2.0, by_third=0.25, own=0.5)._mixing().astype(float)
    covariance = mixing @ mixing.T
    for a in range(N_MODES):
        for b in range(N_MODES):
            expected = 2.0 + (0.25 if HAS_MINOR_THIRD[a] == HAS_MINOR_THIRD[b] else 0) + (0.5 if a == b else 0)
            np.testing.assert_allclose(covariance[a, b], expected, rtol=1e-5)


def test_fitting_holds_out_whole_groups(monkeypatch):
    notes, truth, groups = small_corpus(30)
    seen = []

    def record(self, channels, truth, start):
        assert not start.any() or len(truth) == 30  # nothing learnt from pieces held out
        seen.append(truth)
        return start + 1.0

    monkeypatch.setattr(TiedLogistic, "_solve", record)
    TiedLogistic(random_state=3).fit(notes, truth, groups=groups)
    fold_of = inner_folds(30, groups, 5, 3)
    assert len(seen) == 6  # without each of five folds, then all
    for fold in range(5):
        np.testing.assert_array_equal(seen[fold], truth[fold_of != fold])
    np.testing.assert_array_equal(seen[5], truth)


def test_one_fold_answers_where_it_has_answers_enough(monkeypatch):
    notes, truth, groups = small_corpus(30)
    seen = []
    monkeypatch.setattr(logistic, "_ANSWERS", 6)
    monkeypatch.setattr(TiedLogistic, "_solve", lambda self, channels, truth, start: seen.append(len(truth)) or start)
    TiedLogistic().fit(notes, truth, groups=groups)
    assert seen == [24, 30]
    seen.clear()
    TiedLogistic().fit(notes, truth, groups=np.zeros(30))  # one group cannot be parted
    assert seen == [30]


def uneven_corpus():
    """Tunes of which most are in major, as in the collections."""
    notes, truth, groups = small_corpus(280, seed=4)
    mode = truth.argmax(axis=1) // 12
    rng = np.random.default_rng(0)
    keep = np.isin(mode, [MAJOR]) | (np.isin(mode, [MINOR, DORIAN, MIXOLYDIAN]) & (rng.random(280) < 0.35))
    return notes[keep].detach(), truth[keep], groups[keep]


@pytest.fixture(scope="module")
def fitted():
    notes, truth, groups = uneven_corpus()
    return TiedLogistic().fit(notes, truth, groups=groups)


@pytest.fixture(scope="module")
def others():
    return small_corpus(60, seed=9)


def test_fitted_attributes(fitted):
    assert fitted.weights_.shape == (len(CHANNEL_NAMES), N_MODES, 12)
    assert fitted.bias_.shape == (N_MODES,)
    assert fitted.scale_.shape == (len(CHANNEL_NAMES),)
    assert fitted.sharpness_ > 0
    assert 0 <= fitted.flattening_ <= 1
    np.testing.assert_allclose(np.exp(fitted.log_modes_).sum(), 1)
    _, truth, _ = uneven_corpus()
    counts = np.bincount(truth.argmax(axis=1) // 12, minlength=7) + 0.5
    np.testing.assert_allclose(np.exp(fitted.log_modes_), counts / counts.sum())


def test_fit_stands_at_a_minimum(fitted):
    # The gradient at the solution is small beside that at the start, by the plain route from notes to objective.
    notes, truth, _ = uneven_corpus()
    channels = tune_channels(notes).astype(float)
    channels = channels - channels.mean(axis=2, keepdims=True)
    scale = np.sqrt((channels**2).sum(axis=2).mean(axis=0))
    scale[SINGLE_NOTE] /= fitted.single_note
    np.testing.assert_allclose(fitted.scale_, scale, rtol=1e-4, atol=2e-6)
    blocks = to_blocks(channels / fitted.scale_[:, None])
    by_tonic = truth.reshape(-1, N_MODES, 12).transpose(0, 2, 1).reshape(-1, N_KEYS)
    mixing = fitted._mixing().astype(float)
    independent = np.einsum("mk,ckj->cmj", np.linalg.inv(mixing), fitted.weights_.astype(float))
    solution = np.concatenate([independent.ravel(), fitted.bias_])
    at_start, slope = objective(np.zeros_like(solution), blocks, by_tonic, mixing, fitted.l2)
    at_end, residue = objective(solution, blocks, by_tonic, mixing, fitted.l2)
    assert at_end < 0.8 * at_start
    assert np.linalg.norm(residue) < 0.02 * np.linalg.norm(slope)


def test_toy_tunes_are_mostly_named(fitted, others):
    notes, truth, _ = others
    plain = np.isin(truth.argmax(axis=1) // 12, [MAJOR, MINOR, DORIAN, MIXOLYDIAN])
    assert fitted.score(notes[plain], truth[plain]) > 0.6  # 1 in 84 by chance


def test_probabilities_by_plain_loops(fitted, others):
    notes = others[0][:4]
    channels = tune_channels(notes.detach()).astype(float)
    channels = (channels - channels.mean(axis=2, keepdims=True)) / fitted.scale_[:, None]
    scores = plain_correlate(channels[:, :, :], fitted.weights_.astype(float)) + fitted.bias_
    odds = np.exp(fitted.sharpness_ * scores)
    lapse = fitted.lapse_
    expected = np.log((1 - lapse) * odds / odds.sum(axis=(1, 2), keepdims=True) + lapse / 84)
    found = fitted.predict_log_proba(notes)
    for k in range(N_KEYS):
        np.testing.assert_allclose(found[:, k], expected[:, k % 12, k // 12], atol=2e-3)


@pytest.mark.parametrize("decision", ["natural", "mode-balanced"])
def test_moving_the_music_moves_the_answer(fitted, others, decision):
    notes = others[0]
    fitted = _with(fitted, decision)
    expected = fitted.predict_log_proba(notes)
    for k in (1, 4, 7, 11, -5, 12):
        moved = fitted.predict_log_proba(notes.transpose(k))
        np.testing.assert_allclose(moved, transpose_keys(expected, k), atol=1e-3)
        answers = [key_at(int(i)).transpose(k).index for i in expected.argmax(axis=1)]
        assert fitted.predict(notes.transpose(k)).tolist() == answers


def test_moving_the_training_tunes_changes_nothing_learnt(fitted):
    notes, truth, groups = uneven_corpus()
    shifts = np.random.default_rng(1).integers(0, 12, size=len(notes))
    moved_truth = np.stack([transpose_keys(row, int(k)) for row, k in zip(truth, shifts, strict=True)])
    assert (moved_truth != truth).any()
    moved = TiedLogistic().fit(notes.transpose(shifts), moved_truth, groups=groups)
    np.testing.assert_allclose(moved.scale_, fitted.scale_, rtol=1e-4)
    np.testing.assert_allclose(moved.weights_, fitted.weights_, atol=5e-3 * np.abs(fitted.weights_).max())
    test = small_corpus(40, seed=9)[0]
    np.testing.assert_allclose(np.exp(moved.predict_log_proba(test)), np.exp(fitted.predict_log_proba(test)), atol=0.01)


def _with(fitted, decision, **learnt):
    copy = TiedLogistic(decision=decision)
    for name in ("weights_", "bias_", "scale_", "log_modes_", "sharpness_", "lapse_", "flattening_", "taught_"):
        setattr(copy, name, learnt.get(name, getattr(fitted, name)))
    return copy


def test_the_natural_decision_is_the_most_probable_key(fitted, others):
    notes = others[0]
    np.testing.assert_array_equal(fitted.predict(notes), fitted.predict_log_proba(notes).argmax(axis=1))


def test_taking_nothing_out_is_the_natural_decision(fitted, others):
    notes = others[0]
    same = _with(fitted, "mode-balanced", flattening_=0.0)
    np.testing.assert_array_equal(same.predict_log_proba(notes), fitted.predict_log_proba(notes))


@pytest.mark.parametrize("part", [0.25, 0.5, 1.0])
def test_mode_balanced_never_chooses_a_commoner_mode(fitted, others, part):
    notes = others[0]
    natural = fitted.predict(notes) // 12
    balanced = _with(fitted, "mode-balanced", flattening_=part).predict(notes) // 12
    share = fitted.log_modes_
    assert (share[balanced] <= share[natural]).all()
    if part == 1.0:
        assert (balanced != natural).any()


def test_mode_balanced_divides_by_a_power_of_the_mode_share(fitted, others):
    """The choice is by the odds divided; it is said to be as probable as it is, and all others are less so."""
    notes, part = others[0], 0.6
    natural = np.exp(_with(fitted, "natural", taught_=None).predict_log_proba(notes))
    odds = natural / np.repeat(np.exp(fitted.log_modes_), 12) ** part
    found = np.exp(_with(fitted, "mode-balanced", flattening_=part, taught_=None).predict_log_proba(notes))
    rows, chosen = np.arange(len(notes)), odds.argmax(axis=1)
    changed = chosen != natural.argmax(axis=1)
    assert changed.any()
    assert not changed.all()
    np.testing.assert_array_equal(found.argmax(axis=1), chosen)
    np.testing.assert_allclose(found[~changed], natural[~changed], atol=1e-9)
    np.testing.assert_allclose(found[rows, chosen], np.maximum(natural[rows, chosen], 1 / 84), atol=2e-4)
    np.testing.assert_allclose(found.sum(axis=1), 1, atol=1e-9)


def test_flattening_is_the_largest_that_costs_little():
    # Two pieces, worked by hand. Mode shares .8 and .2 / 6 each; the first piece is nearly undecided between C major
    # and C Dorian, the second is surely C major.
    model = TiedLogistic(exact_cost=0.012)
    share = np.array([0.8, *[0.2 / 6] * 6])
    model.log_modes_ = np.log(share)
    p = np.full((2, N_KEYS), 1e-9)
    p[0, [Key(0, MAJOR).index, Key(0, DORIAN).index]] = [0.505, 0.495]
    p[1, Key(0, MAJOR).index] = 1.0
    log_ratio = np.log(share[MAJOR] / share[DORIAN])  # 3.18: log(.505 / .495) is passed at the first step, .05
    assert log_ratio * 0.05 > np.log(0.505 / 0.495)
    assert model._choose_flattening(np.log(p)) == 1.0  # costs .01 / 2 on average, and the sure piece never turns
    model.exact_cost = 0.004
    assert model._choose_flattening(np.log(p)) == 0.0


def test_sets_of_acceptable_keys_are_used():
    # Every tune may be named by its true key or by a mode a semitone off: the true keys agree, the others do not.
    notes, truth, groups = small_corpus(84, seed=6)
    index = truth.argmax(axis=1)
    rng = np.random.default_rng(0)
    decoys = rng.integers(0, N_KEYS, size=len(index))
    both = truth.copy()
    both[np.arange(len(index)), decoys] = True
    assert (both.sum(axis=1) == 2).sum() > 75
    plain = TiedLogistic().fit(notes, truth, groups=groups)
    with_sets = TiedLogistic().fit(notes, both, groups=groups)
    first_only = TiedLogistic().fit(notes, decoys, groups=groups)
    shares = [model.score(notes, truth) for model in (plain, with_sets, first_only)]
    assert shares[1] > 0.6
    assert shares[1] > shares[2] + 0.3
    mode_share = np.array([(both[:, 12 * m : 12 * m + 12].sum(axis=1) / both.sum(axis=1)).sum() for m in range(7)])
    np.testing.assert_allclose(np.exp(with_sets.log_modes_), (mode_share + 0.5) / (len(index) + 3.5))


def test_a_piece_without_notes_gets_the_mode_shares(fitted):
    silent = NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))])
    expected = np.repeat(fitted.log_modes_ - np.log(12), 12)
    np.testing.assert_allclose(fitted.predict_log_proba(silent)[0], expected, atol=1e-3)


def test_the_decision_is_checked(fitted, others):
    notes, truth, _ = others
    with pytest.raises(EstimatorError, match="'balanced'; accepted: natural, mode-balanced"):
        TiedLogistic(decision="balanced").fit(notes, truth)
    with pytest.raises(EstimatorError, match="accepted: natural, mode-balanced"):
        _with(fitted, "balanced").predict(notes)


def test_the_answer_is_explained_by_channels(fitted, others):
    found = fitted.explain(others[0][:5])
    assert len(found) == 5
    spoken = [words for evidence in found for words in evidence.words if words.startswith("What weighs most")]
    assert spoken
    for words in spoken:
        named = words.split(": ")[1].rstrip(".").split("; ")
        assert set(named) <= {in_words(name) for name in CHANNEL_NAMES}


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("step of 7", "moves up by a fifth or down by a fourth"),
        ("present with note 6 above", "notes heard beside the one a tritone above"),
        ("last", "the last note"),
        ("last three", "the last three notes"),
        ("bass line: first", "bass line: the first note"),
        ("recording: major chord 5 above a minor one a bar ago",
         "recording: major chord a fourth above a minor one a bar ago"),
        ("final sonority", "final sonority"),
    ],
)  # fmt: skip
def test_channels_in_words(name, words):
    assert in_words(name) == words


def test_likelihoods_leave_out_the_shares_of_the_modes():
    """Bayes' rule: whatever shares are put back, the balanced decision among them."""
    notes, truth, groups = small_corpus(60)
    some = np.flatnonzero((truth.argmax(axis=1) // 12 != MIXOLYDIAN) | (np.arange(60) % 4 == 0))
    model = TiedLogistic().fit(notes[some], truth[some], groups=groups[some])
    shares = np.repeat(model.log_modes_, 12)
    likelihood = model.predict_log_likelihood(notes)
    np.testing.assert_allclose(likelihood + shares, model.predict_log_proba(notes), atol=1e-9)
    model.flattening_, model.decision = 0.6, "mode-balanced"
    balanced = likelihood + 0.4 * shares
    np.testing.assert_array_equal(model.predict(notes), balanced.argmax(axis=1))
    silent = model.predict_log_likelihood(NoteTable.from_notes([]))
    np.testing.assert_allclose(silent, silent[0, 0], atol=2e-4)
