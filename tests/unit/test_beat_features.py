"""Beats: the grid under changes of tempo, what sounds against plain loops, chords by hand, windows by plain loops."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.estimators import beat_features
from keybench.estimators.beat_features import (
    CHANNELS,
    CHORDS,
    FEW_BEATS,
    MOST_BEATS,
    Design,
    beat_grid,
    beat_table,
    chord_shares,
    sounding,
)
from keybench.notes import NoteTable, Piece

C_MAJOR, G_SEVENTH = (48.0, 64.0, 67.0, 72.0), (43.0, 65.0, 71.0, 74.0)


def chords(*pitches, length=1.0):
    """A piece of chords of equal length, one after the other."""
    pieces = [(i * length, length, pitch) for i, chord in enumerate(pitches) for pitch in chord]
    return NoteTable.from_pieces([Piece(*(np.array(column, dtype=float) for column in zip(*pieces, strict=True)))])


def channel(table, name):
    return beat_table(table).channels[0][:, CHANNELS.index(name)]


# --- The grid --------------------------------------------------------------------------------------------------------


def test_a_beat_is_twice_the_distance_between_onsets():
    start, beat, n = beat_grid(NoteTable.from_notes(np.full(80, 60), 0.5))
    assert (start[0], beat[0], n[0]) == (0.0, 1.0, 40)


def test_a_piece_of_few_beats_is_heard_in_half_beats():
    _, beat, n = beat_grid(NoteTable.from_notes(np.full(2 * FEW_BEATS - 2, 60), 0.5))
    assert (beat[0], n[0]) == (0.5, 2 * FEW_BEATS - 2)


def test_a_piece_of_very_many_beats_is_heard_in_longer_ones():
    _, beat, n = beat_grid(NoteTable.from_notes(np.full(100_000, 60), 0.5))
    assert beat[0] == 32.0  # 50,000 beats halved five times are 1,563
    assert n[0] == 1563 <= MOST_BEATS


@pytest.mark.parametrize("factor", [0.1, 0.5, 3.0, 4.0])
def test_tempo_makes_no_difference_to_what_beats_hold(factor):
    rng = np.random.default_rng(0)
    duration = rng.choice([0.5, 1.0, 1.5], size=200)
    table = NoteTable.from_notes(rng.integers(40, 80, size=200), duration)
    scaled = table.replace(onset=table.onset * factor, duration=table.duration * factor)
    np.testing.assert_allclose(beat_table(scaled).channels[0], beat_table(table).channels[0], atol=1e-4)


def test_odd_pieces_have_beats():
    table = NoteTable.from_pieces(
        [
            Piece(np.zeros(0), np.zeros(0), np.zeros(0)),
            Piece(np.array([3.0]), np.array([0.0]), np.array([60.0])),
            Piece(np.zeros(3), np.ones(3), np.array([60.0, 64.0, 67.0])),
        ]
    )
    found = beat_table(table)
    assert found.n_beats.tolist() == [0, 1, 2]
    assert found.channels[1][0, CHANNELS.index("bass"), 0] == 0.5  # the first half of its beat
    assert all(np.isfinite(channels).all() for channels in found.channels)


# --- What sounds -----------------------------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 8), st.floats(0, 8), st.integers(0, 2)).map(lambda t: (min(t[:2]), max(t[:2]), t[2])),
        min_size=1,
        max_size=8,
    )
)
def test_what_sounds_is_the_overlap_of_notes_and_cells(notes):
    expected = np.zeros((8, 3))
    for onset, end, row in notes:
        for cell in range(8):
            expected[cell, row] += max(0.0, min(end, cell + 1) - max(onset, cell))
    onset, end, row = (np.array(column) for column in zip(*notes, strict=True))
    np.testing.assert_allclose(sounding(onset, end, row, 8, 3), np.minimum(expected, 1.0), atol=1e-9)


def test_the_bass_is_the_lowest_note_that_sounds():
    table = chords(*([C_MAJOR, G_SEVENTH] * 30))
    bass, top = channel(table, "bass"), channel(table, "top")
    # A beat is two quarters: half of it over C, half over G.
    np.testing.assert_allclose(bass, np.tile(0.5 * (np.eye(12)[0] + np.eye(12)[7]), (30, 1)))
    np.testing.assert_allclose(top, np.tile(0.5 * (np.eye(12)[0] + np.eye(12)[2]), (30, 1)))


def test_a_leading_note_that_resolves_is_marked_at_the_note_it_leads_to():
    up = channel(chords(*([G_SEVENTH, C_MAJOR] * 6)), "leading up")  # few beats: each holds one chord
    assert up[1, 0] == 0.5  # B to C
    assert up[0].sum() == 0.0
    down = channel(chords(*([G_SEVENTH, C_MAJOR] * 6)), "leading down")
    assert down[1, 4] == 0.5  # F to E
    assert channel(chords(*([G_SEVENTH, C_MAJOR] * 6)), "tritone")[0, [5, 11]].tolist() == [1.0, 1.0]


@pytest.mark.parametrize(("name", "intervals"), CHORDS.items())
def test_a_chord_agrees_best_with_itself(name, intervals):
    present = np.zeros((1, 12))
    present[0, [(5 + i) % 12 for i in intervals]] = 1.0
    shares = chord_shares(present)
    assert shares[name][0, 5] == 1.0
    for other, share in shares.items():
        # An augmented triad has three roots, a minor seventh the notes of no other chord here.
        roots = {5, 9, 1} if name == other == "augmented triad" else {5} if name == other else set()
        assert set(np.flatnonzero(share[0] > 0.99)) == roots


def test_a_cadence_is_marked_at_its_home_note():
    table = chords(*([G_SEVENTH, C_MAJOR] * 6))
    cadence = channel(table, "dominant seventh to triad")
    assert cadence[1].argmax() == 0
    assert cadence[1, 0] == 1.0
    assert cadence[0].sum() == 0.0
    assert channel(table, "dominant to minor").max() == 0.0


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(36, 84), min_size=1, max_size=40), st.integers(-7, 7))
def test_moving_the_music_rolls_every_channel(pitches, k):
    table = NoteTable.from_notes(pitches, 0.5)
    expected = np.roll(beat_table(table).channels[0], k, axis=2)
    np.testing.assert_allclose(beat_table(table.transpose(k)).channels[0], expected, atol=1e-6)


def test_a_drone_does_not_cost_its_length(monkeypatch):
    sizes = []
    plain = beat_features.sounding
    monkeypatch.setattr(beat_features, "sounding", lambda *args: sizes.append(args[3] * args[4]) or plain(*args))
    onset = np.arange(5000.0)
    table = NoteTable.from_pieces([Piece(onset, np.full(5000, 1e6), 60.0 + np.arange(5000) % 7)])
    assert np.isfinite(beat_table(table).channels[0]).all()
    assert sizes[0] <= 2 * MOST_BEATS * 132


# --- Windows ---------------------------------------------------------------------------------------------------------


def test_windows_are_means_over_the_beats_that_the_piece_has():
    rng = np.random.default_rng(0)
    channels = rng.random((9, len(CHANNELS), 12)).astype(np.float32)
    windows = ((0, 0), (-3, -1), (2, 20), "whole", "first 2", "last 3", "first 2 near", "last 3 near")
    design = Design([(("bass", "top"), windows)])
    rows = np.array([0, 4, 8])
    found = design.compute(channels, rows)
    assert found.shape == (3, len(design.names), 12) == (3, 16, 12)
    for r, t in enumerate(rows):
        for c, name in enumerate(("bass", "top")):
            own = channels[:, CHANNELS.index(name)].astype(float)
            place = (t + 0.5) / 9
            expected = [
                own[t],
                own[max(t - 3, 0) : t].mean(axis=0) if t else np.zeros(12),
                own[t + 2 :].mean(axis=0) if t + 2 < 9 else np.zeros(12),
                own.mean(axis=0),
                own[:2].mean(axis=0),
                own[-3:].mean(axis=0),
                own[:2].mean(axis=0) * (1 - place),
                own[-3:].mean(axis=0) * place,
            ]
            for w, values in enumerate(expected):
                np.testing.assert_allclose(found[r, 8 * c + w], values - values.mean(), atol=1e-6)
    assert design.names[:3] == ["bass, this beat", "bass, beats -3 to -1", "bass, beats +2 to +20"]
    assert design.names[3:8] == [
        "bass, whole piece", "bass, first 2 beats", "bass, last 3 beats", "bass, first 2 beats near",
        "bass, last 3 beats near",
    ]  # fmt: skip
