"""The jazz solos, against the collection's own documentation and against what it says of its chords and durations.

Documentation: R package jazzodata, ``R/data.R``: 200,809 note events and 132,325 beats of 456 solos, numbered 1 to 456.
Solos are known by number.
"""

import os
import re
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from keybench.corpora.readers import r_data
from keybench.key import MODES
from keybench.notes import BASS, DOWNBEAT, NoteTable

DATA = Path(os.environ.get("KEYBENCH_DATA") or Path(__file__).resolve().parents[2] / ".." / "shared" / "data")
FOLDER = DATA / "jazz-solos" / "data"

pyreadr = pytest.importorskip("pyreadr", reason="pyreadr is absent: pip install 'keybench[corpora]'")

pytestmark = [
    pytest.mark.corpus,
    pytest.mark.skipif(
        not (FOLDER / "wjd_transforms.rda").exists(),
        reason=f"no solos in {FOLDER}: set KEYBENCH_DATA to a folder that has jazz-solos/",
    ),
]


@cache
def file(name):
    return (FOLDER / f"wjd_{name}.rda").read_bytes()


@cache
def solos():
    return r_data.read_solos(file("transforms"))


@cache
def bass():
    return r_data.read_bass(file("annotated_beat_tracks"))


@cache
def frame(name):
    """Return a whole data frame, sorted by solo as the reader sorts it."""
    (table,) = pyreadr.read_r(str(FOLDER / f"wjd_{name}.rda")).values()
    return table.sort_values("melid", kind="stable", ignore_index=True)


def test_every_solo_is_read():
    assert list(solos()) == [str(number) for number in range(1, 457)]
    assert sum(len(reading.notes.pitch) for reading in solos().values()) == 200_809
    assert set(frame("annotated_beat_tracks").groupby("melid").size().index) == set(range(1, 457))
    merged = [r_data.merge(solo, bass().get(number)).notes for number, solo in solos().items()]
    table = NoteTable.from_pieces(merged, "second")
    assert len(table) == 456
    assert len(table.pitch) == 200_809 + sum(len(piece.pitch) for piece in bass().values())


def test_bass_notes():
    # Of 132,325 beats 121,702 have a bass note; 19 solos have none at all (10,623 beats, most of them free of metre).
    assert len(frame("annotated_beat_tracks")) == 132_325
    assert len(bass()) == 437
    assert sum(len(piece.pitch) for piece in bass().values()) == 121_702
    for piece in bass().values():
        assert set(piece.part.tolist()) == {BASS}
        assert piece.pitch.min() >= 28  # the lowest string of a double bass, E
        assert piece.pitch.max() <= 53


def test_keys():
    keys = r_data.read_keys(file("meta"))
    modes = Counter("none" if mode is None else MODES[mode] for _, mode in keys.values())
    assert modes == {"major": 342, "minor": 74, "dorian": 1, "mixolydian": 1, "none": 11}
    assert len(keys) == 456 - 27  # 27 have no key; one, nine and one are a bare note, "chromatic" and "blues"
    assert set(r_data.read_titles(file("meta"))) == set(solos())


def test_durations_agree_with_their_classes():
    """Durations worked out from onsets and ratios fall into the class that the collection states for each note.

    Its classes are relative to half a second, from very short (-2) to very long (2); as powers of two they meet at 1.9
    and 0.6 below and above. All 200,809 notes lie in their class.
    """
    duration = np.concatenate([reading.notes.duration for reading in solos().values()])
    places = np.log2(duration / 0.5)
    stated = frame("transforms")["durclass_abs_raw"].to_numpy()
    assert np.array_equal(np.digitize(places, [-1.9, -0.6, 0.6, 1.9]) - 2, stated)


def test_notes_do_not_overlap():
    for reading in solos().values():
        ends = reading.notes.onset + reading.notes.duration
        assert (reading.notes.onset[1:] >= ends[:-1] - 1e-9).all()


def test_the_bass_plays_the_roots_of_the_chords():
    """Where a chord begins, the bass most often plays its root, and half a bar away it does not.

    The chords were written down from the recordings without the bass notes, so pitches and times both have to be right.
    """
    beats = frame("annotated_beat_tracks")
    letters = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    named = [re.match(r"([A-G])([#b]?)", chord if isinstance(chord, str) else "") for chord in beats["chord"]]
    roots = [letters[m[1]] + {"#": 1, "b": -1, "": 0}[m[2]] if m else np.nan for m in named]
    change = beats.assign(root=roots)[beats["chord_change"]].dropna(subset="root")

    def above(delay):
        """Return how often the bass, `delay` beats after a change of chord, lies 0 to 11 semitones above the root."""
        tally = np.zeros(12)
        for number, rows in change.groupby("melid"):
            piece = bass().get(str(number))
            if piece is None:
                continue
            at = np.searchsorted(piece.onset, rows["onset"].to_numpy())
            kept = (at < len(piece.onset)) & (at + delay < len(piece.onset))
            kept[kept] &= np.isclose(piece.onset[at[kept]], rows["onset"].to_numpy()[kept])
            interval = piece.pitch[at[kept] + delay] - rows["root"].to_numpy()[kept]
            tally += np.bincount(interval.astype(int) % 12, minlength=12)
        return tally / tally.sum()

    now = above(0)
    assert now[0] > 0.4
    assert now[1:].max() < 0.12
    assert above(1)[0] < 0.25
    assert above(2)[0] < 0.2


def test_downbeats_of_solo_and_bass_fall_together():
    """Downbeats of the solo lie close to a beat that the beat track counts as the first of a bar."""
    distances = []
    beats = frame("annotated_beat_tracks")
    first = dict(list(beats[beats["beat"].eq(1) & beats["period"].gt(1)].groupby("melid")["onset"]))
    for number, reading in solos().items():
        mine = reading.notes.onset[reading.notes.accent == DOWNBEAT]
        if len(mine) and int(number) in first:
            theirs = first[int(number)].to_numpy()
            distances.append(np.abs(mine[:, None] - theirs[None, :]).min(axis=1))
    distances = np.concatenate(distances)
    assert len(distances) > 15_000
    assert np.median(distances) < 0.03
    assert np.quantile(distances, 0.95) < 0.1
