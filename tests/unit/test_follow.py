"""Answers step by step: against a sampled clock, against each method's own keys over time, and in odd shapes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.errors import EstimatorError
from keybench.estimators import make
from keybench.estimators.checks import small_corpus
from keybench.estimators.features import extent
from keybench.estimators.follow import FLAT, Followed, finest, over_keys, resample, whole_as_step
from keybench.estimators.sliding import best_path
from keybench.key import DORIAN, MAJOR, N_KEYS
from keybench.notes import NoteTable, Piece


def answer(*pieces, seed=0):
    """One answer: for each piece the times at which its steps begin."""
    begins = np.array([time for piece in pieces for time in piece], dtype=float)
    log_proba = np.log(np.random.default_rng(seed).dirichlet(np.ones(N_KEYS), size=len(begins)))
    return Followed(np.append(0, np.cumsum([len(piece) for piece in pieces])), begins, log_proba)


def test_shapes_must_fit():
    good = answer([0, 1], [0])
    for offsets, rows in (([0, 2, 3], 2), ([0, 2], 3), ([1, 3], 3), ([], 3)):
        with pytest.raises(EstimatorError, match="accepted"):
            Followed(np.array(offsets, dtype=np.int64), good.begins, good.log_proba[:rows])


def test_states_spread_over_the_keys():
    found = over_keys(np.log(np.array([[0.5, *[0.0] * 11, *[0.0] * 7, 0.5, *[0.0] * 4]]) + 1e-300), [MAJOR, DORIAN])
    assert np.isfinite(found).all()
    assert np.exp(found).sum() == pytest.approx(1)
    assert sorted(found[0].argsort()[-2:]) == sorted([12 * MAJOR, 12 * DORIAN + 7])


grids = st.lists(st.integers(0, 40), min_size=1, max_size=12, unique=True).map(sorted)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(grids, grids), min_size=1, max_size=4))
def test_resampling_reads_the_clock_in_the_middle_of_each_step(pieces):
    source, target = answer(*[a for a, _ in pieces]), answer(*[b for _, b in pieces], seed=1)
    found = resample(source, target.offsets, target.begins)
    for i, (theirs, mine) in enumerate(pieces):
        ends = [*mine[1:], mine[-1] + (mine[-1] - mine[-2] if len(mine) > 1 else 0)]
        for j, (begin, end) in enumerate(zip(mine, ends, strict=True)):
            middle = (begin + end) / 2
            holds = max([k for k, time in enumerate(theirs) if time <= middle], default=0)
            row = source.log_proba[source.offsets[i] + holds]
            assert np.array_equal(found[target.offsets[i] + j], row)


def test_resampling_onto_the_own_steps_changes_nothing_at_any_tempo():
    source = answer([0, 1, 2, 3.5], [], [7])
    for factor in (1.0, 1 / 3, 1e-3, 1e4):
        faster = Followed(source.offsets, source.begins * factor, source.log_proba)
        assert np.array_equal(resample(faster, faster.offsets, faster.begins), source.log_proba)


def test_where_nothing_was_said_all_keys_are_alike():
    found = resample(answer([], [0]), np.array([0, 2, 3]), np.array([0.0, 1.0, 0.0]))
    assert (found[:2] == FLAT).all()
    assert np.exp(found).sum(axis=1) == pytest.approx(1)
    with pytest.raises(EstimatorError, match="2 pieces"):
        resample(answer([], [0]), np.array([0, 2]), np.array([0.0, 1.0]))


def test_the_finest_steps_piece_by_piece():
    coarse, fine = answer([0, 2], [5, 6, 7], [1], []), answer([0, 1, 2], [5], [2], [])
    offsets, begins = finest([coarse, fine])
    assert [begins[a:b].tolist() for a, b in pairwise(offsets)] == [[0, 1, 2], [5, 6, 7], [1], []]


def test_a_method_for_whole_pieces_answers_in_one_step():
    notes, truth, _ = small_corpus(20)
    method = make("krumhansl-kessler").fit(notes, truth)
    found = method.follow(notes)
    assert np.array_equal(found.log_proba, method.predict_log_proba(notes))
    assert np.array_equal(found.begins, extent(notes)[0])
    assert found.n_steps.tolist() == [1] * 20
    assert len(whole_as_step(np.zeros(0), np.zeros((0, N_KEYS)))) == 0


@pytest.mark.parametrize("name", ["hmm", "structured", "sliding-window", "calibrated"])
def test_steps_and_keys_over_time_agree(name):
    notes, truth, groups = small_corpus(42)
    params = {"base": "hmm", "folds": 2} if name == "calibrated" else {}
    method = make(name, **params).fit(notes, truth, groups=groups)
    odd = [Piece(np.zeros(0), np.zeros(0), np.zeros(0)), Piece(np.zeros(1), np.ones(1), np.array([62.0]))]
    music = NoteTable.concatenate([small_corpus(8, seed=1)[0], NoteTable.from_pieces(odd)])
    found, spans = method.follow(music), method.segment(music)
    assert len(found) == len(spans) == len(music)
    assert np.exp(found.log_proba).sum(axis=1) == pytest.approx(1)
    for i, (a, b) in enumerate(pairwise(found.offsets)):
        said = found.log_proba[a:b]
        if name == "sliding-window":
            best = best_path(said, method.change)
        else:
            best = said.argmax(axis=1)
        for key, begin in zip(best, found.begins[a:b], strict=True):
            held = [span.key for span in spans[i] if span.start <= begin < span.end]
            row = said[found.begins[a:b] == begin][0]
            # Keys that are alike but for rounding may stand for each other.
            assert all(key == k or row[key] - row[k] < 1e-3 for k in held)


@pytest.mark.parametrize("name", ["hmm", "structured", "sliding-window"])
def test_moved_music_moves_the_steps(name):
    notes, truth, groups = small_corpus(42)
    method = make(name).fit(notes, truth, groups=groups)
    music = small_corpus(8, seed=1)[0]
    here, there = method.follow(music), method.follow(music.transpose(5))
    moved = np.roll(here.log_proba.reshape(-1, 7, 12), 5, axis=2).reshape(-1, N_KEYS)
    assert np.abs(there.log_proba - moved).max() < 1e-3
    slower = method.follow(music.replace(onset=music.onset * 3, duration=music.duration * 3))
    assert np.allclose(slower.begins, here.begins * 3)
    assert np.abs(slower.log_proba - here.log_proba).max() < 1e-3
