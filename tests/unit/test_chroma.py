"""Chroma tables: packing and moving. Cases worked by hand, or held against notes that are moved the same way."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.chroma import ChromaTable
from keybench.estimators.features import note_counts
from keybench.notes import NoteTable, Piece

C, D, E, F, G, A = 0, 2, 4, 5, 7, 9


def frame(**energies):
    """Twelve energies from those of named notes."""
    row = np.zeros(12)
    for note, energy in energies.items():
        row["C D EF G A B".index(note)] = energy
    return row


def two():
    """A piece of two frames, one of none, one of one frame."""
    return ChromaTable.from_frames(
        [
            ([0.0, 0.5], [frame(C=1), frame(G=2)], [frame(E=3), frame(C=4, B=5)]),
            (np.zeros(0), np.zeros((0, 12)), np.zeros((0, 12))),
            ([0.25], [frame(A=6)], [frame(A=7)]),
        ]
    )


SHIFTS = st.integers(-30, 30)
TABLES = st.lists(st.integers(0, 4), max_size=5).map(
    lambda sizes: ChromaTable.from_frames(
        (np.arange(n), np.arange(12 * n).reshape(n, 12) + i, np.arange(12 * n)[::-1].reshape(n, 12)) for i, n in
        enumerate(sizes)
    )
)  # fmt: skip


def test_frames_are_packed_in_32_bits():
    table = two()
    assert table.offsets.tolist() == [0, 2, 2, 3]
    assert table.time.tolist() == [0.0, 0.5, 0.25]
    assert table.bass.shape == table.treble.shape == (3, 12)
    assert table.bass[1].tolist() == frame(G=2).tolist()
    assert table.treble[1].tolist() == frame(C=4, B=5).tolist()
    assert {getattr(table, name).dtype for name in table.COLUMNS} == {np.dtype(np.float32)}


@pytest.mark.parametrize("table", [ChromaTable.from_frames([]), ChromaTable.concatenate([])], ids=["packed", "joined"])
def test_no_pieces_have_columns_all_the_same(table):
    assert (len(table), table.time.shape, table.bass.shape, table.treble.shape) == (0, (0,), (0, 12), (0, 12))
    assert table.bass.dtype == np.float32
    assert len(table.transpose(3)) == 0


def test_moving_by_hand():
    moved = two().transpose(2)
    assert moved.bass[0].tolist() == frame(D=1).tolist()
    assert moved.bass[1].tolist() == frame(A=2).tolist()
    assert moved.treble[1].tolist() == [0, 5, 4, *[0] * 9]  # C to D, B over the end to C sharp
    assert moved.time.tolist() == two().time.tolist()
    assert moved.offsets.tolist() == two().offsets.tolist()


def test_each_piece_moves_by_its_own():
    moved = two().transpose([5, 100, -2])
    assert np.flatnonzero(moved.bass[0]).tolist() == [F]
    assert np.flatnonzero(moved.bass[1]).tolist() == [C]
    assert np.flatnonzero(moved.bass[2]).tolist() == [G]
    with pytest.raises(ValueError, match="broadcast"):
        two().transpose([1, 2])


@settings(max_examples=60, deadline=None)
@given(TABLES, SHIFTS, SHIFTS)
def test_moving_twice_is_moving_once_and_an_octave_is_nothing(table, i, j):
    for name in table.COLUMNS:
        once, twice = (getattr(t, name) for t in (table.transpose(i + j), table.transpose(i).transpose(j)))
        np.testing.assert_array_equal(once, twice)
        np.testing.assert_array_equal(getattr(table.transpose(12), name), getattr(table, name))
        assert once.dtype == np.float32


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(st.integers(40, 80), max_size=6), max_size=5), st.data())
def test_chroma_moves_as_the_notes_do(pieces, data):
    shift = np.array(data.draw(st.lists(SHIFTS, min_size=len(pieces), max_size=len(pieces))), dtype=int)
    table = NoteTable.from_pieces(Piece(np.arange(len(p)), np.ones(len(p)), np.array(p, dtype=float)) for p in pieces)

    def heard(notes):  # one frame per piece: how often each pitch class occurs
        return ChromaTable.from_frames(([0.0], [counts], [2 * counts]) for counts in note_counts(notes))

    moved, expected = heard(table).transpose(shift), heard(table.transpose(shift))
    np.testing.assert_array_equal(moved.bass, expected.bass)
    np.testing.assert_array_equal(moved.treble, expected.treble)


def test_a_moved_table_does_not_inherit_features():
    def mean_bass(table):
        return np.stack([table.bass[table.piece == i].sum(axis=0) for i in range(len(table))])

    table = two()[[2, 0]]
    before = table.feature(mean_bass)
    after = table.transpose(1).feature(mean_bass)
    np.testing.assert_array_equal(after, np.roll(before, 1, axis=1))
    np.testing.assert_array_equal(table.feature(mean_bass), before)
    assert before.any()
