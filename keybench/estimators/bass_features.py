"""What estimators look at in a bass line: pitch-class channels of a `NoteTable`, one row per piece.

A bass line says where home is by what it returns to. Besides the notes heard, at the ends and by steps, the channels
look at bars: which notes open every second, fourth and eighth bar, what follows two and four bars later, and which
note opens and closes a stretch that comes back. All are shares or single notes, so tempo makes no difference.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.estimators.features import duration_weights, pitch_classes
from keybench.notes import DOWNBEAT, STRONG, NoteTable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Float32Array = npt.NDArray[np.float32]

_GRAM = 4  # bars that must agree for a stretch to count as one that comes back
_BARS = (2, 4, 8)
_LAGS = (2, 4)  # bars

BASS_CHANNEL_NAMES: tuple[str, ...] = (
    "heard", "heard (share)", "present", "downbeats", "strong beats",
    "first quarter", "second quarter", "third quarter", "fourth quarter",
    "first eight", "first four", "first four different", "last eight", "last four", "last four different",
    "first", "last", "first downbeat", "last downbeat",
    *(f"step of {i}" for i in range(12)),
    *(f"{i} above the downbeat {lag} bars ago" for lag in _LAGS for i in range(12)),
    *(f"downbeats {what} {bars} bars" for bars in _BARS for what in ("opening", "closing")),
    "downbeats opening what comes back", "downbeats closing what comes back",
)  # fmt: skip
"""Names of the channels of `bass_channels`, in order."""

BASS_SINGLE_NOTE: npt.NDArray[np.bool_] = np.isin(
    BASS_CHANNEL_NAMES, ["first", "last", "first downbeat", "last downbeat"]
)
"""Which channels mark one note rather than many."""


def bass_channels(table: NoteTable) -> Float32Array:
    """Describe each piece by pitch-class channels, shape (n, n_channels, 12), float32.

    Histograms are square roots of duration or count shares, single notes are one-hot, steps and what follows bars later
    are square roots of the shares of moves by interval, placed at the note moved to. Where a piece tells no downbeats,
    every note counts as one.
    """
    n, pc = len(table), pitch_classes(table)
    line = _Line(pc, table.piece, n)
    struck = line.part(np.append(True, (np.diff(pc) != 0) | (np.diff(line.piece) != 0))[: len(pc)])  # where it changes
    downbeat = table.accent == DOWNBEAT
    known = np.bincount(line.piece[downbeat], minlength=n) > 0
    bars = line.part(downbeat | ~known[line.piece])
    strong = line.part((table.accent >= STRONG) | ~known[line.piece])
    heard = duration_weights(table)
    total = heard.sum(axis=1, keepdims=True)
    channels = [
        root_shares(heard),
        heard / np.where(total > 0, total, 1.0),
        (heard > 0).astype(float),
        bars.histogram(),
        strong.histogram(),
        *(line.histogram((4 * line.place) // line.length == quarter, table.duration) for quarter in range(4)),
        line.histogram(line.place < 8),
        line.histogram(line.place < 4),
        struck.histogram(struck.place < 4),
        line.histogram(line.place >= line.length - 8),
        line.histogram(line.place >= line.length - 4),
        struck.histogram(struck.place >= struck.length - 4),
        line.histogram(line.place == 0),
        line.histogram(line.place == line.length - 1),
        bars.histogram(bars.place == 0),
        bars.histogram(bars.place == bars.length - 1),
        *line.moves(1),
        *(channel for lag in _LAGS for channel in bars.moves(lag)),
        *(bars.histogram(bars.place % every == at) for every in _BARS for at in (0, every - 1)),
        bars.histogram(weight=bars.returns(_GRAM)),
        bars.histogram(weight=bars.reverse().returns(_GRAM)[::-1]),
    ]
    return np.stack(channels, axis=1).astype(np.float32)


def root_shares(weights: FloatArray) -> FloatArray:
    """Return the square roots of shares along the last axis; zeros where nothing was heard."""
    total = weights.sum(axis=-1, keepdims=True)
    shares: FloatArray = np.sqrt(weights / np.where(total > 0, total, 1.0))
    return shares


class _Line:
    """Notes of many pieces in order: pitch class, piece, place in it and its length, each (n_notes,)."""

    def __init__(self, pc: IntArray, piece: IntArray, n: int):
        counts = np.bincount(piece, minlength=n)
        self.pc, self.piece, self.n = pc, piece, n
        self.place = np.arange(len(pc)) - np.repeat(np.cumsum(counts) - counts, counts)
        self.length = np.repeat(counts, counts)

    def part(self, mask: npt.NDArray[np.bool_]) -> _Line:
        """Return the marked notes."""
        return _Line(self.pc[mask], self.piece[mask], self.n)

    def reverse(self) -> _Line:
        """Return the notes from the last piece's last to the first piece's first, with pieces renumbered to match."""
        return _Line(self.pc[::-1], self.n - 1 - self.piece[::-1], self.n)

    def histogram(self, mask: npt.NDArray[np.bool_] | None = None, weight: npt.NDArray | None = None) -> FloatArray:
        """Return square-rooted shares of the marked notes, counted or weighed, shape (n, 12)."""
        cell = 12 * self.piece + self.pc
        if mask is not None:
            cell, weight = cell[mask], None if weight is None else weight[mask]
        return root_shares(np.bincount(cell, weight, 12 * self.n).reshape(self.n, 12).astype(float))

    def moves(self, lag: int) -> FloatArray:
        """Return square-rooted shares of moves from each note to the one `lag` later, (12 intervals, n, 12 places)."""
        to = np.flatnonzero(self.place >= lag)
        interval = (self.pc[to] - self.pc[to - lag]) % 12
        counts = np.bincount(144 * self.piece[to] + 12 * interval + self.pc[to], minlength=144 * self.n)
        return root_shares(counts.reshape(self.n, 144).astype(float)).reshape(self.n, 12, 12).transpose(1, 0, 2)

    def returns(self, size: int) -> FloatArray:
        """Count at each note the other places of its piece where the next `size` notes recur after a different note.

        That is where a stretch that comes back begins: had the notes before agreed too, it would begin earlier.
        """
        alike = self._alike(size)
        longer = np.append(0, self._alike(size + 1))[:-1]  # of the note before: the places where it agrees as well
        found: FloatArray = (alike - np.where(self.place > 0, longer, alike > 0)).astype(float)
        return found

    def _alike(self, size: int) -> IntArray:
        """Count at each note the places of its piece, its own too, with the same next `size` notes; 0 near ends."""
        out = np.zeros(len(self.pc), dtype=np.int64)
        whole = np.flatnonzero(self.length - self.place >= size)
        code = self.piece[whole]
        for i in range(size):
            code = 12 * code + self.pc[whole + i]
        _, inverse, counts = np.unique(code, return_inverse=True, return_counts=True)
        out[whole] = counts[inverse]
        return out
