"""What models of scores look at: small pieces worked by hand, plain loops beside the fast ones, and laws for any piece.

The chord names and the close by a fall of a fifth with the leading note are those of Kostka & Payne, Tonal Harmony.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import softmax

from keybench.estimators import make
from keybench.estimators.channels import channel_set
from keybench.estimators.features import beats, pitch_classes
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.score_features import (
    HOP,
    SCORE_CHANNEL_NAMES,
    WINDOW,
    WINDOW_PROFILE,
    WINDOW_SHARPNESS,
    score_channels,
    sounding_steps,
)
from keybench.notes import NoteTable, Piece

C, D, E, F, FIS, G = 0, 2, 4, 5, 6, 7


def chords(*pitches, length=1.0):
    """A piece of chords that follow each other, each of `length`."""
    pitch = np.concatenate([np.array(chord, float) for chord in pitches])
    onset = np.repeat(length * np.arange(len(pitches)), [len(chord) for chord in pitches])
    return NoteTable.from_pieces([Piece(onset, np.full(len(pitch), length), pitch)])


def channel(table, name, piece=0):
    return score_channels(table)[piece, SCORE_CHANNEL_NAMES.index(name)]


def row(*pitch_classes, value=1.0):
    out = np.zeros(12)
    out[list(pitch_classes)] = value
    return out


CLOSE = chords([48, 64, 67], [53, 60, 69], [55, 65, 71], [48, 64, 67], [36, 55, 64, 72])
"""I, IV, V7 without its fifth, I, I in C major."""


@st.composite
def scores(draw):
    """A few pieces of several parts, some empty, some with grace notes and pedals."""
    pieces = []
    for _ in range(draw(st.integers(1, 4))):
        n = draw(st.integers(0, 60))
        rng = np.random.default_rng(draw(st.integers(0, 10_000)))
        onset = np.sort(rng.integers(0, 30, size=n) / 2.0)
        duration = rng.choice([0.0, 0.25, 0.5, 1.0, 4.0, 25.0], size=n)
        pieces.append(Piece(onset, duration, rng.integers(36, 85, size=n).astype(float)))
    return NoteTable.from_pieces(pieces)


class TestSteps:
    def test_a_held_note_sounds_on_and_is_the_bass(self):
        # Twelve quarters over a bass that is held for six of them: a beat is twice a quarter.
        onset = np.append(0.0, np.arange(12.0))
        pitch = np.append(36.0, 60.0 + np.arange(12))
        table = NoteTable.from_pieces([Piece(onset, np.append(6.0, np.ones(12)), pitch)])
        steps = sounding_steps(table)
        assert steps.offsets.tolist() == [0, 6]
        assert steps.sounds[:, C].tolist() == [True, True, True, False, False, False]
        assert steps.bass.tolist() == [C, C, C, FIS, 8, 10]

    @given(scores())
    @settings(max_examples=40, deadline=None)
    def test_against_a_plain_loop(self, table):
        steps = sounding_steps(table)
        beat = beats(table)
        for i, piece in enumerate(table.pieces()):
            own = slice(steps.offsets[i], steps.offsets[i + 1])
            length = 1.0 if np.isnan(beat[i]) else beat[i]
            since = piece.onset - piece.onset[0] if len(piece.onset) else piece.onset
            places = sorted(set(np.floor(since / length + 1e-6)))
            assert own.stop - own.start == len(places)
            pc = pitch_classes(table[i])
            for j, place in enumerate(places):
                heard = []
                for k in range(len(pc)):
                    begins = np.floor(since[k] / length + 1e-6)
                    ends = max(begins, np.floor((since[k] + piece.duration[k]) / length - 1e-3))
                    if begins <= place <= ends and j - places.index(begins) <= 16:
                        heard.append(k)
                assert set(np.flatnonzero(steps.sounds[own][j])) == {pc[k] for k in heard}
                assert steps.bass[own][j] == pc[min(heard, key=lambda k: piece.pitch[k])]


class TestByHand:
    def test_names_are_one_per_channel_and_distinct(self):
        assert score_channels(CLOSE).shape == (1, len(SCORE_CHANNEL_NAMES), 12)
        assert len(set(SCORE_CHANNEL_NAMES)) == len(SCORE_CHANNEL_NAMES)
        assert channel_set("score").names == SCORE_CHANNEL_NAMES

    def test_ends(self):
        assert np.allclose(channel(CLOSE, "lowest final note"), row(C))
        assert np.allclose(channel(CLOSE, "highest final note"), row(C))
        assert np.allclose(channel(CLOSE, "final sonority"), row(C, E, G, value=np.sqrt(1 / 3)))
        assert np.allclose(channel(CLOSE, "bass of the first full chord"), row(C))
        table = chords([60], [60, 67], [50, 65, 69], [62], length=2.0)
        assert np.allclose(channel(table, "first note"), row(C))
        assert np.allclose(channel(table, "highest final note"), row(D))

    def test_a_chord_that_is_held_to_the_end_is_the_final_sonority(self):
        onset, duration = np.array([0.0, 0, 0, 4, 6]), np.array([8.0, 8, 3, 2, 2])
        table = NoteTable.from_pieces([Piece(onset, duration, np.array([48.0, 52, 58, 67, 72]))])
        assert np.allclose(channel(table, "final sonority"), row(C, E, value=np.sqrt(1 / 2)))

    def test_chords_and_close_of_the_textbook(self):
        # I, IV, V7 without its fifth, I; each is struck twice, so that it has a step of its own.
        table = chords(*[c for c in ([48, 64, 67], [53, 60, 69], [55, 65, 71], [48, 64, 67]) for _ in range(2)])
        assert sounding_steps(table).bass.tolist() == [C, F, G, C]
        quarter, half = np.sqrt(1 / 4), np.sqrt(1 / 2)
        assert np.allclose(channel(table, "major triad"), row(C, value=half) + row(F, value=quarter))
        assert not channel(table, "minor triad").any()
        assert np.allclose(channel(table, "dominant seventh"), row(G, value=quarter))
        assert np.allclose(channel(table, "dominant seventh in root position"), row(G, value=quarter))
        falls = channel(table, "bass falls a fifth from the leading note's chord")
        assert np.allclose(falls, row(F, C, value=quarter))  # I is the dominant of IV
        assert np.allclose(channel(table, "bass moved up 5"), row(F, C, value=half))
        assert np.allclose(channel(table, "bass moved up 2"), row(G))
        assert np.allclose(channel(table, "leading note resolved"), row(F, C, value=half))  # E to F, B to C

    def test_windows_are_correlations_with_the_published_profile(self):
        rng = np.random.default_rng(0)
        table = NoteTable.from_notes(rng.integers(48, 80, size=2 * (WINDOW + 3 * HOP)).astype(float))
        sounds = sounding_steps(table).sounds
        pair = PROFILES[WINDOW_PROFILE]
        shares = []
        for first in range(0, len(sounds) - WINDOW + 1, HOP):
            heard = sounds[first : first + WINDOW].sum(axis=0)
            scores = [
                np.corrcoef(heard, np.roll(profile, tonic))[0, 1]
                for profile in (pair.major, pair.minor)
                for tonic in range(12)
            ]
            shares.append(softmax(WINDOW_SHARPNESS * np.array(scores)))
        assert len(shares) == 4
        for name, some in (("", shares), (" in the first window", shares[:1]), (" in the last 4 windows", shares[-4:])):
            mean = np.sqrt(np.mean(some, axis=0))
            assert np.allclose(channel(table, f"windows in major{name}"), mean[:12], atol=1e-6)
            assert np.allclose(channel(table, f"windows in minor{name}"), mean[12:], atol=1e-6)


class TestLaws:
    @given(scores(), st.integers(1, 11))
    @settings(max_examples=30, deadline=None)
    def test_moving_the_music_rolls_the_channels(self, table, k):
        moved = score_channels(table.transpose(k))
        assert np.allclose(moved, np.roll(score_channels(table), k, axis=2), atol=1e-6)

    @given(scores(), st.sampled_from([0.5, 3.0]))
    @settings(max_examples=30, deadline=None)
    def test_tempo_changes_nothing(self, table, factor):
        slow = table.replace(onset=table.onset * factor, duration=table.duration * factor)
        assert np.allclose(score_channels(slow), score_channels(table), atol=1e-6)

    @given(scores())
    @settings(max_examples=20, deadline=None)
    def test_a_piece_alone_is_as_in_company_and_all_is_finite(self, table):
        together = score_channels(table)
        assert np.isfinite(together).all()
        for i in range(len(table)):
            assert np.allclose(score_channels(table[i].detach())[0], together[i], atol=1e-6)

    def test_no_pieces_and_no_notes(self):
        assert score_channels(NoteTable.from_pieces([])).shape == (0, len(SCORE_CHANNEL_NAMES), 12)
        empty = NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))])
        assert not score_channels(empty).any()

    def test_pieces_over_many_blocks_keep_their_order(self):
        rng = np.random.default_rng(1)
        long = [Piece(np.arange(30_000.0), np.ones(30_000), rng.integers(40, 80, 30_000).astype(float)) for _ in "abc"]
        table = NoteTable.from_pieces([long[0], CLOSE.pieces()[0], long[1], long[2]])
        found = score_channels(table)
        assert np.allclose(found[1], score_channels(CLOSE)[0], atol=1e-6)
        assert np.allclose(found[3], score_channels(table[3].detach())[0], atol=1e-6)


@pytest.mark.parametrize("name", ["logistic-score", "kernel-score"])
def test_methods_learn_that_a_piece_may_end_away_from_home(name):
    """Half of the pieces end on the dominant's chord; labels are the key of the opening and of most of the piece."""
    rng = np.random.default_rng(2)
    pieces, keys = [], []
    for i in range(40):
        tonic = int(rng.integers(12))
        home, four, five = ([48, 64, 67, 72], [53, 65, 69, 72], [55, 62, 65, 71])
        order = [home, four, five, home] * 4 + ([five] if i % 2 else [home])
        piece = chords(*[np.array(chord) + tonic for chord in order for _ in range(2)]).pieces()[0]
        pieces.append(piece)
        keys.append(tonic)
    table, truth = NoteTable.from_pieces(pieces), np.array(keys)
    fitted = make(name).fit(table[:30], truth[:30], groups=np.arange(30))
    assert (fitted.predict(table[30:]) == truth[30:]).all()
