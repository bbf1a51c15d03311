"""Chords heard in recordings: the major and minor triads that fit the frames of a `ChromaTable`.

A chord fits a frame as its three notes resemble the treble and its root, with some fifth, resembles the bass (cosines
of square-rooted energies). Two readings follow from the fits: a path that keeps its chord unless a change pays
(Viterbi 1967), and, frame by frame, how probable each chord is from what sounds around. Template matching on chroma:
Fujishima 1999; both bass and treble, and a path: Mauch & Dixon 2010.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

N_CHORDS = 24
"""Major triads on C, C-sharp, ..., then minor ones."""

_TRIADS = ((0, 4, 7), (0, 3, 7))
_FIFTH_IN_BASS = 0.3  # as strong as this part of the root
_FIT = 8.0  # nats per frame that a perfect fit of treble or bass gains on none
_CHANGE = 4.0  # nats that a change of chord costs
_FRAME = 0.37  # seconds per frame for which the two were chosen; they hold per time
_AROUND = 0.4  # seconds to either side
_SURE = 2.5  # how much surer a frame with its surroundings is than one alone
_BATCH_CELLS = 200_000  # pieces times frames of the longest


def _templates() -> tuple[FloatArray, FloatArray]:
    """Treble and bass of each chord, scaled to length 1, each (24, 12)."""
    treble, bass = np.zeros((2, 12)), np.zeros((2, 12))
    for quality, notes in enumerate(_TRIADS):
        treble[quality, list(notes)] = 1.0 / np.sqrt(3.0)
        bass[quality, [0, 7]] = np.array([1.0, _FIFTH_IN_BASS]) / np.hypot(1.0, _FIFTH_IN_BASS)
    return tuple(
        np.concatenate([[np.roll(row, root) for root in range(12)] for row in part]) for part in (treble, bass)
    )  # type: ignore[return-value]


_TREBLE, _BASS = _templates()


def frame_seconds(table: ChromaTable) -> FloatArray:
    """Median distance between the frames of each piece, shape (n,); `_FRAME` for a piece of fewer than two."""
    out = np.full(len(table), _FRAME)
    for i, (a, b) in enumerate(pairwise(table.offsets)):
        if b - a > 1:
            out[i] = max(float(np.median(np.diff(table.time[a:b]))), 1e-3)
    return out


def unit_length(energy: npt.NDArray) -> FloatArray:
    """Square roots of energies, each frame scaled to length 1, shape (n_frames, 12); silent frames stay zero."""
    root = np.sqrt(energy.astype(float))
    length = np.linalg.norm(root, axis=1, keepdims=True)
    scaled: FloatArray = root / np.where(length > 0, length, 1.0)
    return scaled


def chord_fits(table: ChromaTable) -> FloatArray:
    """How well each chord fits each frame, in nats per `_FRAME` seconds, shape (n_frames, 24).

    Between chords that fit alike, the root that the piece's strongest note reaches soonest going up is a hair better: a
    choice by index would not move with the music.
    """
    fits = _FIT * (unit_length(table.treble) @ _TREBLE.T + unit_length(table.bass) @ _BASS.T)
    hair = np.zeros((len(table), 12))
    for i, (a, b) in enumerate(pairwise(table.offsets)):
        strongest = int(np.round((table.bass[a:b] + table.treble[a:b]).sum(axis=0, dtype=float), 6).argmax())
        hair[i] = 1e-7 * ((np.arange(12) - strongest) % 12)
    tied: FloatArray = np.round(fits, 9) - np.tile(hair, 2)[table.piece]
    return tied


def chord_path(table: ChromaTable, fits: FloatArray) -> IntArray:
    """Chord of each frame on the path that fits best when each change costs, shape (n_frames,).

    Parameters
    ----------
    table : ChromaTable
    fits : array, shape (n_frames, 24)
        From `chord_fits`.
    """
    path = np.zeros(len(fits), dtype=np.int64)
    scale = frame_seconds(table) / _FRAME
    order = np.argsort(table.n_rows, kind="stable")  # pieces of like length together
    first = 0
    while first < len(order):
        longest = np.maximum(table.n_rows[order[first:]], 1)
        n = max(1, int(np.searchsorted(longest * np.arange(1, len(longest) + 1), _BATCH_CELLS, side="right")))
        rows = order[first : first + n]
        _paths(table.offsets, rows, fits, scale, path)
        first += n
    return path


def _paths(offsets: IntArray, rows: IntArray, fits: FloatArray, scale: FloatArray, path: IntArray) -> None:
    """Write the paths of some pieces into `path`."""
    start, length = offsets[rows], offsets[rows + 1] - offsets[rows]
    steps = int(length.max(initial=0))
    if steps == 0:
        return
    each = np.arange(len(rows))
    total = np.zeros((len(rows), N_CHORDS))
    stays = np.ones((steps, len(rows), N_CHORDS), dtype=bool)
    best = np.zeros((steps, len(rows)), dtype=np.int64)
    for t in range(steps):
        on = t < length
        now = fits[start[on] + t] * scale[rows[on], None]
        if t == 0:
            total[on] = now
            continue
        best[t] = total.argmax(axis=1)
        changed = total[each, best[t]] - _CHANGE
        stays[t] = total >= changed[:, None]
        total[on] = np.maximum(total, changed[:, None])[on] + now
    state = total.argmax(axis=1)
    for t in range(steps - 1, -1, -1):
        on = t < length
        path[start[on] + t] = state[on]
        state = np.where(on & ~stays[t, each, state], best[t], state)


def chord_probabilities(table: ChromaTable, fits: FloatArray) -> FloatArray:
    """Probability of each chord at each frame from what sounds around it, shape (n_frames, 24).

    Parameters
    ----------
    table : ChromaTable
    fits : array, shape (n_frames, 24)
        From `chord_fits`.
    """
    begins, ends = np.repeat(table.offsets[:-1], table.n_rows), np.repeat(table.offsets[1:], table.n_rows)
    reach = np.repeat(np.maximum(1, np.round(_AROUND / frame_seconds(table))).astype(np.int64), table.n_rows)
    frame = np.arange(len(fits))
    low, high = np.maximum(frame - reach, begins), np.minimum(frame + reach + 1, ends)
    summed = np.concatenate([np.zeros((1, N_CHORDS)), np.cumsum(fits, axis=0)])
    around = (summed[high] - summed[low]) / (high - low)[:, None]
    around = np.exp(_SURE * (around - around.max(axis=1, keepdims=True)))
    found: FloatArray = around / around.sum(axis=1, keepdims=True)
    return found
