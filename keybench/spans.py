"""Local keys of many pieces in columns: what a source says of each stretch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from keybench.columns import IntArray, PieceTable, join, offsets_of
from keybench.key import transpose_tonics

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class SpanTable(PieceTable):
    """Labelled stretches.

    Parameters
    ----------
    start, end : float arrays, shape (n_spans,)
        In the unit of the piece's notes; ascending within a piece. Gaps are stretches without a label.
    tonic : int array, shape (n_spans,)
        Pitch class of the home note.
    mode : int array, shape (n_spans,)
        Index into `keybench.key.MODES`, or `keybench.key.NO_MODE` where the source names a home note only.
    offsets : int array, shape (n_pieces + 1,)
        Spans of piece i are ``offsets[i]:offsets[i + 1]``; a piece without local labels has none.
    """

    COLUMNS: ClassVar[tuple[str, ...]] = ("start", "end", "tonic", "mode")

    start: FloatArray
    end: FloatArray
    tonic: IntArray
    mode: IntArray

    @classmethod
    def from_spans(cls, pieces: Iterable[Iterable[tuple[float, float, int, int]]]) -> SpanTable:
        """Pack (start, end, tonic, mode) of each stretch of each piece into one table."""
        lists = [list(piece) for piece in pieces]
        flat = np.array([span for spans in lists for span in spans], dtype=float).reshape(-1, 4)
        return cls(
            start=flat[:, 0],
            end=flat[:, 1],
            tonic=flat[:, 2].astype(np.int64),
            mode=flat[:, 3].astype(np.int64),
            offsets=offsets_of([len(spans) for spans in lists]),
        )

    @classmethod
    def concatenate(cls, tables: Sequence[SpanTable]) -> SpanTable:
        """Put the pieces of several tables one after the other."""
        if not tables:
            return cls.from_spans([])
        columns, offsets = join(tables)
        return cls(**columns, offsets=offsets)

    def _with(self, columns: dict[str, npt.NDArray], offsets: IntArray, **links: Any) -> SpanTable:
        return SpanTable(**columns, offsets=offsets, **links)

    def transpose(self, semitones: npt.ArrayLike) -> SpanTable:
        """Move every piece, or piece i by ``semitones[i]``, whole semitones."""
        shift = np.broadcast_to(np.asarray(semitones, dtype=np.int64), (len(self),))
        moved = transpose_tonics(self.tonic, np.repeat(shift, self.n_rows))
        return self._with(self.columns() | {"tonic": moved}, self.offsets)
