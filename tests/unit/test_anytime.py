"""Answers after each note: the same as asking about each opening by itself, and models for openings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.errors import EstimatorError
from keybench.estimators import anytime, make
from keybench.estimators.anytime import Anytime, grid, openings
from keybench.estimators.base import log_softmax
from keybench.estimators.checks import small_corpus
from keybench.key import N_KEYS, transpose_keys
from keybench.notes import NoteTable
from keybench.scores.early import decision_point, decision_points, right_from
from keybench.views.openings import opening_notes

SMALL = {"base": "albrecht-shanahan-modes", "lengths": (1, 4, 16)}


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(120)


@pytest.fixture(scope="module")
def plain(corpus):
    return make("albrecht-shanahan-modes").fit(*corpus[:2])


@pytest.fixture(scope="module")
def model(corpus):
    return Anytime(**SMALL).fit(*corpus)


@pytest.fixture(scope="module")
def pieces():
    return NoteTable.concatenate([small_corpus(6, seed=9)[0], NoteTable.from_notes([62]), NoteTable.from_notes([])])


def test_the_grid_by_hand():
    assert grid(0).tolist() == []
    assert grid(1).tolist() == [1]
    assert grid(128).tolist() == list(range(1, 129))
    assert grid(200).tolist() == [*range(1, 129), 144, 162, 182, 200]


@given(st.integers(1, 100_000))
def test_the_grid_rises_ends_at_the_end_and_stays_short(n):
    counts = grid(n)
    assert counts[-1] == n
    assert (np.diff(counts) > 0).all()
    assert len(counts) <= 128 + 9 * np.log(max(n / 128, 1)) + 2


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 12), min_size=1, max_size=6), st.integers(1, 14))
def test_openings_are_those_of_the_view(lengths, n):
    table = NoteTable.concatenate([NoteTable.from_notes(np.arange(60, 60 + length)) for length in lengths])
    seen, expected = openings(table, np.arange(len(table)), np.full(len(table), n)), opening_notes(table, n)
    np.testing.assert_array_equal(seen.offsets, expected.offsets)
    np.testing.assert_array_equal(seen.pitch, expected.pitch)
    picked = openings(table, np.array([len(table) - 1, 0]), np.array([1, n]))
    assert picked.n_notes.tolist() == [min(1, lengths[-1]), min(n, lengths[0])]


def test_after_each_note_is_what_each_opening_gets(plain, pieces):
    found = plain.anytime(pieces)
    assert [part.shape for part in found] == [(n, N_KEYS) for n in pieces.n_notes]
    for i, part in enumerate(found):
        asked = grid(int(pieces.n_notes[i]))
        for n in range(1, len(part) + 1):
            heard = asked[asked <= n].max()
            alone = plain.predict_log_proba(opening_notes(pieces[i], int(heard)))[0]
            np.testing.assert_allclose(part[n - 1], alone, atol=1e-9)


def test_batches_make_no_difference(plain, pieces, monkeypatch):
    expected = plain.anytime(pieces)
    monkeypatch.setattr(anytime, "_BATCH_NOTES", 50)
    for one, other in zip(expected, plain.anytime(pieces), strict=True):
        np.testing.assert_allclose(one, other, atol=1e-9)
    assert plain.anytime(NoteTable.from_pieces([])) == []


def test_methods_for_whole_pieces_refuse(corpus):
    model = make("sliding-window").fit(*corpus[:2])
    with pytest.raises(EstimatorError, match="SlidingWindow answers for whole pieces only; accepted: methods tagged"):
        model.anytime(corpus[0])


def test_models_are_learnt_on_openings_and_mixed_between(corpus, model, pieces):
    notes, truth, _ = corpus
    assert model.fitted_lengths_.tolist() == [1, 4, 16]
    by_hand = {
        n: make("albrecht-shanahan-modes").fit(opening_notes(notes[notes.n_notes > n], n), truth[notes.n_notes > n])
        for n in (1, 4, 16)
    }
    for n, weights in ((1, {1: 1.0}), (2, {1: 0.5, 4: 0.5}), (4, {4: 1.0}), (8, {4: 0.5, 16: 0.5}), (20, {16: 1.0})):
        heard = opening_notes(pieces[:6], n)
        expected = log_softmax(sum(w * by_hand[m].predict_log_proba(heard) for m, w in weights.items()))
        np.testing.assert_allclose(model.predict_log_proba(heard), expected, atol=1e-9)
        np.testing.assert_allclose(model.predict_opening(heard), expected, atol=1e-9)
    plain = make("albrecht-shanahan-modes").fit(notes, truth)
    long = notes[notes.n_notes > 32]
    np.testing.assert_allclose(model.predict_log_proba(long), plain.predict_log_proba(long), atol=1e-9)
    assert np.abs(model.predict_opening(long) - plain.predict_log_proba(long)).max() > 0.01


def test_the_end_is_known_to_be_the_end(model, corpus):
    piece = corpus[0][corpus[0].n_notes > 40][:1]
    (found,) = model.anytime(piece)
    np.testing.assert_allclose(found[-1], model.predict_log_proba(piece)[0], atol=1e-9)
    at = int(grid(len(found))[-2])
    np.testing.assert_allclose(found[at - 1], model.predict_opening(opening_notes(piece, at))[0], atol=1e-9)


def test_answers_after_each_note_move_with_the_music(model, pieces):
    for k in (1, 6):
        for one, other in zip(model.anytime(pieces), model.anytime(pieces.transpose(k)), strict=True):
            np.testing.assert_allclose(transpose_keys(one, k), other, atol=1e-3)


def test_it_is_less_sure_of_fewer_notes(model, plain, corpus):
    new, truth, _ = small_corpus(200, seed=5)
    sure = [np.exp(model.predict_log_proba(opening_notes(new, n)).max(axis=1)).mean() for n in (1, 4, 16)]
    assert sure == sorted(sure)
    heard = opening_notes(new, 4)
    losses = [
        -np.log(np.exp(m.predict_log_proba(heard))[truth].reshape(-1)).mean() for m in (model, plain)
    ]  # one acceptable key each
    assert losses[0] < losses[1]


def test_few_and_short_pieces_will_do():
    notes, truth, groups = small_corpus(8)
    short = opening_notes(notes, 3)
    model = Anytime("last-note", (1, 2, 4)).fit(short, truth, groups)
    assert model.fitted_lengths_.tolist() == [1, 2]
    np.testing.assert_allclose(np.exp(model.predict_log_proba(notes)).sum(axis=1), 1.0)
    alone = Anytime("last-note").fit(NoteTable.from_notes([60]), [0])
    assert len(alone.models_) == 0
    assert np.isfinite(alone.predict_log_proba(NoteTable.from_notes([60]))).all()


def test_bad_parameters_are_named():
    for parameters, message in (
        ({"lengths": ()}, r"lengths is \(\); accepted: rising whole numbers, 1 or more"),
        ({"lengths": (4, 2)}, r"lengths is \(4, 2\)"),
        ({"lengths": (0, 2)}, r"lengths is \(0, 2\)"),
        ({"lengths": (2.5,)}, r"lengths is \(2.5,\)"),
        ({"opening": -1}, "opening is -1"),
        ({"base": "logistic", "params": {"channels": "chroma"}}, "takes chroma; accepted: a method that takes notes"),
    ):
        with pytest.raises(EstimatorError, match=message):
            Anytime(**parameters).check_parameters()
    assert Anytime(lengths=[1, 2]).check_parameters() is None  # as an experiment file gives them


def test_decision_points_by_hand():
    assert decision_point([]) == 0
    assert decision_point([3]) == 1
    assert decision_point([3, 3, 5, 3, 3]) == 4
    assert decision_point([3, 3, 3]) == 1
    assert decision_point([1, 2, 3]) == 3
    assert decision_point(np.eye(4)[[2, 0, 0]]) == 2
    assert decision_points([[1, 2], [], [5]]).tolist() == [2, 0, 1]
    accepted = np.zeros(N_KEYS, dtype=bool)
    accepted[[3, 5]] = True
    assert right_from([1, 3, 5, 3], accepted) == 2
    assert right_from([3, 1, 5], accepted) == 3
    assert right_from([3, 1], accepted) == -1
    assert right_from([], accepted) == -1
    assert right_from([5, 3], accepted) == 1
