"""The rule of the trade: take one note for home, then find the scale on it that fits."""

from __future__ import annotations

import numpy as np

from keybench.errors import EstimatorError
from keybench.estimators.base import MODE_RANK, FloatArray, ScoringEstimator
from keybench.estimators.features import edge_note, note_counts
from keybench.key import N_KEYS, N_MODES, SCALES, mode_in_text
from keybench.notes import NoteTable

_TIE = -1e-4 * MODE_RANK


def scale_fit(counts: FloatArray) -> FloatArray:
    """Share of a piece's notes that lie in each of the 84 scales.

    Parameters
    ----------
    counts : array, shape (n, 12)
        Notes of each pitch class.

    Returns
    -------
    array, shape (n, 7, 12)
        By mode and tonic; zero for a piece without notes.
    """
    rolled = np.stack([np.stack([np.roll(SCALES[m], t) for t in range(12)]) for m in range(N_MODES)])
    inside = np.einsum("np,mtp->nmt", counts, rolled.astype(float))
    total = counts.sum(axis=1)[:, None, None]
    fit: FloatArray = inside / np.where(total > 0, total, 1.0)
    return fit


class OpeningNote(ScoringEstimator):
    """Take the first (or last) note for home, then the best-fitting scale on it.

    Parameters
    ----------
    edge : {"first", "last"}
        Which note is taken for home. Of notes that begin together the lowest counts.

    Notes
    -----
    Common practice, no source. The fit is the share of notes inside the scale; ties go by `PREFERENCE`. Every key on
    the chosen note ranks above every other key.
    """

    def __init__(self, edge: str = "first"):
        self.edge = edge

    def _scores(self, X: NoteTable) -> FloatArray:
        if self.edge not in ("first", "last"):
            raise EstimatorError(f"unknown edge {self.edge!r}; accepted: first, last")
        home = edge_note(X, last=self.edge == "last")
        scores = scale_fit(note_counts(X))
        sounding = home >= 0
        scores[sounding] += _TIE[None, :, None]
        scores[np.flatnonzero(sounding), :, home[sounding]] += 1.01
        return scores.reshape(len(X), N_KEYS)

    def _reasons(self, X: NoteTable) -> list[str]:
        home = int(edge_note(X, last=self.edge == "last")[0])
        if home < 0:
            return ["There are no notes to go by."]
        fit = scale_fit(note_counts(X))[0, :, home] + _TIE
        ranked = np.argsort(-fit, kind="stable")[:3]
        n = len(X.pitch)
        fits = ", ".join(f"{mode_in_text(int(m))} holds {round((fit[m] - _TIE[m]) * n)} of {n} notes" for m in ranked)
        return [f"The {self.edge} note is taken for home. On it, {fits}."]
