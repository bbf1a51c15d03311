"""Sliding windows: the path against all paths, the windows against plain loops, and pieces that change key."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.exceptions import NotFittedError

from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError, NotesError
from keybench.estimators import make, sliding
from keybench.estimators.checks import run_checks, small_corpus
from keybench.estimators.sliding import SlidingWindow, best_path
from keybench.key import N_KEYS, parse_key
from keybench.notes import KeySpan, NoteTable, Piece
from keybench.spans import SpanTable

# --- The path --------------------------------------------------------------------------------------------------------


def worth(log_proba, path, change):
    return sum(log_proba[t, k] for t, k in enumerate(path)) - change * sum(a != b for a, b in itertools.pairwise(path))


@settings(max_examples=120, deadline=None)
@given(
    st.integers(1, 6).flatmap(
        lambda n: st.integers(1, 4).flatmap(
            lambda k: st.lists(st.lists(st.integers(-40, 0), min_size=k, max_size=k), min_size=n, max_size=n)
        )
    ),
    st.sampled_from([0.0, 0.5, 3.0, 12.0, 1e6]),
)
def test_no_path_is_better_than_the_best(cells, change):
    log_proba = np.array(cells) / 4.0  # quarters add up exactly
    found = best_path(log_proba, change)
    every = itertools.product(range(log_proba.shape[1]), repeat=len(log_proba))
    assert found.shape == (len(log_proba),)
    assert worth(log_proba, found, change) == max(worth(log_proba, path, change) for path in every)


def test_free_changes_follow_each_step_and_dear_ones_none():
    log_proba = np.log(np.random.default_rng(0).dirichlet(np.ones(84), size=30))
    assert best_path(log_proba, 0.0).tolist() == log_proba.argmax(axis=1).tolist()
    assert best_path(log_proba, 1e9).tolist() == [log_proba.sum(axis=0).argmax()] * 30


def test_a_change_pays_from_its_price_on():
    # Two steps for state 0, then n for state 1, each better by one: worth a change that costs 3 from the third on.
    for n, changes in ((2, False), (4, True)):
        log_proba = np.array([[0.0, -1.0]] * 4 + [[-1.0, 0.0]] * n)
        assert (best_path(log_proba, 3.0) == 1).any() == changes


# --- The windows -----------------------------------------------------------------------------------------------------


class Listener:
    """Stands in for the method; keeps every table that it is asked about and is sure of the first pitch class."""

    def __init__(self):
        self.heard = []

    def predict_log_proba(self, X):
        self.heard.append(X)
        return np.full((len(X), N_KEYS), -np.log(N_KEYS))

    def windows(self):
        return NoteTable.concatenate(self.heard)


def listening(**parameters):
    model = SlidingWindow(**parameters)
    model.base_ = Listener()
    return model


@st.composite
def tables(draw):
    """Pieces on a grid of eighths: chords, rests, long notes, notes without length, empty pieces."""
    pieces = []
    for _ in range(draw(st.integers(0, 4))):
        n = draw(st.integers(0, 25))
        rng = np.random.default_rng(draw(st.integers(0, 10_000)))
        onset = rng.integers(0, 60, size=n) / 2 + draw(st.sampled_from([0.0, -3.0, 100.0]))
        duration = rng.choice([0.0, 0.5, 1.0, 4.0, 30.0], size=n)
        part = rng.integers(-1, 3, size=n)
        pieces.append(Piece(onset, duration, rng.integers(40, 80, size=n).astype(float), part))
    return NoteTable.from_pieces(pieces)


def beat_of(piece):
    if not len(piece.onset):
        return 1.0
    gaps = [b - a for a, b in itertools.pairwise(piece.onset) if b > a]
    length = max(np.add(piece.onset, piece.duration)) - min(piece.onset)
    beat = 2 * float(np.median(gaps)) if gaps else length
    return max(beat, length / (4 * len(piece.onset))) or 1.0


def windows_by_hand(piece, width, hop):
    """Lists of (onset, duration, pitch, part), cut to each window."""
    beat = beat_of(piece)
    ends = [a + d for a, d in zip(piece.onset, piece.duration, strict=True)]
    start, end = (min(piece.onset), max(ends)) if len(ends) else (0.0, 0.0)
    out, begins = [], []
    number = 0
    while number == 0 or start + number * hop * beat < end:
        middle = start + (number + 0.5) * hop * beat
        opens, closes = middle - width * beat / 2, middle + width * beat / 2
        notes = []
        for onset, stop, pitch, part in zip(piece.onset, ends, piece.pitch, piece.part, strict=True):
            begins_inside = opens <= onset < closes
            if begins_inside or onset < opens < stop:
                cut = max(onset, opens)
                notes.append((cut, min(stop, closes) - cut, pitch, part))
        out.append(sorted(notes))
        begins.append(start + number * hop * beat)
        number += 1
    return out, begins


@settings(max_examples=60, deadline=None)
@given(tables(), st.sampled_from([(16.0, 2.0), (4.0, 4.0), (3.0, 1.0), (1.0, 0.5)]))
def test_a_window_holds_what_sounds_in_it_cut_to_it(table, sizes):
    width, hop = sizes
    model = listening(width=width, hop=hop)
    model.segment(table)
    expected = [window for piece in table.pieces() for window in windows_by_hand(piece, width, hop)[0]]
    heard = model.base_.windows().pieces()
    found = [
        list(zip(w.onset.tolist(), w.duration.tolist(), w.pitch.tolist(), w.part.tolist(), strict=True)) for w in heard
    ]
    assert len(found) == len(expected)
    for mine, theirs in zip(found, expected, strict=True):
        assert [(onset, pitch) for onset, _, pitch, _ in mine] == sorted((note[0], note[2]) for note in mine)
        np.testing.assert_allclose(np.reshape(sorted(mine), (-1, 4)), np.reshape(theirs, (-1, 4)), atol=1e-9)


def test_windows_keep_the_unit_and_the_accents():
    piece = Piece(np.arange(4.0), np.ones(4), np.array([60.0, 62, 64, 65]), None, np.array([2, 0, 1, 0]))
    model = listening(width=4.0, hop=4.0)
    model.segment(NoteTable.from_pieces([piece], unit="second"))
    heard = model.base_.windows()
    assert heard.unit == "second"
    assert heard.accent.tolist() == [2, 0, 1, 0]


def test_a_long_note_is_heard_in_every_window_that_it_lasts_through():
    # A drone of 40 quarters under quarters: a beat is two quarters, a window of one beat holds it each time.
    piece = Piece(np.append(0.0, np.arange(40.0)), np.append(40.0, np.ones(40)), np.append(36.0, np.full(40, 60.0)))
    model = listening(width=1.0, hop=1.0)
    model.segment(NoteTable.from_pieces([piece]))
    heard = model.base_.windows()
    assert len(heard) == 20
    assert np.bincount(heard.piece[heard.pitch == 36]).tolist() == [1] * 20
    assert heard.duration[heard.pitch == 36].tolist() == [2.0] * 20


@settings(max_examples=25, deadline=None)
@given(tables())
def test_batches_of_pieces_make_no_difference(table):
    model = SlidingWindow(base="krumhansl-kessler").fit(*small_corpus(14)[:2])
    expected = model.segment(table)
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setattr(sliding, "_BATCH_NOTES", 1)
        assert model.segment(table) == expected


def test_chords_that_are_not_quite_together_do_not_make_windows_by_the_thousand(monkeypatch):
    onset = np.repeat(np.arange(100.0), 3) + np.tile([0.0, 1e-4, 2e-4], 100)
    table = NoteTable.from_pieces([Piece(onset, np.ones(300), np.tile([60.0, 64, 67], 100))])
    counted = []

    def count(X, offsets, opens, width):
        counted.append(len(opens))
        raise InterruptedError

    monkeypatch.setattr(sliding, "_windows", count)
    with pytest.raises(InterruptedError):
        listening().segment(table)
    assert counted[0] <= 10 * len(onset)


# --- Pieces ----------------------------------------------------------------------------------------------------------


def key(text):
    return parse_key(text).index


def walk(name, n=64):
    """A tune of n quarters in a key: all of its scale, bars of four that begin and end at home."""
    home = parse_key(name)
    steps = [(int(step) - home.tonic) % 12 for step in home.scale()]
    pattern = [steps[i] for i in (0, 1, 2, 0, 0, 4, 2, 0, 0, 3, 5, 4, 0, 6, 1, 0)]
    return [60.0 + home.tonic + pattern[i % len(pattern)] for i in range(n)]


def tune(*names, n=64):
    return NoteTable.from_notes([pitch for name in names for pitch in walk(name, n)])


@pytest.fixture(scope="module")
def corpus():
    return small_corpus()


@pytest.fixture(scope="module")
def fitted(corpus):
    notes, truth, groups = corpus
    return {
        base: SlidingWindow(base=base).fit(notes, truth, groups)
        for base in ("krumhansl-kessler", "hmm", "last-note", "logistic")
    }


@pytest.mark.parametrize("base", ["krumhansl-kessler", "hmm"])
@pytest.mark.parametrize(
    ("first", "second"),
    [("C major", "E-flat major"), ("C major", "F-sharp major"), ("A minor", "C minor")],
)
def test_a_key_that_moves_half_way_is_followed(fitted, base, first, second):
    (spans,) = fitted[base].segment(tune(first, second))
    assert (spans[0].key, spans[-1].key) == (key(first), key(second))
    assert (spans[0].start, spans[-1].end) == (0.0, 128.0)
    # The notes move at 64; a beat here is two quarters, and half a window eight beats. A window that hears both keys
    # may be named after a third.
    assert all(abs(span.start - 64.0) <= 16.0 for span in spans[1:])
    assert 2 <= len(spans) <= 3


def test_a_parallel_change_is_followed(fitted):
    (spans,) = fitted["krumhansl-kessler"].segment(tune("C major", "C minor"))
    assert [span.key for span in spans] == [key("C major"), key("C minor")]
    assert abs(spans[1].start - 64.0) <= 16.0


def test_there_and_back_again(fitted):
    (spans,) = fitted["krumhansl-kessler"].segment(tune("C major", "E major", "C major"))
    held = [next(span.key for span in spans if span.start <= at < span.end) for at in (32.0, 96.0, 160.0)]
    assert held == [key("C major"), key("E major"), key("C major")]
    assert 3 <= len(spans) <= 5  # a window that hears both keys may be named after a third


def test_what_a_change_costs(corpus):
    notes, truth, groups = corpus
    table = tune("C major", "A-flat major", "C major", n=12)
    n_changes = []
    for change in (0.0, 6.0, 1e6):
        (spans,) = SlidingWindow(change=change, width=6.0, hop=1.0).fit(notes, truth, groups).segment(table)
        n_changes.append(len(spans) - 1)
    assert n_changes[0] >= 2
    assert n_changes == sorted(n_changes, reverse=True)
    assert n_changes[-1] == 0


def check_spans(spans, table, i):
    """Spans cover the piece from its first onset to its last end, without gaps, each of some length."""
    piece = table.pieces()[i]
    assert all(isinstance(span, KeySpan) and 0 <= span.key < N_KEYS and span.start < span.end for span in spans)
    for before, after in itertools.pairwise(spans):
        assert before.end == after.start
        assert before.key != after.key
    length = max(piece.onset + piece.duration, default=0.0) - min(piece.onset, default=0.0)
    assert bool(spans) == (length > 0)
    if spans:
        assert spans[0].start == piece.onset.min()
        assert spans[-1].end == (piece.onset + piece.duration).max()


@settings(max_examples=40, deadline=None)
@given(tables())
def test_spans_cover_the_piece(table):
    model = SlidingWindow().fit(*small_corpus(14)[:2])
    answered = model.segment(table)
    assert len(answered) == len(table)
    for i, spans in enumerate(answered):
        check_spans(spans, table, i)


@pytest.mark.parametrize("base", ["krumhansl-kessler", "hmm", "last-note", "logistic"])
def test_alone_as_in_company(fitted, corpus, base):
    table = corpus[0][:12]
    together = fitted[base].segment(table)
    assert [fitted[base].segment(table[i].detach())[0] for i in range(len(table))] == together


@pytest.mark.parametrize("base", ["krumhansl-kessler", "hmm", "last-note", "logistic"])
@pytest.mark.parametrize("k", [1, 5, -4])
def test_spans_move_with_the_music(fitted, corpus, base, k):
    table = NoteTable.concatenate([corpus[0][:8], tune("C major", "E-flat major")])
    moved = fitted[base].segment(table.transpose(k))
    expected = [
        [KeySpan(s.start, s.end, 12 * (s.key // 12) + (s.key + k) % 12) for s in spans]
        for spans in fitted[base].segment(table)
    ]
    assert moved == expected


@pytest.mark.parametrize(
    ("base", "factor"),
    [
        *((base, factor) for base in ("krumhansl-kessler", "hmm", "last-note", "logistic") for factor in (0.5, 4.0)),
        *(pytest.param(base, 0.1) for base in ("krumhansl-kessler", "hmm", "last-note", "logistic")),
    ],
)
def test_tempo_makes_no_difference(fitted, corpus, base, factor):
    table = corpus[0]
    scaled = fitted[base].segment(table.replace(onset=table.onset * factor, duration=table.duration * factor))
    differing = [
        i
        for i, (a, b) in enumerate(zip(fitted[base].segment(table), scaled, strict=True))
        if [s.key for s in a] != [s.key for s in b]
        or not np.allclose([(s.start * factor, s.end * factor) for s in a], [(s.start, s.end) for s in b])
    ]
    assert not differing


def test_a_piece_that_begins_later_is_the_same_piece(fitted, corpus):
    table = corpus[0]
    later = fitted["krumhansl-kessler"].segment(table.replace(onset=table.onset + 64.0))
    for before, after in zip(fitted["krumhansl-kessler"].segment(table), later, strict=True):
        assert [KeySpan(s.start + 64.0, s.end + 64.0, s.key) for s in before] == after


def test_tiny_pieces(fitted):
    table = NoteTable.from_pieces(
        [
            Piece(np.zeros(0), np.zeros(0), np.zeros(0)),
            Piece(np.array([5.0]), np.array([2.0]), np.array([62.0])),
            Piece(np.array([5.0]), np.array([0.0]), np.array([62.0])),
            Piece(np.zeros(3), np.ones(3), np.array([60.0, 64.0, 67.0])),
        ]
    )
    for model in fitted.values():
        empty, one, point, chord = model.segment(table)
        assert (empty, point) == ([], [])
        assert [(span.start, span.end) for span in one] == [(5.0, 7.0)]
        assert [(span.start, span.end) for span in chord] == [(0.0, 1.0)]
        assert model.segment(NoteTable.from_pieces([])) == []
    assert fitted["krumhansl-kessler"].segment(table)[3][0].key == key("C major")


# --- The estimator ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", [SlidingWindow(base="last-note"), SlidingWindow("sliding-window", 8.0, 8.0, 0.0)])
def test_it_keeps_the_contract(model):
    outcome = run_checks(model)
    assert not outcome.failed, str(outcome)
    assert outcome.n_run >= 16


def test_of_whole_pieces_it_says_what_the_method_says(fitted, corpus):
    notes, truth, groups = corpus
    alone = make("logistic").fit(notes, truth, groups=groups)
    assert np.array_equal(fitted["logistic"].predict_log_proba(notes), alone.predict_log_proba(notes))
    assert fitted["logistic"].tags.segment


@pytest.mark.parametrize(
    ("parameters", "word"),
    [
        ({"width": 0.0}, "width is 0.0"),
        ({"hop": 0.0}, "hop 0.0"),
        ({"hop": -1.0}, "hop -1.0"),
        ({"width": 1.0, "hop": 2.0}, "0 < hop <= width"),
        ({"width": np.inf}, "width is inf"),
        ({"width": np.nan}, "width is nan"),
        ({"change": -0.1}, "change -0.1"),
        ({"change": np.nan}, "change nan"),
        ({"base": "divination"}, "unknown estimator 'divination'"),
    ],
)
def test_parameters_are_checked_in_one_line(corpus, parameters, word):
    with pytest.raises(EstimatorError) as caught:
        SlidingWindow(**parameters).fit(*corpus)
    assert word in str(caught.value)
    assert "\n" not in str(caught.value)


def test_it_listens_to_notes_only(fitted, corpus):
    chroma = ChromaTable.from_frames([(np.arange(4.0), np.ones((4, 12)), np.ones((4, 12)))])
    model = fitted["krumhansl-kessler"]
    for call in (model.segment, model.predict_log_proba, lambda X: SlidingWindow().fit(X, np.array([0]))):
        with pytest.raises(NotesError, match="ChromaTable"):
            call(chroma)
        with pytest.raises(NotesError, match="list"):
            call([60, 62])


def test_it_must_be_fitted_first():
    for call in (SlidingWindow().segment, SlidingWindow().predict_log_proba):
        with pytest.raises(NotFittedError):
            call(small_corpus(2)[0])


# --- Learning from stretches -----------------------------------------------------------------------------------------


def test_it_learns_from_windows_of_the_width_that_it_hears(monkeypatch):
    table = NoteTable.concatenate([tune("C major", "E-flat major"), tune("A minor", n=8)])
    spans = SpanTable.from_spans([[(0.0, 64.0, 0, 0), (64.0, 128.0, 3, 0)], [(0.0, 8.0, 9, 5)]])
    taught = []
    monkeypatch.setattr(
        sliding.SlidingWindow, "fit", lambda self, X, y, groups=None: taught.append((X, y, groups)) or self
    )
    SlidingWindow(width=8.0, hop=2.0).fit_sections(table, spans, groups=[4, 7])
    ((music, truth, groups),) = taught
    # A beat is two quarters, a window sixteen: four fit into 64, one holds a stretch that is shorter.
    assert truth.argmax(axis=1).tolist() == [0] * 4 + [3] * 4 + [12 * 5 + 9]
    assert groups.tolist() == [4] * 8 + [7]
    assert [(p.onset[0], p.onset[-1]) for p in music.pieces()] == [
        *((16.0 * i, 16.0 * i + 15.0) for i in range(8)),
        (0.0, 7.0),
    ]


def test_what_it_learnt_from_sections_it_finds_again():
    table = NoteTable.concatenate([tune("C major", "E-flat major"), tune("G major", "D major")])
    spans = SpanTable.from_spans([[(0.0, 64.0, 0, 0), (64.0, 128.0, 3, 0)], [(0.0, 64.0, 7, 0), (64.0, 128.0, 2, 0)]])
    found = SlidingWindow().fit_sections(table, spans).segment(table)
    # A window that hears both keys may be named after a third.
    assert [(piece[0].key, piece[-1].key) for piece in found] == [(0, 3), (7, 2)]
    assert all(span.end - span.start <= 16.0 for piece in found for span in piece[1:-1])
