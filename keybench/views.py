"""Views: what of a piece an estimator may see.

A view takes a `NoteTable` and returns one with the same pieces in the same order. Names: ``whole``, ``lowest-line`` and
``top-line`` (of notes that begin together, the lowest or highest), ``opening-N-notes`` (the first N notes).
"""

from __future__ import annotations

import re

import numpy as np

from keybench.errors import ExperimentError
from keybench.notes import NoteTable

ACCEPTED = "whole, lowest-line, top-line, opening-N-notes (such as opening-8-notes)"


def view(name: str, table: NoteTable) -> NoteTable:
    """Return a table as seen through a view.

    Raises
    ------
    ExperimentError
        If there is no view of that name.
    """
    if name == "whole":
        return table.detach()
    if name in ("lowest-line", "top-line"):
        return _line(table, lowest=name == "lowest-line")
    match = re.fullmatch(r"opening-([1-9]\d*)-notes", name)
    if match is None:
        raise ExperimentError(f"unknown view {name!r}; accepted: {ACCEPTED}")
    place = np.arange(len(table.onset)) - np.repeat(table.offsets[:-1], table.n_notes)
    return table.keep(place < int(match[1]))


def _line(table: NoteTable, lowest: bool) -> NoteTable:
    """Keep one note of those that begin together; they stand in order of pitch."""
    piece, onset = table.piece, table.onset
    changes = np.append((piece[1:] != piece[:-1]) | (onset[1:] != onset[:-1]), True)[: len(onset)]
    first_of_chord = np.append(True, changes[:-1])[: len(onset)]
    return table.keep(first_of_chord if lowest else changes)
