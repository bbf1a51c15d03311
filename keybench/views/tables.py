"""What the views share: where notes begin together, how exact times are, and putting notes back in order."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.notes import NoteTable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

TOLERANCE = 1e-3
"""Quarters or seconds by which ends of notes may miss onsets: well above rounding (triplets, 32-bit times), well below
any written length (a triplet of 128th notes is 0.02 quarters)."""


def changes(*columns: npt.NDArray) -> npt.NDArray[np.bool_]:
    """Mark the rows that differ from the row before in some column, and the first row; shape of a column."""
    out = np.zeros(len(columns[0]), dtype=bool)
    out[:1] = True
    for column in columns:
        out[1:] |= column[1:] != column[:-1]
    return out


def time_since_start(table: NoteTable) -> FloatArray:
    """Time from the first onset of its piece to each note's, shape (n_notes,), zero or more."""
    since: FloatArray = table.onset - table.onset[np.repeat(table.offsets[:-1], table.n_notes)]
    return since


def sorted_table(columns: Mapping[str, npt.NDArray], piece: IntArray, like: NoteTable) -> NoteTable:
    """Make a table of notes in any order.

    Parameters
    ----------
    columns : mapping of arrays, shape (n_notes,)
        The columns of a `NoteTable` by name.
    piece : int array, shape (n_notes,)
        The piece of each note.
    like : NoteTable
        Gives the number of pieces and the unit.
    """
    order = np.lexsort((columns["pitch"], columns["onset"], piece))
    offsets = offsets_of(np.bincount(piece, minlength=len(like)))
    return NoteTable(**{name: column[order] for name, column in columns.items()}, offsets=offsets, unit=like.unit)
