"""What estimators look at in bass lines, alone and with their recordings: against plain loops and by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators.bass_features import BASS_CHANNEL_NAMES, BASS_SINGLE_NOTE, bass_channels
from keybench.estimators.both_features import BOTH_CHANNEL_NAMES, BOTH_SINGLE_NOTE, BOTH_WEIGHT, both_channels
from keybench.estimators.channels import CHANNEL_SETS
from keybench.estimators.checks import recording, small_corpus
from keybench.notes import DOWNBEAT, STRONG, NoteTable, Piece


def line(pitches, durations=None, accents=None):
    """Return a piece of notes that follow each other."""
    durations = np.ones(len(pitches)) if durations is None else np.asarray(durations, float)
    accents = np.full(len(pitches), DOWNBEAT) if accents is None else np.asarray(accents)
    return Piece(np.cumsum(durations) - durations, durations, np.asarray(pitches, float), None, accents)


def channel(piece, name):
    return bass_channels(NoteTable.from_pieces([piece]))[0, BASS_CHANNEL_NAMES.index(name)]


def shares(cells):
    """Return square roots of shares from pitch classes and weights."""
    out = np.zeros(12)
    for pc, weight in cells:
        out[pc] += weight
    return np.sqrt(out / out.sum()) if out.sum() else out


lines = st.lists(
    st.lists(
        st.tuples(st.integers(28, 39), st.sampled_from([0.5, 1.0, 2.0]), st.sampled_from([0, STRONG, DOWNBEAT])),
        max_size=24,
    ),
    min_size=1,
    max_size=4,
)


def table_of(pieces):
    return NoteTable.from_pieces([line(*zip(*notes, strict=True)) if notes else line([]) for notes in pieces])


def by_loops(notes):
    """Return some channels of one piece as plain loops give them."""
    pcs = [pitch % 12 for pitch, _, _ in notes]
    bars = [pc for pc, (_, _, accent) in zip(pcs, notes, strict=True) if accent == DOWNBEAT] or pcs
    runs = [pc for i, pc in enumerate(pcs) if i == 0 or pcs[i - 1] != pc]
    out = {
        "heard": shares([(pc, note[1]) for pc, note in zip(pcs, notes, strict=True)]),
        "downbeats": shares([(pc, 1) for pc in bars]),
        "first four different": shares([(pc, 1) for pc in runs[:4]]),
        "last four different": shares([(pc, 1) for pc in runs[-4:]]),
        "last downbeat": shares([(pc, 1) for pc in bars[-1:]]),
        "downbeats closing 4 bars": shares([(pc, 1) for pc in bars[3::4]]),
        "downbeats opening what comes back": shares(returns(bars)),
        "downbeats closing what comes back": shares(returns(bars[::-1])),
    }
    moves = [((pcs[i] - pcs[i - 1]) % 12, pcs[i]) for i in range(1, len(pcs))]
    four = [((bars[i] - bars[i - 4]) % 12, bars[i]) for i in range(4, len(bars))]
    for interval in (0, 5, 7):
        for name, pairs in ((f"step of {interval}", moves), (f"{interval} above the downbeat 4 bars ago", four)):
            counts = np.bincount([pc for i, pc in pairs if i == interval], minlength=12)
            out[name] = np.sqrt(counts / max(len(pairs), 1))
    return out


def returns(bars):
    """Pairs of places where four bars agree and the bars before do not, or are not there, by their first note."""
    n = len(bars)
    return [
        (bars[i], 1)
        for i in range(n)
        for j in range(n)
        if i != j
        and max(i, j) + 4 <= n
        and bars[i : i + 4] == bars[j : j + 4]
        and (min(i, j) == 0 or bars[i - 1] != bars[j - 1])
    ]


@settings(max_examples=80, deadline=None)
@given(lines)
def test_channels_are_those_of_plain_loops(pieces):
    found = bass_channels(table_of(pieces))
    assert found.shape == (len(pieces), len(BASS_CHANNEL_NAMES), 12)
    for i, notes in enumerate(pieces):
        if not notes:
            assert not found[i].any()
            continue
        for name, expected in by_loops(notes).items():
            np.testing.assert_allclose(found[i, BASS_CHANNEL_NAMES.index(name)], expected, atol=1e-6, err_msg=name)


@settings(max_examples=40, deadline=None)
@given(lines, st.integers(-12, 12), st.sampled_from([0.25, 3.0]))
def test_channels_move_with_the_music_and_know_no_tempo(pieces, k, factor):
    table = table_of(pieces)
    found = bass_channels(table)
    np.testing.assert_allclose(bass_channels(table.transpose(k)), np.roll(found, k, axis=2), atol=1e-6)
    slower = table.replace(onset=table.onset * factor, duration=table.duration * factor)
    np.testing.assert_allclose(bass_channels(slower), found, atol=1e-6)


def test_what_comes_back():
    # Verse C A F G twice after an introduction, then another ending: it begins on C, and what agrees closes on G.
    piece = line([38, 36, 33, 29, 31, 36, 33, 29, 31, 30])
    opens, closes = (channel(piece, f"downbeats {what} what comes back") for what in ("opening", "closing"))
    assert opens.argmax() == 0
    assert opens[0] == pytest.approx(1.0)
    assert closes.argmax() == 7
    assert closes[7] == pytest.approx(1.0)


def test_where_no_downbeat_is_told_every_note_is_one():
    told = line([36, 31, 36, 29, 31, 36])
    untold = line([36, 31, 36, 29, 31, 36], accents=[0] * 6)
    for name in ("downbeats", "strong beats", "first downbeat", "downbeats opening 2 bars"):
        np.testing.assert_array_equal(channel(told, name), channel(untold, name))


def test_single_notes_are_marked():
    marked = bass_channels(small_corpus(8)[0])[:, BASS_SINGLE_NOTE]
    assert marked.shape[1] == 4
    np.testing.assert_array_equal(np.sort(marked, axis=2)[:, :, -2:], np.broadcast_to([0.0, 1.0], (8, 4, 2)))


# --- With the recording ----------------------------------------------------------------------------------------------


def both_of(notes, frames):
    return BothTable(NoteTable.from_pieces(notes), ChromaTable.from_frames(frames))


def treble_above(table):
    first = BOTH_CHANNEL_NAMES.index("recording: treble 0 above the note below it")
    return both_channels(table)[:, first : first + 12]


def test_the_treble_is_measured_from_the_note_that_sounds():
    # D for two seconds, silence for one, A for two; the treble plays D and F, then A and C-sharp, all the while.
    notes = Piece(np.array([0.0, 3.0]), np.array([2.0, 2.0]), np.array([38.0, 33.0]))
    time = np.arange(0.0, 5.0, 0.5)
    treble = np.zeros((10, 12))
    treble[:4, [2, 5]] = 4.0
    treble[4:6, 11] = 9.0  # while no note sounds: not counted
    treble[6:, [9, 1]] = 1.0
    above = treble_above(both_of([notes], [(time, treble, treble)]))[0]
    heard = {(int(i), int(place)) for i, place in np.argwhere(above > 0)}
    assert heard == {(0, 2), (3, 2), (0, 9), (4, 9)}  # a minor third above D, a major third above A
    np.testing.assert_allclose((above**2).sum(), 1.0, atol=1e-6)
    np.testing.assert_allclose(above[above > 0] ** 2, 0.25, atol=1e-6)


def test_each_piece_has_a_time_of_its_own():
    rng = np.random.default_rng(0)
    notes = [line(rng.integers(28, 40, n)) for n in (5, 0, 9, 3)]
    frames = []
    for n in (4, 6, 0, 20):
        frames.append((0.4 * np.arange(n), rng.random((n, 12)), rng.random((n, 12))))
    together = both_channels(both_of(notes, frames))
    for i in range(4):
        np.testing.assert_allclose(both_channels(both_of([notes[i]], [frames[i]]))[0], together[i], atol=1e-6)
    assert not together[1, : len(BASS_CHANNEL_NAMES)].any()
    assert not together[2, len(BASS_CHANNEL_NAMES) :].any()


def test_line_and_recording_have_the_same_say():
    bass = np.array([name.startswith("bass line") for name in BOTH_CHANNEL_NAMES])
    assert (BOTH_WEIGHT[bass] ** 2).sum() == pytest.approx((BOTH_WEIGHT[~bass] ** 2).sum())
    assert BOTH_SINGLE_NOTE[bass].tolist() == BASS_SINGLE_NOTE.tolist()
    assert not BOTH_SINGLE_NOTE[~bass].any()


@pytest.mark.parametrize("name", ["bass", "recording", "both"])
def test_sets_name_their_channels_and_move_with_the_music(name):
    known = CHANNEL_SETS[name]
    notes = small_corpus(10)[0]
    music = {"notes": notes, "chroma": recording(notes), "both": BothTable(notes, recording(notes))}[known.takes]
    found = known.compute(music)
    assert found.shape == (10, len(known.names), 12)
    assert len(set(known.names)) == len(known.names)
    assert known.single.shape == (len(known.names),)
    assert np.isfinite(found).all()
    np.testing.assert_allclose(known.compute(music.transpose(5)), np.roll(found, 5, axis=2), atol=1e-5)
