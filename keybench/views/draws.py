"""Random draws that belong to a piece, not to its place in a table.

Each piece has a generator of its own whose state is a hash of a label (which names the seed and the view) and of the
piece's notes: onsets from the first onset, durations, and pitches from the first note's. So the draws of a piece are
the same in any selection and order of pieces and after any transposition, and copies of a piece draw alike. Views of
one kind share their draws: the notes that ``dropped-notes-10`` drops are among those of ``dropped-notes-20``.

The generator is SplitMix64 (Steele, Lea & Flood 2014, Fast splittable pseudorandom number generators), whose i-th
number is computed directly, for all notes at once.
"""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt

from keybench.notes import NoteTable
from keybench.views.tables import FloatArray, time_since_start

UIntArray = npt.NDArray[np.uint64]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_RUN = 1 << 32  # draws of a run begin far behind those of the run before


def split_mix(state: UIntArray, index: npt.ArrayLike) -> UIntArray:
    """Return the numbers of SplitMix64 generators.

    Parameters
    ----------
    state : uint64 array
        The seed of each generator.
    index : int array of the same shape, or int
        Which number of each, from 0.

    Returns
    -------
    uint64 array
    """
    return _mix(state + (np.asarray(index, dtype=np.uint64) + np.uint64(1)) * _STEP)


def draw_for_pieces(table: NoteTable, label: str) -> FloatArray:
    """Draw a number for each piece, uniform from 0 to 1 (exclusive), shape (n_pieces,)."""
    return _unit_interval(split_mix(_states(table, label), 0))


def draw_for_notes(table: NoteTable, label: str, runs: int = 1) -> FloatArray:
    """Draw numbers for each note, uniform from 0 to 1 (exclusive), shape (runs, n_notes)."""
    place = np.arange(len(table.onset)) - np.repeat(table.offsets[:-1], table.n_notes)
    state = np.repeat(_states(table, label), table.n_notes)
    return np.stack([_unit_interval(split_mix(state, place + run * _RUN)) for run in range(runs)])


def _states(table: NoteTable, label: str) -> UIntArray:
    """State of each piece's generator, shape (n_pieces,)."""
    above = table.pitch - table.pitch[np.repeat(table.offsets[:-1], table.n_notes)]
    notes = np.zeros(len(above), dtype=np.uint64)
    for column in (time_since_start(table), table.duration, np.round(above * 1000)):  # rounded: exact in every key
        notes = _mix(notes + (column + 0.0).view(np.uint64))  # plus zero: one zero, not a negative one too
    total = np.append(np.zeros(1, dtype=np.uint64), np.cumsum(notes))  # a sum: the order of like notes is nothing
    pieces = total[table.offsets[1:]] - total[table.offsets[:-1]]
    name = np.frombuffer(hashlib.sha256(label.encode()).digest()[:8], dtype="<u8").astype(np.uint64)
    return _mix(_mix(pieces + _STEP) ^ name)


def _mix(x: UIntArray) -> UIntArray:
    """Scramble 64-bit numbers: the output function of SplitMix64."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def _unit_interval(x: UIntArray) -> FloatArray:
    return (x >> np.uint64(11)).astype(float) * 2.0**-53
