"""What estimators look at where a bass line and its recording are known: the channels of both, and their meeting."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.estimators.bass_features import BASS_CHANNEL_NAMES, BASS_SINGLE_NOTE, bass_channels, root_shares
from keybench.estimators.chords import frame_seconds, unit_length
from keybench.estimators.chroma_features import RECORDING_CHANNEL_NAMES, recording_channels
from keybench.estimators.features import pitch_classes

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

_ABOVE_NAMES = tuple(f"treble {i} above the note below it" for i in range(12))

BOTH_CHANNEL_NAMES: tuple[str, ...] = (
    *(f"bass line: {name}" for name in BASS_CHANNEL_NAMES),
    *(f"recording: {name}" for name in (*_ABOVE_NAMES, *RECORDING_CHANNEL_NAMES)),
)
"""Names of the channels of `both_channels`, in order."""

BOTH_SINGLE_NOTE: npt.NDArray[np.bool_] = np.append(
    BASS_SINGLE_NOTE, np.zeros(len(_ABOVE_NAMES) + len(RECORDING_CHANNEL_NAMES), dtype=bool)
)
"""Which channels mark one note rather than many."""

BOTH_WEIGHT: FloatArray = np.append(
    np.full(len(BASS_CHANNEL_NAMES), np.sqrt(len(BOTH_CHANNEL_NAMES) / len(BASS_CHANNEL_NAMES) - 1.0)),
    np.ones(len(_ABOVE_NAMES) + len(RECORDING_CHANNEL_NAMES)),
)
"""What makes the bass line count as much as the recording, which has more channels."""


def both_channels(table: BothTable) -> Float32Array:
    """Describe each piece by pitch-class channels, shape (n, n_channels, 12), float32.

    The channels of the bass line, those of the recording, and what sounds in the treble above each note of the line:
    whether the chord on it is major or minor.
    """
    above = root_shares(_treble_above(table).reshape(len(table), 144)).reshape(len(table), 12, 12)
    return np.concatenate(
        [table.notes.feature(bass_channels), above.astype(np.float32), table.chroma.feature(recording_channels)], axis=1
    )


def _treble_above(table: BothTable) -> FloatArray:
    """Sum what sounds in the treble while a note sounds, by interval above it, (n, 12 intervals, 12 places)."""
    notes, chroma = table.notes, table.chroma
    n, pc = len(table), pitch_classes(notes)
    middle = chroma.time.astype(float) + np.repeat(frame_seconds(chroma) / 2, chroma.n_rows)
    end = float(max(np.max(middle, initial=0.0), np.max(notes.onset, initial=0.0))) + 1.0
    start = float(min(np.min(middle, initial=0.0), np.min(notes.onset, initial=0.0)))
    # One search over all pieces: each stands on a stretch of time of its own.
    place = np.searchsorted(
        notes.onset - start + notes.piece * (end - start), middle - start + chroma.piece * (end - start), side="right"
    )
    last = np.maximum(place - 1, 0)
    if not len(pc):
        return np.zeros((n, 12, 12))
    sounds = (place > 0) & (notes.piece[last] == chroma.piece)
    sounds &= middle < (notes.onset + notes.duration)[last]
    treble, cell = unit_length(chroma.treble)[sounds], 12 * chroma.piece[sounds] + pc[last[sounds]]
    sums = [np.bincount(cell, treble[:, p], 12 * n).astype(float) for p in range(12)]
    by_note = np.stack(sums, axis=1).reshape(n, 12, 12)
    below = np.arange(12)
    return by_note[:, below[None, :], (below[None, :] + below[:, None]) % 12]
