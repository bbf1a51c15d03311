"""The structured model: its likelihood against all paths, its gradient by differences, and pieces that change key."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import check_grad
from sklearn.exceptions import NotFittedError

from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError, NotesError
from keybench.estimators import structured
from keybench.estimators.chain import expand_transitions
from keybench.estimators.checks import small_corpus
from keybench.estimators.inner import inner_folds
from keybench.estimators.logistic import to_blocks
from keybench.estimators.structured import (
    StructuredKeys,
    TiedChain,
    count_moves,
    excerpts,
    fit_chain,
    home_truth,
    objective,
    span_truth,
)
from keybench.key import MAJOR, MINOR, N_KEYS, NO_MODE, SCALE_STEPS, Key, parse_key
from keybench.notes import KeySpan, NoteTable, Piece
from keybench.spans import SpanTable

# --- The likelihood and its gradient ---------------------------------------------------------------------------------


def problem(seed, lengths, n_modes, n_channels=2, several=0.0):
    """Random channels, acceptable states and parameters of a tied chain, in double precision."""
    rng = np.random.default_rng(seed)
    n = sum(lengths)
    channels = rng.normal(size=(n, n_channels, 12))
    allowed = rng.random((n, 12 * n_modes)) < several
    allowed[np.arange(n), rng.integers(12 * n_modes, size=n)] = True
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    weight = rng.uniform(0.2, 2.0, size=len(lengths))
    moves = rng.normal(size=(n_modes, n_modes, 12))
    parameters = 0.3 * rng.normal(size=n_channels * n_modes * 12 + n_modes + n_modes * n_modes * 12)
    return channels, allowed, offsets, weight, moves, parameters


@pytest.mark.parametrize("several", [0.0, 0.2])
def test_the_likelihood_is_that_of_all_paths(several):
    lengths = [3, 1, 2]
    channels, allowed, offsets, weight, moves, parameters = problem(0, lengths, 1, several=several)
    weights, bias, tied = parameters[:24].reshape(2, 1, 12), parameters[24], parameters[25:].reshape(1, 1, 12)
    expected = 0.0
    for i, (a, b) in enumerate(itertools.pairwise(offsets)):
        every, within = [], []
        for path in itertools.product(range(12), repeat=b - a):
            score = sum(
                bias + sum(channels[t, c, (j + k) % 12] * weights[c, 0, j] for c in range(2) for j in range(12))
                for t, k in zip(range(a, b), path, strict=True)
            )
            score += sum(tied[0, 0, (y - x) % 12] for x, y in itertools.pairwise(path))
            every.append(score)
            if all(allowed[t, k] for t, k in zip(range(a, b), path, strict=True)):
                within.append(score)
        expected += weight[i] * (np.logaddexp.reduce(every) - np.logaddexp.reduce(within))
    expected += 0.5 * 3.0 * (weights**2).sum() + 0.5 * 0.7 * ((tied - moves) ** 2).sum() + 0.005 * bias**2
    loss, _ = objective(parameters, to_blocks(channels), allowed, offsets, weight, 3.0, moves, 0.7)
    assert loss == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("several", [0.0, 0.2])
@pytest.mark.parametrize(("lengths", "n_modes"), [([5, 1, 3], 2), ([1, 1, 1, 1], 3), ([4, 4], 1)])
def test_the_gradient_is_that_of_the_likelihood(several, lengths, n_modes):
    channels, allowed, offsets, weight, moves, parameters = problem(1, lengths, n_modes, several=several)
    rest = (to_blocks(channels), allowed, offsets, weight, 1.5, moves, 0.5)
    # The norm of the difference between the gradient and that of forward differences (scipy.optimize.check_grad).
    gap = check_grad(lambda p: objective(p, *rest)[0], lambda p: objective(p, *rest)[1], parameters, epsilon=1e-7)
    assert gap < 2e-5 * np.linalg.norm(objective(parameters, *rest)[1])


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.integers(1, 11))
def test_moving_a_piece_changes_no_likelihood(seed, k):
    channels, allowed, offsets, weight, moves, parameters = problem(seed, [4, 2], 2, several=0.1)
    moved = np.roll(channels, k, axis=2)
    there = np.roll(allowed.reshape(-1, 2, 12), k, axis=2).reshape(-1, 24)
    loss, gradient = objective(parameters, to_blocks(channels), allowed, offsets, weight, 1.0, moves, 1.0)
    same, same_gradient = objective(parameters, to_blocks(moved), there, offsets, weight, 1.0, moves, 1.0)
    assert same == pytest.approx(loss, rel=1e-9)
    np.testing.assert_allclose(same_gradient, gradient, atol=1e-8)


def test_one_acceptable_path_is_counted_as_the_sums_would():
    _, allowed, offsets, weight, moves, _ = problem(2, [4, 1, 3], 2)
    rng = np.random.default_rng(0)
    scores, transition = rng.normal(size=(8, 24)), expand_transitions(moves)
    counted = structured._within(scores, allowed, offsets, transition, weight)
    allowed = np.vstack([allowed, np.ones((1, 24), dtype=bool)])  # one beat without a label: no longer by counting
    summed = structured._within(
        np.vstack([scores, np.zeros((1, 24))]), allowed, np.append(offsets, 9), transition, np.append(weight, 0.0)
    )
    np.testing.assert_allclose(counted.log_likelihood, summed.log_likelihood[:3])
    np.testing.assert_allclose(counted.gamma, summed.gamma[:8], atol=1e-12)
    np.testing.assert_allclose(counted.transitions, summed.transitions, atol=1e-12)


def test_a_chain_learns_what_made_its_sequences():
    """States that show themselves in one channel and stay nine times in ten are found again."""
    rng = np.random.default_rng(0)
    state = np.zeros((40, 30), dtype=np.int64)
    for t in range(30):
        moves = rng.random(40) < (0.1 if t else 1.0)
        state[:, t] = np.where(moves, rng.integers(12, size=40), state[:, t - 1])
    state = state.ravel()
    channels = rng.normal(size=(1200, 1, 12)) + 2.0 * np.eye(12)[state][:, None, :]
    offsets = np.arange(0, 1201, 30)
    allowed = np.eye(12, dtype=bool)[state]
    model = fit_chain(
        channels.astype(np.float32), allowed, offsets, np.ones(40), 0.01, np.zeros((1, 1, 12)), 0.1, 200, 1e-9
    )
    assert model.weights[0, 0].argmax() == 0
    # The log-likelihood ratio of unit-variance normals two apart is 2 x - 2: a weight of 2, on endless sequences.
    assert model.weights[0, 0, 0] - model.weights[0, 0, 1:].mean() == pytest.approx(2.0, abs=0.25)
    assert model.moves[0, 0, 0] - np.delete(model.moves[0, 0], 0).mean() == pytest.approx(
        np.log(0.908 / 0.0083), abs=0.7
    )
    answer = model.log_posteriors(model.scores(channels.astype(np.float32)), offsets).argmax(axis=1)
    alone = (
        TiedChain(model.weights, model.bias, np.zeros((1, 1, 12))).scores(channels.astype(np.float32)).argmax(axis=1)
    )
    assert (answer == state).mean() > (alone == state).mean() + 0.1


# --- From labels to what is learnt -----------------------------------------------------------------------------------


def test_labels_are_read_at_the_middle_of_each_beat():
    spans = SpanTable.from_spans([[], [(0.0, 2.0, 0, MAJOR), (2.0, 4.4, 9, MINOR), (5.0, 7.0, 7, NO_MODE)]])
    truth = span_truth(spans, 1, np.arange(8) + 0.5, [MAJOR, MINOR])
    named = [set(np.flatnonzero(row)) for row in truth]
    assert named == [{0}, {0}, {12 + 9}, {12 + 9}, set(), {7, 12 + 7}, {7, 12 + 7}, set()]
    assert not span_truth(spans, 0, np.arange(3.0), [MAJOR]).any()


def test_home_is_where_a_piece_is_longest_and_ends():
    def run(*states):
        return np.eye(12, dtype=bool)[list(states)]

    assert np.flatnonzero(home_truth(run(0, 0, 0, 7, 7, 0))).tolist() == [0]
    assert np.flatnonzero(home_truth(run(0, 0, 7, 7))).tolist() == [7]  # as long; the last beat counts for more
    assert home_truth(np.zeros((3, 12), dtype=bool)).all()


def test_moves_are_counted_by_interval_and_mode():
    path = np.eye(24, dtype=bool)[[0, 0, 7, 7, 12 + 4]]
    counts = np.full((2, 2, 12), 0.5)
    counts[0, 0, [0, 7]] += (2, 1)
    counts[0, 1, 9] += 1
    np.testing.assert_allclose(count_moves([path], 2), np.log(counts / counts.sum(axis=(1, 2), keepdims=True)))


def test_excerpts_stay_within_labelled_runs():
    labelled = np.array([0, 1, 1, 1, 1, 1, 0, 0, 1, 1], dtype=bool)
    found = excerpts(labelled, 3, 10, np.random.default_rng(0))
    assert sorted(part.tolist() for part in found) == [[1, 2, 3], [4, 5], [8, 9]]
    assert len(excerpts(labelled, 3, 2, np.random.default_rng(0))) == 2


def test_inner_folds_keep_groups_together():
    groups = np.repeat(np.arange(10), 3)
    fold = inner_folds(30, groups, 4, 0)
    assert all(len(set(fold[groups == g])) == 1 for g in range(10))
    assert set(fold) == {0, 1, 2, 3}
    assert set(inner_folds(5, np.zeros(5), 4, 0)) == {0}


# --- Pieces that change key ------------------------------------------------------------------------------------------

_TRIADS = {MAJOR: {1: (0, 4, 7), 2: (2, 5, 9), 4: (5, 9, 0), 5: (7, 11, 2, 5), 6: (9, 0, 4)},
           MINOR: {1: (0, 3, 7), 2: (2, 5, 8), 4: (5, 8, 0), 5: (7, 11, 2, 5), 6: (8, 0, 3)}}  # fmt: skip
_RIFF = (0, 1, 2, 0, 4, 3, 2, 1)


def chorale(key, rng, bars=6):
    """Chords of four notes on random progressions that begin and end at home, a bass and three voices above."""
    steps = [1] + [int(s) for _ in range(bars) for s in rng.permutation([4, 2, 6])[:2]] + [5, 1]
    steps = [step for s in steps for step in ((s, 5, 1) if s in (4, 2) else (s,))]
    chords = [[(key.tonic + n) % 12 for n in _TRIADS[key.mode][s]] for s in steps]
    return [(36.0 + chord[0], *(60.0 + n for n in chord)) for chord in chords]


def riff(key, times):
    """A short pattern of scale steps, repeated."""
    return [(48.0 + key.tonic + SCALE_STEPS[key.mode][step],) for step in _RIFF for _ in (0,)] * times


def piece(sections):
    """Pack the chords of sections one after the other, a quarter each, with their spans."""
    chords, spans, onset = [], [], 0.0
    for key, section in sections:
        spans.append((onset, onset + len(section), key.tonic, key.mode))
        onset += len(section)
        chords += section
    rows = [(float(i), 1.0, pitch) for i, chord in enumerate(chords) for pitch in chord]
    return Piece(*(np.array(column) for column in zip(*rows, strict=True))), spans


def taught(n=48, seed=0):
    """Pieces of two or three keys: half in chords, half tunes of a riff repeated."""
    rng = np.random.default_rng(seed)
    made = []
    for i in range(n):
        key, sections = Key(int(rng.integers(12)), (MAJOR, MINOR)[i % 2]), []
        for _ in range(int(rng.integers(2, 4))):
            sections.append((key, chorale(key, rng) if i % 4 < 2 else riff(key, 3)))
            nearby = [Key((key.tonic + 7) % 12, key.mode), Key((key.tonic + 5) % 12, key.mode),
                      Key((key.tonic + 2) % 12, key.mode), Key(key.tonic, MAJOR + MINOR - key.mode),
                      Key((key.tonic + (9 if key.mode == MAJOR else 3)) % 12, MAJOR + MINOR - key.mode)]  # fmt: skip
            key = nearby[int(rng.integers(len(nearby)))]
        made.append(piece(sections))
    return NoteTable.from_pieces([p for p, _ in made]), SpanTable.from_spans([spans for _, spans in made])


@pytest.fixture(scope="module")
def model():
    return StructuredKeys(l2_windowed=5.0, l2_chain=5.0, beats_per_piece=20).fit_sections(*taught())


def answer(model, sections):
    return model.segment(NoteTable.from_pieces([piece(sections)[0]]))[0]


def test_a_parallel_change_is_found(model):
    rng = np.random.default_rng(5)
    major, minor = parse_key("B-flat major"), parse_key("B-flat minor")
    first = chorale(major, rng)
    spans = answer(model, [(major, first), (minor, chorale(minor, rng))])
    assert [span.key for span in spans] == [major.index, minor.index]
    assert spans[1].start == pytest.approx(len(first), abs=4.0)


@pytest.mark.parametrize(("here", "there"), [("G major", "A major"), ("E minor", "B minor"), ("C major", "F major")])
def test_a_riff_repeated_in_another_key_is_found(model, here, there):
    first, second = parse_key(here), parse_key(there)
    spans = answer(model, [(first, riff(first, 3)), (second, riff(second, 3))])
    assert [span.key for span in spans] == [first.index, second.index]
    assert spans[1].start == pytest.approx(24.0, abs=4.0)


def test_keys_of_new_pieces_are_followed(model):
    music, spans = taught(24, seed=9)
    right, total = 0.0, 0.0
    for i, found in enumerate(model.segment(music)):
        own = slice(spans.offsets[i], spans.offsets[i + 1])
        for a, b, tonic, mode in zip(spans.start[own], spans.end[own], spans.tonic[own], spans.mode[own], strict=True):
            total += b - a
            right += sum(max(0.0, min(b, s.end) - max(a, s.start)) for s in found if s.key == 12 * mode + tonic)
    assert right / total > 0.9


def test_spans_move_with_the_music(model):
    music, _ = taught(8, seed=3)
    expected = model.segment(music)
    for k in (1, 5, -4):
        assert model.segment(music.transpose(k)) == [
            [KeySpan(s.start, s.end, 12 * (s.key // 12) + (s.key + k) % 12) for s in spans] for spans in expected
        ]


@pytest.mark.parametrize("factor", [0.1, 0.5, 4.0])
def test_tempo_makes_no_difference(model, factor):
    music, _ = taught(8, seed=3)
    scaled = model.segment(music.replace(onset=music.onset * factor, duration=music.duration * factor))
    for before, after in zip(model.segment(music), scaled, strict=True):
        assert [s.key for s in before] == [s.key for s in after]
        np.testing.assert_allclose([s.start * factor for s in before], [s.start for s in after], atol=1e-9)


def test_alone_as_in_company(model, monkeypatch):
    music, _ = taught(8, seed=3)
    together = model.segment(music)
    assert [model.segment(music[i].detach())[0] for i in range(len(music))] == together
    monkeypatch.setattr(structured, "_ROWS", 50)
    assert model.segment(music) == together


def test_spans_cover_each_piece(model):
    table = NoteTable.from_pieces(
        [
            Piece(np.zeros(0), np.zeros(0), np.zeros(0)),
            Piece(np.array([5.0]), np.array([2.0]), np.array([62.0])),
            Piece(np.array([5.0]), np.array([0.0]), np.array([62.0])),
            Piece(np.zeros(3), np.ones(3), np.array([60.0, 64.0, 67.0])),
            *small_corpus(4)[0].pieces(),
        ]
    )
    answered = model.segment(table)
    assert answered[0] == [] == answered[2]
    assert model.segment(NoteTable.from_pieces([])) == []
    for spans, one in zip(answered, table.pieces(), strict=True):
        for before, after in itertools.pairwise(spans):
            assert before.end == after.start
            assert before.key != after.key
        if spans:
            assert spans[0].start == one.onset.min()
            assert spans[-1].end == (one.onset + one.duration).max()


def test_a_huge_piece_is_answered(model):
    rng = np.random.default_rng(0)
    table = NoteTable.from_notes(rng.integers(40, 80, size=100_000), 0.25)
    (spans,) = model.segment(table)
    assert (spans[0].start, spans[-1].end) == (0.0, 25_000.0)


# --- The estimator ---------------------------------------------------------------------------------------------------


def test_of_a_piece_that_moves_it_names_the_home_key(model):
    music, spans = taught(24, seed=9)
    log_proba = model.predict_log_proba(music)
    np.testing.assert_allclose(np.exp(log_proba).sum(axis=1), 1.0, atol=1e-6)
    first = spans.offsets[:-1]
    known = {
        i: {12 * m + t for t, m in zip(spans.tonic[a:b], spans.mode[a:b], strict=True)}
        for i, (a, b) in enumerate(itertools.pairwise(spans.offsets))
    }
    assert len(first) == 24
    assert np.mean([int(key) in known[i] for i, key in enumerate(model.predict(music))]) > 0.9


def test_modes_of_which_it_was_taught_none_stay_improbable(model):
    log_proba = model.predict_log_proba(taught(6)[0])
    unnamed = ~np.isin(np.arange(N_KEYS) // 12, [MAJOR, MINOR])
    assert np.exp(log_proba[:, unnamed]).max() < 1e-5


def test_labels_without_a_mode_teach_too():
    music, spans = taught(12)
    mode = np.where(np.arange(len(spans.mode)) % 3 == 0, NO_MODE, spans.mode)
    loose = SpanTable(start=spans.start, end=spans.end, tonic=spans.tonic, mode=mode, offsets=spans.offsets)
    few = StructuredKeys(beats_per_piece=8).fit_sections(music, loose)
    assert few.modes_ == [MAJOR, MINOR]
    assert len(few.segment(music)) == 12


@pytest.mark.parametrize(
    ("parameters", "word"),
    [({"l2_chain": 0.0}, "l2_chain is 0.0"), ({"other": np.inf}, "other is inf"), ({"excerpt": 0}, "excerpt is 0"),
     ({"beats_per_piece": 1.5}, "beats_per_piece is 1.5")],
)  # fmt: skip
def test_parameters_are_checked_in_one_line(parameters, word):
    with pytest.raises(EstimatorError, match=word) as caught:
        StructuredKeys(**parameters).fit_sections(*taught(2))
    assert "\n" not in str(caught.value)


def test_what_it_cannot_learn_from_is_named():
    music, spans = taught(2)
    with pytest.raises(EstimatorError, match="no labelled stretches"):
        StructuredKeys().fit_sections(music, SpanTable.from_spans([[], []]))
    with pytest.raises(EstimatorError, match="groups has 1 entries"):
        StructuredKeys().fit_sections(music, spans, groups=[0])
    with pytest.raises(EstimatorError, match="needs the truths"):
        StructuredKeys().fit(music)


def test_it_listens_to_notes_only(model):
    chroma = ChromaTable.from_frames([(np.arange(4.0), np.ones((4, 12)), np.ones((4, 12)))])
    for call in (model.segment, model.predict_log_proba):
        with pytest.raises(NotesError, match="ChromaTable"):
            call(chroma)


def test_it_must_be_fitted_first():
    for call in (StructuredKeys().segment, StructuredKeys().predict_log_proba):
        with pytest.raises(NotFittedError):
            call(small_corpus(2)[0])
