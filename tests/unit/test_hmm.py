"""The hidden Markov model: what it hears, what it learns and what it answers, against plainer algorithms."""

import itertools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp

from keybench.errors import EstimatorError
from keybench.estimators import hmm, make
from keybench.estimators.hmm import SETS, KeyHMM, chord_table, learn_chords, presence_table, rotate, steps
from keybench.estimators.profile_data import PROFILES
from keybench.key import DORIAN, MAJOR, MINOR, N_KEYS, NO_MODE, SCALE_STEPS, SCALES, Key, truth_mask
from keybench.notes import NoteTable, Piece
from keybench.spans import SpanTable


def table_of(*pieces):
    return NoteTable.from_pieces([Piece(*(np.array(c, float) for c in p)) for p in pieces])


def parts(values, offsets):
    return [values[a:b] for a, b in itertools.pairwise(offsets)]


# --- Steps -----------------------------------------------------------------------------------------------------------


def heard_sets(table):
    heard = steps(table)
    return [[set(np.flatnonzero(SETS[s]).tolist()) for s in part] for part in parts(heard.sets, heard.offsets)]


@pytest.mark.parametrize(
    ("onset", "duration", "pitch", "expected", "bass"),
    [  # worked by hand: in a piece as short as these, a step is the median gap between onsets
        ([0, 1, 2, 3], 1, [60, 62, 64, 65], [{0}, {2}, {4}, {5}], [0, 2, 4, 5]),
        ([0, 0.5, 1, 1.5], 0.5, [60, 62, 64, 65], [{0}, {2}, {4}, {5}], [0, 2, 4, 5]),
        ([-1, 0, 1], 1, [60, 62, 64], [{0}, {2}, {4}], [0, 2, 4]),
        ([0, 0, 1, 1, 2], 1, [60, 64, 62, 65, 64], [{0, 4}, {2, 5}, {4}], [0, 2, 4]),
        ([0, 1, 2, 3], [4, 1, 1, 1], [48, 64, 65, 67], [{0}, {0, 4}, {0, 5}, {0, 7}], [0, 4, 5, 7]),  # held over
        ([0, 1, 2, 3], [2, 1, 1, 1], [48, 64, 65, 67], [{0}, {0, 4}, {5}, {7}], [0, 4, 5, 7]),  # until it ends
        ([0, 1, 2, 3], [2.2, 1, 1, 1], [48, 64, 65, 67], [{0}, {0, 4}, {0, 5}, {7}], [0, 4, 5, 7]),
        ([0, 1, 2, 9, 10], [3, 1, 1, 1, 1], [60, 62, 64, 65, 67], [{0}, {0, 2}, {0, 4}, {5}, {7}], [0, 2, 4, 5, 7]),
        ([0, 1, 2], 0, [60, 62, 64], [{0}, {2}, {4}], [0, 2, 4]),  # without length, a note is heard where it begins
        ([0, 1, 2, 2.5, 3, 4], 1, [60, 62, 61, 73, 62, 64], [{0}, {2}, {1}, {2, 1}, {4}], [0, 2, 1, 2, 4]),  # an octave
        ([0], 1, [69], [{9}], [9]),
        ([0, 0, 0], 1, [60, 64, 67], [{0, 4, 7}], [0]),
        ([], 1, [], [], []),
    ],
)
def test_steps_by_hand(onset, duration, pitch, expected, bass):
    piece = (onset, np.broadcast_to(duration, len(onset)), pitch)
    other = ([0, 1, 2], [9, 1, 1], [71, 70, 71])  # its first note outlasts the piece, and not into the next
    said = [{11}, {11, 10}, {11}]
    assert heard_sets(table_of(piece)) == [expected]
    assert heard_sets(table_of(other, piece, other)) == [said, expected, said]
    assert steps(table_of(piece)).bass.tolist() == bass
    assert steps(table_of(piece)).first.tolist() == ([pitch[0] % 12] if len(pitch) else [-1])


def test_longer_pieces_are_cut_into_steps_of_two_gaps():
    table = NoteTable.from_notes(60 + np.arange(80) % 5)
    heard = steps(table)
    assert heard.lengths.tolist() == [40]
    assert heard.begins.tolist() == list(range(0, 80, 2))
    assert heard_sets(table)[0][:3] == [{0, 1}, {2, 3}, {4, 0}]
    assert heard.bass_before.tolist()[:3] == [-1, 0, 2]


def test_a_chord_struck_a_hair_apart_makes_no_hair_of_the_beat():
    onset = (np.arange(40)[:, None] + 1e-4 * np.arange(4)).ravel()
    table = table_of((onset, np.full(160, 0.9), np.tile([48, 64, 67, 72], 40)))
    assert all({0, 4, 7} >= heard for heard in heard_sets(table)[0])
    assert len(heard_sets(table)[0]) <= 200


@settings(max_examples=25, deadline=None)
@example(2332, 0, 0.1)  # just as long as a short piece may be
@given(st.integers(0, 10_000), st.integers(-20, 20), st.sampled_from([0.1, 0.25, 0.6, 3.0, 7.3]))
def test_steps_move_with_the_music_and_not_with_its_tempo(seed, k, factor):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 90))
    onset = np.cumsum(rng.choice([0.0, 0.5, 1.0, 1.5], size=n))
    table = table_of((onset, rng.choice([0.5, 1.0, 4.0], size=n), rng.integers(50, 80, size=n)))
    heard = steps(table)
    other = steps(table.transpose(k).replace(onset=table.onset * factor, duration=table.duration * factor))
    np.testing.assert_array_equal(other.offsets, heard.offsets)
    np.testing.assert_array_equal(rotate(other.sets, k % 12), heard.sets)
    np.testing.assert_array_equal(other.bass, (heard.bass + k) % 12)
    np.testing.assert_allclose(other.begins, heard.begins * factor)


def test_steps_of_no_pieces():
    heard = steps(NoteTable.from_pieces([]))
    assert heard.offsets.tolist() == [0]
    assert len(heard.sets) == len(heard.bass) == len(heard.begins) == len(heard.bass_before) == 0


# --- Emissions -------------------------------------------------------------------------------------------------------


@given(st.sets(st.integers(0, 11)), st.integers(0, 11))
def test_sets_are_counted_from_the_home_note(notes, tonic):
    number = np.array([sum(1 << pc for pc in notes)])
    turned = rotate(number, tonic)
    assert set(np.flatnonzero(SETS[turned[0]]).tolist()) == {(pc - tonic) % 12 for pc in notes}


def test_presence_is_a_distribution_over_sets():
    presence = np.random.default_rng(0).uniform(0.05, 0.95, size=(2, 12))
    table = presence_table(presence)
    np.testing.assert_allclose(np.exp(table).sum(axis=1), 1)
    number = (1 << 0) + (1 << 4) + (1 << 7)
    sounding = np.isin(np.arange(12), (0, 4, 7))
    np.testing.assert_allclose(np.exp(table[1, number]), np.where(sounding, presence[1], 1 - presence[1]).prod())


def test_chords_are_a_distribution_over_sets():
    rng = np.random.default_rng(1)
    presence, shares = rng.uniform(0.05, 0.95, size=(2, 3, 12)), rng.dirichlet(np.ones(3), size=2)
    table = chord_table(np.log(shares), presence)
    np.testing.assert_allclose(np.exp(table).sum(axis=1), 1)
    by_hand = sum(shares[0, c] * np.exp(presence_table(presence[0, c])) for c in range(3))
    np.testing.assert_allclose(np.exp(table[0]), by_hand)


def test_chords_that_were_heard_are_found_again():
    # Of independent notes with the same shares, these three triads would be 7 sets in 1,000.
    counts = np.zeros(4096)
    triads = [sum(1 << pc for pc in chord) for chord in ((0, 4, 7), (2, 7, 11), (0, 5, 9))]
    counts[triads] = [500, 300, 200]
    found = np.exp(chord_table(*(part[None] for part in learn_chords(counts, 6)))[0, triads])
    np.testing.assert_allclose(found, [0.5, 0.3, 0.2], atol=0.03)
    alone = np.exp(chord_table(*(part[None] for part in learn_chords(counts, 1)))[0, triads])
    assert alone.sum() < 0.1


def test_learning_chords_never_makes_the_sets_less_likely():
    # Expectation-maximisation climbs (Dempster, Laird & Rubin 1977); the pseudo-counts here are one set in thousands.
    rng = np.random.default_rng(2)
    counts = np.zeros(4096)
    np.add.at(counts, rng.integers(4096, size=60), rng.integers(1, 300, size=60).astype(float))
    likelihood = []
    for rounds in (1, 2, 4, 8, 16, 40):
        log_shares, presence = learn_chords(counts, 4, rounds)
        likelihood.append(float(counts @ chord_table(log_shares[None], presence[None])[0]))
    assert (np.diff(likelihood) > -1.0).all()
    assert likelihood[-1] > likelihood[0] + 100


# --- Whole pieces ----------------------------------------------------------------------------------------------------


def toy():
    """Steps of one note: D Dorian, G Dorian (the same music a fourth up) and C major."""
    dorian = ([0, 1, 2, 3, 4], [1] * 5, [62, 65, 69, 71, 62])
    major = ([0, 1, 2, 3], [1] * 4, [60, 64, 67, 60])
    return table_of(dorian, dorian, major).transpose([0, 5, 0]), truth_mask(
        [[Key(2, DORIAN)], [Key(7, DORIAN)], [Key(0, MAJOR)]]
    )


def test_learnt_shares_are_counts_by_scale_degree():
    table, truth = toy()
    model = KeyHMM(emission="shares", prior_steps=1e-9).fit(table, truth)
    assert model.modes_.tolist() == [MAJOR, DORIAN]
    expected = np.zeros((2, 12))
    expected[0, [0, 4, 7]] = np.array([2, 1, 1]) / 4
    expected[1, [0, 3, 7, 9]] = np.array([2, 1, 1, 1]) / 5
    np.testing.assert_allclose(np.exp(model.log_notes_), expected, atol=1e-6)
    np.testing.assert_allclose(np.exp(model.log_modes_), np.array([1.5, 2.5]) / 4)


def test_learnt_presence_with_the_scale_shape_mixed_in():
    table, truth = toy()
    model = KeyHMM(emission="presence", prior_steps=10.0).fit(table, truth)
    counts = np.zeros(12)
    counts[[0, 3, 7, 9]] = [4, 2, 2, 2]  # of ten steps, with one note each
    shape = np.clip(np.where(SCALES[DORIAN], 1.0, 0.1) / 7.5, 0.01, 0.95)
    np.testing.assert_allclose(model.presence_[1], (counts + 10 * shape) / 20)


def test_learnt_bass_moves_and_edges():
    table, truth = toy()
    model = KeyHMM().fit(table, truth)
    moves = np.zeros((12, 12))
    moves[0, 3] = moves[3, 7] = moves[7, 9] = moves[9, 0] = 2.0  # two Dorian pieces
    pooled = moves.sum(axis=0) + 0.5
    moves += 20 * pooled / pooled.sum()
    np.testing.assert_allclose(np.exp(model.log_bass_[1]), moves / moves.sum(axis=1, keepdims=True))
    # All three pieces begin and end at home: pooled shares are 3.5 and eleven times .5, of 9, weighing 20 pieces.
    pooled = np.full(12, 0.5) / 9
    pooled[0] = 3.5 / 9
    for log_edge in (model.log_first_, model.log_last_):
        for mode, pieces in ((0, 1), (1, 2)):
            expected = 20 * pooled
            expected[0] += pieces
            np.testing.assert_allclose(np.exp(log_edge[mode]), expected / (20 + pieces))


def test_of_a_set_of_acceptable_keys_the_one_that_fits_counts():
    table, _ = toy()
    three = NoteTable.concatenate([table, table])
    # The first piece may be D Dorian or D minor; its raised sixth is that of the Dorian pieces.
    minor = table_of(([0, 1, 2, 3, 4], [1] * 5, [62, 65, 69, 70, 62]))
    both = NoteTable.concatenate([three, minor])
    one = [[Key(2, DORIAN)], [Key(7, DORIAN)], [Key(0, MAJOR)]]
    truth = truth_mask([[Key(2, DORIAN), Key(2, MINOR)], *one[1:], *one, [Key(2, MINOR)]])
    model = KeyHMM(emission="shares", prior_steps=1e-3).fit(both, truth)
    assert model.modes_.tolist() == [MAJOR, DORIAN, MINOR]
    assert np.exp(model.log_notes_)[1, 8] < 1e-3  # no lowered sixth among the Dorian notes
    assert np.exp(model.log_notes_)[2, 9] < 0.1 < np.exp(model.log_notes_)[2, 8]


@pytest.mark.parametrize("emission", ["chords", "presence", "shares", "temperley-2007", "krumhansl-kessler"])
def test_emissions_by_plain_loops(emission):
    table, truth = toy()
    model = KeyHMM(emission=emission, n_chords=2, weight=0.6).fit(table, truth)
    heard = steps(table)
    found = model._emissions(heard)
    of_set = model._table()
    row = 0
    for i, (sets, bass) in enumerate(
        zip(parts(heard.sets, heard.offsets), parts(heard.bass, heard.offsets), strict=True)
    ):
        for t in range(len(sets)):
            notes = np.flatnonzero(SETS[sets[t]])
            for mode, tonic in itertools.product(range(len(model.modes_)), range(12)):
                degrees = [(pc - tonic) % 12 for pc in notes]
                expected = of_set[mode, sum(1 << d for d in degrees)]
                if t:
                    expected += 0.75 * model.log_bass_[mode, (bass[t - 1] - tonic) % 12, (bass[t] - tonic) % 12]
                expected *= 0.6
                expected += model.log_first_[mode, (heard.first[i] - tonic) % 12] if t == 0 else 0.0
                expected += model.log_last_[mode, (heard.last[i] - tonic) % 12] if t == len(sets) - 1 else 0.0
                np.testing.assert_allclose(found[row, 12 * mode + tonic], expected)
            row += 1
    if emission == "shares":
        np.testing.assert_allclose(of_set[0, 0b10010001], model.log_notes_[0, [0, 4, 7]].sum())
    if emission == "krumhansl-kessler":  # nearly in proportion to the published numbers (Krumhansl & Kessler 1982)
        np.testing.assert_allclose(np.exp(model.log_notes_[1, 0]), (6.33 / 44.51 + 0.002) / 1.024)


def posteriors_by_logarithms(log_emission, log_initial, stay):
    """Posterior of each step by the textbook recursions (Rabiner 1989) on full matrices of logarithms."""
    n, k = log_emission.shape
    moves = np.full((k, k), np.log((1 - stay) / (k - 1)))
    np.fill_diagonal(moves, np.log(stay))
    alpha, beta = np.empty((n, k)), np.zeros((n, k))
    alpha[0] = log_initial + log_emission[0]
    for t in range(1, n):
        alpha[t] = logsumexp(alpha[t - 1][:, None] + moves, axis=0) + log_emission[t]
    for t in range(n - 2, -1, -1):
        beta[t] = logsumexp(moves + (log_emission[t + 1] + beta[t + 1])[None, :], axis=1)
    both = alpha + beta
    return np.exp(both - logsumexp(both, axis=1, keepdims=True))


def test_scores_of_occupancy_are_logarithms_of_shares_of_time():
    table, truth = toy()
    model = KeyHMM(stay=0.9, prior_steps=5.0, whole="occupancy").fit(table, truth)
    heard = steps(table)
    scores = model._scores(table)
    for i, emission in enumerate(parts(model._emissions(heard), heard.offsets)):
        shares = posteriors_by_logarithms(emission, model._initial(), 0.9).mean(axis=0)
        np.testing.assert_allclose(np.exp(scores[i][[*range(12), *range(12 * DORIAN, 12 * DORIAN + 12)]]), shares)
    assert np.isneginf(scores[:, 12 * MINOR :]).all()  # no such pieces were learnt from


@pytest.mark.parametrize("whole", ["weighed", "occupancy", "path"])
@pytest.mark.parametrize("emission", ["chords", "presence", "shares"])
def test_the_toy_pieces_are_named(emission, whole):
    table, truth = toy()
    model = KeyHMM(emission=emission, whole=whole, prior_steps=5.0, n_chords=3).fit(table, truth)
    assert model.predict(table).tolist() == [12 * DORIAN + 2, 12 * DORIAN + 7, 0]
    assert model.predict(table.transpose(3)).tolist() == [12 * DORIAN + 5, 12 * DORIAN + 10, 3]


def test_edges_and_bass_can_be_left_out():
    table, truth = toy()
    model = KeyHMM(edges=False, bass=False).fit(table, truth)
    expected = model.predict_log_proba(table)
    model.log_first_ = model.log_last_ = model.log_bass_ = np.full((2, 12, 12), np.nan)  # not looked at
    np.testing.assert_array_equal(model.predict_log_proba(table), expected)
    assert np.abs(expected - KeyHMM().fit(table, truth).predict_log_proba(table)).max() > 0.01


def test_a_piece_without_notes_gets_the_mode_shares():
    table, truth = toy()
    model = KeyHMM(whole="occupancy").fit(table, truth)
    silent = NoteTable.concatenate([table_of(([], [], [])), table])
    np.testing.assert_allclose(model._scores(silent)[0, :12], model.log_modes_[0] - np.log(12))


def test_expectation_maximisation_climbs():
    # Baum et al. 1970: with emissions that are distributions and tied parameters, no step makes the notes less likely.
    rng = np.random.default_rng(3)
    pieces = []
    for _ in range(12):
        tonic, mode = rng.integers(12), rng.choice([MAJOR, MINOR])
        pieces.append(60 + tonic + SCALE_STEPS[mode][rng.integers(7, size=50)])
    table = NoteTable.concatenate([NoteTable.from_notes(pitch) for pitch in pieces])
    truth = truth_mask([[Key(0, MAJOR)]] * 6 + [[Key(0, MINOR)]] * 6)  # a poor start
    likelihood = []
    for em_steps in range(5):
        model = KeyHMM(
            "presence", bass=False, edges=False, weight=1.0, prior_steps=1e-6, stay=0.9, em_steps=em_steps
        ).fit(table, truth)
        heard = steps(table)
        total = 0.0
        for _, _, score, own, moves in model._chains(heard, model._emissions(heard)):
            total += hmm.forward_backward(score, own, model._initial(), moves).log_likelihood.sum()
        likelihood.append(total)
    assert (np.diff(likelihood) > -1e-6).all()
    assert likelihood[-1] > likelihood[0] + 10


def test_a_published_profile_is_where_expectation_maximisation_may_start():
    table, truth = toy()
    still = KeyHMM("krumhansl-kessler").fit(table, truth)
    moved = KeyHMM("krumhansl-kessler", em_steps=2).fit(table, truth)
    assert still.modes_.tolist() == moved.modes_.tolist() == [MAJOR, MINOR]
    assert np.abs(still.log_notes_ - moved.log_notes_).max() > 0.01


def test_temperleys_numbers():
    table, truth = toy()
    model = make("hmm-temperley").fit(table, truth)
    pair = PROFILES["temperley-2007"]
    np.testing.assert_allclose(model.presence_, [pair.major, pair.minor])
    # Temperley 2007: .998 to stay, the rest shared by the 23 other keys; all keys alike at the start.
    moves = np.exp(model.log_moves_)
    assert moves.shape == (1, 2, 2, 12)
    np.testing.assert_allclose([moves[0, 0, 0, 0], moves[0, 1, 1, 0]], 0.998)
    np.testing.assert_allclose([moves[0, 0, 1, 0], moves[0, 0, 0, 7], moves[0, 1, 0, 3]], 0.002 / 23)
    np.testing.assert_allclose(np.exp(model._initial()), 1 / 24)
    major = np.array(pair.major)
    heard = np.isin(np.arange(12), (0, 4, 7))
    triad = table_of(([0, 0, 0], [1] * 3, [60, 64, 67]))
    np.testing.assert_allclose(model._emissions(steps(triad))[0, 0], np.log(np.where(heard, major, 1 - major)).sum())


@pytest.mark.parametrize(
    "parameters",
    [
        {"stay": 1.0}, {"stay": 0.0}, {"prior_steps": 0.0}, {"emission": "colour"}, {"decode": "guess"},
        {"whole": "half"}, {"n_chords": 0}, {"em_steps": -1}, {"weight": 0.0},
    ],
)  # fmt: skip
def test_impossible_models_are_refused(parameters):
    table, truth = toy()
    with pytest.raises(EstimatorError, match="accepted"):
        KeyHMM(**parameters).fit(table, truth)
    with pytest.raises(EstimatorError, match="accepted"):
        KeyHMM(**parameters).fit_sections(table, SpanTable.from_spans([[(0, 5, 2, DORIAN)], [], []]))


# --- Keys over time --------------------------------------------------------------------------------------------------


def walk(rng, *keys, n=24):
    """Notes of one scale after the other, each stretch from its home note."""
    pitches = []
    for key in keys:
        degree = rng.integers(7, size=n)
        degree[::4], degree[2::8], degree[-1] = 0, 4, 0
        pitches += list(60 + key.tonic + SCALE_STEPS[key.mode][degree])
    return NoteTable.from_notes(pitches), [(n * i, n * (i + 1), k.tonic, k.mode) for i, k in enumerate(keys)]


def modulating(n_pieces=30, seed=0):
    """Pieces that leave their major key for the fifth above, or their minor key for the relative major."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(n_pieces):
        home = int(rng.integers(12))
        if i % 2:
            made.append(walk(rng, Key(home, MAJOR), Key((home + 7) % 12, MAJOR), Key(home, MAJOR)))
        else:
            made.append(walk(rng, Key(home, MINOR), Key((home + 3) % 12, MAJOR), Key(home, MINOR)))
    return NoteTable.concatenate([music for music, _ in made]), SpanTable.from_spans([spans for _, spans in made])


def right_share(model, music, spans):
    """Share of the time in which the key is right, quarter by quarter."""
    right = total = 0
    for i, answer in enumerate(model.segment(music)):
        for j in range(spans.offsets[i], spans.offsets[i + 1]):
            for t in np.arange(spans.start[j], spans.end[j]) + 0.5:
                said = [span.key for span in answer if span.start <= t < span.end]
                right += said == [12 * spans.mode[j] + spans.tonic[j]]
                total += 1
    return right / total


def test_moves_are_counted_by_interval_and_pair_of_modes():
    music, spans = modulating()
    model = KeyHMM(weight=0.7).fit_sections(music, spans)
    assert model.modes_.tolist() == [MAJOR, MINOR]
    # Every piece has 36 steps, two moves and 33 stays; each class of lengths counts fifty moves of the pool.
    counts = np.zeros((2, 2, 12))
    counts[0, 0, 0] = 15 * (11 + 11 + 11) + 15 * 11
    counts[0, 0, 7] = counts[0, 0, 5] = 15
    counts[1, 1, 0] = 15 * 22
    counts[1, 0, 3] = counts[0, 1, 9] = 15
    pooled = counts + 1 / 24
    pooled /= pooled.sum(axis=(1, 2), keepdims=True)
    own = counts + 50 * pooled
    own /= own.sum(axis=(1, 2), keepdims=True)
    found = np.exp(model.log_moves_)
    np.testing.assert_allclose(found.sum(axis=(2, 3)), 1)
    np.testing.assert_allclose(found[np.searchsorted(hmm._LENGTHS, 36)], own)
    np.testing.assert_allclose(found[0], pooled)  # no pieces of that length


def test_short_and_long_pieces_have_moves_of_their_own():
    rng = np.random.default_rng(4)
    short = [walk(rng, Key(0, MAJOR), Key(7, MAJOR), n=4) for _ in range(40)]
    long = [walk(rng, Key(0, MAJOR), n=200) for _ in range(10)]
    made = short + long
    music = NoteTable.concatenate([m for m, _ in made])
    model = KeyHMM().fit_sections(music, SpanTable.from_spans([s for _, s in made]))
    stays = np.exp(model.log_moves_[:, 0, 0, 0])
    of = model._class_of(steps(music).lengths)
    assert stays[of[0]] < 0.95 < 0.98 < stays[of[-1]]


@pytest.mark.parametrize("decode", ["posterior", "viterbi"])
def test_keys_that_move_are_followed_in_pieces_not_heard_before(decode):
    music, spans = modulating()
    model = KeyHMM(decode=decode).fit_sections(music, spans, groups=np.arange(30) // 2)
    assert model.reach_ in hmm._REACHES
    unheard, truth = modulating(10, seed=1)
    assert right_share(model, unheard, truth) > 0.85
    # One key for each piece, which knows nothing of moves, is at home for two thirds of the time.
    assert right_share(make("krumhansl-kessler").fit_sections(music, spans), unheard, truth) < 0.7
    np.testing.assert_array_equal(
        model.predict(unheard), [12 * truth.mode[3 * i] + truth.tonic[3 * i] for i in range(10)]
    )


@pytest.mark.parametrize("decode", ["posterior", "viterbi"])
def test_sections_move_with_the_music(decode):
    music, spans = modulating()
    model = KeyHMM(decode=decode).fit_sections(music, spans)
    shift = np.arange(len(music)) % 12
    plain, moved = model.segment(music), model.segment(music.transpose(shift))
    other = KeyHMM(decode=decode).fit_sections(music.transpose(shift), spans.transpose(shift)).segment(music)
    for i in range(len(music)):
        assert [(s.start, s.end, 12 * (s.key // 12) + (s.key + shift[i]) % 12) for s in plain[i]] == [
            (s.start, s.end, s.key) for s in moved[i]
        ]
    assert other == plain


def test_sections_are_the_posteriors_or_the_best_path():
    music, spans = modulating(6)
    model = KeyHMM(learn_moves=False, stay=0.9, weight=0.5).fit_sections(music, spans)
    heard = steps(music)
    score = model._emissions(heard)
    expected = [
        posteriors_by_logarithms(part, model._initial(), 0.9).argmax(axis=1) for part in parts(score, heard.offsets)
    ]
    found = model._posteriors(heard, score).argmax(axis=1)
    np.testing.assert_array_equal(found, np.concatenate(expected))


def test_notes_weigh_less_in_longer_pieces():
    table, truth = toy()
    model = KeyHMM().fit(table, truth)
    model.reach_ = 16.0
    np.testing.assert_allclose(model._weight_of(np.array([0, 4, 16, 128, 2000])), [1, 1, 1, 0.5, 0.2])
    np.testing.assert_array_equal(KeyHMM(weight=0.4)._weight_of(np.array([4, 128])), [0.4, 0.4])


def test_labels_without_a_mode_teach_no_mode():
    music, spans = modulating(8)
    bare = SpanTable(
        **(spans.columns() | {"mode": np.where(spans.tonic % 2, NO_MODE, spans.mode)}), offsets=spans.offsets
    )
    model = KeyHMM().fit_sections(music, bare)
    assert model.modes_.tolist() == [MAJOR, MINOR]
    assert {span.key // 12 for answer in model.segment(music) for span in answer} <= {MAJOR, MINOR}
    assert np.exp(model.predict_log_proba(music)).reshape(-1, 7, 12)[:, [1, 2, 3, 4, 6]].max() < 1e-4


def test_pieces_without_labels_do_not_teach():
    music, spans = modulating(8)
    extra = NoteTable.concatenate([music, NoteTable.from_notes(np.arange(60, 72))])
    padded = SpanTable(**spans.columns(), offsets=np.append(spans.offsets, spans.offsets[-1]))
    one, other = KeyHMM().fit_sections(music, spans), KeyHMM().fit_sections(extra, padded)
    np.testing.assert_array_equal(one.log_moves_, other.log_moves_)
    np.testing.assert_array_equal(one.predict_log_proba(music), other.predict_log_proba(music))
    with pytest.raises(EstimatorError, match="no stretch of any piece has a key"):
        KeyHMM().fit_sections(music[:1], SpanTable.from_spans([[]]))


# --- Evidence --------------------------------------------------------------------------------------------------------


def test_reasons_say_what_holds_and_where_it_moves():
    music, spans = modulating()
    model = KeyHMM().fit_sections(music, spans)
    piece, _ = walk(np.random.default_rng(5), Key(10, MAJOR), Key(5, MAJOR), Key(10, MAJOR))
    words = " ".join(model.explain(piece)[0].words)
    assert "B-flat major holds for" in words
    assert "The opening says B-flat major" in words
    assert "The closing says B-flat major" in words
    assert "moves to F major at" in words
    model = KeyHMM(learn_moves=False).fit_sections(music, spans)
    still = " ".join(model.explain(walk(np.random.default_rng(6), Key(2, MAJOR), n=40)[0])[0].words)
    assert "It does not move to another key." in still
    assert "nothing to hear" in " ".join(model.explain(table_of(([], [], [])))[0].words)
    assert model.predict_log_proba(piece).shape == (1, N_KEYS)
