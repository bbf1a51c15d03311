"""What sounds from beat to beat: pitch-class channels of every beat of a piece, and their means in windows around it.

A channel gives each beat one number per pitch class; moving the music by k semitones rolls every channel by k. Beats
come from the notes alone, so that tempo and unit make no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.estimators.features import beats, extent
from keybench.notes import NoteTable

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]

MOST_BEATS = 2048
"""A piece of more beats is heard in beats of twice, four times, ... the length: this bounds time and memory."""

FEW_BEATS = 24
"""A piece of fewer beats is heard in half beats: in an exercise of eight chords every chord counts."""

_HAIR = 1e-6  # of a beat: well over rounding, well under any note
_LEAST_NOTE = 0.5  # half beats that a note lasts at least, so that notes without a length are heard
_SOUNDS = 0.24  # of half a beat: a note that sounds shorter is not its lowest one, if another is

CHORDS: dict[str, tuple[int, ...]] = {
    "major triad": (0, 4, 7),
    "minor triad": (0, 3, 7),
    "diminished triad": (0, 3, 6),
    "augmented triad": (0, 4, 8),
    "dominant seventh": (0, 4, 7, 10),
    "minor seventh": (0, 3, 7, 10),
    "half-diminished seventh": (0, 3, 6, 10),
    "major seventh": (0, 4, 7, 11),
}
"""Chords that beats are compared with, in semitones above the root (common practice, no source)."""

PROGRESSIONS: tuple[str, ...] = (
    "dominant to major", "dominant to minor", "dominant seventh to triad", "leading chord to major",
    "leading chord to minor", "subdominant to major", "minor subdominant to minor", "subdominant to dominant",
    "minor subdominant to dominant", "second step to dominant", "diminished second step to dominant",
)  # fmt: skip
"""Pairs of chords in neighbouring beats, placed at the home note that they point to."""

CHANNELS: tuple[str, ...] = (
    "present", "bass", "struck", "held", "top", "leading up", "leading down", "tritone", *CHORDS, *PROGRESSIONS
)  # fmt: skip
"""Names of the channels of a beat, in order."""

Window = tuple[int, int] | str
"""First and last beat of a window, counted from the beat itself; or ``whole``; or ``first n`` or ``last n`` beats.
These may be followed by ``near``: they count for the less, the farther the beat lies from that end of the piece."""


def beat_grid(table: NoteTable) -> tuple[FloatArray, FloatArray, IntArray]:
    """Lay a grid of beats over each piece: twice the median distance between onsets, from the first onset.

    Beats are halved in pieces of few (`FEW_BEATS`) and doubled, as often as needed, in pieces of many (`MOST_BEATS`).
    Chords whose notes begin a hair apart do not make the beat a hair: it is at least the length over four times the
    notes.

    Returns
    -------
    start, beat : float arrays, shape (n_pieces,)
        First onset and length of a beat, in the unit of the notes.
    n_beats : int array, shape (n_pieces,)
        0 for an empty piece.
    """
    start, end = extent(table)
    length = end - start
    beat = beats(table)
    beat = np.maximum(np.where(np.isnan(beat), length, beat), length / np.maximum(4 * table.n_notes, 1))
    beat = np.where(beat > 0, beat, 1.0)
    beat *= 2.0 ** np.ceil(np.log2(np.maximum(length / beat / MOST_BEATS, 1.0)) - _HAIR)
    beat = np.where(length / beat < FEW_BEATS - _HAIR, beat / 2, beat)
    n_beats = np.maximum(np.ceil(length / beat - _HAIR), 1.0).astype(np.int64)
    return start, beat, np.where(table.n_notes > 0, n_beats, 0)


def sounding(onset: FloatArray, end: FloatArray, row: IntArray, n_cells: int, n_rows: int) -> FloatArray:
    """Share of each cell of time in which each row sounds, clipped to 1, shape (n_cells, n_rows).

    Takes time in proportion to the notes and the cells, however long the notes are.

    Parameters
    ----------
    onset, end : arrays, shape (n_notes,)
        In cells, from 0 to `n_cells`.
    row : int array, shape (n_notes,)
    """
    size = (n_cells + 1) * n_rows
    opens = np.minimum(np.floor(onset).astype(np.int64), n_cells - 1)
    closes = np.minimum(np.floor(end).astype(np.int64), n_cells)
    lasts = closes > opens  # into another cell
    first, last = opens * n_rows + row, closes * n_rows + row
    # Cells that a note fills run from the one after its first to the one before its last.
    steps = np.bincount((first + n_rows)[lasts], minlength=size) - np.bincount(last[lasts], minlength=size)
    parts = np.bincount(first, np.where(lasts, 1.0 - (onset - opens), end - onset), size)
    parts += np.bincount(last[lasts], (end - closes)[lasts], size)
    filled = np.cumsum(steps.reshape(n_cells + 1, n_rows), axis=0) + parts.reshape(n_cells + 1, n_rows)
    share: FloatArray = np.clip(filled[:n_cells], 0.0, 1.0)
    return share


def _above(channel: FloatArray, interval: int) -> FloatArray:
    """Place at each pitch class what the channel says of the one `interval` semitones above."""
    return np.roll(channel, -interval, axis=-1)


def _pairs(halves: FloatArray) -> FloatArray:
    return 0.5 * (halves[0::2] + halves[1::2])


def chord_shares(present: FloatArray) -> dict[str, FloatArray]:
    """How well each chord on each root agrees with what is present, each (n, 12), from 0 to 1.

    The weakest note of the chord, times the squared share of the chord's notes in all that is present.
    """
    total = np.maximum(present.sum(axis=1, keepdims=True), 1e-9)
    out = {}
    for name, intervals in CHORDS.items():
        notes = np.stack([_above(present, i) for i in intervals])
        out[name] = notes.min(axis=0) * (notes.sum(axis=0) / total) ** 2
    return out


def _progressions(chords: dict[str, FloatArray]) -> list[FloatArray]:
    """Return the channels of `PROGRESSIONS`, in order."""
    major, minor, seventh = chords["major triad"], chords["minor triad"], chords["dominant seventh"]
    half = chords["half-diminished seventh"]
    dominant = np.maximum(major, seventh)
    leading = np.maximum(chords["diminished triad"], half)

    def before(channel: FloatArray, interval: int) -> FloatArray:
        """Place at the home note what sounded, a beat ago, on the note `interval` above it."""
        return np.vstack([np.zeros((1, 12)), _above(channel, interval)[:-1]])

    fifth = _above(dominant, 7)
    return [
        before(dominant, 7) * major,
        before(dominant, 7) * minor,
        before(seventh, 7) * np.maximum(major, minor),
        before(leading, 11) * major,
        before(leading, 11) * minor,
        before(major, 5) * major,
        before(minor, 5) * minor,
        before(major, 5) * fifth,
        before(np.maximum(minor, half), 5) * fifth,
        before(np.maximum(minor, chords["minor seventh"]), 2) * fifth,
        before(leading, 2) * fifth,
    ]


def piece_channels(
    onset: FloatArray, duration: FloatArray, pitch: FloatArray, start: float, beat: float, n_beats: int
) -> Float32Array:
    """Describe every beat of a piece, shape (n_beats, n_channels, 12); see `CHANNELS`.

    What is ``present`` for half of a beat counts in full; ``held`` is the plain share of the beat; ``leading up`` is a
    note that gives way to its upper neighbour, placed there; ``tritone`` is a note with the one six above.

    Parameters
    ----------
    onset, duration, pitch : arrays, shape (n_notes,)
    start, beat, n_beats
        As of `beat_grid`.
    """
    if n_beats == 0:
        return np.zeros((0, len(CHANNELS), 12), np.float32)
    n, half = 2 * n_beats, beat / 2
    note = np.floor(pitch + 0.5).astype(np.int64)
    lowest = int(note.min())
    # Notes ten octaves and more above the lowest are folded down, which bounds the memory.
    row = np.where(note - lowest < 132, note - lowest, 120 + (note - lowest) % 12)
    opens = np.round(np.clip((onset - start) / half, 0.0, n), 6)
    closes = np.round(np.minimum(opens + np.maximum(duration / half, _LEAST_NOTE), n), 6)
    roll = sounding(opens.astype(float), closes.astype(float), row, n, int(row.max()) + 1)
    pitch_class = (np.arange(roll.shape[1]) + lowest) % 12
    present = np.minimum(roll @ np.eye(12)[pitch_class], 1.0)

    clear = roll > _SOUNDS
    heard = np.where(clear.any(axis=1, keepdims=True), clear, roll > 0)
    silent = ~heard.any(axis=1)
    bass = np.eye(12)[pitch_class[heard.argmax(axis=1)]]
    top = np.eye(12)[pitch_class[::-1][heard[:, ::-1].argmax(axis=1)]]
    bass[silent], top[silent] = 0.0, 0.0

    struck = np.zeros((n, 12))
    struck[np.minimum(opens.astype(np.int64), n - 1), note % 12] = 1.0

    before = np.vstack([np.zeros((1, 12)), present[:-1]])
    gone, new = before * (1.0 - present), present * (1.0 - before)
    held = _pairs(present)
    full = np.minimum(2.0 * held, 1.0)
    chords = chord_shares(full)
    channels = [
        full,
        _pairs(bass),
        np.minimum(2.0 * _pairs(struck), 1.0),
        held,
        _pairs(top),
        _pairs(np.roll(gone, 1, axis=1) * new),
        _pairs(np.roll(gone, -1, axis=1) * new),
        full * _above(full, 6),
        *chords.values(),
        *_progressions(chords),
    ]
    return np.stack(channels, axis=1).astype(np.float32)


@dataclass(frozen=True)
class Design:
    """Which channels a model looks at, and in which windows.

    Parameters
    ----------
    parts : sequence of (names, windows)
        Channels by name, each with every window.
    """

    parts: Sequence[tuple[Sequence[str], Sequence[Window]]]

    @property
    def names(self) -> list[str]:
        """What each channel is called, as in ``bass, beats -2 to -1``."""
        return [f"{name}, {_in_words(w)}" for names, windows in self.parts for name in names for w in windows]

    def compute(self, channels: Float32Array, rows: IntArray) -> Float32Array:
        """Mean of the channels in the windows, less their mean over pitch classes, which says nothing about home.

        Parameters
        ----------
        channels : array, shape (n_beats, n_channels, 12)
            Of one piece, as of `piece_channels`.
        rows : int array, shape (n_rows,)
            The beats to describe.

        Returns
        -------
        array, shape (n_rows, n_windows, 12)
        """
        n = len(channels)
        out = [np.zeros((len(rows), 0, 12), np.float32)]
        for names, windows in self.parts:
            index = [CHANNELS.index(name) for name in names]
            total = np.zeros((n + 1, len(index), 12))
            np.cumsum(channels[:, index], axis=0, dtype=float, out=total[1:])
            means = []
            for window in windows:
                first, last = window_bounds(window, rows, n)
                width = np.maximum(last - first, 1)[:, None, None]
                means.append((total[last] - total[first]) / width * nearness(window, rows, n)[:, None, None])
            # Channel by channel, each with its windows, as in `names`.
            out.append(np.stack(means, axis=2).reshape(len(rows), -1, 12).astype(np.float32))
        joined = np.concatenate(out, axis=1)
        centred: Float32Array = joined - joined.mean(axis=2, keepdims=True)
        return centred


def window_bounds(window: Window, rows: IntArray, n_beats: int) -> tuple[IntArray, IntArray]:
    """First beat of a window and the one after its last, cut to the piece, for each of the given beats."""
    if isinstance(window, str):
        kind, *rest = window.split()
        count = min(int(rest[0]), n_beats) if rest else n_beats
        first = n_beats - count if kind == "last" else 0
        return np.full(len(rows), first), np.full(len(rows), first + count)
    low, high = window
    return np.clip(rows + low, 0, n_beats), np.clip(rows + high + 1, 0, n_beats)


def nearness(window: Window, rows: IntArray, n_beats: int) -> FloatArray:
    """Return what a window counts for at each beat: 1, or for ``near`` from 1 at that end to 0 at the other."""
    if not (isinstance(window, str) and window.endswith("near")):
        return np.ones(len(rows))
    place = (rows + 0.5) / max(n_beats, 1)
    return place if window.startswith("last") else 1.0 - place


def _in_words(window: Window) -> str:
    if isinstance(window, str):
        kind, *rest = window.split()
        return " ".join([kind, rest[0], "beats", *rest[1:]]) if rest else "whole piece"
    if window == (0, 0):
        return "this beat"
    low, high = window
    return f"beat {low:+d}" if low == high else f"beats {low:+d} to {high:+d}"


@dataclass(frozen=True)
class BeatTable:
    """The beats of many pieces.

    Parameters
    ----------
    channels : list of arrays, each (n_beats, n_channels, 12)
        One per piece.
    start, beat : float arrays, shape (n_pieces,)
    """

    channels: list[Float32Array]
    start: FloatArray
    beat: FloatArray

    @property
    def n_beats(self) -> IntArray:
        """Number of beats of each piece, shape (n_pieces,)."""
        return np.array([len(channels) for channels in self.channels], dtype=np.int64)

    @property
    def offsets(self) -> IntArray:
        """Beats of piece i are ``offsets[i]:offsets[i + 1]`` of all."""
        return offsets_of(self.n_beats)


def beat_table(table: NoteTable) -> BeatTable:
    """Describe every beat of every piece."""
    start, beat, n_beats = beat_grid(table)
    channels = []
    for i in range(len(table)):
        own = slice(table.offsets[i], table.offsets[i + 1])
        notes = table.onset[own], table.duration[own], table.pitch[own]
        channels.append(piece_channels(*notes, float(start[i]), float(beat[i]), int(n_beats[i])))
    return BeatTable(channels, start, beat)
