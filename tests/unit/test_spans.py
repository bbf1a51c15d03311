"""Span tables: packing and moving. Cases worked by hand, or held against keys that are moved one by one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.key import DORIAN, MAJOR, MINOR, N_MODES, NO_MODE, Key
from keybench.spans import SpanTable

SHIFTS = st.integers(-30, 30)
SPAN = st.tuples(
    st.integers(0, 40).map(lambda n: n / 4),
    st.integers(41, 90).map(lambda n: n / 4),
    st.integers(0, 11),
    st.integers(NO_MODE, N_MODES - 1),
)
PIECES = st.lists(st.lists(SPAN, max_size=4), max_size=5)


def three():
    """A piece in two keys with a gap between, one without labels, one with a home note only."""
    return SpanTable.from_spans([[(0, 4, 0, MAJOR), (6.5, 8, 9, MINOR)], [], [(0, 3, 11, NO_MODE)]])


def test_spans_are_packed_as_they_come():
    table = three()
    assert table.offsets.tolist() == [0, 2, 2, 3]
    assert table.start.tolist() == [0, 6.5, 0]
    assert table.end.tolist() == [4, 8, 3]
    assert table.tonic.tolist() == [0, 9, 11]
    assert table.mode.tolist() == [MAJOR, MINOR, NO_MODE]
    assert [getattr(table, name).dtype.kind for name in table.COLUMNS] == list("ffii")


@pytest.mark.parametrize("table", [SpanTable.from_spans([]), SpanTable.concatenate([])], ids=["packed", "joined"])
def test_no_pieces_have_columns_all_the_same(table):
    assert (len(table), table.offsets.tolist()) == (0, [0])
    assert [getattr(table, name).dtype.kind for name in table.COLUMNS] == list("ffii")
    assert len(table.transpose(3)) == 0


def test_pieces_without_labels_only():
    table = SpanTable.from_spans([[], []])
    assert (len(table), table.n_rows.tolist()) == (2, [0, 0])
    assert table.transpose([1, 2]).n_rows.tolist() == [0, 0]


@settings(max_examples=80, deadline=None)
@given(PIECES)
def test_packing_keeps_every_span(pieces):
    table = SpanTable.from_spans(pieces)
    rows = zip(*(getattr(table, name).tolist() for name in table.COLUMNS), strict=True)
    assert list(rows) == [span for spans in pieces for span in spans]
    assert table.n_rows.tolist() == [len(spans) for spans in pieces]


def test_moving_by_hand():
    moved = three().transpose(2)
    assert moved.tonic.tolist() == [2, 11, 1]
    assert moved.mode.tolist() == three().mode.tolist()
    assert moved.start.tolist() == three().start.tolist()
    assert moved.end.tolist() == three().end.tolist()
    assert three().transpose([-1, 7, 1]).tonic.tolist() == [11, 8, 0]
    with pytest.raises(ValueError, match="broadcast"):
        three().transpose([1, 2])


@settings(max_examples=80, deadline=None)
@given(PIECES, st.data())
def test_moving_agrees_with_moving_each_key(pieces, data):
    shift = data.draw(st.lists(SHIFTS, min_size=len(pieces), max_size=len(pieces)))
    moved = SpanTable.from_spans(pieces).transpose(np.array(shift, dtype=int))
    expected = [
        Key(tonic, max(mode, 0)).transpose(by).tonic
        for spans, by in zip(pieces, shift, strict=True)
        for _, _, tonic, mode in spans
    ]
    assert moved.tonic.tolist() == expected
    assert moved.mode.tolist() == [mode for spans in pieces for _, _, _, mode in spans]


@settings(max_examples=40, deadline=None)
@given(PIECES, SHIFTS, SHIFTS)
def test_moving_twice_is_moving_once_and_an_octave_is_nothing(pieces, i, j):
    table = SpanTable.from_spans(pieces)
    assert table.transpose(i).transpose(j).tonic.tolist() == table.transpose(i + j).tonic.tolist()
    assert table.transpose(12).tonic.tolist() == table.tonic.tolist()


def test_a_moved_table_does_not_inherit_features():
    def first_tonic(table):
        return np.array([one.tonic[0] if len(one.tonic) else -1 for one in table])

    table = SpanTable.from_spans([[(0, 1, 2, DORIAN)], [], [(0, 1, 11, MAJOR)]])[[2, 0]]
    assert table.feature(first_tonic).tolist() == [11, 2]
    assert table.transpose(3).feature(first_tonic).tolist() == [2, 5]
