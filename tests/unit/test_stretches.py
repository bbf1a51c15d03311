"""Labelled stretches as pieces to learn from: against a plain loop over the notes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.chroma import ChromaTable
from keybench.errors import ExperimentError
from keybench.estimators.stretches import stretches
from keybench.key import NO_MODE, parse_key
from keybench.notes import NoteTable, Piece
from keybench.spans import SpanTable

C_MAJOR, A_MINOR = parse_key("C major"), parse_key("A minor")


def span(start, end, key):
    return start, end, key.tonic, key.mode


def test_each_stretch_is_a_piece_with_the_notes_that_begin_in_it():
    music = NoteTable.from_pieces([
        Piece(np.arange(8.0), np.ones(8), np.arange(60.0, 68.0)),
        Piece(np.arange(4.0), np.ones(4), np.arange(50.0, 54.0)),
    ])  # fmt: skip
    spans = SpanTable.from_spans([[span(0, 3, C_MAJOR), span(3, 8, A_MINOR)], [(1, 2.5, 7, NO_MODE)]])
    found = stretches(music, spans)
    assert [piece.pitch.tolist() for piece in found.music.pieces()] == [
        [60, 61, 62], [63, 64, 65, 66, 67], [51, 52],
    ]  # fmt: skip
    assert found.piece.tolist() == [0, 0, 1]
    assert np.flatnonzero(found.truth[0]).tolist() == [C_MAJOR.index]
    assert np.flatnonzero(found.truth[1]).tolist() == [A_MINOR.index]
    assert np.flatnonzero(found.truth[2]).tolist() == [12 * mode + 7 for mode in range(7)], "any mode on G"


def test_a_stretch_without_notes_teaches_nothing():
    music = NoteTable.from_pieces([Piece(np.array([0.0, 9.0]), np.ones(2), np.array([60.0, 62.0])), Piece([], [], [])])
    spans = SpanTable.from_spans([[span(0, 2, C_MAJOR), span(2, 8, A_MINOR)], [span(0, 4, C_MAJOR)]])
    found = stretches(music, spans)
    assert len(found.music) == 1
    assert found.piece.tolist() == [0]


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_like_a_loop(data):
    onsets = data.draw(st.lists(st.integers(0, 20), max_size=15).map(sorted))
    edges = data.draw(st.lists(st.integers(0, 21), min_size=2, max_size=6, unique=True).map(sorted))
    music = NoteTable.from_pieces([Piece(np.array(onsets, float), np.ones(len(onsets)), np.arange(len(onsets)) + 40.0)])
    spans = SpanTable.from_spans([[span(a, b, C_MAJOR) for a, b in pairwise(edges)]])
    expected = [[p for o, p in zip(music.onset, music.pitch, strict=True) if a <= o < b] for a, b in pairwise(edges)]
    assert [piece.pitch.tolist() for piece in stretches(music, spans).music.pieces()] == [e for e in expected if e]


def test_chroma_has_no_stretches():
    with pytest.raises(ExperimentError, match="accepted: a view of notes"):
        stretches(ChromaTable.from_frames([]), SpanTable.from_spans([]))
