"""What estimators look at in recordings: pitch-class channels of a `ChromaTable`, one row per piece."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable

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
