"""Disturbances: the music moved, begun late, ornamented or played wrongly, by random draws of each piece.

`label` names the draws (see `keybench.views.draws`). A share of P percent means that each note, or each place that can
be disturbed, is with that chance, independently of the others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.notes import WEAK, NoteTable
from keybench.views.draws import draw_for_notes, draw_for_pieces
from keybench.views.tables import TOLERANCE, IntArray, sorted_table, time_since_start

SMALLEST_SHIFT, LARGEST_SHIFT = -5, 6
LOWEST_KEY, HIGHEST_KEY = 21, 108
"""Ends of the piano keyboard."""

_WRONG_BY = np.array([-2, -1, 1, 2])


def random_shift(table: NoteTable, label: str) -> IntArray:
    """Draw by how many semitones to move each piece, -5 to +6 with equal chance, shape (n_pieces,)."""
    choices = LARGEST_SHIFT - SMALLEST_SHIFT + 1
    return SMALLEST_SHIFT + np.floor(choices * draw_for_pieces(table, label)).astype(np.int64)


def late_start(table: NoteTable, label: str) -> NoteTable:
    """Begin each piece at a random point from 25 to 75 percent of the way from its first to its last onset.

    Notes that began before are left out, also those that still sound. Times stay as they are, so that spans of time
    still fit, and accents too. The last onset is never left out.
    """
    point = 0.25 + 0.5 * draw_for_pieces(table, label)
    since = time_since_start(table)
    length = np.zeros(len(table))
    filled = table.n_notes > 0
    length[filled] = since[table.offsets[1:][filled] - 1]
    return table.keep(since >= (point * length)[table.piece])


def passing_notes(table: NoteTable, percent: int, label: str) -> NoteTable:
    """Fill whole-tone steps with the semitone between: a chromatic passing note, unaccented.

    It takes the second half of the first note's length. It fits between a note and the next of the same part if they
    are two semitones apart, no other notes of the part begin with either, the first ends before the second begins, and
    the rest between them, if any, is no longer than the first. `percent` of these places are filled.
    """
    piece = table.piece
    order = np.lexsort((table.pitch, table.onset, table.part, piece))
    a, b = order[:-1], order[1:]
    same_part = (piece[a] == piece[b]) & (table.part[a] == table.part[b])
    together = same_part & (table.onset[a] == table.onset[b])
    alone = ~(np.append(together, False)[: len(order)] | np.append(False, together)[: len(order)])
    step = table.pitch[b] - table.pitch[a]
    length = table.duration[a]
    rest = table.onset[b] - table.onset[a] - length
    fits = same_part & alone[:-1] & alone[1:] & (np.abs(np.abs(step) - 2.0) < 1e-6)
    fits &= (rest >= -TOLERANCE) & (rest <= length)
    filled = fits & (draw_for_notes(table, label)[0, a] < percent / 100)

    first, half = a[filled], length[filled] / 2
    duration = table.duration.copy()
    duration[first] = half
    columns = {
        "onset": np.append(table.onset, table.onset[first] + half),
        "duration": np.append(duration, half),
        "pitch": np.append(table.pitch, table.pitch[first] + np.sign(step[filled])),
        "part": np.append(table.part, table.part[first]),
        "accent": np.append(table.accent, np.full(len(first), WEAK)),
    }
    return sorted_table(columns, np.append(piece, piece[first]), table)


def dropped_notes(table: NoteTable, percent: int, label: str) -> NoteTable:
    """Leave out `percent` of the notes, but below 100 never all notes of a piece: then one, drawn too, stays."""
    draw = draw_for_notes(table, label)[0]
    kept = draw >= percent / 100
    filled = np.flatnonzero(table.n_notes)
    if percent < 100 and len(filled):
        largest = np.zeros(len(table))
        largest[filled] = np.maximum.reduceat(draw, table.offsets[filled])
        kept |= draw == largest[table.piece]  # it is dropped only where all notes are
    return table.keep(kept)


def wrong_notes(table: NoteTable, percent: int, label: str) -> NoteTable:
    """Move `percent` of the notes by -2, -1, 1 or 2 semitones with equal chance: a neighbouring key was struck."""
    hit, which = draw_for_notes(table, label, runs=2)
    moved = table.pitch + _WRONG_BY[np.floor(4 * which).astype(np.int64)]
    return _with_pitch(table, np.where(hit < percent / 100, moved, table.pitch))


def octave_jumps(table: NoteTable, percent: int, label: str) -> NoteTable:
    """Move `percent` of the notes an octave up or down with equal chance.

    A note that would leave the piano keyboard (MIDI 21 to 108) goes the other way. Only there does the outcome depend
    on the key that the music is in, and its pitch classes never do.
    """
    hit, which = draw_for_notes(table, label, runs=2)
    up = ((which < 0.5) | (table.pitch - 12 < LOWEST_KEY)) & (table.pitch + 12 <= HIGHEST_KEY)
    return _with_pitch(table, np.where(hit < percent / 100, table.pitch + np.where(up, 12, -12), table.pitch))


def _with_pitch(table: NoteTable, pitch: npt.NDArray) -> NoteTable:
    return sorted_table(table.columns() | {"pitch": pitch}, table.piece, table)
