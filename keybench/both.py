"""The notes and the recording of the same pieces together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.chroma import ChromaTable
from keybench.columns import IntArray
from keybench.errors import NotesError
from keybench.notes import NoteTable


@dataclass(frozen=True, eq=False)
class BothTable:
    """Pieces of which notes and chroma are known; behaves like a table of either.

    Parameters
    ----------
    notes : NoteTable
    chroma : ChromaTable
        Of the same pieces in the same order.

    Raises
    ------
    NotesError
        If they are not equally many.
    """

    notes: NoteTable
    chroma: ChromaTable

    def __post_init__(self) -> None:
        if len(self.notes) != len(self.chroma):
            raise NotesError(
                f"notes of {len(self.notes)} pieces and chroma of {len(self.chroma)}; accepted: of the same pieces"
            )

    def __len__(self) -> int:
        return len(self.notes)

    @property
    def shape(self) -> tuple[int]:
        """(n_pieces,), so that scikit-learn's splitters accept a table as X."""
        return (len(self),)

    @property
    def n_rows(self) -> IntArray:
        """Number of notes and frames of each piece, shape (n_pieces,)."""
        return self.notes.n_rows + self.chroma.n_rows

    def __getitem__(self, rows: Any) -> BothTable:
        return BothTable(self.notes[rows], self.chroma[rows])

    def detach(self) -> BothTable:
        """Return the same pieces without the links to the tables they were selected from."""
        return BothTable(self.notes.detach(), self.chroma.detach())

    def feature(self, function: Callable[[Any], npt.NDArray]) -> npt.NDArray:
        """Return ``function(self)``; what is costly in it asks `notes` and `chroma` for features of their own."""
        return function(self)

    def transpose(self, semitones: int | npt.ArrayLike) -> BothTable:
        """Move every piece, or piece i by ``semitones[i]``, whole semitones."""
        return BothTable(self.notes.transpose(np.asarray(semitones)), self.chroma.transpose(semitones))
