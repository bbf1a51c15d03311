"""What estimators look at, computed for all pieces of a table at once.

Each function takes a `NoteTable` and returns one row per piece, so that `NoteTable.feature` can share it. A channel is
an array (n, 12) over pitch classes; moving the music by k rolls every channel by k, which is all that the
transposition-tied models need.

The 48 channels of `tune_channels`, by what they let a model hear:

==================================  ====================================================================================
channel                             at each pitch class
==================================  ====================================================================================
heard                               square root of its share of the sounding time (of the notes, if none has a length)
heard (share)                       that share itself: what is rare counts less, what is common more
present                             1 if it is heard at all: which scale
strong beats, downbeats             root of its share of the time of notes there; "heard" where no metre is known
longest fifth                       the same of the longest notes, a fifth of all
first to fourth quarter             the same of each quarter of the notes in turn: where the piece moves to
last eight, last three              the same of the last notes: the close
first eight                         the same of the first notes
first, second, last                 1 for the pitch class of that note; of notes that end together, the lowest
lowest, highest                     1 for the lowest and the highest pitch
first, last downbeat                1 for the first note on a bar line and the last: the opening without its pickup, and
                                    the close without what leads back to the beginning; first and last where no metre is
downbeats closing 2, 4, 8 bars      root of its share of the notes on the bar lines of every 2nd, 4th, 8th bar: phrase
                                    ends, also of parts in the middle, as where the notated end is not the end (da capo)
downbeats opening eight bars        the same of the bars that open each eight: how parts begin
first, last downbeat closing eight  1 for that note of the first and the last eighth bar: the end of the first part
notes closing 4, 8 bars             root of its share of the last notes of every 4th, 8th bar
every eighth bar, first of eight    root of its share of the time in the bars that close and open each eight
step of i                           root of its share of all moves that arrive on it from i semitones below, on the
                                    circle of pitch classes: leading notes, cadences, turns around a sixth or a seventh
present with note i above           1 if it and the pitch class i semitones above are both heard: which triads, which of
                                    two sixths or sevenths beside the other notes, gapped scales
==================================  ====================================================================================

Bars are counted from the first full one. All but "heard (share)" and the marks of 1 are square roots: they bring rare
notes nearer to common ones, and make distances between shares those of Hellinger (1909).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators.chroma_features import chroma_weights
from keybench.notes import DOWNBEAT, STRONG, NoteTable

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]


def pitch_classes(table: NoteTable) -> npt.NDArray[np.int64]:
    """Pitch class of every note, shape (n_notes,); a quarter tone belongs to the note above."""
    return np.floor(table.pitch + 0.5).astype(np.int64) % 12


def duration_weights(table: NoteTable | ChromaTable) -> FloatArray:
    """Total duration of each pitch class, shape (n, 12); note counts for a piece whose durations are all zero.

    For recordings, the total energy of each pitch class.
    """
    if isinstance(table, ChromaTable):
        return chroma_weights(table)
    return _duration_weights(table, pitch_classes(table))


def _duration_weights(table: NoteTable, pc: npt.NDArray[np.int64]) -> FloatArray:
    n = len(table)
    cell = pc if n == 1 else 12 * table.piece + pc
    weights = np.bincount(cell, table.duration, 12 * n).reshape(n, 12)
    silent = weights.sum(axis=1) <= 0
    if silent.any():
        weights[silent] = np.bincount(cell, minlength=12 * n).reshape(n, 12)[silent]
    return weights.astype(float)


def note_counts(table: NoteTable) -> FloatArray:
    """Count the notes of each pitch class, shape (n, 12)."""
    n = len(table)
    return np.bincount(12 * table.piece + pitch_classes(table), minlength=12 * n).reshape(n, 12).astype(float)


def edge_index(table: NoteTable, last: bool) -> npt.NDArray[np.int64]:
    """Index of the first or last note of each piece that has notes, shape (n_filled,).

    Where several notes begin together at the edge, the lowest counts as first and as last (the bass of a chord).
    """
    filled = table.n_notes > 0
    start, end = table.offsets[:-1][filled], table.offsets[1:][filled]
    if not last:
        return start
    opens = np.append(True, np.diff(table.onset) != 0)  # first of the notes that begin together; sorted by pitch
    opens[start] = True
    lowest: npt.NDArray[np.int64] = np.maximum.accumulate(np.where(opens, np.arange(len(opens)), 0))[end - 1]
    return lowest


def edge_note(table: NoteTable, last: bool) -> npt.NDArray[np.int64]:
    """Pitch class of the first or last note of each piece (see `edge_index`), shape (n,); -1 where there is none."""
    out = np.full(len(table), -1, dtype=np.int64)
    if len(table.onset):
        out[table.n_notes > 0] = pitch_classes(table)[edge_index(table, last)]
    return out


def extent(table: NoteTable | ChromaTable | BothTable) -> tuple[FloatArray, FloatArray]:
    """When each piece begins and when its last note (or frame) ends, each shape (n,); both 0 for an empty piece."""
    if isinstance(table, BothTable):
        return extent(table.notes)
    start, end = np.zeros(len(table)), np.zeros(len(table))
    filled = table.n_rows > 0
    if not filled.any():
        return start, end
    first, last = table.offsets[:-1][filled], table.offsets[1:][filled] - 1
    if isinstance(table, ChromaTable):
        start[filled], end[filled] = table.time[first], table.time[last]
        # The last frame lasts as long as the others do on average; an only one, a second.
        end[filled] += np.where(last > first, (end - start)[filled] / np.maximum(last - first, 1), 1.0)
    else:
        start[filled] = np.minimum.reduceat(table.onset, first)
        end[filled] = np.maximum.reduceat(table.onset + table.duration, first)
    return start, end


def median_by_piece(values: FloatArray, piece: npt.NDArray[np.int64], n: int) -> FloatArray:
    """Median of each piece's values, shape (n,); NaN for a piece without any."""
    ordered = values[np.lexsort((values, piece))]
    counts = np.bincount(piece, minlength=n)
    start = np.cumsum(counts) - counts
    some = counts > 0
    out = np.full(n, np.nan)
    out[some] = (
        ordered[(start + (counts - 1) // 2)[some]] + ordered[(start + counts // 2)[some]]
    ) / 2  # the two middle values, which are one if their number is odd
    return out


def beats(table: NoteTable) -> FloatArray:
    """Twice the median distance between onsets of each piece, about a beat at any tempo, shape (n,).

    NaN for a piece whose notes all begin together.
    """
    piece, gap = table.piece, np.diff(table.onset)
    inside = (piece[1:] == piece[:-1]) & (gap > 0)
    return 2.0 * median_by_piece(gap[inside], piece[1:][inside], len(table))


def bar_numbers(table: NoteTable) -> npt.NDArray[np.int64]:
    """Bar of every note, counted from the first full bar (a pickup is bar -1), shape (n_notes,).

    Taken from the onsets of the notes that open bars: their median distance is the bar, their commonest phase the bar
    line. Pieces without at least four such notes get -2 throughout.
    """
    n, piece = len(table), table.piece
    opening = np.flatnonzero(table.accent == DOWNBEAT)
    new = np.append(True, (np.diff(table.onset[opening]) > 0) | (np.diff(piece[opening]) > 0))[: len(opening)]
    at, of = table.onset[opening][new], piece[opening][new]  # distinct, in order
    same_piece = of[1:] == of[:-1]
    bar = median_by_piece(np.diff(at)[same_piece], of[1:][same_piece], n)
    known = np.bincount(of, minlength=n) >= 4
    bar = np.where(known, bar, 1.0)
    phase = np.round(np.mod(at / bar[of], 1.0) * 48).astype(np.int64) % 48
    commonest = np.bincount(48 * of + phase, minlength=48 * n).reshape(n, 48).argmax(axis=1)
    on_line = np.flatnonzero(phase == commonest[of])
    rows, first = np.unique(of[on_line], return_index=True)
    origin = np.zeros(n)
    origin[rows] = at[on_line[first]] / bar[rows]
    number = np.floor(table.onset / bar[piece] - origin[piece] + 1e-3)
    return np.where(known[piece], np.maximum(number, -1), -2).astype(np.int64)


def _normalised(weights: FloatArray) -> FloatArray:
    total = weights.sum(axis=-1, keepdims=True)
    return weights / np.where(total > 0, total, 1.0)


CHANNEL_NAMES: tuple[str, ...] = (
    "heard", "heard (share)", "present", "strong beats", "downbeats", "longest fifth",
    "first quarter", "second quarter", "third quarter", "fourth quarter",
    "last eight", "last three", "first eight",
    "first", "second", "last", "lowest", "highest", "first downbeat", "last downbeat",
    "downbeats closing two bars", "downbeats closing four bars", "downbeats closing eight bars",
    "downbeats opening eight bars", "first downbeat closing eight bars", "last downbeat closing eight bars",
    "notes closing four bars", "notes closing eight bars", "every eighth bar", "every first bar of eight",
    *(f"step of {i}" for i in range(12)),
    *(f"present with note {i} above" for i in range(1, 7)),
)  # fmt: skip
"""Names of the channels of `tune_channels`, in order."""

SINGLE_NOTE: npt.NDArray[np.bool_] = np.isin(
    CHANNEL_NAMES,
    [
        "first", "second", "last", "lowest", "highest", "first downbeat", "last downbeat",
        "first downbeat closing eight bars", "last downbeat closing eight bars",
    ],
)  # fmt: skip
"""Which channels mark one note rather than many."""


def tune_channels(table: NoteTable) -> Float32Array:
    """Describe each piece by pitch-class channels, shape (n, n_channels, 12), float32.

    Histograms are square roots of duration or count shares (the whole piece, its strong beats, its quarters, its ends,
    its phrase ends every two, four and eight bars), single notes are one-hot (first, last, lowest, ...), steps are
    square roots of the shares of note-to-note moves by interval, placed at the note moved to. Channels that need bars
    are zero where the metre is not known.
    """
    n = len(table)
    pc, piece, counts = pitch_classes(table), table.piece, table.n_notes
    place = np.arange(len(pc)) - np.repeat(table.offsets[:-1], counts)  # position of a note in its piece
    length = np.repeat(counts, counts)
    cell = 12 * piece + pc
    duration = table.duration

    def histogram(mask: npt.NDArray[np.bool_] | None = None, by_duration: bool = True) -> FloatArray:
        cells = cell if mask is None else cell[mask]
        weights = (duration if mask is None else duration[mask]) if by_duration else None
        return np.sqrt(_normalised(np.bincount(cells, weights, 12 * n).reshape(n, 12).astype(float)))

    def one_hot(notes: npt.NDArray[np.int64], rows: npt.NDArray[np.int64]) -> FloatArray:
        out = np.zeros((n, 12))
        out[rows, pc[notes]] = 1.0
        return out

    filled = np.flatnonzero(counts > 0)
    start, end = table.offsets[:-1][filled], table.offsets[1:][filled]

    def extreme(order: npt.NDArray[np.int64]) -> FloatArray:
        return one_hot(order[start], filled)  # `order` keeps pieces together, so their first entries stand at `start`

    def edge_of(mask: npt.NDArray[np.bool_], last: bool, fallback: FloatArray | None = None) -> FloatArray:
        notes = np.flatnonzero(mask)
        rows, index = np.unique(piece[notes][::-1] if last else piece[notes], return_index=True)
        out = one_hot((notes[::-1] if last else notes)[index], rows)
        if fallback is not None:
            out = np.where(out.any(axis=1, keepdims=True), out, fallback)
        return out

    heard = duration_weights(table)
    present = (heard > 0).astype(float)
    first, last = one_hot(start, filled), one_hot(edge_index(table, last=True), filled)
    downbeat, strong = table.accent == DOWNBEAT, table.accent >= STRONG
    has_metre = np.bincount(piece[downbeat], minlength=n) > 0
    whole = np.sqrt(_normalised(heard))

    order = np.lexsort((duration, piece))
    limit = np.zeros(n)
    limit[filled] = duration[order[start + (4 * (counts[filled] - 1)) // 5]]

    channels = [
        whole,
        _normalised(heard),
        present,
        np.where(has_metre[:, None], histogram(strong), whole),
        np.where(has_metre[:, None], histogram(downbeat), whole),
        histogram(duration >= np.repeat(limit, counts)),
        *(histogram((4 * place) // length == quarter) for quarter in range(4)),
        histogram(place >= length - 8),
        histogram(place >= length - 3),
        histogram(place < 8),
        first,
        one_hot(np.minimum(start + 1, end - 1), filled),
        last,
        extreme(np.lexsort((table.pitch, piece))),
        extreme(np.lexsort((-table.pitch, piece))),
        edge_of(downbeat, last=False, fallback=first),
        edge_of(downbeat, last=True, fallback=last),
    ]

    bar = bar_numbers(table)
    barred = bar >= 0
    closes_bar = barred & np.append((bar[1:] != bar[:-1]) | (piece[1:] != piece[:-1]), True)[: len(bar)]
    eighth_downbeat = downbeat & barred & (bar % 8 == 7)
    channels += [
        histogram(downbeat & barred & (bar % 2 == 1), by_duration=False),
        histogram(downbeat & barred & (bar % 4 == 3), by_duration=False),
        histogram(eighth_downbeat, by_duration=False),
        histogram(downbeat & barred & (bar % 8 == 0), by_duration=False),
        edge_of(eighth_downbeat, last=False),
        edge_of(eighth_downbeat, last=True),
        histogram(closes_bar & (bar % 4 == 3), by_duration=False),
        histogram(closes_bar & (bar % 8 == 7), by_duration=False),
        histogram(barred & (bar % 8 == 7)),
        histogram(barred & (bar % 8 == 0)),
    ]

    moves = np.flatnonzero(piece[1:] == piece[:-1]) + 1
    interval = (pc[moves] - pc[moves - 1]) % 12
    steps = np.bincount(144 * piece[moves] + 12 * interval + pc[moves], minlength=144 * n).reshape(n, 144)
    channels += list(np.sqrt(_normalised(steps.astype(float))).reshape(n, 12, 12).transpose(1, 0, 2))
    channels += [present * np.roll(present, -i, axis=1) for i in range(1, 7)]
    return np.stack(channels, axis=1).astype(np.float32)
