"""Answers while the music goes on: after each note, as sure as so few notes allow.

A method fitted on whole pieces hears the end of every opening as if it were the last note of the piece, and is about as
sure after eight notes as after eighty. `Anytime` learns one model for each of a few lengths, on openings of that length
of the training pieces, and one for whole pieces; between two lengths it mixes their answers.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, KeyEstimator, Tags, as_notes, log_softmax
from keybench.estimators.calibrated import Wrapper
from keybench.estimators.follow import Followed
from keybench.estimators.taught import Taught
from keybench.key import N_KEYS
from keybench.notes import KeySpan, NoteTable

_EXACT = 128  # notes after each of which a method is asked: a tune
_GROWTH = 8  # later after every eighth part more
_BATCH_NOTES = 400_000  # notes in the openings of a batch of pieces
_FEWEST = 40  # pieces that a model for a length is worth learning from


def grid(n: int) -> npt.NDArray[np.int64]:
    """Return after how many notes of a piece of n a method is asked: 1, 2, ..., 128, 144, 162, 182, ..., n."""
    counts = list(range(1, min(n, _EXACT) + 1))
    while counts and counts[-1] < n:
        counts.append(min(n, counts[-1] + max(1, counts[-1] // _GROWTH)))
    return np.array(counts, dtype=np.int64)


def openings(X: NoteTable, piece: npt.NDArray[np.int64], length: npt.NDArray[np.int64]) -> NoteTable:
    """Return a table of openings: the first ``length[i]`` notes of piece ``piece[i]``, or all if it has fewer."""
    lengths = np.minimum(length, X.n_notes[piece])
    offsets = offsets_of(lengths)
    notes = np.repeat(X.offsets[piece] - offsets[:-1], lengths) + np.arange(offsets[-1])
    return NoteTable(**{name: column[notes] for name, column in X.columns().items()}, offsets=offsets, unit=X.unit)


def after_each_note(model: KeyEstimator, X: NoteTable) -> list[FloatArray]:
    """Return a method's answer after each note: log-probabilities, shape (n_notes, 84), for each piece.

    Pieces are put together in batches, so that no batch holds much more than a certain number of notes, or than the
    openings of one piece do.

    Raises
    ------
    EstimatorError
        If the method cannot answer after any number of notes.
    """
    if not model.tags.partial:
        raise EstimatorError(f"{type(model).__name__} answers for whole pieces only; accepted: methods tagged partial")
    asked = [grid(int(n)) for n in X.n_notes]
    load = np.cumsum([float(counts.sum()) for counts in asked])
    out: list[FloatArray] = []
    while len(out) < len(X):
        first = len(out)
        before = load[first - 1] if first else 0.0
        last = max(first + 1, int(np.searchsorted(load, before + _BATCH_NOTES, side="right")))
        out += _batch(model, X, np.arange(first, last), asked[first:last])
    return out


def _batch(
    model: KeyEstimator, X: NoteTable, rows: npt.NDArray[np.int64], asked: list[npt.NDArray[np.int64]]
) -> list[FloatArray]:
    whole = model.predict_log_proba(X[rows].detach())
    going_on = [counts[:-1] for counts in asked]
    offsets = offsets_of([len(counts) for counts in going_on])
    piece = np.repeat(rows, np.diff(offsets))
    lengths = np.concatenate([*going_on, np.zeros(0, dtype=np.int64)])
    said = model.predict_opening(openings(X, piece, lengths)) if len(piece) else np.zeros((0, N_KEYS))
    out = []
    for counts, (a, b), end in zip(asked, pairwise(offsets), whole, strict=True):
        answers = np.vstack([said[a:b], end[None]]) if len(counts) else np.zeros((0, N_KEYS))
        out.append(np.repeat(answers, np.diff(counts, append=counts[-1:] + 1).astype(np.int64), axis=0))
    return out


class Anytime(Wrapper):
    """A method for openings of any length and for whole pieces, one model for each of a few lengths.

    ``predict_log_proba`` takes a piece of at most `opening` notes for an opening, and a longer one for a whole piece;
    ``predict_opening`` and ``anytime`` know that the music goes on.

    Parameters
    ----------
    base : str
        Name of the method.
    lengths : sequence of int
        Numbers of notes, rising; between them answers are mixed in proportion to the logarithm.
    opening : int
        Largest number of notes that is taken for an opening.
    params : dict, optional
        Parameters of the base method.

    Attributes
    ----------
    whole_ : KeyEstimator
        Fitted on whole pieces.
    models_ : list of KeyEstimator
        Fitted on openings, one per length of `fitted_lengths_`.
    fitted_lengths_ : int array
        Lengths that training pieces enough go beyond.

    Notes
    -----
    The lengths were chosen on half of the folk tunes: a model for three notes is worth having, others for 6, 12 and 24
    are not; one model for whole tunes and openings together is worse at every length.
    """

    def __init__(
        self,
        base: str = "logistic",
        lengths: tuple[int, ...] = (1, 2, 3, 4, 8, 16, 32, 64),
        opening: int = 32,
        params: dict[str, Any] | None = None,
    ):
        self.base = base
        self.lengths = lengths
        self.opening = opening
        self.params = params

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """What the base method names; it takes notes."""
        return Tags(
            names=self.make_base().tags.names,
            equivariant=self.make_base().tags.equivariant,
            learns=True,
            made_from=self.make_base().tags.made_from,
        )

    def check_parameters(self) -> None:
        """Complain of lengths that do not rise, and of a base method that cannot take notes."""
        lengths = list(self.lengths)
        if (
            not lengths
            or any(not isinstance(n, int | np.integer) or n < 1 for n in lengths)
            or lengths != sorted(set(lengths))
        ):
            raise EstimatorError(f"lengths is {self.lengths!r}; accepted: rising whole numbers, 1 or more")
        if not (isinstance(self.opening, int) and self.opening >= 0):
            raise EstimatorError(f"opening is {self.opening!r}; accepted: a whole number, 0 or more")
        super().check_parameters()
        tags = self.make_base().tags
        if not tags.hears("notes"):
            raise EstimatorError(f"base {self.base!r} takes {tags.takes}; accepted: a method that takes notes")

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, if the base method uses them, `groups` of related pieces."""
        X, truth = self._prepared(as_notes(X), y, groups)
        related = np.arange(len(X)) if groups is None else np.asarray(groups)
        self.whole_ = self.make_base().fit(X, truth, related)
        lengths, self.models_ = [], []
        for length in self.lengths:
            longer = np.flatnonzero(X.n_notes > length)
            if len(longer) < min(_FEWEST, len(X)):
                break
            heard = openings(X, longer, np.full(len(longer), length))
            self.models_.append(self.make_base().fit(heard, truth[longer], related[longer]))
            lengths.append(length)
        self.fitted_lengths_ = np.array(lengths, dtype=np.int64)
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        X = as_notes(X)
        short = (X.n_notes <= self.opening) & (X.n_notes > 0)
        out = np.empty((len(X), N_KEYS))
        for rows, answer in ((np.flatnonzero(short), self.predict_opening), (np.flatnonzero(~short), self._whole)):
            if len(rows):
                out[rows] = answer(X if len(rows) == len(X) else X[rows])
        return out

    def predict_opening(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities for music that is known to go on, shape (n, 84)."""
        self._check_fitted()
        X = as_notes(X)
        if not len(self.models_):
            return self._whole(X)
        place = np.log(np.maximum(X.n_notes, 1))
        at = np.log(self.fitted_lengths_)
        mixed = np.zeros((len(X), N_KEYS))
        for model, column in zip(self.models_, np.eye(len(at)), strict=True):
            weight = np.interp(place, at, column)
            rows = np.flatnonzero(weight > 0)
            if len(rows):
                mixed[rows] += weight[rows, None] * model.predict_log_proba(X[rows].detach())
        silent = np.flatnonzero(X.n_notes == 0)
        if len(silent):
            mixed[silent] = self._whole(X[silent])
        return log_softmax(mixed)

    @property
    def _taught(self) -> Taught | None:
        return self.whole_._taught

    def _whole(self, X: NoteTable) -> FloatArray:
        return self.whole_.predict_log_proba(X)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time, as the method for whole pieces gives them."""
        self._check_fitted()
        return self.whole_.segment(X)

    def follow(self, X: NoteTable) -> Followed:
        """Return log-probabilities of the keys step by step, as the method for whole pieces gives them."""
        self._check_fitted()
        return self.whole_.follow(X)

    def _reasons(self, X: NoteTable) -> list[str]:
        return self.whole_._reasons(X)
