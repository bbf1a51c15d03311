"""The hidden Markov model: forward-backward against slower, plainer algorithms, and what it counts in training."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp

from keybench.estimators import hmm
from keybench.estimators.hmm import KeyHMM, occupancy, steps
from keybench.key import DORIAN, MAJOR, MINOR, N_KEYS, SCALES, Key, truth_mask
from keybench.notes import NoteTable, Piece


def transition(n_states, stay):
    matrix = np.full((n_states, n_states), (1 - stay) / (n_states - 1))
    np.fill_diagonal(matrix, stay)
    return matrix


def over_all_paths(log_emission, initial, stay):
    """Mean posterior by summing the joint probability of every path of states."""
    n, k = log_emission.shape
    moves = transition(k, stay)
    total = np.zeros((n, k))
    for path in itertools.product(range(k), repeat=n):
        p = initial[path[0]] * np.exp(log_emission[0, path[0]])
        for t in range(1, n):
            p *= moves[path[t - 1], path[t]] * np.exp(log_emission[t, path[t]])
        total[np.arange(n), path] += p
    return (total / total.sum(axis=1, keepdims=True)).mean(axis=0)


def step_by_step(log_emission, initial, stay):
    """Posterior of each step by the textbook recursions (Rabiner 1989) on full matrices of logarithms."""
    n, k = log_emission.shape
    with np.errstate(divide="ignore"):
        moves, start = np.log(transition(k, stay)), np.log(initial)
    alpha, beta = np.empty((n, k)), np.zeros((n, k))
    alpha[0] = start + log_emission[0]
    for t in range(1, n):
        alpha[t] = logsumexp(alpha[t - 1][:, None] + moves, axis=0) + log_emission[t]
    for t in range(n - 2, -1, -1):
        beta[t] = logsumexp(moves + (log_emission[t + 1] + beta[t + 1])[None, :], axis=1)
    gamma = alpha + beta
    return np.exp(gamma - logsumexp(gamma, axis=1, keepdims=True))


def in_logarithms(log_emission, initial, stay):
    """Mean posterior by the same recursions."""
    return step_by_step(log_emission, initial, stay).mean(axis=0)


def random_sequences(rng, lengths, n_states, spread=1.5):
    offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    return rng.normal(scale=spread, size=(offsets[-1], n_states)), offsets, rng.dirichlet(np.ones(n_states))


def parts(log_emission, offsets):
    return [log_emission[a:b] for a, b in itertools.pairwise(offsets)]


@settings(max_examples=30, deadline=None)
@given(
    st.integers(2, 4),
    st.lists(st.integers(0, 5), min_size=1, max_size=5),
    st.sampled_from([0.05, 0.4, 0.9, 0.998]),
    st.integers(0, 10_000),
)
def test_occupancy_is_the_sum_over_all_paths(n_states, lengths, stay, seed):
    log_emission, offsets, initial = random_sequences(np.random.default_rng(seed), lengths, n_states)
    found = occupancy(log_emission, offsets, initial, stay)
    expected = [over_all_paths(e, initial, stay) if len(e) else initial for e in parts(log_emission, offsets)]
    assert found.shape == (len(lengths), n_states)
    np.testing.assert_allclose(found, expected, atol=1e-10)
    np.testing.assert_allclose(found.sum(axis=1), 1)


def test_occupancy_worked_by_hand():
    # One step: Bayes. Prior (1/4, 3/4), likelihoods (3, 1): the posterior is even.
    one = occupancy(np.log([[3.0, 1.0]]), np.array([0, 1]), np.array([0.25, 0.75]), 0.9)
    np.testing.assert_allclose(one, [[0.5, 0.5]])
    # Two steps, stay 3/4, even start, likelihoods (1, 1) then (3, 1). Joint: AA 9, AB 1, BA 3, BB 3, of 16.
    two = occupancy(np.log([[1.0, 1.0], [3.0, 1.0]]), np.array([0, 2]), np.array([0.5, 0.5]), 0.75)
    first_a, second_a = (9 + 1) / 16, (9 + 3) / 16
    np.testing.assert_allclose(two, [[(first_a + second_a) / 2, 1 - (first_a + second_a) / 2]])


def test_occupancy_over_84_states_against_full_matrices():
    rng = np.random.default_rng(1)
    log_emission, offsets, initial = random_sequences(rng, [30, 1, 0, 12, 55], N_KEYS, spread=3)
    found = occupancy(log_emission, offsets, initial, 0.99)
    expected = [in_logarithms(e, initial, 0.99) if len(e) else initial for e in parts(log_emission, offsets)]
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_occupancy_of_long_sequences_does_not_underflow():
    rng = np.random.default_rng(2)
    log_emission, offsets, initial = random_sequences(rng, [2000], 5, spread=8)
    log_emission -= 500.0
    found = occupancy(log_emission, offsets, initial, 0.998)
    np.testing.assert_allclose(found[0], in_logarithms(log_emission, initial, 0.998), atol=1e-9)


def test_occupancy_does_not_depend_on_batches(monkeypatch):
    rng = np.random.default_rng(3)
    lengths = rng.integers(0, 6, size=23)
    log_emission, offsets, initial = random_sequences(rng, lengths, 3)
    expected = [over_all_paths(e, initial, 0.8) if len(e) else initial for e in parts(log_emission, offsets)]
    assert (lengths == 0).any()
    for batch in (1, 2, 5, 22, 100):
        monkeypatch.setattr(hmm, "_BATCH", batch)
        np.testing.assert_allclose(occupancy(log_emission, offsets, initial, 0.8), expected, atol=1e-10)


def test_occupancy_across_the_real_batch_boundary():
    rng = np.random.default_rng(4)
    lengths = rng.integers(0, 4, size=2 * hmm._BATCH + 7)
    log_emission, offsets, initial = random_sequences(rng, lengths, 3)
    expected = [in_logarithms(e, initial, 0.7) if len(e) else initial for e in parts(log_emission, offsets)]
    np.testing.assert_allclose(occupancy(log_emission, offsets, initial, 0.7), expected, atol=1e-10)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 6), min_size=1, max_size=6), st.sampled_from([0.4, 0.9, 0.998]), st.integers(0, 10_000))
def test_the_best_state_of_each_step_has_the_largest_posterior(lengths, stay, seed):
    log_emission, offsets, initial = random_sequences(np.random.default_rng(seed), lengths, 4)
    best = np.full(len(log_emission), -1)
    with_best = occupancy(log_emission, offsets, initial, stay, best)
    np.testing.assert_array_equal(with_best, occupancy(log_emission, offsets, initial, stay))
    expected = [step_by_step(e, initial, stay).argmax(axis=1).tolist() for e in parts(log_emission, offsets) if len(e)]
    assert best.tolist() == [state for part in expected for state in part]


def test_occupancy_of_nothing():
    initial = np.array([0.2, 0.3, 0.5])
    np.testing.assert_array_equal(occupancy(np.zeros((0, 3)), np.array([0, 0, 0]), initial, 0.9), [initial, initial])
    assert occupancy(np.zeros((0, 3)), np.array([0]), initial, 0.9).shape == (0, 3)


def test_occupancy_with_even_moves_forgets_its_neighbours():
    # With a stay of 1 in n every state follows every other alike, so each step stands for itself.
    rng = np.random.default_rng(5)
    log_emission, offsets, _ = random_sequences(rng, [6], 4)
    alone = np.exp(log_emission - logsumexp(log_emission, axis=1, keepdims=True)).mean(axis=0)
    np.testing.assert_allclose(occupancy(log_emission, offsets, np.full(4, 0.25), 0.25), [alone], atol=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.permutations(range(4)))
def test_occupancy_moves_with_the_states(seed, order):
    log_emission, offsets, initial = random_sequences(np.random.default_rng(seed), [5, 2], 4)
    plain = occupancy(log_emission, offsets, initial, 0.9)
    order = np.array(order)
    np.testing.assert_allclose(
        occupancy(log_emission[:, order], offsets, initial[order], 0.9), plain[:, order], atol=1e-12
    )


def test_occupancy_against_hmmlearn():
    # Reference library: the posteriors of a categorical model.
    hmmlearn = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is absent: install it with pip install hmmlearn")
    rng = np.random.default_rng(6)
    n_states, n_symbols, lengths = 4, 6, [7, 1, 40, 3]
    emission = rng.dirichlet(np.ones(n_symbols), size=n_states)
    initial = rng.dirichlet(np.ones(n_states))
    model = hmmlearn.CategoricalHMM(n_components=n_states)
    model.startprob_, model.transmat_, model.emissionprob_ = initial, transition(n_states, 0.85), emission
    symbols = rng.integers(n_symbols, size=sum(lengths))
    posterior = model.predict_proba(symbols[:, None], lengths)
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    expected = [part.mean(axis=0) for part in parts(posterior, offsets)]
    found = occupancy(np.log(emission[:, symbols].T), offsets, initial, 0.85)
    np.testing.assert_allclose(found, expected, atol=1e-9)


def table_of(*pieces):
    return NoteTable.from_pieces([Piece(*(np.array(c, float) for c in p)) for p in pieces])


def struck_sets(table):
    struck, offsets, begins = steps(table)
    assert struck.dtype == bool
    assert offsets[0] == 0
    assert offsets[-1] == len(struck) == len(begins)
    return [[set(np.flatnonzero(s).tolist()) for s in part] for part in parts(struck, offsets)]


@pytest.mark.parametrize(
    ("onset", "pitch", "expected"),
    [  # worked by hand: a step is two median gaps between onsets
        ([0, 1, 2, 3], [60, 62, 64, 65], [{0, 2}, {4, 5}]),
        ([0, 0.5, 1, 1.5, 2], [60, 62, 64, 65, 67], [{0, 2}, {4, 5}, {7}]),
        ([4, 5, 6, 7], [60, 62, 64, 65], [{0, 2}, {4, 5}]),  # counted from the first note
        ([-1, 0, 1, 2], [60, 62, 64, 65], [{0, 2}, {4, 5}]),
        ([0, 0, 1, 1, 2], [60, 64, 62, 65, 64], [{0, 4, 2, 5}, {4}]),  # together: one onset
        ([0, 1, 2, 9, 10], [60, 62, 64, 65, 67], [{0, 2}, {4}, {5}, {7}]),  # steps 1, 4 and 5; silence left out
        ([0, 1, 2, 3], [60, 72, 61, 61], [{0}, {1}]),  # an octave is the same pitch class
        ([0], [69], [{9}]),
        ([0, 0, 0], [60, 64, 67], [{0, 4, 7}]),
        ([], [], []),
    ],
)
def test_steps_by_hand(onset, pitch, expected):
    other = ([0, 1, 2], [1, 1, 1], [71, 70, 71])
    piece = (onset, [1] * len(onset), pitch)
    assert struck_sets(table_of(piece)) == [expected]
    assert struck_sets(table_of(other, piece, other)) == [[{11, 10}, {11}], expected, [{11, 10}, {11}]]


@pytest.mark.parametrize(
    ("onset", "expected"),
    [
        ([0, 1, 2, 3], [0, 2]),
        ([0, 0.5, 1, 1.5, 2], [0, 1, 2]),
        ([4, 5, 6, 7], [4, 6]),
        ([0, 1, 2, 9, 10], [0, 2, 9, 10]),  # with the first note in the step, not with the step's place in the grid
        ([0, 0, 0], [0]),
        ([], []),
    ],
)
def test_steps_begin_with_their_first_note(onset, expected):
    piece = (onset, [1] * len(onset), [60] * len(onset))
    assert steps(table_of(piece))[2].tolist() == expected
    other = ([0, 1, 2], [1, 1, 1], [71, 70, 71])
    assert steps(table_of(other, piece, other))[2].tolist() == [0, 2, *expected, 0, 2]


def test_steps_of_no_pieces():
    struck, offsets, begins = steps(NoteTable.from_pieces([]))
    assert struck.shape == (0, 12)
    assert offsets.tolist() == [0]
    assert begins.tolist() == []


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.integers(-20, 20), st.sampled_from([0.1, 0.25, 0.6, 3.0, 7.3]))
def test_steps_move_with_the_music_and_not_with_its_tempo(seed, k, factor):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    duration = rng.choice([0.5, 1.0, 1.5], size=n)
    table = NoteTable.from_notes(rng.integers(50, 80, size=n), duration)
    struck, offsets, begins = steps(table)
    other = table.transpose(k).replace(onset=table.onset * factor, duration=duration * factor)
    moved, moved_offsets, moved_begins = steps(other)
    np.testing.assert_array_equal(moved_offsets, offsets)
    np.testing.assert_array_equal(moved, np.roll(struck, k, axis=1))
    np.testing.assert_allclose(moved_begins, begins * factor)


def toy():
    """Steps of two notes: D Dorian, G Dorian (the same music a fourth up) and C major."""
    dorian = ([0, 1, 2, 3, 4], [1] * 5, [62, 65, 69, 71, 62])  # D F | A B | D
    major = ([0, 1, 2, 3], [1] * 4, [60, 64, 67, 60])  # C E | G C
    table = table_of(dorian, dorian, major).transpose([0, 5, 0])
    return table, truth_mask([[Key(2, DORIAN)], [Key(7, DORIAN)], [Key(0, MAJOR)]])


def test_learnt_note_shares_are_counts_by_scale_degree():
    # Without a prior: the home note is struck in 2 steps, the third, fifth and raised sixth in 1 each, of 5.
    table, truth = toy()
    model = KeyHMM(prior_steps=1e-9).fit(table, truth)
    shares = np.exp(model.log_notes_)
    expected = np.zeros(12)
    expected[[0, 3, 7, 9]] = np.array([2, 1, 1, 1]) / 5
    np.testing.assert_allclose(shares[DORIAN], expected, atol=1e-6)
    expected = np.zeros(12)
    expected[[0, 4, 7]] = np.array([2, 1, 1]) / 4
    np.testing.assert_allclose(shares[MAJOR], expected, atol=1e-6)


def test_learnt_note_shares_with_the_scale_shape_mixed_in():
    table, truth = toy()
    model = KeyHMM(prior_steps=10.0).fit(table, truth)
    counts = np.zeros(12)
    counts[[0, 3, 7, 9]] = [4, 2, 2, 2]  # two Dorian pieces
    shape = np.where(SCALES[DORIAN], 1.0, 0.1) / 7.5  # seven notes at 1, five at .1
    np.testing.assert_allclose(np.exp(model.log_notes_[DORIAN]), (counts + 10 * shape) / 20)
    shape = np.where(SCALES[MINOR], 1.0, 0.1) / 7.5  # a mode without pieces keeps the plain shape
    np.testing.assert_allclose(np.exp(model.log_notes_[MINOR]), shape)


def test_learnt_mode_shares_and_edges():
    table, truth = toy()
    model = KeyHMM().fit(table, truth)
    np.testing.assert_allclose(np.exp(model.log_modes_), np.array([1.5, 2.5, 0.5, 0.5, 0.5, 0.5, 0.5]) / 6.5)
    # All three pieces begin and end at home: pooled shares are 3.5 and eleven times .5, of 9, weighing 20 pieces.
    pooled = np.full(12, 0.5) / 9
    pooled[0] = 3.5 / 9
    for log_edge in (model.log_first_, model.log_last_):
        for mode, pieces in ((MAJOR, 1), (DORIAN, 2), (MINOR, 0)):
            expected = 20 * pooled
            expected[0] += pieces
            np.testing.assert_allclose(np.exp(log_edge[mode]), expected / (20 + pieces))


def test_a_set_of_acceptable_keys_counts_in_equal_parts():
    table, _ = toy()
    truth = truth_mask([[Key(2, DORIAN), Key(2, MINOR)], [Key(7, DORIAN)], [Key(0, MAJOR)]])
    model = KeyHMM(prior_steps=1e-9).fit(table, truth)
    np.testing.assert_allclose(np.exp(model.log_modes_), np.array([1.5, 2, 0.5, 0.5, 0.5, 1, 0.5]) / 6.5)
    expected = np.zeros(12)
    expected[[0, 3, 7, 9]] = np.array([2, 1, 1, 1]) / 5
    np.testing.assert_allclose(np.exp(model.log_notes_[MINOR]), expected, atol=1e-6)


def test_scores_are_the_logarithm_of_the_occupancy():
    # The whole chain by plain means: emissions note by note, edges added at the ends, full-matrix recursions.
    table, truth = toy()
    model = KeyHMM(stay=0.9, prior_steps=5.0).fit(table, truth)
    struck, offsets, _ = steps(table)
    initial = np.array([np.exp(model.log_modes_[k // 12]) / 12 for k in range(N_KEYS)])
    np.testing.assert_allclose(initial.sum(), 1)
    scores = model._scores(table)
    ends = [(2, 2), (7, 7), (0, 0)]
    for i, part in enumerate(parts(struck, offsets)):
        emission = np.zeros((len(part), N_KEYS))
        for k in range(N_KEYS):
            mode, tonic = k // 12, k % 12
            for t, notes in enumerate(part):
                emission[t, k] = sum(model.log_notes_[mode, (pc - tonic) % 12] for pc in np.flatnonzero(notes))
            emission[0, k] += model.log_first_[mode, (ends[i][0] - tonic) % 12]
            emission[-1, k] += model.log_last_[mode, (ends[i][1] - tonic) % 12]
        np.testing.assert_allclose(np.exp(scores[i]), in_logarithms(emission, initial, 0.9), atol=1e-9)


def test_the_toy_pieces_are_named():
    table, truth = toy()
    model = KeyHMM(prior_steps=5.0).fit(table, truth)
    assert model.predict(table).tolist() == [12 * DORIAN + 2, 12 * DORIAN + 7, 0]
    assert model.predict(table.transpose(3)).tolist() == [12 * DORIAN + 5, 12 * DORIAN + 10, 3]


def test_edges_can_be_left_out():
    table, truth = toy()
    with_edges = KeyHMM(prior_steps=5.0).fit(table, truth)
    without = KeyHMM(prior_steps=5.0, edges=False).fit(table, truth)
    gap = np.abs(with_edges._scores(table) - without._scores(table)).max()
    assert gap > 0.1
    without.log_first_ = without.log_last_ = np.full((7, 12), np.nan)  # not looked at
    assert np.isfinite(without._scores(table)).all()


def test_a_piece_without_notes_gets_the_mode_shares():
    table, truth = toy()
    model = KeyHMM().fit(table, truth)
    silent = NoteTable.concatenate([table_of(([], [], [])), table])
    np.testing.assert_allclose(model._scores(silent)[0], np.repeat(model.log_modes_ - np.log(12), 12))
