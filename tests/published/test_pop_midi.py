"""The MIDI reader on the songs of the POP909-CL collection, against figures from outside and another reader.

The data are looked for in the folder that KEYBENCH_DATA names, else beside the repository.
"""

import os
from collections import Counter, defaultdict
from pathlib import Path

import numpy as np
import pytest

from keybench.corpora.readers import midi
from keybench.key import MODES
from keybench.notes import DOWNBEAT, STRONG

DATA = Path(os.environ.get("KEYBENCH_DATA") or Path(__file__).resolve().parents[2] / ".." / "shared" / "data")
FOLDER = DATA / "pop909-cl" / "POP909_processed"

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(not FOLDER.is_dir(), reason=f"the songs are absent: no folder {FOLDER}"),
]

# Source: the collection's description, "Annotation Conventions": track 1 is the music, track 2 the chord symbols.
CHORDS = (2,)


@pytest.fixture(scope="module")
def files():
    return {path.stem: path.read_bytes() for path in sorted(FOLDER.glob("*.mid"))}


@pytest.fixture(scope="module")
def songs(files):
    return {number: midi.read_notes(data, annotation_tracks=CHORDS) for number, data in files.items()}


@pytest.fixture(scope="module")
def keys(files):
    return {number: midi.read_key_signatures(data) for number, data in files.items()}


def rows(piece):
    table = zip(piece.onset, piece.duration, piece.pitch, strict=True)
    return sorted(tuple(round(float(value), 4) for value in row) for row in table)


def test_all_songs_are_read(songs):
    # Source: the project's notes on its data, 455 of 455.
    assert len(songs) == 455
    for reading in songs.values():
        notes = reading.notes
        assert len(notes.pitch) > 300
        assert notes.onset.min() >= 0
        assert notes.duration.min() > 0
        assert set(notes.part) == {0}  # one piano, and no program of a bass
        assert reading.bars is not None
        assert reading.bars.end >= (notes.onset + notes.duration).max()


def test_chord_symbols_are_a_track_of_their_own(files, songs):
    # Chords of three notes or more that last longer than a beat: a track of answers, not of music.
    with_chords = 0
    for number, data in list(files.items())[::5]:
        every = midi.read_notes(data).notes
        if set(every.part) == {0}:
            assert np.array_equal(every.pitch, songs[number].notes.pitch)
            continue
        with_chords += 1
        assert np.array_equal(every.pitch[every.part == 0], songs[number].notes.pitch)
        chords = every.part == 1
        assert len(every.pitch[chords]) / len(np.unique(every.onset[chords])) > 2.5
        assert every.duration[chords].mean() > 1
    assert with_chords > 85


def test_key_signatures_as_counted(keys):
    # Counted on the data by a script with another library.
    assert Counter(len(events) for events in keys.values()) == {0: 2, 1: 383, 2: 63, 3: 5, 4: 1, 5: 1}
    modes = Counter(MODES[key.mode] for events in keys.values() for _, key in events)
    assert modes == {"major": 308, "minor": 225}


def test_the_first_key_holds_from_the_first_note(songs, keys):
    late = 0
    for number, events in keys.items():
        if events:
            late += events[0][0] > 0
            assert events[0][0] <= songs[number].notes.onset.min() + 1e-9
    assert late == 48


def test_key_signatures_fit_the_notes(songs, keys):
    # No source: most of what sounds belongs to the scale of the first key for as long as it holds.
    shares = []
    for number, events in keys.items():
        if events:
            notes = songs[number].notes
            until = events[1][0] if len(events) > 1 else np.inf
            weights = np.bincount(
                notes.pitch.astype(int) % 12, weights=notes.duration * (notes.onset < until), minlength=12
            )
            shares.append(weights[events[0][1].scale()].sum() / weights.sum())
    assert len(shares) == 453
    assert np.median(shares) > 0.97
    assert np.quantile(shares, 0.05) > 0.9


def test_accents(songs):
    # No source: onsets on the beats are commoner than a uniform spread of eighths would have it.
    accent = np.concatenate([reading.notes.accent for reading in songs.values()])
    assert 0.12 < np.mean(accent == DOWNBEAT) < 0.2
    assert 0.1 < np.mean(accent == STRONG) < 0.2


def test_notes_are_those_of_mido(files, songs):
    mido = pytest.importorskip("mido")
    for number in list(files)[::15]:
        found, now, open_notes = [], 0, defaultdict(list)
        for message in mido.MidiFile(FOLDER / f"{number}.mid").tracks[1]:
            now += message.time
            if message.type == "note_on" and message.velocity > 0:
                open_notes[message.note].append(now)
            elif message.type in ("note_on", "note_off"):
                begin = open_notes[message.note].pop(0)
                found.append((round(begin / 480, 4), round((now - begin) / 480, 4), float(message.note)))
        assert rows(songs[number].notes) == sorted(found)


def test_key_signatures_are_those_of_mido(files, keys):
    mido = pytest.importorskip("mido")
    for number in list(files)[::15]:
        (conductor, *_) = mido.MidiFile(FOLDER / f"{number}.mid").tracks
        now, found = 0, []
        for message in conductor:
            now += message.time
            if message.type == "key_signature":
                found.append((now / 480, message.key))
        assert [onset for onset, _ in found] == [onset for onset, _ in keys[number]]
        for (_, name), (_, key) in zip(found, keys[number], strict=True):
            tonic = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[name[0]]
            tonic = (tonic + name.count("#") - name.count("b")) % 12
            assert (key.tonic, MODES[key.mode]) == (tonic, "minor" if name.endswith("m") else "major")
