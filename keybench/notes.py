"""Notes of many pieces in columns, and the sections of a piece.

A `NoteTable` keeps all pieces of a corpus in flat arrays with one array of offsets, so that whatever can be computed
for all pieces at once is. It behaves like a sequence of pieces: ``len``, indexing with a slice, an index array or a
mask. A selection remembers the table it came from, so that features computed once are sliced rather than recomputed
(see `NoteTable.feature`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.errors import NotesError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

WEAK, STRONG, DOWNBEAT = 0, 1, 2
"""Values of the `accent` column: an ordinary note, a note on another strong beat, the first note of a bar."""

BASS = -1
"""Value of the `part` column for the notes of a real bass part, where the score has one."""

UNITS = ("quarter", "second")

_FEATURE_LOCK = threading.RLock()


@dataclass(frozen=True)
class Piece:
    """The notes of one piece, before they are packed into a `NoteTable`.

    Parameters
    ----------
    onset, duration : float arrays, shape (n_notes,)
        In quarter notes or seconds.
    pitch : float array, shape (n_notes,)
        MIDI note numbers; fractions are allowed.
    part : int array, shape (n_notes,), optional
        Which voice a note belongs to, `BASS` for a real bass part; all 0 by default.
    accent : int array, shape (n_notes,), optional
        Metrical strength, `WEAK`, `STRONG` or `DOWNBEAT`; all `WEAK` where the metre is not known.
    """

    onset: FloatArray
    duration: FloatArray
    pitch: FloatArray
    part: IntArray | None = None
    accent: IntArray | None = None


@dataclass(frozen=True)
class KeySpan:
    """A stretch of a piece in one key.

    Parameters
    ----------
    start, end : float
        In the unit of the piece's notes.
    key : int
        Key index, 0 to 83.
    """

    start: float
    end: float
    key: int


@dataclass(frozen=True, eq=False)
class NoteTable:
    """Notes of many pieces in columns.

    Parameters
    ----------
    onset, duration, pitch : float arrays, shape (n_notes,)
        Sorted by onset, then pitch, within each piece.
    part, accent : int arrays, shape (n_notes,)
        See `Piece`.
    offsets : int array, shape (n_pieces + 1,)
        Notes of piece i are ``offsets[i]:offsets[i + 1]``.
    unit : {"quarter", "second"}
        Unit of onset and duration.
    """

    onset: FloatArray
    duration: FloatArray
    pitch: FloatArray
    part: IntArray
    accent: IntArray
    offsets: IntArray
    unit: str = "quarter"
    _root: NoteTable | None = field(default=None, repr=False)
    _rows: IntArray | None = field(default=None, repr=False)
    _features: dict[Any, npt.NDArray] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for name in ("onset", "duration", "pitch", "part", "accent", "offsets"):
            column = getattr(self, name).view()
            column.setflags(write=False)  # tables share memory: a change by one method would reach all others
            object.__setattr__(self, name, column)

    @classmethod
    def from_pieces(cls, pieces: Iterable[Piece], unit: str = "quarter") -> NoteTable:
        """Pack pieces into one table, sorting the notes of each.

        Raises
        ------
        NotesError
            If the columns of a piece differ in length, or a value is not finite, or a duration is negative.
        """
        if unit not in UNITS:
            raise NotesError(f"unknown unit {unit!r}; accepted: {', '.join(UNITS)}")
        columns: list[list[npt.NDArray]] = [[], [], [], [], []]
        lengths = []
        for i, piece in enumerate(pieces):
            arrays = _checked_columns(piece, i)
            order = np.lexsort((arrays[2], arrays[0]))
            for column, array in zip(columns, arrays, strict=True):
                column.append(array[order])
            lengths.append(len(order))
        offsets = np.concatenate([[0], np.cumsum(lengths, dtype=np.int64)]).astype(np.int64)
        joined = [
            np.concatenate(column) if column else np.zeros(0, dtype)
            for column, dtype in zip(columns, (float, float, float, np.int64, np.int64), strict=True)
        ]
        return cls._of(joined, offsets, unit)

    @classmethod
    def from_notes(
        cls,
        pitch: Sequence[float] | npt.NDArray,
        duration: Sequence[float] | npt.NDArray | float = 1.0,
        onset: Sequence[float] | npt.NDArray | None = None,
    ) -> NoteTable:
        """Make a table of one piece from bare lists.

        Parameters
        ----------
        pitch : sequence of float
            MIDI note numbers.
        duration : sequence of float, or float
            In quarter notes; one number stands for all.
        onset : sequence of float, optional
            In quarter notes; without it the notes follow each other.

        Raises
        ------
        NotesError
            See `from_pieces`.
        """
        pitches = np.atleast_1d(np.asarray(pitch, dtype=float))
        durations = np.broadcast_to(np.asarray(duration, dtype=float), pitches.shape).copy()
        onsets = np.cumsum(durations) - durations if onset is None else np.asarray(onset, dtype=float)
        return cls.from_pieces([Piece(onsets, durations, pitches)])

    @classmethod
    def concatenate(cls, tables: Sequence[NoteTable]) -> NoteTable:
        """Put the pieces of several tables one after the other.

        Raises
        ------
        NotesError
            If they differ in unit.
        """
        if not tables:
            return cls.from_pieces([])
        units = {table.unit for table in tables}
        if len(units) > 1:
            raise NotesError(f"tables in different units ({', '.join(sorted(units))}) cannot be put together")
        names = ("onset", "duration", "pitch", "part", "accent")
        columns = [np.concatenate([getattr(table, name) for table in tables]) for name in names]
        lengths = np.concatenate([table.n_notes for table in tables])
        offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
        return cls._of(columns, offsets, units.pop())

    @classmethod
    def _of(cls, columns: Sequence[npt.NDArray], offsets: IntArray, unit: str) -> NoteTable:
        """Make a table from its five columns in order."""
        onset, duration, pitch, part, accent = columns
        return cls(onset, duration, pitch, part, accent, offsets, unit)

    @property
    def _columns(self) -> list[npt.NDArray]:
        return [self.onset, self.duration, self.pitch, self.part, self.accent]

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def shape(self) -> tuple[int]:
        """(n_pieces,), so that scikit-learn's splitters accept a table as X."""
        return (len(self),)

    @property
    def n_notes(self) -> IntArray:
        """Number of notes of each piece, shape (n_pieces,)."""
        return np.diff(self.offsets)

    @property
    def piece(self) -> IntArray:
        """Index of the piece that each note belongs to, shape (n_notes,)."""
        return np.repeat(np.arange(len(self)), self.n_notes)

    def __getitem__(self, rows: Any) -> NoteTable:
        if isinstance(rows, tuple):  # scikit-learn indexes arrays with (rows, ...)
            rows = rows[0]
        if isinstance(rows, int | np.integer):
            index = int(rows)
            if not -len(self) <= index < len(self):
                raise IndexError(f"piece {index} of a table of {len(self)}")
            picked = np.array([index % len(self)])
        else:
            picked = np.arange(len(self))[rows]
        lengths = self.n_notes[picked]
        offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
        notes = np.repeat(self.offsets[picked] - offsets[:-1], lengths) + np.arange(offsets[-1])
        root = self if self._root is None else self._root
        origin = picked if self._rows is None else self._rows[picked]
        return NoteTable(
            self.onset[notes],
            self.duration[notes],
            self.pitch[notes],
            self.part[notes],
            self.accent[notes],
            offsets,
            self.unit,
            root,
            origin,
        )

    def detach(self) -> NoteTable:
        """Return the same notes without the link to the table they were selected from (and its computed features)."""
        return self._of(self._columns, self.offsets, self.unit)

    def feature(self, function: Callable[[NoteTable], npt.NDArray]) -> npt.NDArray:
        """Return ``function(table)``, an array with a row per piece, computed once for the whole original table.

        The function must look at each piece by itself: then slicing the rows of the whole table gives what computing
        on the selection would give, and nothing passes from one piece to another.
        """
        if self._root is not None:
            rows: npt.NDArray = self._root.feature(function)[self._rows]
            return rows
        with _FEATURE_LOCK:  # threads that need the same feature wait for the first
            if function not in self._features:
                self._features[function] = function(self)
                self._features[function].setflags(write=False)  # shared: a change would reach everyone
            return self._features[function]

    def pieces(self) -> list[Piece]:
        """Unpack into one `Piece` per piece."""
        return [
            Piece(self.onset[a:b], self.duration[a:b], self.pitch[a:b], self.part[a:b], self.accent[a:b])
            for a, b in zip(self.offsets[:-1], self.offsets[1:], strict=True)
        ]

    def replace(self, **columns: npt.NDArray) -> NoteTable:
        """Return a detached table with some columns replaced, equal in length and in the same order of notes."""
        names = ("onset", "duration", "pitch", "part", "accent")
        for name, column in columns.items():
            if name not in names or np.shape(column) != self.onset.shape:
                raise NotesError(
                    f"column {name} of shape {np.shape(column)}; accepted: {', '.join(names)}, each {self.onset.shape}"
                )
        return self._of([columns.get(name, getattr(self, name)) for name in names], self.offsets, self.unit)

    def keep(self, notes: npt.NDArray[np.bool_]) -> NoteTable:
        """Return a detached table with only the marked notes; a piece may become empty."""
        counts = np.bincount(self.piece[notes], minlength=len(self))
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        return self._of([column[notes] for column in self._columns], offsets, self.unit)

    def transpose(self, semitones: float | npt.ArrayLike) -> NoteTable:
        """Move every piece, or piece i by ``semitones[i]``."""
        shift = np.broadcast_to(np.asarray(semitones, dtype=float), (len(self),))
        return self.replace(pitch=self.pitch + np.repeat(shift, self.n_notes))


def _checked_columns(piece: Piece, index: int) -> list[npt.NDArray]:
    n = np.size(piece.onset)
    none = np.zeros(n)
    given = {
        "onset": piece.onset,
        "duration": piece.duration,
        "pitch": piece.pitch,
        "part": none if piece.part is None else piece.part,
        "accent": none if piece.accent is None else piece.accent,
    }
    arrays = []
    for name, column in given.items():
        try:
            array = np.asarray(column, dtype=float)
        except (TypeError, ValueError):
            raise NotesError(f"piece {index}: column {name} does not hold numbers; accepted: finite numbers") from None
        if array.shape != (n,):
            raise NotesError(f"piece {index}: column {name} has shape {array.shape}; accepted: ({n},) as onset")
        if not np.all(np.isfinite(array)):
            bad = array[~np.isfinite(array)][0]
            raise NotesError(f"piece {index}: {name} holds {bad}; accepted: finite numbers")
        if name in ("part", "accent"):
            whole = array.astype(np.int64)
            if (whole != array).any() or (name == "accent" and not np.isin(whole, (WEAK, STRONG, DOWNBEAT)).all()):
                raise NotesError(f"piece {index}: {name} holds other values; accepted: whole numbers, accents 0 to 2")
            array = whole
        arrays.append(array)
    if n and arrays[1].min() < 0:
        raise NotesError(f"piece {index}: duration {arrays[1].min():g} is negative; accepted: zero or more")
    return arrays
