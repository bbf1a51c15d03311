"""Notes of many pieces in columns, so that whatever can be computed for all pieces at once is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from keybench.columns import PieceTable, join, offsets_of
from keybench.errors import NotesError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

WEAK, STRONG, DOWNBEAT = 0, 1, 2
"""Values of the `accent` column: an ordinary note, a note on another strong beat, the first note of a bar."""

BASS = -1
"""Value of the `part` column for the notes of a real bass part, where the score has one."""

UNITS = ("quarter", "second", "mixed")


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


@dataclass(frozen=True, eq=False, kw_only=True)
class NoteTable(PieceTable):
    """Notes of many pieces in columns.

    Parameters
    ----------
    onset, duration, pitch : float arrays, shape (n_notes,)
        Sorted by onset, then pitch, within each piece.
    part, accent : int arrays, shape (n_notes,)
        See `Piece`.
    offsets : int array, shape (n_pieces + 1,)
        Notes of piece i are ``offsets[i]:offsets[i + 1]``.
    unit : {"quarter", "second", "mixed"}
        Unit of onset and duration; pieces of a mixed table have one or the other.
    """

    COLUMNS: ClassVar[tuple[str, ...]] = ("onset", "duration", "pitch", "part", "accent")

    onset: FloatArray
    duration: FloatArray
    pitch: FloatArray
    part: IntArray
    accent: IntArray
    unit: str = "quarter"

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
        joined = [
            np.concatenate(column) if column else np.zeros(0, dtype)
            for column, dtype in zip(columns, (float, float, float, np.int64, np.int64), strict=True)
        ]
        return cls(**dict(zip(cls.COLUMNS, joined, strict=True)), offsets=offsets_of(lengths), unit=unit)

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
        """Put the pieces of several tables one after the other; tables in different units give a mixed one."""
        if not tables:
            return cls.from_pieces([])
        units = {table.unit for table in tables if len(table)} or {"quarter"}
        columns, offsets = join(tables)
        return cls(**columns, offsets=offsets, unit=units.pop() if len(units) == 1 else "mixed")

    def _with(self, columns: dict[str, npt.NDArray], offsets: IntArray, **links: Any) -> NoteTable:
        return NoteTable(**columns, offsets=offsets, unit=self.unit, **links)

    @property
    def n_notes(self) -> IntArray:
        """Number of notes of each piece, shape (n_pieces,)."""
        return self.n_rows

    def pieces(self) -> list[Piece]:
        """Unpack into one `Piece` per piece."""
        return [
            Piece(self.onset[a:b], self.duration[a:b], self.pitch[a:b], self.part[a:b], self.accent[a:b])
            for a, b in zip(self.offsets[:-1], self.offsets[1:], strict=True)
        ]

    def replace(self, **columns: npt.NDArray) -> NoteTable:
        """Return a detached table with some columns replaced, equal in length and in the same order of notes."""
        for name, column in columns.items():
            if name not in self.COLUMNS or np.shape(column) != self.onset.shape:
                raise NotesError(
                    f"column {name} of shape {np.shape(column)}; accepted: {', '.join(self.COLUMNS)}, "
                    f"each {self.onset.shape}"
                )
        return self._with(self.columns() | columns, self.offsets)

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
