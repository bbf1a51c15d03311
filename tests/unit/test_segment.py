"""Keys over time from whole-piece methods and from the hidden Markov model, and the small functions they share."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logsumexp
from sklearn.exceptions import NotFittedError

from keybench.chroma import ChromaTable
from keybench.columns import offsets_of
from keybench.errors import NotesError
from keybench.estimators import chain, hmm, make
from keybench.estimators.base import KeyEstimator, Tags, spans_of_steps
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import extent
from keybench.estimators.hmm import KeyHMM
from keybench.key import N_KEYS, parse_key
from keybench.notes import KeySpan, NoteTable, Piece

EMPTY = Piece(np.zeros(0), np.zeros(0), np.zeros(0))


def piece(onset, duration, pitch):
    return Piece(np.array(onset, float), np.array(duration, float), np.array(pitch, float))


# --- When a piece begins and ends ------------------------------------------------------------------------------------


def test_extent_of_notes_by_hand():
    table = NoteTable.from_pieces(
        [
            piece([1, 2, 3], [1, 5, 1], [60, 62, 64]),  # the longest note is not the last
            EMPTY,
            piece([-2, 4], [1, 0], [60, 62]),
            piece([3], [0], [60]),
            EMPTY,
        ]
    )
    start, end = extent(table)
    assert start.tolist() == [1, 0, -2, 3, 0]
    assert end.tolist() == [7, 0, 4, 3, 0]


def test_extent_of_chroma_by_hand():
    def frames(*times):
        return np.array(times), np.ones((len(times), 12)), np.ones((len(times), 12))

    start, end = extent(ChromaTable.from_frames([frames(), frames(0.5, 1.0, 2.5), frames(3.0), frames()]))
    assert start.tolist() == [0, 0.5, 3, 0]
    assert end.tolist() == [0, 3.5, 4, 0], "the last frame lasts as long as the others, an only one a second"


@pytest.mark.parametrize("table", [NoteTable.from_pieces([]), NoteTable.from_pieces([EMPTY] * 3)])
def test_extent_of_nothing(table):
    for edge in extent(table):
        assert edge.tolist() == [0.0] * len(table)


# --- Joining steps ---------------------------------------------------------------------------------------------------


def test_steps_are_joined_by_hand():
    spans = spans_of_steps(
        np.array([5, 5, 7, 7, 5, 9]),
        np.array([0.0, 1.0, 2.0, 3.0, 4.0, 10.0]),
        np.array([0, 0, 5, 5, 6, 6]),
        np.array([0.0, 6.0, 0.0, 12.0, 0.0]),
    )
    assert spans == [
        [],
        [KeySpan(0.0, 2.0, 5), KeySpan(2.0, 4.0, 7), KeySpan(4.0, 6.0, 5)],
        [],
        [KeySpan(10.0, 12.0, 9)],
        [],
    ]


def test_no_pieces_have_no_spans():
    assert spans_of_steps(np.zeros(0, int), np.zeros(0), np.array([0]), np.zeros(0)) == []


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(st.integers(0, 3), max_size=12), max_size=5))
def test_joined_steps_say_what_each_step_said(pieces):
    keys = np.array([key for steps in pieces for key in steps], dtype=np.int64)
    begins = np.array([float(i) for steps in pieces for i in range(len(steps))])
    end = np.array([float(len(steps)) for steps in pieces])
    joined = spans_of_steps(keys, begins, offsets_of([len(steps) for steps in pieces]), end)
    assert len(joined) == len(pieces)
    for steps, spans in zip(pieces, joined, strict=True):
        assert [span.key for span in spans for _ in range(int(span.end - span.start))] == steps
        assert all(a.end == b.start and a.key != b.key for a, b in pairwise(spans))


# --- Methods that name one key ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def corpus():
    return small_corpus()


def test_one_key_holds_for_the_whole_piece(corpus):
    notes, truth, groups = corpus
    table = NoteTable.concatenate(
        [notes[:5], NoteTable.from_pieces([EMPTY, piece([2], [0], [60]), piece([2], [3], [60])])]
    )
    model = make("krumhansl-kessler").fit(notes, truth, groups=groups)
    predicted, (start, end) = model.predict(table), extent(table)
    answered = model.segment(table)
    assert answered[5:7] == [[], []]
    for i in (0, 1, 2, 3, 4, 7):
        assert answered[i] == [KeySpan(start[i], end[i], predicted[i])]
    assert model.segment(NoteTable.from_pieces([])) == []


def test_one_key_for_a_recording(corpus):
    rng = np.random.default_rng(0)
    chroma = ChromaTable.from_frames([(2.0 + np.arange(5.0), rng.random((5, 12)), rng.random((5, 12)))])
    model = make("krumhansl-kessler").fit(chroma, np.array([3]))
    assert model.segment(chroma) == [[KeySpan(2.0, 7.0, int(model.predict(chroma)[0]))]]


def test_what_is_not_music_is_named(corpus):
    notes, truth, groups = corpus
    chroma = ChromaTable.from_frames([(np.arange(5.0), np.ones((5, 12)), np.ones((5, 12)))])
    for name, wrong in (("krumhansl-kessler", [60]), ("opening-note", chroma), ("hmm", chroma), ("hmm", [60])):
        model = make(name).fit(notes, truth, groups=groups)
        with pytest.raises(NotesError, match=f"X is a {type(wrong).__name__}"):
            model.segment(wrong)


@pytest.mark.parametrize("name", ["krumhansl-kessler", "hmm"])
def test_it_must_be_fitted_first(name):
    with pytest.raises(NotFittedError):
        make(name).segment(small_corpus(2)[0])


def test_a_method_for_recordings_alone_is_heard():
    class Loudest(KeyEstimator):
        tags = Tags(takes="chroma")

        def fit(self, X, y=None, groups=None):
            self.fitted_ = True
            return self

        def predict_log_proba(self, X):
            out = np.full((len(self._music(X)), N_KEYS), np.log(0.1 / (N_KEYS - 1)))
            out[:, 7] = np.log(0.9)
            return out

    chroma = ChromaTable.from_frames([(np.arange(3.0), np.ones((3, 12)), np.ones((3, 12)))])
    assert Loudest().fit(chroma).segment(chroma) == [[KeySpan(0.0, 3.0, 7)]]


# --- The hidden Markov model -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fitted(corpus):
    notes, truth, groups = corpus
    return KeyHMM().fit(notes, truth, groups)


def most_probable_states(log_emission, initial, stay):
    """State of each step by the textbook recursions (Rabiner 1989) on full matrices of logarithms."""
    n, k = log_emission.shape
    moves = np.full((k, k), np.log((1 - stay) / (k - 1)))
    np.fill_diagonal(moves, np.log(stay))
    alpha, beta = np.empty((n, k)), np.zeros((n, k))
    alpha[0] = np.log(initial) + log_emission[0]
    for t in range(1, n):
        alpha[t] = logsumexp(alpha[t - 1][:, None] + moves, axis=0) + log_emission[t]
    for t in range(n - 2, -1, -1):
        beta[t] = logsumexp(moves + (log_emission[t + 1] + beta[t + 1])[None, :], axis=1)
    return (alpha + beta).argmax(axis=1)


@pytest.mark.parametrize("stay", [0.998, 0.6])
def test_each_step_is_in_its_most_probable_state(corpus, stay):
    notes, truth, groups = corpus
    model = KeyHMM(stay=stay).fit(notes, truth, groups)
    table = NoteTable.concatenate([notes[:6], NoteTable.from_pieces([EMPTY]), notes[6:9]])
    heard = hmm.steps(table)
    emission, offsets, begins = model._emissions(heard), heard.offsets, heard.begins
    answered = model.segment(table)
    assert answered[6] == []
    for i, (a, b) in enumerate(pairwise(offsets)):
        if i == 6:
            continue
        expected = most_probable_states(emission[a:b], np.exp(model._initial()), stay)
        said = [
            next(s.key for s in answered[i] if s.start <= t and (t < s.end or s is answered[i][-1]))
            for t in begins[a:b]
        ]
        assert said == expected.tolist()
        assert answered[i][0].start == table.onset[table.offsets[i]]
        assert answered[i][-1].end == extent(table)[1][i]


def test_batches_of_pieces_make_no_difference(fitted, corpus, monkeypatch):
    table = corpus[0][:20]
    expected = fitted.segment(table)
    monkeypatch.setattr(chain, "_CELLS", 5_000)
    assert fitted.segment(table) == expected
    assert [fitted.segment(table[i].detach())[0] for i in range(len(table))] == expected


def scale_tune(*names):
    """Sixteen bars of quarters in each key: all of the scale, each bar begun and ended at home."""
    pitches = []
    for name in names:
        home = parse_key(name)
        steps = [(int(step) - home.tonic) % 12 for step in home.scale()]
        pitches += [60.0 + home.tonic + steps[i] for i in (0, 1, 2, 0, 0, 4, 2, 0, 0, 3, 5, 4, 0, 6, 1, 0) * 4]
    return NoteTable.from_notes(pitches)


@pytest.mark.parametrize(
    ("first", "second"), [("C major", "E-flat major"), ("C major", "C minor"), ("A minor", "F-sharp minor")]
)
def test_a_key_that_moves_half_way_is_followed(fitted, first, second):
    (spans,) = fitted.segment(scale_tune(first, second))
    assert [span.key for span in spans] == [parse_key(first).index, parse_key(second).index]
    assert abs(spans[1].start - 64.0) <= 8.0  # four steps
    assert (spans[0].start, spans[0].end, spans[1].end) == (0.0, spans[1].start, 128.0)


@pytest.mark.parametrize("k", [1, 6, -3])
def test_spans_move_with_the_music(fitted, corpus, k):
    table = NoteTable.concatenate([corpus[0][:10], scale_tune("C major", "E-flat major")])
    assert fitted.segment(table.transpose(k)) == [
        [KeySpan(s.start, s.end, 12 * (s.key // 12) + (s.key + k) % 12) for s in spans]
        for spans in fitted.segment(table)
    ]


@pytest.mark.parametrize("factor", [0.5, 3.0, 0.1])
def test_tempo_makes_no_difference(fitted, corpus, factor):
    table = corpus[0]
    scaled = fitted.segment(table.replace(onset=table.onset * factor, duration=table.duration * factor))
    for before, after in zip(fitted.segment(table), scaled, strict=True):
        assert [s.key for s in before] == [s.key for s in after]
        np.testing.assert_allclose(
            [(s.start * factor, s.end * factor) for s in before], [(s.start, s.end) for s in after]
        )


def test_no_stretch_is_without_length(corpus):
    # A last note without length, foreign to all before it, and a model that changes key at the drop of a hat.
    notes, truth, groups = corpus
    restless = KeyHMM(stay=0.05, edges=False).fit(notes, truth, groups)
    pitches = [60, 64, 67, 72, 60, 64, 67, 72, 60, 64, 66]
    table = NoteTable.from_pieces([piece(range(11), [1] * 10 + [0], pitches)])  # a step is two quarters
    (spans,) = restless.segment(table)
    assert all(span.end > span.start for span in spans)
