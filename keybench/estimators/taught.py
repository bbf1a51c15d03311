"""What the training pieces showed, and what an answer may claim by it: one home for all methods.

Two things that no method can know are left out of every answer:

- *Music unlike all that taught it.* A model is as sure of a single repeated note, or of a hundred thousand random ones,
  as its arithmetic makes it. How unlike a piece is, is the Mahalanobis distance of its pitch-class content from that of
  the training pieces; beyond what nearly all of those reach, the answer is mixed with an even one, the more the further
  away: a lapse that grows with novelty. Which key comes first never changes, and pieces like those learnt from lose
  nothing.
- *Modes that no label named.* Labels of popular songs often name a home note only; a truth then accepts all modes on
  it. A method that was taught by nothing else knows nothing of modes: the probability of a home note is spread evenly
  over them.

The content of a piece is described by the lengths of the Fourier components of its shares of the pitch classes (what
they are made of, wherever home is: Quinn 2006; Amiot 2016) and by the logarithm of how far they are from even.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.estimators.chroma_features import chroma_weights
from keybench.estimators.features import duration_weights
from keybench.key import HAS_MINOR_THIRD, MAJOR, MINOR, N_KEYS, N_MODES

FloatArray = npt.NDArray[np.float64]
Taught = dict[str, FloatArray]

_LEAST_CONTRAST = 1e-4  # mean square of the components, where the shares of the pitch classes are all but equal
_USUAL_SPREAD = np.array([*np.full(6, 0.1), 0.5])  # of the description of a piece, in any kind of music
_PRIOR_PIECES = 10.0  # weight of that spread
_BEYOND = (0.99, 1.5)  # music is unlike what was learnt from beyond this quantile of its distances, times this
_NEAREST_LIMIT = 5.0  # whatever the quantile: seven numbers seldom lie further out by chance
_ENOUGH = 100  # labels that name no mode but major and minor, before that is taken for all they can name
_FALL = 4  # power of the distance with which trust falls beyond the limit


def content(weights: FloatArray) -> FloatArray:
    """Describe what pitch classes pieces are made of, whatever the key, shape (n, 7).

    Parameters
    ----------
    weights : array, shape (n, 12)
        How much of each pitch class is heard.
    """
    heard = weights.sum(axis=1, keepdims=True)
    shares = np.where(heard > 0, weights / np.where(heard > 0, heard, 1.0), 1.0 / 12)
    lengths = np.abs(np.fft.rfft(shares, axis=1))[:, 1:]
    contrast = np.log(np.maximum((lengths**2).mean(axis=1), _LEAST_CONTRAST))
    return np.column_stack([lengths, contrast])


def _contents(X: Any) -> dict[str, FloatArray]:
    """Content of the pieces by medium."""
    tables = {"notes": X.notes, "chroma": X.chroma} if isinstance(X, BothTable) else {"": X}
    return {
        medium: content(table.feature(chroma_weights if isinstance(table, ChromaTable) else duration_weights))
        for medium, table in tables.items()
    }


def names_home_notes_only(truth: npt.NDArray[np.bool_]) -> bool:
    """Say whether every truth, shape (n, 84), accepts all modes of each home note that it accepts."""
    by_mode = truth.reshape(-1, N_MODES, 12)
    return bool(len(truth)) and bool((by_mode == by_mode[:, :1]).all())


def as_far_as_labels_go(truth: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return what may be told right from wrong by labels, shape (n, 84).

    Labels that name major and minor keys only do not say that D Mixolydian is wrong where they say D major: a method
    that knows of modes is held against home note and third, as reports are. They must be at least `_ENOUGH`, among
    which three modal pieces of a hundred would hardly be missing by chance.

    Parameters
    ----------
    truth : bool array, shape (n, 84)
    """
    by_mode = truth.reshape(-1, N_MODES, 12)
    naming = ~(by_mode == by_mode[:, :1]).all(axis=(1, 2))  # others name home notes alone
    named = np.flatnonzero(by_mode[naming].any(axis=(0, 2)))
    if naming.sum() < _ENOUGH or not np.array_equal(named, sorted((MAJOR, MINOR))):
        return truth
    widened = by_mode[:, np.where(HAS_MINOR_THIRD, MINOR, MAJOR)]
    return np.ascontiguousarray(widened).reshape(truth.shape)


def learn_taught(X: Any, truth: npt.NDArray[np.bool_] | None) -> Taught:
    """Note what training pieces are made of and whether their labels named modes.

    Parameters
    ----------
    X : NoteTable, ChromaTable or BothTable
    truth : bool array, shape (n, 84), or None
        None for a method that knows of modes from elsewhere.

    Returns
    -------
    dict of arrays
        ``modes``: 1 if modes were taught, else 0; and for each medium (see `novelty`) ``centre`` (7,), ``precision``
        (7, 7) and ``limit``, a distance.
    """
    modes = truth is None or not names_home_notes_only(truth)
    taught: Taught = {"modes": np.array(float(modes))}
    for medium, described in _contents(X).items():
        n = len(described)
        centre = described.mean(axis=0)
        away = described - centre
        spread = (away.T @ away + _PRIOR_PIECES * np.diag(_USUAL_SPREAD**2)) / (n + _PRIOR_PIECES)
        precision = np.linalg.inv(spread)
        quantile, times = _BEYOND
        limit = max(times * float(np.quantile(_distance(described, centre, precision), quantile)), _NEAREST_LIMIT)
        taught |= {medium + "centre": centre, medium + "precision": precision, medium + "limit": np.array(limit)}
    return taught


def _distance(described: FloatArray, centre: FloatArray, precision: FloatArray) -> FloatArray:
    away = described - centre
    distance: FloatArray = np.sqrt(np.maximum(((away @ precision) * away).sum(axis=1), 0.0))
    return distance


def novelty(X: Any, taught: Taught) -> FloatArray:
    """Return how unlike the training pieces each piece is, from 0 (like them) towards 1, shape (n,).

    Of notes and recording together, the one that is more unlike counts. An empty piece is 0: there is nothing in it to
    be misled by, and methods answer with what is common.
    """
    found = np.zeros(len(X))
    for medium, described in _contents(X).items():
        if medium + "centre" not in taught:
            continue  # taught by another medium
        distance = _distance(described, taught[medium + "centre"], taught[medium + "precision"])
        limit = float(taught[medium + "limit"])
        found = np.maximum(found, 1.0 - (limit / np.maximum(distance, limit)) ** _FALL)
    return np.where(X.n_rows > 0, found, 0.0)


def home_notes_only(taught: Taught | None) -> bool:
    """Say whether a method that noted this was taught home notes without modes."""
    return taught is not None and not bool(taught["modes"])


def log_tonics(log_proba: FloatArray) -> FloatArray:
    """Log-probabilities of the twelve home notes, whatever the mode, shape (n, 12)."""
    by_mode = log_proba.reshape(-1, N_MODES, 12)
    top = by_mode.max(axis=1, keepdims=True)
    summed: FloatArray = (top + np.log(np.exp(by_mode - top).sum(axis=1, keepdims=True)))[:, 0]
    return summed


def spread_over_modes(log_proba: FloatArray) -> FloatArray:
    """Spread the probability of each home note evenly over its modes, shape (n, 84)."""
    return np.tile(log_tonics(log_proba) - np.log(N_MODES), N_MODES)


def as_home_notes(log_proba: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Give the first mode on each home note all of its probability, and the others next to none.

    Returns
    -------
    log_proba : array, shape (n, 84)
    named : bool array, shape (n, 84)
        Where the probability is.
    """
    named = np.broadcast_to(np.arange(N_KEYS) < 12, log_proba.shape)
    return np.where(named, np.tile(log_tonics(log_proba), N_MODES), -30.0), named


def answer_probability(log_proba: FloatArray, home_only: bool) -> FloatArray:
    """Probability of the first choice: of the key or, where only home notes are answered, of the home note, (n,)."""
    p: FloatArray = np.exp((log_tonics(log_proba) if home_only else log_proba).max(axis=1))
    return p


def claim(log_proba: FloatArray, X: Any, taught: Taught | None) -> FloatArray:
    """Return what may be said of pieces, shape (n, 84), given what a method finds.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
        What the method finds.
    X : NoteTable, ChromaTable or BothTable
        The pieces.
    taught : dict of arrays or None
        From `learn_taught`; None, as of a model fitted before this was noted, leaves all as it is.
    """
    if taught is None:
        return log_proba
    if home_notes_only(taught):
        log_proba = spread_over_modes(log_proba)
    lapse = novelty(X, taught)
    rows = np.flatnonzero(lapse > 0)
    if len(rows):
        part = lapse[rows, None]
        log_proba = log_proba.copy()
        log_proba[rows] = np.logaddexp(np.log1p(-part) + log_proba[rows], np.log(part / N_KEYS))
    return log_proba
