"""Many pieces in columns: flat arrays with one array of offsets.

The base of the tables of notes, chroma frames and key spans. A table behaves like a sequence of pieces: ``len``, and
indexing with a number, a slice, an index array or a mask. A selection remembers the table it came from, so that
features computed once are sliced rather than recomputed (see `PieceTable.feature`); its rows are taken from there when
they are first asked for, which for methods that look at features alone is never.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np
import numpy.typing as npt

from keybench.errors import NotesError

IntArray = npt.NDArray[np.int64]

_COMPANY = 6  # pieces whose features are computed twice, in tables of at least twice as many
_FEATURE_LOCK = threading.RLock()


@dataclass(frozen=True, eq=False, kw_only=True)
class PieceTable:
    """Pieces in columns; subclasses name their columns in `COLUMNS`.

    Parameters
    ----------
    offsets : int array, shape (n_pieces + 1,)
        Rows of piece i are ``offsets[i]:offsets[i + 1]``.
    """

    COLUMNS: ClassVar[tuple[str, ...]] = ()

    offsets: IntArray
    _root: Any = field(default=None, repr=False)
    _rows: IntArray | None = field(default=None, repr=False)
    _features: Any = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for name in (*self.COLUMNS, "offsets"):
            column = getattr(self, name).view()
            column.setflags(write=False)  # tables share memory: a change by one method would reach all others
            object.__setattr__(self, name, column)

    def _with(self, columns: dict[str, npt.NDArray], offsets: IntArray, **links: Any) -> Self:
        """Return a table of the same kind with other columns."""
        raise NotImplementedError

    def columns(self) -> dict[str, npt.NDArray]:
        """Return the columns by name."""
        return {name: getattr(self, name) for name in self.COLUMNS}

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def shape(self) -> tuple[int]:
        """(n_pieces,), so that scikit-learn's splitters accept a table as X."""
        return (len(self),)

    @property
    def n_rows(self) -> IntArray:
        """Number of rows of each piece, shape (n_pieces,)."""
        return np.diff(self.offsets)

    @property
    def piece(self) -> IntArray:
        """Index of the piece that each row belongs to."""
        return np.repeat(np.arange(len(self)), self.n_rows)

    def __getitem__(self, rows: Any) -> Self:
        if isinstance(rows, tuple):  # scikit-learn indexes arrays with (rows, ...)
            rows = rows[0]
        if isinstance(rows, int | np.integer):
            index = int(rows)
            if not -len(self) <= index < len(self):
                raise IndexError(f"piece {index} of a table of {len(self)}")
            picked = np.array([index % len(self)])
        else:
            picked = np.arange(len(self))[rows]
        if not self.COLUMNS:
            raise NotImplementedError
        offsets = offsets_of(self.n_rows[picked])
        offsets.setflags(write=False)
        root = self if self._root is None else self._root
        origin = picked if self._rows is None else self._rows[picked]
        selection = object.__new__(type(self))
        vars(selection).update({name: value for name, value in vars(self).items() if name not in self.COLUMNS})
        vars(selection).update(offsets=offsets, _root=root, _rows=origin, _features={})
        return selection

    if not TYPE_CHECKING:  # a checker would take every attribute for known

        def __getattr__(self, name: str) -> npt.NDArray:
            """Take the columns of a selection when the first of them is asked for."""
            known = vars(self)
            if name not in type(self).COLUMNS or known.get("_root") is None:
                raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")
            starts = self._root.offsets[self._rows] - self.offsets[:-1]
            taken = np.repeat(starts, self.n_rows) + np.arange(self.offsets[-1])
            for column in self.COLUMNS:
                values = getattr(self._root, column)[taken]
                values.setflags(write=False)
                known[column] = values
            return known[name]

    def detach(self) -> Self:
        """Return the same rows without the link to the table they were selected from (and its computed features)."""
        return self._with(self.columns(), self.offsets)

    def keep(self, marked: npt.NDArray[np.bool_]) -> Self:
        """Return a detached table with only the marked rows; a piece may become empty."""
        offsets = offsets_of(np.bincount(self.piece[marked], minlength=len(self)))
        return self._with({name: column[marked] for name, column in self.columns().items()}, offsets)

    def feature(self, function: Callable[[Any], npt.NDArray]) -> npt.NDArray:
        """Return ``function(table)``, an array with a row per piece, computed once for the whole original table.

        The function must look at each piece by itself: then slicing the rows of the whole table gives what computing
        on the selection would give, and nothing passes from a test piece to a training piece. That is held to: a few
        pieces are computed in other company as well.

        Raises
        ------
        NotesError
            If the row of a piece depends on the other pieces.
        """
        if self._root is not None:
            rows: npt.NDArray = self._root.feature(function)[self._rows]
            return rows
        with _FEATURE_LOCK:  # threads that need the same feature wait for the first
            if function not in self._features:
                computed = function(self)
                self._check_by_itself(function, computed)
                computed.setflags(write=False)  # shared: a change would reach everyone
                self._features[function] = computed
            return self._features[function]

    def _check_by_itself(self, function: Callable[[Any], npt.NDArray], computed: npt.NDArray) -> None:
        if len(self) < 2 * _COMPANY:
            return
        some = np.linspace(0, len(self) - 1, _COMPANY).astype(int)
        alone = function(self[some].detach())
        # Sums taken along with those of other pieces round differently.
        if np.shape(computed)[:1] != (len(self),) or not np.allclose(computed[some], alone, 1e-3, 1e-3, equal_nan=True):
            name = getattr(function, "__qualname__", "a feature")
            raise NotesError(f"{name}: a piece's row depends on other pieces; accepted: functions that look at each "
                             "piece by itself and return a row for each")  # fmt: skip


def offsets_of(lengths: npt.ArrayLike) -> IntArray:
    """Return the offsets of pieces with these numbers of rows, shape (n_pieces + 1,)."""
    return np.concatenate([[0], np.cumsum(np.asarray(lengths, dtype=np.int64))]).astype(np.int64)


def join(tables: Sequence[PieceTable]) -> tuple[dict[str, npt.NDArray], IntArray]:
    """Return the columns and offsets of several tables of one kind, piece after piece."""
    names = tables[0].COLUMNS
    columns = {name: np.concatenate([getattr(table, name) for table in tables]) for name in names}
    return columns, offsets_of(np.concatenate([table.n_rows for table in tables]))
