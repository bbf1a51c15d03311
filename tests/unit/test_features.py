"""What estimators look at: small pieces worked by hand, and laws that hold for any piece."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.estimators import features
from keybench.estimators.features import (
    CHANNEL_NAMES,
    SINGLE_NOTE,
    bar_numbers,
    duration_weights,
    edge_note,
    note_counts,
    pitch_classes,
    tune_channels,
)
from keybench.notes import DOWNBEAT, STRONG, WEAK, NoteTable, Piece

C, D, E, F, G, A, B = 0, 2, 4, 5, 7, 9, 11


def table_of(*pieces):
    return NoteTable.from_pieces(
        [Piece(*(np.array(c, float) for c in p[:3]), None, np.array(p[3], int) if len(p) > 3 else None) for p in pieces]
    )


def line(pitches, durations=1.0, bar=None):
    """Notes end to end; with `bar`, notes on bar lines are downbeats and those on half bars strong."""
    table = NoteTable.from_notes(pitches, durations)
    if bar:
        accent = np.where(table.onset % bar == 0, DOWNBEAT, np.where(table.onset % (bar / 2) == 0, STRONG, WEAK))
        table = table.replace(accent=accent)
    return table


def row(**weights):
    out = np.zeros(12)
    for name, weight in weights.items():
        out[{"C": C, "D": D, "E": E, "F": F, "G": G, "A": A, "B": B}[name]] = weight
    return out


def channel(table, name, piece=0):
    return tune_channels(table)[piece, CHANNEL_NAMES.index(name)]


@st.composite
def tunes(draw):
    """A few pieces, in bars of three or four or without metre, some empty, some with chords."""
    pieces = []
    for _ in range(draw(st.integers(1, 4))):
        n = draw(st.integers(0, 40))
        rng = np.random.default_rng(draw(st.integers(0, 10_000)))
        duration = rng.choice([0.5, 1.0, 1.5], size=n)
        onset = np.cumsum(duration) - duration - draw(st.sampled_from([0.0, 1.0]))
        if draw(st.booleans()):  # some notes sound together
            onset = np.floor(onset)
        bar = draw(st.sampled_from([0, 3, 4]))
        accent = (
            np.zeros(n, int) if not bar else np.where(onset % bar == 0, DOWNBEAT, np.where(onset % 1, WEAK, STRONG))
        )
        pieces.append(Piece(onset, duration, rng.integers(48, 84, size=n).astype(float), None, accent))
    return NoteTable.from_pieces(pieces)


def test_pitch_classes_round_to_the_nearest_semitone():
    table = NoteTable.from_notes([60, 61, 71, 72, 59, 0, 60.4, 59.6, 71.7])
    assert pitch_classes(table).tolist() == [0, 1, 11, 0, 11, 0, 0, 0, 0]


def test_duration_weights_by_hand():
    table = table_of(
        ([0, 1, 1.5], [1, 0.5, 2], [60, 67, 72]),
        ([], [], []),
        ([0, 1, 2], [0, 0, 0], [62, 62, 69]),  # no lengths: counts
        ([0, 1], [0, 3], [62, 69]),  # one length is enough
    )
    expected = [row(C=3, G=0.5), row(), row(D=2, A=1), row(A=3)]
    np.testing.assert_array_equal(duration_weights(table), expected)
    for i in range(4):
        np.testing.assert_array_equal(duration_weights(table[i]), expected[i : i + 1])
    assert duration_weights(NoteTable.from_pieces([])).shape == (0, 12)


def test_note_counts_by_hand():
    table = table_of(([0, 1, 1.5], [1, 0.5, 2], [60, 67, 72]), ([], [], []), ([0], [0], [62]))
    np.testing.assert_array_equal(note_counts(table), [row(C=2, G=1), row(), row(D=1)])


@pytest.mark.parametrize(
    ("onset", "pitch", "first", "last"),
    [
        ([0, 1, 2], [62, 64, 65], D, F),
        ([2, 1, 0], [62, 64, 65], F, D),
        ([0], [69], A, A),
        ([0, 0, 1], [67, 60, 62], C, D),  # the lowest of a chord comes first
        ([0, 1, 1, 1], [60, 74, 67, 71], C, G),  # and is the last as well
        ([0, 0, 0], [76, 67, 72], G, G),
        ([], [], -1, -1),
    ],
)
def test_edge_note_by_hand(onset, pitch, first, last):
    other = ([0, 3], [1, 1], [71, 71])  # pieces before and after, which begin and end on B
    table = table_of(other, (onset, [1] * len(onset), pitch), other)
    assert edge_note(table, last=False).tolist() == [B, first, B]
    assert edge_note(table, last=True).tolist() == [B, last, B]
    assert edge_note(table[1], last=True).tolist() == [last]


def test_edge_note_does_not_join_the_chords_of_two_pieces():
    # The first piece ends, and the second begins and ends, at onset 0.
    table = table_of(([0], [1], [60]), ([0, 0], [1, 1], [67, 74]), ([], [], []))
    assert edge_note(table, last=True).tolist() == [C, G, -1]
    assert edge_note(table, last=False).tolist() == [C, G, -1]


def test_bar_numbers_by_hand():
    quarters = line([60] * 20, 1.0, bar=4)
    assert bar_numbers(quarters).tolist() == [i // 4 for i in range(20)]


def test_bar_numbers_count_a_pickup_as_minus_one():
    onset = np.arange(-2.0, 12)
    accent = np.where(onset % 3 == 0, DOWNBEAT, WEAK)
    table = table_of((onset, np.ones(14), np.full(14, 60), accent))
    assert bar_numbers(table).tolist() == [-1, -1, 0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3]
    shifted = table.replace(onset=table.onset + 2)  # a pickup at the beginning of time
    assert bar_numbers(shifted).tolist() == bar_numbers(table).tolist()


def test_bar_numbers_give_a_pickup_of_more_than_a_bar_one_number():
    onset = np.arange(-5.0, 12)  # five beats before the first of bars of three; no downbeat is marked among them
    accent = np.where((onset >= 0) & (onset % 3 == 0), DOWNBEAT, WEAK)
    table = table_of((onset, np.ones(17), np.full(17, 60), accent))
    assert bar_numbers(table).tolist() == [-1] * 5 + [0] * 3 + [1] * 3 + [2] * 3 + [3] * 3


def test_bar_numbers_bridge_a_note_held_over_the_bar_line():
    # Bars of four; no note begins with the third bar, whose downbeat is tied over.
    onset = [0, 2, 4, 6, 12, 14, 16, 20]
    accent = [2, 0, 2, 0, 2, 0, 2, 2]
    table = table_of((onset, [2, 2, 2, 6, 2, 2, 4, 4], [60] * 8, accent))
    assert bar_numbers(table).tolist() == [0, 0, 1, 1, 3, 3, 4, 5]


def test_bar_numbers_need_four_bars():
    three, four = line([60] * 12, 1.0, bar=4), line([60] * 16, 1.0, bar=4)
    assert bar_numbers(NoteTable.concatenate([three, four])).tolist() == [-2] * 12 + [i // 4 for i in range(16)]
    assert bar_numbers(line([60] * 40)).tolist() == [-2] * 40
    assert bar_numbers(NoteTable.from_pieces([])).tolist() == []


def test_channels_of_a_line_without_metre():
    # C for two, D, E, C, G for one each, C again for two: C sounds 5 of 8 quarters.
    table = line([60, 62, 64, 72, 67, 60], [2, 1, 1, 1, 1, 2])
    expected = {
        "heard": np.sqrt(row(C=5, D=1, E=1, G=1) / 8),
        "heard (share)": row(C=5, D=1, E=1, G=1) / 8,
        "present": row(C=1, D=1, E=1, G=1),
        "strong beats": np.sqrt(row(C=5, D=1, E=1, G=1) / 8),  # without a metre every note counts
        "downbeats": np.sqrt(row(C=5, D=1, E=1, G=1) / 8),
        "longest fifth": row(C=1),
        "first quarter": np.sqrt(row(C=2, D=1) / 3),  # notes 0 and 1 of 6
        "second quarter": row(E=1),
        "third quarter": np.sqrt(row(C=1, G=1) / 2),
        "fourth quarter": row(C=1),
        "last three": np.sqrt(row(C=3, G=1) / 4),
        "last eight": np.sqrt(row(C=5, D=1, E=1, G=1) / 8),
        "first eight": np.sqrt(row(C=5, D=1, E=1, G=1) / 8),
        "first": row(C=1),
        "second": row(D=1),
        "last": row(C=1),
        "lowest": row(C=1),
        "highest": row(C=1),
        "first downbeat": row(C=1),
        "last downbeat": row(C=1),
        "downbeats closing two bars": row(),
        "every eighth bar": row(),
        "notes closing four bars": row(),
        # Moves: C-D +2, D-E +2, E-C +8, C-G +7, G-C +5; each stands at the note moved to, root of a fifth each.
        "step of 0": row(),
        "step of 2": np.sqrt(row(D=1, E=1) / 5),
        "step of 5": np.sqrt(row(C=1) / 5),
        "step of 7": np.sqrt(row(G=1) / 5),
        "step of 8": np.sqrt(row(C=1) / 5),
        "step of 10": row(),
        # Which notes have another that many semitones above.
        "present with note 1 above": row(),
        "present with note 2 above": row(C=1, D=1),
        "present with note 3 above": row(E=1),
        "present with note 4 above": row(C=1),
        "present with note 5 above": row(D=1, G=1),
        "present with note 6 above": row(),
    }
    for name, values in expected.items():
        np.testing.assert_allclose(channel(table, name), values, atol=1e-6, err_msg=name)


def test_quarters_of_lines_that_do_not_divide_by_four():
    # Note i of n belongs to quarter floor(4 i / n): of five notes two in the first, of seven two in all but the last.
    names = ("first quarter", "second quarter", "third quarter", "fourth quarter")
    found = [np.flatnonzero(channel(line([60, 62, 64, 65, 67]), name)).tolist() for name in names]
    assert found == [[C, D], [E], [F], [G]]
    found = [np.flatnonzero(channel(line([60, 62, 64, 65, 67, 69, 71]), name)).tolist() for name in names]
    assert found == [[C, D], [E, F], [G, A], [B]]


def test_ends_of_a_line_longer_than_eight_notes():
    table = line([*range(60, 72), 60])  # twelve semitones and the octave
    for name, places in (
        ("first eight", [0, 1, 2, 3, 4, 5, 6, 7]),
        ("last eight", [0, 5, 6, 7, 8, 9, 10, 11]),
        ("last three", [0, 10, 11]),
    ):
        expected = np.zeros(12)
        expected[places] = np.sqrt(1 / len(places))
        np.testing.assert_allclose(channel(table, name), expected, atol=1e-6, err_msg=name)


def test_edges_and_extremes_are_single_notes():
    table = line([67, 60, 62, 76, 64, 65, 69])
    for name, note in (("first", G), ("second", C), ("last", A), ("lowest", C), ("highest", E)):
        assert np.flatnonzero(channel(table, name)).tolist() == [note], name
    one = line([62])
    for name in ("first", "second", "last", "lowest", "highest"):
        assert np.flatnonzero(channel(one, name)).tolist() == [D], name


def test_channels_of_strong_and_weak_notes():
    # Two bars of 2/4 and one more: downbeats C, E, G; strong A, B; weak ones F.
    pitch, accent = [60, 65, 69, 64, 65, 71, 67], [2, 0, 1, 2, 0, 1, 2]
    table = table_of((np.arange(7), np.ones(7), pitch, accent))
    np.testing.assert_allclose(channel(table, "strong beats"), np.sqrt(row(C=1, A=1, E=1, B=1, G=1) / 5), atol=1e-6)
    np.testing.assert_allclose(channel(table, "downbeats"), np.sqrt(row(C=1, E=1, G=1) / 3), atol=1e-6)
    assert np.flatnonzero(channel(table, "first downbeat")).tolist() == [C]
    assert np.flatnonzero(channel(table, "last downbeat")).tolist() == [G]


def test_channels_that_need_bars():
    # Sixteen bars of two notes; bar i opens on OPENS[i] and closes on CLOSES[i].
    opens = [60, 62, 64, 65, 60, 62, 64, 67, 60, 62, 64, 69, 60, 62, 64, 71]
    closes = [62] * 3 + [64] + [62] * 3 + [60] + [62] * 3 + [64] + [62] * 3 + [65]
    table = line([p for pair in zip(opens, closes, strict=True) for p in pair], 1.0, bar=2)
    assert bar_numbers(table).tolist() == [i // 2 for i in range(32)]
    expected = {
        "downbeats closing two bars": np.sqrt(row(D=4, F=1, G=1, A=1, B=1) / 8),
        "downbeats closing four bars": np.sqrt(row(F=1, G=1, A=1, B=1) / 4),
        "downbeats closing eight bars": np.sqrt(row(G=1, B=1) / 2),
        "downbeats opening eight bars": row(C=1),
        "first downbeat closing eight bars": row(G=1),
        "last downbeat closing eight bars": row(B=1),
        "notes closing four bars": np.sqrt(row(E=2, C=1, F=1) / 4),
        "notes closing eight bars": np.sqrt(row(C=1, F=1) / 2),
        "every eighth bar": np.sqrt(row(G=1, C=1, B=1, F=1) / 4),
        "every first bar of eight": np.sqrt(row(C=2, D=2) / 4),
    }
    for name, values in expected.items():
        np.testing.assert_allclose(channel(table, name), values, atol=1e-6, err_msg=name)


def test_every_channel_has_a_name_and_says_something():
    assert len(set(CHANNEL_NAMES)) == len(CHANNEL_NAMES)
    rng = np.random.default_rng(0)
    table = line(rng.integers(55, 80, size=200), 1.0, bar=2)
    channels = tune_channels(table)
    assert channels.shape == (1, len(CHANNEL_NAMES), 12)
    assert channels.dtype == np.float32
    silent = [name for name, values in zip(CHANNEL_NAMES, channels[0], strict=True) if not values.any()]
    assert silent == []


def test_channels_of_a_single_note_are_those_marked_so():
    # Found from the channels themselves: on tunes that never stay on one note, they alone never show more than one.
    rng = np.random.default_rng(1)
    tables = [line(rng.permutation(np.tile(np.arange(60, 72), 30)), 1.0, bar=2) for _ in range(5)]
    channels = tune_channels(NoteTable.concatenate(tables))
    found = ((channels > 0).sum(axis=2) == 1).all(axis=0)
    assert [n for n, single in zip(CHANNEL_NAMES, found, strict=True) if single] == [
        n for n, single in zip(CHANNEL_NAMES, SINGLE_NOTE, strict=True) if single
    ]
    assert SINGLE_NOTE.sum() == 9
    assert set(np.unique(channels[:, SINGLE_NOTE]).tolist()) == {0.0, 1.0}


def test_pieces_without_notes_have_channels_of_zeros():
    assert tune_channels(NoteTable.from_pieces([])).shape == (0, len(CHANNEL_NAMES), 12)
    channels = tune_channels(table_of(([], [], []), ([0], [1], [60]), ([], [], [])))
    assert channels.any(axis=(1, 2)).tolist() == [False, True, False]


@settings(max_examples=40, deadline=None)
@given(tunes(), st.integers(-15, 15))
def test_transposing_the_notes_rolls_every_channel(table, k):
    moved = table.transpose(k)
    np.testing.assert_array_equal(tune_channels(moved), np.roll(tune_channels(table), k, axis=2))
    np.testing.assert_array_equal(duration_weights(moved), np.roll(duration_weights(table), k, axis=1))
    np.testing.assert_array_equal(note_counts(moved), np.roll(note_counts(table), k, axis=1))
    for last in (False, True):
        home = edge_note(table, last)
        np.testing.assert_array_equal(edge_note(moved, last), np.where(home < 0, -1, (home + k) % 12))


@settings(max_examples=40, deadline=None)
@given(tunes(), st.sampled_from([0.125, 0.37, 0.5, 1.7, 3.0, 60.0]))
def test_the_tempo_changes_nothing(table, factor):
    scaled = table.replace(onset=table.onset * factor, duration=table.duration * factor)
    np.testing.assert_array_equal(bar_numbers(scaled), bar_numbers(table))
    np.testing.assert_allclose(tune_channels(scaled), tune_channels(table), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(tunes())
def test_a_piece_has_the_same_row_alone_as_in_company(table):
    channels, weights = tune_channels(table), duration_weights(table)
    assert channels.shape == (len(table), len(CHANNEL_NAMES), 12)
    for i in range(len(table)):
        alone = table[i].detach()
        np.testing.assert_array_equal(tune_channels(alone)[0], channels[i])
        np.testing.assert_allclose(duration_weights(alone)[0], weights[i], rtol=1e-12)
        assert edge_note(alone, last=True)[0] == edge_note(table, last=True)[i]
    bars = bar_numbers(table)
    assert bars.tolist() == [b for i in range(len(table)) for b in bar_numbers(table[i].detach())]
    order = np.arange(len(table))[::-1]
    np.testing.assert_array_equal(tune_channels(table[order].detach()), channels[order])


@settings(max_examples=40, deadline=None)
@given(tunes())
def test_channels_are_shares(table):
    channels = tune_channels(table)
    squares = (channels.astype(float) ** 2).sum(axis=2)
    assert (channels >= 0).all()
    assert (channels <= 1).all()
    exempt = [i for i, name in enumerate(CHANNEL_NAMES) if name.startswith(("present", "heard (share)", "step"))]
    roots = np.delete(squares, exempt, axis=1)  # of shares that sum to one, or one note, or nothing
    assert (np.isclose(roots, 1, atol=1e-5) | (roots == 0)).all()
    steps = squares[:, [i for i, name in enumerate(CHANNEL_NAMES) if name.startswith("step of ")]].sum(axis=1)
    np.testing.assert_allclose(steps, table.n_notes > 1, atol=1e-5)


def test_the_table_in_the_description_counts_the_channels():
    assert f"The {len(CHANNEL_NAMES)} channels of `tune_channels`" in features.__doc__
    for word in ("longest fifth", "last eight", "step of i", "note i above", "downbeats opening eight bars"):
        assert word in features.__doc__
        stem = word.removesuffix(" i").removesuffix(" i above")
        assert any(stem in name for name in CHANNEL_NAMES)
