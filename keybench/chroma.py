"""Pitch-class energies of many recordings in columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from keybench.columns import IntArray, PieceTable, join, offsets_of
from keybench.errors import NotesError

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False, kw_only=True)
class ChromaTable(PieceTable):
    """Frames of bass and treble pitch-class energy.

    Parameters
    ----------
    time : float32 array, shape (n_frames,)
        Where each frame begins, in seconds.
    bass, treble : float32 arrays, shape (n_frames, 12)
        Energies from C upwards, zero or more.
    offsets : int array, shape (n_pieces + 1,)
        Frames of piece i are ``offsets[i]:offsets[i + 1]``.
    """

    COLUMNS: ClassVar[tuple[str, ...]] = ("time", "bass", "treble")

    time: Float32Array
    bass: Float32Array
    treble: Float32Array

    @classmethod
    def from_frames(cls, frames: Iterable[tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike]]) -> ChromaTable:
        """Pack (time, bass, treble) of each piece into one table.

        Raises
        ------
        NotesError
            If a time or an energy is not finite, or an energy is negative.
        """
        pieces = [tuple(np.asarray(part, dtype=np.float32) for part in piece) for piece in frames]
        for i, piece in enumerate(pieces):
            for name, column in zip(cls.COLUMNS, piece, strict=True):
                if not np.isfinite(column).all():
                    bad = column[~np.isfinite(column)][0]
                    raise NotesError(f"piece {i}: {name} holds {bad}; accepted: finite numbers")
                if name != "time" and column.min(initial=0.0) < 0:
                    raise NotesError(f"piece {i}: {name} holds {column.min():g}; accepted: energies of zero or more")
        empty = (np.zeros(0, np.float32), np.zeros((0, 12), np.float32), np.zeros((0, 12), np.float32))
        joined = [np.concatenate([piece[i] for piece in pieces] or [empty[i]]) for i in range(3)]
        return cls(
            **dict(zip(cls.COLUMNS, joined, strict=True)), offsets=offsets_of([len(piece[0]) for piece in pieces])
        )

    @classmethod
    def concatenate(cls, tables: Sequence[ChromaTable]) -> ChromaTable:
        """Put the pieces of several tables one after the other."""
        columns, offsets = join(tables) if tables else (cls.from_frames([]).columns(), offsets_of([]))
        return cls(**columns, offsets=offsets)

    def _with(self, columns: dict[str, npt.NDArray], offsets: IntArray, **links: Any) -> ChromaTable:
        return ChromaTable(**columns, offsets=offsets, **links)

    def transpose(self, semitones: int | npt.ArrayLike) -> ChromaTable:
        """Move every piece, or piece i by ``semitones[i]``, whole semitones."""
        shift = np.broadcast_to(np.asarray(semitones, dtype=np.int64), (len(self),))
        places = (np.arange(12) - np.repeat(shift, self.n_rows)[:, None]) % 12
        moved = {name: np.take_along_axis(getattr(self, name), places, axis=1) for name in ("bass", "treble")}
        return self._with(self.columns() | moved, self.offsets)
