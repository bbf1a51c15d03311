"""Note tables: packing, choosing pieces, sharing features. Cases worked by hand unless a check says otherwise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.errors import KeybenchError, NotesError
from keybench.notes import DOWNBEAT, STRONG, WEAK, KeySpan, NoteTable, Piece

COLUMNS = ("onset", "duration", "pitch", "part", "accent")


def piece(onset, duration, pitch, part=None, accent=None):
    return Piece(np.array(onset, float), np.array(duration, float), np.array(pitch, float), part, accent)


def three():
    """Three notes, none, and two notes."""
    return NoteTable.from_pieces(
        [
            piece([0, 1, 2], [1, 1, 2], [60, 62, 64], np.array([0, 0, 1]), np.array([DOWNBEAT, WEAK, STRONG])),
            piece([], [], []),
            piece([0, 0.5], [0.5, 1.5], [67, 55], np.array([2, 3]), np.array([WEAK, DOWNBEAT])),
        ]
    )


def as_lists(table):
    return [tuple(getattr(p, name).tolist() for name in COLUMNS) for p in table.pieces()]


def mean_pitch(table):
    """Row per piece: its number of notes, their mean pitch and last onset."""
    rows = [(len(p.pitch), p.pitch.mean(), p.onset[-1]) if len(p.pitch) else (0, 0, 0) for p in table.pieces()]
    return np.array(rows, dtype=float).reshape(len(table), 3)


durations = st.integers(0, 8).map(lambda n: n / 4)
notes = st.tuples(st.integers(0, 16).map(lambda n: n / 4), durations, st.integers(36, 84))
tables = st.lists(st.lists(notes, max_size=6), max_size=6).map(
    lambda pieces: NoteTable.from_pieces([piece(*zip(*p, strict=True)) if p else piece([], [], []) for p in pieces])
)


def test_pieces_are_packed_one_after_the_other():
    table = three()
    assert len(table) == 3
    assert table.shape == (3,)
    assert table.offsets.tolist() == [0, 3, 3, 5]
    assert table.n_notes.tolist() == [3, 0, 2]
    assert table.piece.tolist() == [0, 0, 0, 2, 2]
    assert table.pitch.tolist() == [60, 62, 64, 67, 55]
    assert table.unit == "quarter"
    assert as_lists(table) == [
        ([0, 1, 2], [1, 1, 2], [60, 62, 64], [0, 0, 1], [2, 0, 1]),
        ([], [], [], [], []),
        ([0, 0.5], [0.5, 1.5], [67, 55], [2, 3], [0, 2]),
    ]


def test_packing_sorts_by_onset_then_pitch_and_keeps_columns_together():
    table = NoteTable.from_pieces(
        [
            piece([2, 0, 1, 0], [5, 6, 7, 8], [60, 67, 64, 55], np.array([1, 2, 3, 4]), np.array([0, 1, 2, 0])),
            piece([1, 0], [1, 2], [50, 51]),
        ]
    )
    assert as_lists(table) == [
        ([0, 0, 1, 2], [8, 6, 7, 5], [55, 67, 64, 60], [4, 2, 3, 1], [0, 1, 2, 0]),
        ([0, 1], [2, 1], [51, 50], [0, 0], [0, 0]),
    ]


@settings(deadline=None)
@given(tables)
def test_packing_what_was_unpacked_changes_nothing(table):
    again = NoteTable.from_pieces(table.pieces())
    for name in (*COLUMNS, "offsets"):
        np.testing.assert_array_equal(getattr(again, name), getattr(table, name))
    for p in table.pieces():
        assert sorted(zip(p.onset, p.pitch, strict=True)) == list(zip(p.onset, p.pitch, strict=True))


def test_columns_have_their_types():
    for table in (three(), NoteTable.from_pieces([]), NoteTable.from_pieces([Piece([0, 1], [1, 1], [60, 61])])):
        assert [getattr(table, name).dtype.kind for name in COLUMNS] == list("fffii")
        assert table.offsets.dtype == np.int64


def test_no_pieces_and_empty_pieces():
    none = NoteTable.from_pieces([])
    assert (len(none), none.offsets.tolist(), none.pieces(), none.piece.tolist()) == (0, [0], [], [])
    empty = NoteTable.from_pieces([piece([], [], [])] * 2)
    assert (len(empty), empty.n_notes.tolist()) == (2, [0, 0])
    assert as_lists(empty[1]) == [([], [], [], [], [])]
    assert len(three()[[]]) == 0
    assert len(three()[3:]) == 0


def test_from_notes_sets_notes_end_to_end():
    table = NoteTable.from_notes([60, 62, 64], [1, 0.5, 2])
    assert as_lists(table) == [([0, 1, 1.5], [1, 0.5, 2], [60, 62, 64], [0, 0, 0], [0, 0, 0])]
    assert NoteTable.from_notes([60, 62]).onset.tolist() == [0, 1]
    assert NoteTable.from_notes([60, 62], 0.25).duration.tolist() == [0.25, 0.25]
    assert NoteTable.from_notes([60, 62], 1, [3, 2]).pitch.tolist() == [62, 60]
    assert len(NoteTable.from_notes([]).pitch) == 0


PICKS = [
    (0, [0]),
    (2, [2]),
    (-1, [2]),
    (np.int64(1), [1]),
    (slice(1, None), [1, 2]),
    (slice(None, None, -1), [2, 1, 0]),
    (slice(0, 0), []),
    (np.array([True, False, True]), [0, 2]),
    ([False, True, False], [1]),
    (np.array([2, 0, 2]), [2, 0, 2]),
    ([1, -1], [1, 2]),
    ((np.array([2, 1]), Ellipsis), [2, 1]),
    ((np.array([True, True, False]), Ellipsis), [0, 1]),
    ((slice(1, 2), Ellipsis), [1]),
]


@pytest.mark.parametrize(("rows", "picked"), PICKS, ids=repr)
def test_choosing_pieces(rows, picked):
    table = three()
    chosen, whole = table[rows], as_lists(table)
    assert isinstance(chosen, NoteTable)
    assert len(chosen) == len(picked)
    assert as_lists(chosen) == [whole[i] for i in picked]
    assert chosen.offsets[0] == 0
    assert chosen.offsets[-1] == len(chosen.pitch)


@pytest.mark.parametrize("rows", [3, -4, np.int64(9)])
def test_a_piece_that_is_not_there(rows):
    with pytest.raises(IndexError, match=f"{rows} of a table of 3"):
        three()[rows]


def test_a_table_is_a_sequence_of_pieces():
    assert [int(p.n_notes[0]) for p in three()] == [3, 0, 2]


def test_choosing_keeps_the_unit():
    table = NoteTable.from_pieces(three().pieces(), unit="second")
    assert {t.unit for t in (table, table[1:], table.detach(), table.transpose(1), table.keep(table.pitch > 0))} == {
        "second"
    }


@settings(deadline=None)
@given(tables, st.data())
def test_choosing_twice_is_choosing_once(table, data):
    index = st.lists(st.integers(0, len(table) - 1), max_size=8) if len(table) else st.just([])
    first = np.array(data.draw(index), dtype=int)
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(first), max_size=len(first))), dtype=bool)
    whole = as_lists(table)
    assert as_lists(table[first]) == [whole[i] for i in first]
    assert as_lists(table[first][mask]) == [whole[i] for i in first[mask]]
    np.testing.assert_array_equal(table[first][mask].feature(mean_pitch), mean_pitch(table[first[mask]].detach()))


@settings(deadline=None)
@given(tables, st.data())
def test_shared_features_equal_recomputed_ones(table, data):
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=len(table), max_size=len(table))), dtype=bool)
    shared = table[mask].feature(mean_pitch)
    np.testing.assert_array_equal(shared, mean_pitch(table[mask]))
    assert shared.shape == (int(mask.sum()), 3)


def test_a_feature_is_computed_once_on_the_whole_original():
    calls = []

    def count(table):
        calls.append(len(table))
        return np.asarray(table.n_notes)

    table = three()
    assert table[2].feature(count).tolist() == [2]
    assert table[[2, 0]][1:].feature(count).tolist() == [3]
    assert table.feature(count).tolist() == [3, 0, 2]
    assert calls == [3]


def test_features_of_two_functions_are_kept_apart():
    table = three()
    assert table.feature(lambda t: t.n_notes).tolist() == [3, 0, 2]
    assert table.feature(lambda t: t.n_notes * 2).tolist() == [6, 0, 4]


def test_detaching_cuts_the_link():
    calls = []

    def count(table):
        calls.append(len(table))
        return np.asarray(table.n_notes)

    alone = three()[1:].detach()
    assert alone.feature(count).tolist() == [0, 2]
    assert calls == [2]
    assert as_lists(alone) == as_lists(three()[1:])


@pytest.mark.parametrize(
    "change",
    [
        lambda t: t.transpose(12),
        lambda t: t.replace(pitch=t.pitch + 12),
        lambda t: t.keep(t.pitch > 60).transpose(12),
        lambda t: NoteTable.concatenate([t, t]).transpose(12),
    ],
)
def test_a_changed_table_does_not_inherit_features(change):
    table = three()[[0, 2]]
    table.feature(mean_pitch)
    changed = change(table)
    np.testing.assert_array_equal(changed.feature(mean_pitch), mean_pitch(changed))
    assert changed.feature(mean_pitch)[0, 1] > table.feature(mean_pitch)[0, 1]


def test_keep_drops_notes_and_never_pieces():
    table = three()
    kept = table.keep(np.array([True, False, True, False, False]))
    assert as_lists(kept) == [([0, 2], [1, 2], [60, 64], [0, 1], [2, 1]), ([], [], [], [], []), ([], [], [], [], [])]
    assert kept.offsets.tolist() == [0, 2, 2, 2]
    assert len(table.pitch) == 5


@settings(deadline=None)
@given(tables, st.data())
def test_keep_piece_by_piece(table, data):
    mask = np.array(
        data.draw(st.lists(st.booleans(), min_size=len(table.pitch), max_size=len(table.pitch))), dtype=bool
    )
    kept = table.keep(mask)
    assert len(kept) == len(table)
    for i in range(len(table)):
        a, b = table.offsets[i : i + 2]
        assert kept[i].pitch.tolist() == table.pitch[a:b][mask[a:b]].tolist()


def test_replace_changes_the_named_columns_only():
    table = three()
    changed = table.replace(duration=table.duration * 2, accent=np.zeros(5, int))
    assert changed.duration.tolist() == [2, 2, 4, 1, 3]
    assert changed.accent.tolist() == [0] * 5
    for name in ("onset", "pitch", "part", "offsets"):
        assert getattr(changed, name).tolist() == getattr(table, name).tolist()
    assert table.duration.tolist() == [1, 1, 2, 0.5, 1.5]


def test_transpose_all_pieces_or_each_by_its_own():
    table = three()
    assert table.transpose(-5).pitch.tolist() == [55, 57, 59, 62, 50]
    assert table.transpose([1, 100, -2]).pitch.tolist() == [61, 63, 65, 65, 53]
    assert table.transpose(0.5).pitch.tolist() == [60.5, 62.5, 64.5, 67.5, 55.5]
    assert table.pitch.tolist() == [60, 62, 64, 67, 55]
    with pytest.raises(ValueError, match="broadcast"):
        table.transpose([1, 2])


@settings(deadline=None)
@given(tables, st.integers(-24, 24), st.integers(-24, 24))
def test_transposing_twice_is_transposing_once(table, i, j):
    np.testing.assert_array_equal(table.transpose(i).transpose(j).pitch, table.transpose(i + j).pitch)
    np.testing.assert_array_equal(table.transpose(i).transpose(-i).pitch, table.pitch)
    np.testing.assert_array_equal(table.transpose(i).onset, table.onset)


@settings(deadline=None)
@given(st.lists(tables, min_size=1, max_size=3))
def test_concatenate_puts_pieces_in_a_row(several):
    joined = NoteTable.concatenate(several)
    assert as_lists(joined) == [p for table in several for p in as_lists(table)]
    start = 0
    for table in several:
        assert as_lists(joined[start : start + len(table)]) == as_lists(table)
        start += len(table)


def test_tables_in_different_units_give_a_mixed_one():
    seconds = NoteTable.from_pieces(three().pieces(), unit="second")
    assert NoteTable.concatenate([seconds, seconds]).unit == "second"
    assert NoteTable.concatenate([three(), seconds]).unit == "mixed"
    assert NoteTable.concatenate([NoteTable.from_pieces([]), seconds]).unit == "second"


GOOD = ([0.0, 1.0], [1.0, 1.0], [60.0, 62.0])


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("column", [0, 1, 2])
def test_values_that_are_not_finite_are_refused(column, value):
    columns = [list(c) for c in GOOD]
    columns[column][1] = value
    with pytest.raises(NotesError) as caught:
        NoteTable.from_pieces([piece(*GOOD), piece(*columns)])
    message = str(caught.value)
    assert message.startswith(f"piece 1: {COLUMNS[column]} holds {value}")
    assert "accepted: finite numbers" in message


def test_a_negative_duration_is_refused_and_zero_is_not():
    with pytest.raises(NotesError, match=r"piece 0: duration -0\.5 is negative; accepted: zero or more"):
        NoteTable.from_pieces([piece([0, 1], [1, -0.5], [60, 62])])
    assert NoteTable.from_pieces([piece([0, -1], [0, 0], [60, 62])]).onset.tolist() == [-1, 0]


@pytest.mark.parametrize("column", COLUMNS[1:])
def test_ragged_columns_are_refused(column):
    columns = dict(zip(COLUMNS, (*map(np.array, GOOD), np.zeros(2, int), np.zeros(2, int)), strict=True))
    columns[column] = columns[column][:1]
    with pytest.raises(NotesError, match=rf"piece 0: column {column} has shape \(1,\); accepted: \(2,\)"):
        NoteTable.from_pieces([Piece(**columns)])


def test_columns_of_two_axes_are_refused():
    with pytest.raises(NotesError, match=r"column onset has shape \(2, 1\)"):
        NoteTable.from_pieces([piece([[0], [1]], [1, 1], [60, 62])])


def test_an_unknown_unit_is_named_with_what_is_accepted():
    with pytest.raises(NotesError, match=r"'beat'; accepted: quarter, second"):
        NoteTable.from_pieces([], unit="beat")


def test_errors_are_the_packages_own():
    assert issubclass(NotesError, KeybenchError)
    assert issubclass(NotesError, ValueError)


def test_key_span_holds_what_it_is_given():
    span = KeySpan(0.0, 4.0, 7)
    assert (span.start, span.end, span.key) == (0.0, 4.0, 7)
