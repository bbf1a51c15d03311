"""One line of notes from a texture: the sounding bass, and the top of what begins together.

Both lines have one note at a time: where the next note of the line begins, the one before is cut. A piece that has one
note at a time already comes out unchanged. Onsets are together if they are equal; notes of equal pitch that begin
together count as one note, the longest of them.
"""

from __future__ import annotations

import numpy as np

from keybench.notes import BASS, NoteTable
from keybench.views.tables import TOLERANCE, FloatArray, IntArray, changes


def lowest_line(table: NoteTable) -> NoteTable:
    """Return the sounding bass of each piece.

    At each onset it is the lowest note that sounds then, held notes included; while that stays the same note, it is one
    note of the line. A note that becomes the lowest because a lower one has ended enters at the next onset, with the
    accent of that onset. Of equal pitches the one that began first is the bass, so that a unison does not cut a held
    note. A note is held at an onset if it ends later by more than `TOLERANCE`.

    Where a piece has notes of a real bass part (`keybench.notes.BASS`), only those are heard.
    """
    if not len(table.onset):
        return table.detach()
    table = _longest_of_unisons(_real_bass(table))
    piece = table.piece
    opens = changes(piece, table.onset)
    moment = np.cumsum(opens) - 1  # of each note: the distinct onset, counted through all pieces
    time = table.onset[opens]
    final = (np.cumsum(np.bincount(piece[opens], minlength=len(table))) - 1)[piece]
    until = _last_moment_heard(moment, table.onset + table.duration - TOLERANCE, time, final)
    order = np.unique(table.pitch, return_inverse=True)[1] * len(piece) + np.arange(len(piece))
    bass = _smallest_over(order, moment, until, len(time)) % len(piece)  # of each moment: its lowest note

    enters = changes(bass)
    note, begin = bass[enters], time[enters]
    left = table.duration[note] - (begin - table.onset[note])
    strongest = np.maximum.reduceat(table.accent, np.flatnonzero(opens))
    begins_here = moment[note] == np.flatnonzero(enters)
    offsets = np.searchsorted(piece[note], np.arange(len(table) + 1))
    return NoteTable(
        onset=begin,
        duration=_cut(begin, left, piece[note]),
        pitch=table.pitch[note],
        part=table.part[note],
        accent=np.where(begins_here, table.accent[note], strongest[enters]),
        offsets=offsets,
        unit=table.unit,
    )


def top_line(table: NoteTable) -> NoteTable:
    """Return the skyline of each piece: at each onset the highest of the notes that begin there.

    A held note above does not hide what begins below it; it is cut there, as in the skyline of Uitdenbogerd & Zobel
    (1998), Manipulation of music for melody matching.
    """
    if not len(table.onset):
        return table.detach()
    table = _longest_of_unisons(table)
    line = table.keep(np.append(changes(table.piece, table.onset)[1:], True))  # sorted by pitch: the last of a chord
    return line.replace(duration=_cut(line.onset, line.duration, line.piece))


def _real_bass(table: NoteTable) -> NoteTable:
    """Keep only the notes of the bass part in the pieces that have one."""
    in_bass = table.part == BASS
    has_bass = np.bincount(table.piece[in_bass], minlength=len(table)) > 0
    return table.keep(in_bass | ~has_bass[table.piece])


def _longest_of_unisons(table: NoteTable) -> NoteTable:
    """Of notes with one onset and pitch keep the longest (the first of equally long ones)."""
    opens = changes(table.piece, table.onset, table.pitch)
    run = np.cumsum(opens) - 1
    longest = np.flatnonzero(table.duration == np.maximum.reduceat(table.duration, np.flatnonzero(opens))[run])
    marked = np.zeros(len(run), dtype=bool)
    marked[longest[changes(run[longest])]] = True
    return table.keep(marked)


def _last_moment_heard(moment: IntArray, end: FloatArray, time: FloatArray, final: IntArray) -> IntArray:
    """Return the last moment at which each note sounds, by bisection in all pieces at once; shape (n_notes,).

    Parameters
    ----------
    moment, final : int arrays, shape (n_notes,)
        Where each note begins, and the last moment of its piece.
    end : float array, shape (n_notes,)
        When each note ends; a moment at that time hears it no more.
    time : float array, shape (n_moments,)
        When each moment is; ascending within a piece.
    """
    until = moment.copy()
    held = np.flatnonzero(time[np.minimum(moment + 1, final)] < end)
    last, limit = moment[held], final[held]
    step = 1 << int((limit - last).max(initial=0)).bit_length()
    while step:
        further = np.minimum(last + step, limit)
        last = np.where(time[further] < end[held], further, last)
        step //= 2
    until[held] = last
    return until


def _smallest_over(value: IntArray, first: IntArray, last: IntArray, n: int) -> IntArray:
    """Return for each of n places the smallest value among the stretches that cover it, shape (n,).

    Each stretch ``first[i]`` to ``last[i]`` is laid out as two overlapping blocks whose width is the largest power of
    two that fits; blocks are then halved, level by level, down to single places.
    """
    level = np.frexp((last - first + 1).astype(float))[1] - 1
    smallest = np.full(n, np.iinfo(np.int64).max)
    for k in range(int(level.max()), -1, -1):
        at = np.flatnonzero(level == k)
        np.minimum.at(smallest, first[at], value[at])
        np.minimum.at(smallest, last[at] + 1 - (1 << k), value[at])
        if k:
            half = 1 << (k - 1)
            smallest[half:] = np.minimum(smallest[half:], smallest[:-half])
    return smallest


def _cut(onset: FloatArray, duration: FloatArray, piece: IntArray) -> FloatArray:
    """Cut the notes of lines where the next note begins; what reaches over it by rounding only stays as it is."""
    gap = np.append(onset[1:] - onset[:-1], np.inf)
    gap[:-1][piece[1:] != piece[:-1]] = np.inf
    return np.where(duration > gap + TOLERANCE, gap, duration)
