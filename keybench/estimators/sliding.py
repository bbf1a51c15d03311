"""Any method for whole pieces, made to follow the key: it hears a window that slides over the piece.

Each window is answered for by itself; the keys of all windows together are the path that agrees best with these answers
when each change of key costs a fixed penalty (Viterbi 1967, IEEE Transactions on Information Theory 13).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, KeyEstimator, Tags, as_notes, made_from, spans_of_steps
from keybench.estimators.features import beats, extent
from keybench.estimators.follow import Followed
from keybench.estimators.stretches import stretches
from keybench.estimators.taught import Taught
from keybench.key import N_KEYS
from keybench.notes import KeySpan, NoteTable
from keybench.spans import SpanTable

_HAIR = 1e-6  # of a window or a hop: well over rounding, well under any note
_TAUGHT_WINDOWS = 4  # windows cut from a labelled stretch to learn from, spread over it: more would be more of the same
_BATCH_NOTES = 400_000  # notes in the windows of a batch of pieces


class SlidingWindow(KeyEstimator):
    """A method for whole pieces, heard through a sliding window, with a penalty for each change of key.

    Parameters
    ----------
    base : str
        Name of the method.
    width, hop : float
        Of the window, in beats: twice the median distance between onsets, so that tempo makes no difference.
    change : float
        What a change of key costs, in nats.
    """

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Made from what its base was made from."""
        return Tags(learns=True, partial=False, segment=True, made_from=made_from(str(self.base)))

    def __init__(self, base: str = "krumhansl-kessler", width: float = 16.0, hop: float = 2.0, change: float = 6.0):
        self.base = base
        self.width = width
        self.hop = hop
        self.change = change

    def check_parameters(self) -> None:
        """Complain of a method that does not exist, or of numbers that make no window."""
        from keybench.estimators import make

        if not (0.0 < self.hop <= self.width < np.inf and 0.0 <= self.change < np.inf):
            raise EstimatorError(
                f"width is {self.width!r}, hop {self.hop!r}, change {self.change!r}; accepted: 0 < hop <= width, "
                "change 0 or more"
            )
        make(self.base)

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Fit the method on whole pieces `X` and their truths `y`."""
        from keybench.estimators import make

        self.check_parameters()
        self.base_ = make(self.base).fit(as_notes(X), y, groups)
        return self

    def fit_sections(self, X: NoteTable, spans: SpanTable, groups: Any = None) -> Self:
        """Fit the method on windows of the width that it will hear, cut from the labelled stretches.

        How sure a method may be after a window is not how sure it may be after a whole stretch.
        """
        self.check_parameters()
        X = as_notes(X)
        learnt = stretches(X, spans)
        opens, closes = extent(learnt.music)
        start, end = extent(X)
        width = self.width * _beats(X, end - start)[learnt.piece]
        n_windows = np.clip(np.ceil((closes - opens) / width - _HAIR).astype(np.int64), 1, _TAUGHT_WINDOWS)
        offsets = offsets_of(n_windows)
        of = np.repeat(np.arange(len(n_windows)), n_windows)
        place = np.arange(len(of)) - offsets[of]
        apart = np.maximum(closes - opens - width, 0.0) / np.maximum(n_windows - 1, 1)
        windows = _windows(learnt.music, offsets, opens[of] + place * apart[of], width[of])
        heard = np.flatnonzero(windows.n_notes > 0)
        of = of[heard]
        related = None if groups is None else np.asarray(groups)[learnt.piece[of]]
        return self.fit(windows[heard].detach(), learnt.truth[of], related)

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return the method's answer to the whole pieces, shape (n, 84)."""
        self._check_fitted()
        return self.base_.predict_log_proba(as_notes(X))

    @property
    def _taught(self) -> Taught | None:
        return self.base_._taught

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time."""
        X = as_notes(X)
        heard = self.follow(X)
        paths = [best_path(heard.log_proba[a:b], self.change) for a, b in pairwise(heard.offsets)]
        best = np.concatenate(paths) if paths else np.zeros(0, dtype=np.int64)
        return spans_of_steps(best, heard.begins, heard.offsets, extent(X)[1])

    def follow(self, X: NoteTable) -> Followed:
        """Return the method's answer to the window around each hop."""
        self._check_fitted()
        X = as_notes(X)
        start, end = extent(X)
        beat = _beats(X, end - start)
        n_windows = np.maximum(np.ceil((end - start) / (self.hop * beat) - _HAIR).astype(np.int64), 1)
        offsets = offsets_of(n_windows)
        piece = np.repeat(np.arange(len(X)), n_windows)
        begins = start[piece] + (np.arange(len(piece)) - offsets[piece]) * (self.hop * beat)[piece]
        opens, width = begins + (0.5 * (self.hop - self.width) * beat)[piece], (self.width * beat)[piece]
        log_proba = np.empty((len(piece), N_KEYS))
        first = 0
        load = np.cumsum(X.n_notes) * np.ceil(self.width / self.hop)
        while first < len(X):
            # As many pieces as make a batch, at least one.
            before = load[first - 1] if first else 0.0
            last = max(first + 1, int(np.searchsorted(load, before + _BATCH_NOTES, side="right")))
            own = slice(offsets[first], offsets[last])
            windows = _windows(
                X[np.arange(first, last)].detach(), offsets[first : last + 1] - offsets[first], opens[own], width[own]
            )
            log_proba[own] = self.base_.predict_log_proba(windows)
            first = last
        return Followed(offsets, begins, log_proba)


def _beats(X: NoteTable, length: FloatArray) -> FloatArray:
    """Twice the median distance between onsets of each piece, shape (n,); its length where all begin together.

    A chord whose notes begin a hair apart must not make the beat a hair: it is at least the length over four times the
    notes.
    """
    beat = beats(X)
    beat = np.maximum(np.where(np.isnan(beat), length, beat), length / np.maximum(4 * X.n_notes, 1))
    return np.where(beat > 0, beat, 1.0)


def _windows(X: NoteTable, offsets: npt.NDArray[np.int64], opens: FloatArray, width: FloatArray) -> NoteTable:
    """Return a table with a piece per window: the notes that sound in it, cut to it.

    Parameters
    ----------
    X : NoteTable
    offsets : int array, shape (n_pieces + 1,)
        Windows of piece i are ``offsets[i]:offsets[i + 1]``.
    opens, width : arrays, shape (n_windows,)
    """
    closes = opens + width
    # A note just before an edge by rounding belongs after it, so that the tempo makes no difference.
    edge, until_edge = opens - _HAIR * width, closes - _HAIR * width
    taken: list[npt.NDArray[np.int64]] = []
    for i, (a, b) in enumerate(pairwise(offsets)):
        notes = np.arange(X.offsets[i], X.offsets[i + 1])
        onset = X.onset[notes]
        # Notes are sorted by onset: those that begin before a window closes, and none that ended before it opens.
        longest = X.duration[notes].max(initial=0.0)
        low = np.searchsorted(onset, edge[a:b] - longest, side="left")
        high = np.searchsorted(onset, until_edge[a:b], side="left")
        for w in range(a, b):
            chosen = notes[low[w - a] : high[w - a]]
            sounding = (X.onset[chosen] + X.duration[chosen] > opens[w] + _HAIR * width[w]) | (
                X.onset[chosen] >= edge[w]
            )
            taken.append(chosen[sounding])
    window = np.repeat(np.arange(len(taken)), [len(part) for part in taken])
    index = np.concatenate(taken) if taken else np.zeros(0, dtype=np.int64)
    onset = np.maximum(X.onset[index], opens[window])
    until = np.minimum(X.onset[index] + X.duration[index], closes[window])
    order = np.lexsort((X.pitch[index], onset, window))
    columns = {name: column[index][order] for name, column in X.columns().items()}
    columns |= {"onset": onset[order], "duration": np.maximum(until - onset, 0.0)[order]}
    return NoteTable(**columns, offsets=offsets_of(np.bincount(window, minlength=len(taken))), unit=X.unit)


def best_path(log_proba: FloatArray, change: float) -> npt.NDArray[np.int64]:
    """Return the states with the largest sum of log-probabilities less `change` for each change of state.

    Parameters
    ----------
    log_proba : array, shape (n_steps, n_states)
    change : float
    """
    n = len(log_proba)
    came_from = np.zeros((n, log_proba.shape[1]), dtype=np.int64)
    score = log_proba[0].copy()
    states = np.arange(log_proba.shape[1])
    for t in range(1, n):
        top = int(score.argmax())
        moved = score[top] - change
        came_from[t] = np.where(score >= moved, states, top)
        score = np.maximum(score, moved) + log_proba[t]
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(score.argmax())
    for t in range(n - 1, 0, -1):
        path[t - 1] = came_from[t, path[t]]
    return path
