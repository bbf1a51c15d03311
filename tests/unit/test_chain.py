"""Chains of hidden states: against the sum over every path, plain recursions and a general-purpose library."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp

from keybench.estimators import chain
from keybench.estimators.chain import expand_transitions, filtered, forward_backward, tie_transitions, viterbi


def every_path(log_emission, log_initial, log_transition):
    """All paths of a sequence and their scores, by enumeration."""
    n, k = log_emission.shape
    paths = np.array(list(itertools.product(range(k), repeat=n)))
    scores = log_initial[paths[:, 0]] + log_emission[np.arange(n), paths].sum(axis=1)
    scores += log_transition[paths[:, :-1], paths[:, 1:]].sum(axis=1)
    return paths, scores


def sums_over_paths(log_emission, offsets, log_initial, log_transition, weights):
    k = log_emission.shape[1]
    gamma, moves = np.zeros(log_emission.shape), np.zeros((k, k))
    likelihood = np.zeros(len(weights))
    for i, (a, b) in enumerate(itertools.pairwise(offsets)):
        if a == b:
            continue
        paths, scores = every_path(log_emission[a:b], log_initial, log_transition)
        likelihood[i] = logsumexp(scores)
        share = np.exp(scores - likelihood[i])
        for t in range(b - a):
            np.add.at(gamma[a + t], paths[:, t], share)
        for t in range(1, b - a):
            np.add.at(moves, (paths[:, t - 1], paths[:, t]), weights[i] * share)
    return gamma, moves, likelihood


def in_logarithms(log_emission, log_initial, log_transition):
    """Posteriors and filtered probabilities by the textbook recursions (Rabiner 1989) in logarithms, one sequence."""
    n, k = log_emission.shape
    alpha, beta = np.empty((n, k)), np.zeros((n, k))
    alpha[0] = log_initial + log_emission[0]
    for t in range(1, n):
        alpha[t] = logsumexp(alpha[t - 1][:, None] + log_transition, axis=0) + log_emission[t]
    for t in range(n - 2, -1, -1):
        beta[t] = logsumexp(log_transition + (log_emission[t + 1] + beta[t + 1])[None, :], axis=1)
    both = alpha + beta
    return (
        np.exp(both - logsumexp(both, axis=1, keepdims=True)),
        np.exp(alpha - logsumexp(alpha, axis=1, keepdims=True)),
        logsumexp(alpha[-1]),
    )


def offsets_of(lengths):
    return np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)


def drawn(seed, n_states, lengths, kind="probable"):
    """Scores of a chain; ``raw`` ones are no logarithms of probabilities, ``gapped`` ones rule moves and states out."""
    rng = np.random.default_rng(seed)
    offsets = offsets_of(lengths)
    log_emission = rng.normal(scale=2.0, size=(offsets[-1], n_states))
    log_initial = np.log(rng.dirichlet(np.ones(n_states)))
    log_transition = np.log(rng.dirichlet(np.full(n_states, 0.7), size=n_states))
    if kind == "raw":
        log_initial, log_transition = 5 * log_initial + 40, 3 * log_transition + 7
    if kind == "gapped":
        log_transition[rng.random((n_states, n_states)) < 0.3] = -np.inf
        np.fill_diagonal(log_transition, -0.5)
        log_initial[0] = -np.inf
        log_emission[rng.random(log_emission.shape) < 0.2] -= 2000.0  # far below what a double can hold
        ruled_out = rng.random(log_emission.shape) < 0.1
        ruled_out[:, -1] = False  # the last state may hold throughout
        log_emission[ruled_out] = -np.inf
    return log_emission, offsets, log_initial, log_transition


short = st.lists(st.integers(0, 5), min_size=1, max_size=5)
kinds = st.sampled_from(["probable", "raw", "gapped"])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 4), short, kinds)
def test_forward_backward_is_the_sum_over_all_paths(seed, n_states, lengths, kind):
    music = drawn(seed, n_states, lengths, kind)
    weights = np.random.default_rng(seed + 1).random(len(lengths))
    found = forward_backward(*music, weights=weights)
    gamma, moves, likelihood = sums_over_paths(*music, weights)
    np.testing.assert_allclose(found.gamma, gamma, atol=1e-9)
    np.testing.assert_allclose(found.transitions, moves, atol=1e-9)
    np.testing.assert_allclose(found.log_likelihood, likelihood, atol=1e-9)
    np.testing.assert_allclose(found.gamma.sum(axis=1), 1)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 4), short, kinds)
def test_viterbi_finds_the_best_of_all_paths(seed, n_states, lengths, kind):
    log_emission, offsets, log_initial, log_transition = drawn(seed, n_states, lengths, kind)
    path, score = viterbi(log_emission, offsets, log_initial, log_transition)
    for i, (a, b) in enumerate(itertools.pairwise(offsets)):
        if a == b:
            assert score[i] == 0
            continue
        paths, scores = every_path(log_emission[a:b], log_initial, log_transition)
        assert (scores <= score[i] + 1e-9).all()
        own = scores[(paths == path[a:b]).all(axis=1)]
        np.testing.assert_allclose(own, score[i], atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 4), short, kinds)
def test_filtered_probabilities_look_only_back(seed, n_states, lengths, kind):
    log_emission, offsets, log_initial, log_transition = drawn(seed, n_states, lengths, kind)
    found = filtered(log_emission, offsets, log_initial, log_transition)
    for a, b in itertools.pairwise(offsets):
        for end in range(a + 1, b + 1):  # the posterior of the last step of what has been heard so far
            paths, scores = every_path(log_emission[a:end], log_initial, log_transition)
            share = np.exp(scores - logsumexp(scores))
            np.testing.assert_allclose(found[end - 1], np.bincount(paths[:, -1], share, n_states), atol=1e-9)


def test_worked_by_hand():
    # Two steps, stay 3/4, even start, likelihoods (1, 1) then (3, 1). Joint: AA 9, AB 1, BA 3, BB 3, of 16 (times 1/8).
    music = (
        np.log([[1.0, 1.0], [3.0, 1.0]]),
        np.array([0, 2]),
        np.log([0.5, 0.5]),
        np.log([[0.75, 0.25], [0.25, 0.75]]),
    )
    found = forward_backward(*music)
    np.testing.assert_allclose(found.gamma, np.array([[10, 6], [12, 4]]) / 16)
    np.testing.assert_allclose(found.transitions, np.array([[9, 1], [3, 3]]) / 16)
    np.testing.assert_allclose(np.exp(found.log_likelihood), 16 / 8)
    np.testing.assert_allclose(filtered(*music), np.array([[8, 8], [12, 4]]) / 16)
    path, score = viterbi(*music)
    assert path.tolist() == [0, 0]
    np.testing.assert_allclose(np.exp(score), 9 / 8)


@pytest.mark.parametrize("lengths", [[7, 1, 40, 3], [0, 25, 0], [1]])
def test_against_hmmlearn(lengths):
    # Reference library: posteriors, likelihoods and best paths of a categorical model.
    hmmlearn = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is absent: install it with pip install hmmlearn")
    rng = np.random.default_rng(6)
    n_states, n_symbols = 5, 6
    model = hmmlearn.CategoricalHMM(n_components=n_states)
    model.startprob_ = rng.dirichlet(np.ones(n_states))
    model.transmat_ = rng.dirichlet(np.ones(n_states), size=n_states)
    model.emissionprob_ = rng.dirichlet(np.ones(n_symbols), size=n_states)
    symbols = rng.integers(n_symbols, size=(sum(lengths), 1))
    music = (
        np.log(model.emissionprob_[:, symbols[:, 0]].T),
        offsets_of(lengths),
        np.log(model.startprob_),
        np.log(model.transmat_),
    )
    filled = [n for n in lengths if n]  # the library knows no empty sequence
    found = forward_backward(*music)
    likelihood, posterior = model.score_samples(symbols, filled)
    np.testing.assert_allclose(found.gamma, posterior, atol=1e-9)
    np.testing.assert_allclose(found.log_likelihood.sum(), likelihood)
    path, score = viterbi(*music)
    best, expected = model.decode(symbols, filled, algorithm="viterbi")
    np.testing.assert_array_equal(path, expected)
    np.testing.assert_allclose(score.sum(), best)


def test_expected_moves_against_a_step_of_hmmlearn():
    # Reference library: one step of Baum-Welch gives the expected moves, row by row in shares.
    hmmlearn = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is absent: install it with pip install hmmlearn")
    rng = np.random.default_rng(7)
    lengths = [30, 8, 19]
    model = hmmlearn.CategoricalHMM(n_components=3, n_iter=1, init_params="", params="t")
    model.startprob_, model.transmat_ = rng.dirichlet(np.ones(3)), rng.dirichlet(np.ones(3), size=3)
    model.emissionprob_ = rng.dirichlet(np.ones(4), size=3)
    symbols = rng.integers(4, size=(sum(lengths), 1))
    log_initial, log_transition = np.log(model.startprob_), np.log(model.transmat_)
    log_emission = np.log(model.emissionprob_[:, symbols[:, 0]].T)
    model.fit(symbols, lengths)
    moves = forward_backward(log_emission, offsets_of(lengths), log_initial, log_transition, gamma=False).transitions
    np.testing.assert_allclose(moves / moves.sum(axis=1, keepdims=True), model.transmat_, atol=1e-9)


def test_many_states_against_plain_recursions():
    log_emission, offsets, log_initial, log_transition = drawn(1, 84, [30, 1, 0, 12, 55])
    found = forward_backward(log_emission, offsets, log_initial, log_transition)
    before = filtered(log_emission, offsets, log_initial, log_transition)
    for i, (a, b) in enumerate(itertools.pairwise(offsets)):
        if b > a:
            posterior, forward, likelihood = in_logarithms(log_emission[a:b], log_initial, log_transition)
            np.testing.assert_allclose(found.gamma[a:b], posterior, atol=1e-9)
            np.testing.assert_allclose(before[a:b], forward, atol=1e-9)
            np.testing.assert_allclose(found.log_likelihood[i], likelihood)
    assert found.log_likelihood[2] == 0
    np.testing.assert_allclose(found.transitions.sum(), 29 + 11 + 54)


@pytest.mark.parametrize("kind", ["probable", "raw", "gapped"])
def test_batches_make_no_difference(monkeypatch, kind):
    lengths = np.random.default_rng(3).integers(0, 9, size=40)
    music = drawn(3, 4, lengths, kind)
    expected, best, before = forward_backward(*music), viterbi(*music), filtered(*music)
    for cells, moves in ((1, 1), (50, 40), (400, 100)):
        monkeypatch.setattr(chain, "_CELLS", cells)
        monkeypatch.setattr(chain, "_MOVES", moves)
        found = forward_backward(*music)
        np.testing.assert_allclose(found.gamma, expected.gamma, atol=1e-12)
        np.testing.assert_allclose(found.transitions, expected.transitions, atol=1e-10)
        np.testing.assert_allclose(found.log_likelihood, expected.log_likelihood)
        np.testing.assert_allclose(filtered(*music), before, atol=1e-12)
        np.testing.assert_array_equal(viterbi(*music)[0], best[0])
        np.testing.assert_allclose(viterbi(*music)[1], best[1])


def test_a_long_sequence_does_not_underflow():
    log_emission, offsets, log_initial, log_transition = drawn(2, 5, [100_000, 3])
    log_emission *= 10.0
    log_emission -= 500.0
    found = forward_backward(log_emission, offsets, log_initial, log_transition)
    np.testing.assert_allclose(found.gamma.sum(axis=1), 1)
    np.testing.assert_allclose(found.transitions.sum(), 99_999 + 2, rtol=1e-9)
    path, score = viterbi(log_emission, offsets, log_initial, log_transition)
    assert np.isfinite(score).all()
    # The likelihood lies between that of the best path and that of as many paths, all as good.
    assert (found.log_likelihood >= score).all()
    assert (found.log_likelihood <= score + np.diff(offsets) * np.log(5)).all()
    # Far from the ends a stretch by itself says the same.
    middle = slice(50_000, 50_400)
    alone = forward_backward(log_emission[middle], np.array([0, 400]), log_initial, log_transition)
    np.testing.assert_allclose(found.gamma[50_100:50_300], alone.gamma[100:300], atol=1e-9)
    assert (
        path[50_100:50_300]
        == viterbi(log_emission[middle], np.array([0, 400]), log_initial, log_transition)[0][100:300]
    ).mean() > 0.99


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 3), st.integers(0, 11))
def test_tied_chains_move_with_the_music(seed, n_modes, k):
    rng = np.random.default_rng(seed)
    tied = np.log(rng.dirichlet(np.ones(12 * n_modes), size=n_modes)).reshape(n_modes, n_modes, 12)
    log_transition = expand_transitions(tied)
    np.testing.assert_allclose(np.exp(log_transition).sum(axis=1), 1)
    log_initial = np.repeat(np.log(rng.dirichlet(np.ones(n_modes)) / 12), 12)
    offsets = offsets_of([6, 3])
    log_emission = rng.normal(size=(9, 12 * n_modes))

    def moved(array):
        return np.roll(array.reshape(-1, n_modes, 12), k, axis=2).reshape(-1, 12 * n_modes)

    found = forward_backward(log_emission, offsets, log_initial, log_transition)
    other = forward_backward(moved(log_emission), offsets, log_initial, log_transition)
    np.testing.assert_allclose(other.gamma, moved(found.gamma), atol=1e-12)
    np.testing.assert_allclose(other.log_likelihood, found.log_likelihood)
    np.testing.assert_allclose(tie_transitions(other.transitions), tie_transitions(found.transitions), atol=1e-12)
    path = viterbi(log_emission, offsets, log_initial, log_transition)[0]
    np.testing.assert_array_equal(
        viterbi(moved(log_emission), offsets, log_initial, log_transition)[0], 12 * (path // 12) + (path + k) % 12
    )


def test_ties_by_hand():
    # Two modes. From D of mode 0 (state 2) to F of mode 1 (state 12 + 5): three semitones up.
    tied = np.arange(48.0).reshape(2, 2, 12)
    spread = expand_transitions(tied)
    assert spread[2, 17] == tied[0, 1, 3]
    assert spread[11, 0] == tied[0, 0, 1]  # B to C
    assert spread[12, 11] == tied[1, 0, 11]
    moves = np.zeros((24, 24))
    moves[2, 17], moves[7, 22], moves[0, 0] = 1.0, 2.0, 4.0  # G to B-flat is three semitones too
    summed = tie_transitions(moves)
    assert summed[0, 1, 3] == 3.0
    assert summed[0, 0, 0] == 4.0
    assert summed.sum() == 7.0


def test_summing_ties_is_the_adjoint_of_spreading_them():
    # <expand(x), y> = <x, tie(y)> for any x, y.
    rng = np.random.default_rng(4)
    x, y = rng.normal(size=(7, 7, 12)), rng.normal(size=(84, 84))
    np.testing.assert_allclose((expand_transitions(x) * y).sum(), (x * tie_transitions(y)).sum())


def test_nothing_to_do():
    log_initial, log_transition = np.log([0.2, 0.3, 0.5]), np.log(np.full((3, 3), 1 / 3))
    found = forward_backward(np.zeros((0, 3)), np.array([0, 0, 0]), log_initial, log_transition)
    assert found.gamma.shape == (0, 3)
    np.testing.assert_array_equal(found.log_likelihood, [0, 0])
    np.testing.assert_array_equal(found.transitions, np.zeros((3, 3)))
    path, score = viterbi(np.zeros((0, 3)), np.array([0]), log_initial, log_transition)
    assert path.shape == score.shape == (0,)


def test_what_is_not_asked_for_is_left_out():
    music = drawn(5, 3, [4, 2])
    full = forward_backward(*music)
    only = forward_backward(*music, gamma=False, transitions=False)
    assert only.gamma is None
    assert only.transitions is None
    np.testing.assert_allclose(only.log_likelihood, full.log_likelihood)
    np.testing.assert_allclose(forward_backward(*music, gamma=False).transitions, full.transitions)
    np.testing.assert_allclose(forward_backward(*music, transitions=False).gamma, full.gamma)


def test_arguments_are_left_alone():
    music = drawn(6, 3, [4, 0, 5])
    kept = [array.copy() for array in music]
    forward_backward(*music)
    viterbi(*music)
    filtered(*music)
    for array, before in zip(music, kept, strict=True):
        np.testing.assert_array_equal(array, before)


@pytest.mark.parametrize("of", [forward_backward, viterbi, filtered])
def test_impossible_sequences_and_bad_shapes_are_named(of):
    log_emission, offsets, log_initial, log_transition = drawn(7, 3, [2, 4])
    bad = log_emission.copy()
    bad[3] = -np.inf
    with pytest.raises(ValueError, match="step 3 is impossible"):
        of(bad, offsets, log_initial, log_transition)
    bad[3] = np.nan
    with pytest.raises(ValueError, match="step 3 is impossible in every state or not a number"):
        of(bad, offsets, log_initial, log_transition)
    # No state that the first sequence may begin in can be the first.
    bad[:] = 0.0
    bad[0, 0] = -np.inf
    with pytest.raises(ValueError, match="sequence 0 is impossible"):
        of(bad, offsets, np.array([0.0, -np.inf, -np.inf]), log_transition)
    # The second sequence needs a move from the first state to the second, which there is none of.
    bad[:] = 0.0
    bad[2, 1:] = bad[3, [0, 2]] = -np.inf
    log_transition[0, 1] = -np.inf
    with pytest.raises(ValueError, match="sequence 1 is impossible"):
        of(bad, offsets, log_initial, log_transition)
    with pytest.raises(ValueError, match="accepted:"):
        of(log_emission, offsets[:-1], log_initial, log_transition)
    with pytest.raises(ValueError, match="accepted:"):
        of(log_emission, offsets, log_initial[:2], log_transition)
