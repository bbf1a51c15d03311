"""What the tables of notes, chroma and spans have in common: choosing pieces, cutting loose, shared features, joining.

Expected values come from plain lists, one per piece, handled by Python alone.
"""

import copy
import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.model_selection import GroupKFold

from keybench.chroma import ChromaTable
from keybench.columns import PieceTable, join, offsets_of
from keybench.errors import NotesError
from keybench.notes import NoteTable, Piece
from keybench.spans import SpanTable

# A table of each kind from the number of rows of each piece; row r of piece i holds numbers made from i and r.


def notes(lengths):
    return NoteTable.from_pieces(
        Piece(np.arange(n) / 2, np.full(n, 1.0 + i), 40.0 + 7 * i + np.arange(n) % 5, np.full(n, i)) for i, n in lengths
    )


def chroma(lengths):
    return ChromaTable.from_frames(
        (np.arange(n) / 4, np.full((n, 12), i) + np.arange(12), np.arange(12 * n).reshape(n, 12) + i)
        for i, n in lengths
    )


def spans(lengths):
    return SpanTable.from_spans([(r, r + 1 + i, (i + r) % 12, r % 8 - 1) for r in range(n)] for i, n in lengths)


MAKERS = {"notes": notes, "chroma": chroma, "spans": spans}
every_kind = pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS)
LENGTHS = st.lists(st.integers(0, 5), max_size=7)


def as_lists(table):
    """The rows of each piece as tuples of plain numbers."""
    columns = table.columns().values()
    return [
        [tuple(np.asarray(column[r]).tolist() for column in columns) for r in range(a, b)]
        for a, b in zip(table.offsets[:-1].tolist(), table.offsets[1:].tolist(), strict=True)
    ]


def as_lists_of(make, lengths):
    """The same, each piece from a table that holds nothing else: pieces may not depend on their neighbours."""
    return [as_lists(make([(i, n)]))[0] for i, n in lengths]


def summary(table):
    """A feature: number of rows and sum of all columns, by piece."""
    out = np.zeros((len(table), 2))
    for i, rows in enumerate(as_lists(table)):
        out[i] = len(rows), sum(float(np.sum(value)) for row in rows for value in row)
    return out


@pytest.mark.parametrize(
    ("lengths", "offsets"), [([], [0]), ([0], [0, 0]), ([2, 0, 3], [0, 2, 2, 5]), (np.array([1, 1]), [0, 1, 2])]
)
def test_offsets_by_hand(lengths, offsets):
    assert offsets_of(lengths).tolist() == offsets
    assert offsets_of(lengths).dtype == np.int64


@every_kind
def test_rows_stand_piece_after_piece(make):
    table = make([(0, 2), (1, 0), (2, 3)])
    assert (len(table), table.shape) == (3, (3,))
    assert table.offsets.tolist() == [0, 2, 2, 5]
    assert table.n_rows.tolist() == [2, 0, 3]
    assert table.piece.tolist() == [0, 0, 2, 2, 2]
    assert as_lists(table) == as_lists_of(make, [(0, 2), (1, 0), (2, 3)])
    assert list(table.columns()) == list(table.COLUMNS)


@every_kind
def test_no_pieces(make):
    table = make([])
    assert (len(table), table.offsets.tolist(), as_lists(table)) == (0, [0], [])
    assert len(table[[]]) == len(table[:0]) == len(table.detach()) == 0
    with pytest.raises(IndexError, match="piece 0 of a table of 0"):
        table[0]


@every_kind
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_choosing_pieces_is_choosing_from_a_list(make, data):
    lengths = list(enumerate(data.draw(LENGTHS)))
    table, whole = make(lengths), as_lists_of(make, lengths)
    n = len(whole)
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)), dtype=bool)
    assert as_lists(table[mask]) == [rows for rows, kept in zip(whole, mask, strict=True) if kept]
    part = data.draw(st.slices(n))
    assert as_lists(table[part]) == whole[part]
    if n:
        index = np.array(data.draw(st.lists(st.integers(-n, n - 1), max_size=6)), dtype=np.int64)
        assert as_lists(table[index]) == [whole[i] for i in index]
        assert as_lists(table[int(index.sum()) % n]) == [whole[int(index.sum()) % n]]
        assert type(table[index]) is type(table)


@every_kind
@pytest.mark.parametrize("index", [3, -4, np.int64(7)])
def test_a_piece_that_is_not_there(make, index):
    with pytest.raises(IndexError, match=f"piece {index} of a table of 3"):
        make([(0, 1), (1, 2), (2, 0)])[index]


@every_kind
def test_a_table_is_a_sequence_of_pieces_that_splitters_accept(make):
    lengths = list(enumerate([1, 0, 3, 2, 2, 1]))
    table = make(lengths)
    assert [as_lists(one) for one in table] == [[rows] for rows in as_lists(table)]
    seen = []
    for train, test in GroupKFold(3).split(table, groups=[0, 0, 1, 1, 2, 2]):
        assert len(table[train]) + len(table[test]) == 6
        seen += as_lists(table[test])
    assert sorted(map(repr, seen)) == sorted(map(repr, as_lists(table)))


@every_kind
@settings(max_examples=40, deadline=None)
@given(st.data())
def test_choosing_twice_is_choosing_once_and_shares_features(make, data):
    lengths = list(enumerate(data.draw(st.lists(st.integers(0, 4), min_size=1, max_size=6))))
    table = make(lengths)
    first = np.array(data.draw(st.lists(st.integers(0, len(table) - 1), max_size=7)), dtype=np.int64)
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(first), max_size=len(first))), dtype=bool)
    twice = table[first][mask]
    assert as_lists(twice) == as_lists(table[first[mask]])
    np.testing.assert_array_equal(twice.feature(summary), summary(twice))
    np.testing.assert_array_equal(twice.detach().feature(summary), summary(twice))


def counted():
    calls = []

    def sizes(table):
        calls.append(len(table))
        return np.array(table.n_rows)

    return calls, sizes


@every_kind
def test_a_feature_is_computed_once_for_the_whole_original(make):
    calls, sizes = counted()
    table = make([(0, 2), (1, 0), (2, 3)])
    assert table[2].feature(sizes).tolist() == [3]
    assert table[[2, 0]][1:].feature(sizes).tolist() == [2]
    assert table.feature(sizes).tolist() == [2, 0, 3]
    assert calls == [3]


@every_kind
def test_threads_that_need_one_feature_compute_it_once(make):
    calls, sizes = counted()
    table = make([(0, 2), (1, 0), (2, 3)])
    barrier = threading.Barrier(4)

    def ask():
        barrier.wait()
        table[1:].feature(sizes)

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert calls == [3]


@every_kind
def test_cutting_loose_keeps_the_rows_and_forgets_the_rest(make):
    calls, sizes = counted()
    table = make([(0, 2), (1, 0), (2, 3)])
    loose = table[1:].detach()
    assert as_lists(loose) == as_lists(table)[1:]
    assert loose._root is None
    assert loose.feature(sizes).tolist() == [0, 3]
    assert calls == [2]
    assert type(loose) is type(table)


@every_kind
@settings(max_examples=40, deadline=None)
@given(st.data())
def test_keeping_rows_never_drops_a_piece(make, data):
    lengths = list(enumerate(data.draw(LENGTHS)))
    table = make(lengths)
    n = int(table.offsets[-1])
    marked = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)), dtype=bool)
    kept = table.keep(marked)
    expected = [
        [row for r, row in enumerate(rows, start) if marked[r]]
        for start, rows in zip(table.offsets.tolist(), as_lists(table), strict=False)
    ]
    assert as_lists(kept) == expected
    np.testing.assert_array_equal(kept.feature(summary), summary(kept))


@every_kind
def test_keeping_rows_of_a_selection_does_not_lead_back_to_the_original(make):
    table = make([(0, 2), (1, 0), (2, 3)])
    table.feature(summary)
    kept = table[[2, 0]].keep(np.array([True, False, False, False, True]))
    assert kept.n_rows.tolist() == [1, 1]
    np.testing.assert_array_equal(kept.feature(summary), summary(kept))


@every_kind
def test_nothing_that_is_shared_can_be_changed(make):
    table = make([(0, 2), (1, 0), (2, 3)])
    for some in (table, table[1:], table.detach(), table.keep(np.ones(5, dtype=bool))):
        for name in (*table.COLUMNS, "offsets"):
            with pytest.raises(ValueError, match="read-only"):
                getattr(some, name)[...] = 0
    with pytest.raises(ValueError, match="read-only"):
        table.feature(summary)[:] = 0


@every_kind
def test_making_a_table_does_not_lock_the_arrays_it_was_made_from(make):
    given_arrays = {name: np.array(column) for name, column in make([(0, 2)]).columns().items()}
    table = type(make([]))(**given_arrays, offsets=np.array([0, 2]))
    for name, column in given_arrays.items():
        column[...] = 0  # still the caller's own
        assert not getattr(table, name).flags.writeable


@every_kind
@settings(max_examples=40, deadline=None)
@given(st.lists(LENGTHS, max_size=4))
def test_joining_puts_piece_after_piece(make, several):
    tables = [make(list(enumerate(lengths))) for lengths in several]
    joined = type(make([])).concatenate(tables)
    assert as_lists(joined) == [rows for table in tables for rows in as_lists(table)]
    assert [getattr(joined, name).dtype for name in joined.COLUMNS] == [
        getattr(make([]), name).dtype for name in joined.COLUMNS
    ]
    if tables:
        columns, offsets = join(tables)
        assert offsets.tolist() == joined.offsets.tolist()
        assert list(columns) == list(joined.COLUMNS)
    np.testing.assert_array_equal(joined.feature(summary), summary(joined))


def test_a_table_of_no_kind_cannot_be_chosen_from():
    with pytest.raises(NotImplementedError):
        PieceTable(offsets=np.array([0, 0]))[0]


def test_columns_go_by_name_only():
    for kind in (NoteTable, ChromaTable, SpanTable):
        with pytest.raises(TypeError, match="positional"):
            kind(np.array([0]))


def share_of_mean(table):
    """A feature as it must not be: each piece's note count over the mean of all pieces."""
    return table.n_rows / table.n_rows.mean()


def all_in_one(table):
    return np.array([table.n_rows.sum()])


@pytest.mark.parametrize("function", [share_of_mean, all_in_one])
def test_a_feature_that_looks_at_other_pieces_is_refused(function):
    table = NoteTable.concatenate([NoteTable.from_notes([60.0] * n**2) for n in range(1, 14)])
    with pytest.raises(NotesError, match=f"{function.__name__}: a piece's row depends on other pieces; accepted"):
        table.feature(function)
    with pytest.raises(NotesError, match="depends on other pieces"):
        table[[0, 1]].feature(function)


@every_kind
def test_a_selection_takes_rows_only_when_they_are_asked_for(make):
    table = make([(0, 2), (1, 0), (2, 3), (3, 1)])
    chosen = table[[2, 3]][[0]]
    assert chosen.feature(summary).tolist() == summary(table)[[2]].tolist()
    assert not set(table.COLUMNS) & set(vars(chosen))
    copied = copy.deepcopy(chosen)
    assert as_lists(copied) == as_lists(chosen) == [as_lists(table)[2]]
    assert set(table.COLUMNS) <= set(vars(chosen))
    with pytest.raises(AttributeError, match="loudness"):
        _ = chosen.loudness
