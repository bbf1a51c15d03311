"""What estimators look at in recordings: pitch-class channels of a `ChromaTable`, one row per piece.

`chroma_channels` are shares of energy. `recording_channels` also look at the chords that are heard (see
`keybench.estimators.chords`): how long each holds, what sounds above it, which follows which; and, frame by frame, at
what sounds above each bass note.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable
from keybench.estimators.chords import (
    N_CHORDS,
    chord_fits,
    chord_path,
    chord_probabilities,
    frame_seconds,
    unit_length,
)

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

_OPENINGS = (5.0, 15.0)  # seconds
_ENDING = 20.0

CHROMA_CHANNEL_NAMES: tuple[str, ...] = tuple(
    f"{part}, {when}"
    for part in ("bass", "treble")
    for when in ("whole", "strongest note", "first 5 s", "first 15 s", "last 20 s", "first half", "second half")
)
"""Names of the channels of `chroma_channels`, in order."""


_STRETCHES = ("whole", "first 5 s", "first 15 s", "first 30 s", "last 20 s", "last 40 s", "first half", "second half")
_CHORD_STRETCHES = ("whole", "first 8 s", "first 20 s", "first 40 s", "last 20 s", "last 40 s")
_POWERS = (1.5, 3.0)  # of a chord's length: the longest count most
_NEXT_CHORD = 2.2  # seconds: about a bar
_NEXT_SECTION = 8.9  # about four bars
_QUALITIES = ("major", "minor")

RECORDING_CHANNEL_NAMES: tuple[str, ...] = (
    *(f"treble, {scaling}, {when}" for scaling in ("frames alike", "loud notes less") for when in _STRETCHES),
    *(f"treble {i} above a bass note" for i in range(12)),
    *(f"{of} held long ({power:g})" for power in _POWERS for of in ("chords", "major chords", "minor chords")),
    *(f"{new} chord {i} above a {old} one a bar ago" for old in _QUALITIES for new in _QUALITIES for i in range(12)),
    *(f"treble {i} above the root of a chord" for i in range(12)),
    *(f"{quality} chords, {when}" for when in _CHORD_STRETCHES for quality in _QUALITIES),
    *(f"treble {i} above what sounded four bars ago" for i in range(12)),
)
"""Names of the channels of `recording_channels`, in order."""


def chroma_weights(table: ChromaTable) -> FloatArray:
    """Total energy of each pitch class, bass and treble together, shape (n, 12)."""
    return _sums(table, table.bass + table.treble, np.ones(len(table.time), dtype=bool))


def chroma_channels(table: ChromaTable) -> Float32Array:
    """Describe each piece by pitch-class channels, shape (n, n_channels, 12), float32.

    For bass and treble: square-rooted shares of the energy in the whole piece, of how often each pitch class is the
    strongest of a frame, of the opening and closing seconds and of either half.
    """
    start, end = (np.repeat(edge, table.n_rows) for edge in _edges(table))
    since, left = table.time - start, end - table.time
    everywhere = np.ones(len(table.time), dtype=bool)
    first_half = since <= left
    channels = []
    for energy in (table.bass, table.treble):
        strongest = (energy == energy.max(axis=1, keepdims=True)) & (energy > 0)
        channels += [
            _sums(table, energy, everywhere),
            _sums(table, strongest.astype(float), everywhere),
            *(_sums(table, energy, since < seconds) for seconds in _OPENINGS),
            _sums(table, energy, left < _ENDING),
            _sums(table, energy, first_half),
            _sums(table, energy, ~first_half),
        ]
    stacked = np.stack(channels, axis=1)
    total = stacked.sum(axis=2, keepdims=True)
    return np.sqrt(stacked / np.where(total > 0, total, 1.0)).astype(np.float32)


def recording_channels(table: ChromaTable) -> Float32Array:
    """Describe each recording by pitch-class channels, shape (n, n_channels, 12), float32.

    All are square roots of shares. Frames count alike however loud they are; silent ones do not count.
    """
    n = len(table)
    fits = chord_fits(table)
    path, probable = chord_path(table, fits), chord_probabilities(table, fits)
    sounds = np.asarray(table.bass.any(axis=1) | table.treble.any(axis=1))[:, None]
    chords = np.where(sounds, np.eye(N_CHORDS)[path], 0.0)
    probable = np.where(sounds, probable, 0.0)
    treble = unit_length(table.treble)
    share = _shares(table.treble.astype(float))
    strongest = (table.bass == table.bass.max(axis=1, keepdims=True)) & (table.bass > 0)
    step = frame_seconds(table)
    bar, four_bars = (np.maximum(1, np.round(seconds / step)).astype(int) for seconds in (_NEXT_CHORD, _NEXT_SECTION))
    at_once = np.zeros(n, dtype=int)
    roots = chords[:, :12] + chords[:, 12:]

    above_bass = _by_interval(_together(table, strongest.astype(float), share, at_once))
    next_chord = _by_interval(_together(table, probable, probable, bar).reshape(n, 2, 12, 2, 12))
    above_root = _by_interval(_together(table, roots, treble, at_once), at_first=True)
    later = _by_interval(_together(table, treble, treble, four_bars))
    channels = [
        *(
            _root_shares(_sums(table, energy, frames))
            for energy in (share, treble)
            for frames in _when(table, _STRETCHES)
        ),
        *_root_shares_together(above_bass),
        *_held(table, path, sounds[:, 0]),
        *_root_shares_together(next_chord),
        *_root_shares_together(above_root),
        *(
            _root_shares(_sums(table, chords[:, quality : quality + 12], frames))
            for frames in _when(table, _CHORD_STRETCHES)
            for quality in (0, 12)
        ),
        *_root_shares_together(later),
    ]
    return np.stack(channels, axis=1).astype(np.float32)


def _shares(weights: FloatArray) -> FloatArray:
    total = weights.sum(axis=-1, keepdims=True)
    shares: FloatArray = weights / np.where(total > 0, total, 1.0)
    return shares


def _root_shares(weights: FloatArray) -> FloatArray:
    return np.sqrt(_shares(weights))


def _root_shares_together(weights: FloatArray) -> FloatArray:
    """Square-rooted shares of all channels of a piece together, from (n, n_channels, 12) to (n_channels, n, 12)."""
    return _root_shares(weights.reshape(len(weights), 12 * weights.shape[1])).reshape(weights.shape).transpose(1, 0, 2)


def _when(table: ChromaTable, stretches: tuple[str, ...]) -> list[npt.NDArray[np.bool_]]:
    """Mark the frames of each stretch: ``whole``, ``first N s``, ``last N s``, ``first half``, ``second half``."""
    start, end = (np.repeat(edge, table.n_rows) for edge in _edges(table))
    since, left = table.time - start, end - table.time
    out = []
    for name in stretches:
        edge, _, rest = name.partition(" ")
        if rest == "half":
            out.append((since <= left) == (edge == "first"))
        else:
            out.append((since if edge == "first" else left) < (float(rest.split()[0]) if rest else np.inf))
    return out


def _together(table: ChromaTable, one: npt.NDArray, other: npt.NDArray, lag: npt.NDArray[np.int64]) -> FloatArray:
    """Sum over frames ``one[t, a] * other[t + lag, b]``, shape (n, n_a, n_b)."""
    out = np.zeros((len(table), one.shape[1], other.shape[1]))
    for i, (a, b) in enumerate(pairwise(table.offsets)):
        if b - a > lag[i]:
            out[i] = one[a : b - lag[i]].T @ other[a + lag[i] : b]
    return out


def _by_interval(pairs: FloatArray, at_first: bool = False) -> FloatArray:
    """Turn sums over pairs of pitch classes into channels by interval, shape (n, n_channels, 12).

    Parameters
    ----------
    pairs : array, shape (n, 12, 12) or (n, n_one, 12, n_other, 12)
    at_first : bool
        Place a pair at its first note, rather than its second, and count the interval up from there.
    """
    n, place = len(pairs), np.arange(12)
    kinds = pairs.reshape(n, 1, 12, 1, 12) if pairs.ndim == 3 else pairs
    interval = place[:, None]
    if at_first:
        picked = kinds[:, :, place[None, :], :, (place + interval) % 12]
    else:
        picked = kinds[:, :, (place - interval) % 12, :, place[None, :]]
    # Indexing puts (interval, place) in front of (n, kinds of the first, kinds of the second).
    channels: FloatArray = picked.transpose(2, 3, 4, 0, 1).reshape(n, 12 * kinds.shape[1] * kinds.shape[3], 12)
    return channels


def _held(table: ChromaTable, path: npt.NDArray[np.int64], sounds: npt.NDArray[np.bool_]) -> list[FloatArray]:
    """Weigh the chords of the path by powers of how long they hold: all roots, major ones, minor ones, each (n, 12)."""
    n, piece = len(table), table.piece
    kept = np.flatnonzero(sounds)
    path, piece = path[kept], piece[kept]
    opens = np.flatnonzero(np.append(True, (np.diff(path) != 0) | (np.diff(piece) != 0))[: len(path)])
    length = np.diff(np.append(opens, len(path)))
    out = []
    for power in _POWERS:
        weight = length.astype(float) ** power
        by_chord = (
            np.bincount(N_CHORDS * piece[opens] + path[opens], weight, N_CHORDS * n).astype(float).reshape(n, 2, 12)
        )
        out += [_root_shares(by_chord.sum(axis=1)), _root_shares(by_chord[:, 0]), _root_shares(by_chord[:, 1])]
    return out


def _edges(table: ChromaTable) -> tuple[FloatArray, FloatArray]:
    """Time of each piece's first and last frame; 0 for a piece without frames."""
    start, end = np.zeros(len(table)), np.zeros(len(table))
    filled = table.n_rows > 0
    start[filled] = table.time[table.offsets[:-1][filled]]
    end[filled] = table.time[table.offsets[1:][filled] - 1]
    return start, end


def _sums(table: ChromaTable, energy: npt.NDArray, frames: npt.NDArray[np.bool_]) -> FloatArray:
    """Sum the marked frames of each piece, shape (n, 12)."""
    cumulative = np.concatenate(
        [np.zeros((1, 12)), np.cumsum(np.where(frames[:, None], energy, 0.0), axis=0, dtype=float)]
    )
    return np.maximum(cumulative[table.offsets[1:]] - cumulative[table.offsets[:-1]], 0.0)
