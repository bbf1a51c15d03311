"""Baselines that any method must beat."""

from __future__ import annotations

from typing import Any, Self

import numpy as np

from keybench.estimators.base import FloatArray, KeyEstimator, ScoringEstimator, Tags, as_music, as_truth
from keybench.estimators.features import note_counts
from keybench.estimators.opening_note import scale_fit
from keybench.key import MAJOR, N_KEYS, N_MODES
from keybench.notes import NoteTable


class MostCommonKey(KeyEstimator):
    """Always answer with the key that most training pieces are in, without listening."""

    tags = Tags(takes="either", equivariant=False, learns=True)

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Count the keys of the training pieces; a set of acceptable keys counts in equal parts."""
        truth = as_truth(y, len(as_music(X))).astype(float)
        counts = (truth / truth.sum(axis=1, keepdims=True)).sum(axis=0) + 0.5
        self.log_share_ = np.log(counts / counts.sum())
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return the training shares for every piece, shape (n, 84)."""
        self._check_fitted()
        return np.broadcast_to(self.log_share_, (len(as_music(X)), N_KEYS)).copy()


class BestFittingScale(ScoringEstimator):
    """Find the seven-note scale that holds most notes and call it by its major name; no rule for the home note.

    Notes
    -----
    Scales that hold equally many notes (tunes with gaps) go by how much of the major chord on their tonic is heard.
    """

    tags = Tags(names="major")

    def _scores(self, X: NoteTable) -> FloatArray:
        counts = note_counts(X)
        fit = scale_fit(counts)
        triad = sum(np.roll(counts, -step, axis=1) for step in (0, 4, 7))
        total = np.maximum(counts.sum(axis=1), 1.0)[:, None]
        fit[:, MAJOR] += 1e-3 * triad / total
        # Only the name: the modes that share the notes of a major scale stay just below it.
        others = [m for m in range(N_MODES) if m != MAJOR]
        fit[:, others] -= 1e-3 * (counts.sum(axis=1) > 0)[:, None, None]
        return fit.reshape(len(X), N_KEYS)
