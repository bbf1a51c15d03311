"""The beginning of a piece, or all but its end."""

from __future__ import annotations

import numpy as np

from keybench.errors import ExperimentError
from keybench.notes import NoteTable
from keybench.views.tables import TOLERANCE, time_since_start

_NAMES = {"quarter": "opening-N-beats", "second": "opening-N-seconds"}


def opening_notes(table: NoteTable, n: int) -> NoteTable:
    """Keep the first n notes of each piece, uncut; of notes that begin together the lower count first."""
    place = np.arange(len(table.onset)) - np.repeat(table.offsets[:-1], table.n_notes)
    return table.keep(place < n)


def opening_time(table: NoteTable, length: int, unit: str) -> NoteTable:
    """Keep the first stretch of time of each piece.

    It begins with the first onset. Notes that begin before its end are kept, and cut there; a note that begins less
    than `TOLERANCE` before the end counts as beginning at it.

    Parameters
    ----------
    table : NoteTable
    length : int
    unit : {"quarter", "second"}
        Unit of `length`.

    Raises
    ------
    ExperimentError
        If the table is in another unit.
    """
    if table.unit != unit:
        asked = _NAMES[unit].replace("N", str(length))
        accepted = f"{_NAMES[table.unit]}, opening-N-notes" if table.unit in _NAMES else "opening-N-notes"
        raise ExperimentError(
            f"view {asked!r} needs notes timed in {unit}s, and the unit of these is {table.unit}; accepted: {accepted}"
        )
    since = time_since_start(table)
    cut = table.replace(duration=np.minimum(table.duration, np.maximum(length - since, 0.0)))
    return cut.keep(since < length - TOLERANCE)


def without_last_note(table: NoteTable) -> NoteTable:
    """Drop the last note of each piece: all the notes that begin at its last onset.

    These are the notes among which `keybench.estimators.features.edge_index` finds the last one. Notes that began
    earlier stay as they are, even if they sound longer; a piece of one note or chord becomes empty.
    """
    filled = table.n_notes > 0
    last = np.zeros(len(table))
    last[filled] = table.onset[table.offsets[1:][filled] - 1]
    return table.keep(table.onset < last[table.piece])
