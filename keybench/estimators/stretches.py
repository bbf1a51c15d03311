"""What methods learn from where a source says which key holds when: each labelled stretch as a piece of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.errors import ExperimentError
from keybench.key import NO_MODE, Key, keys_on, truth_mask
from keybench.notes import NoteTable
from keybench.spans import SpanTable


@dataclass(frozen=True)
class Stretches:
    """Labelled stretches as pieces.

    Parameters
    ----------
    music : NoteTable
        The notes that begin in each stretch.
    truth : bool array, shape (n_stretches, 84)
    piece : int array, shape (n_stretches,)
        Which piece each is from.
    """

    music: NoteTable
    truth: npt.NDArray[np.bool_]
    piece: npt.NDArray[np.int64]


def stretches(music: Any, spans: SpanTable) -> Stretches:
    """Cut pieces into their labelled stretches; those without notes are left out.

    Parameters
    ----------
    music : NoteTable
    spans : SpanTable
        Of the same pieces.

    Raises
    ------
    ExperimentError
        If the music is not notes.
    """
    if not isinstance(music, NoteTable):
        raise ExperimentError("the task 'sections' is about notes; accepted: a view of notes")
    piece = spans.piece
    first, last = np.empty(len(piece), dtype=np.int64), np.empty(len(piece), dtype=np.int64)
    for i in range(len(spans)):
        own = slice(spans.offsets[i], spans.offsets[i + 1])
        onset = music.onset[music.offsets[i] : music.offsets[i + 1]]
        first[own] = music.offsets[i] + np.searchsorted(onset, spans.start[own] - 1e-6, side="left")
        last[own] = music.offsets[i] + np.searchsorted(onset, spans.end[own] - 1e-6, side="left")
    filled = np.flatnonzero(last > first)
    lengths = (last - first)[filled]
    offsets = offsets_of(lengths)
    notes = np.repeat(first[filled] - offsets[:-1], lengths) + np.arange(offsets[-1])
    columns = {name: column[notes] for name, column in music.columns().items()}
    accepted = [
        keys_on(int(tonic)) if mode == NO_MODE else [Key(int(tonic), int(mode))]
        for tonic, mode in zip(spans.tonic[filled], spans.mode[filled], strict=True)
    ]
    return Stretches(NoteTable(**columns, offsets=offsets, unit=music.unit), truth_mask(accepted), piece[filled])
