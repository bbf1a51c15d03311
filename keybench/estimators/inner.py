"""What methods that learn in two steps share: inner folds of the training pieces, and the shares of the modes.

What one method is to make of another's answers must be learnt on answers to pieces that the other had not seen. Inner
folds deal the training pieces, with related pieces together, and `out_of_fold` answers for each fold by a method that
was fitted on the rest.

A probability of a key given the music is the likelihood of the music in that key times the share of the key's mode
among the pieces (all tonics being equally likely). Dividing the shares out leaves likelihoods, up to a constant; taking
only a part of them out is the mode-balanced decision (Saerens et al. 2002).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.corpora.grouping import deal_folds
from keybench.errors import EstimatorError
from keybench.estimators.base import MODE_RANK, FloatArray, KeyEstimator, check_groups
from keybench.estimators.sureness import put_first
from keybench.key import N_KEYS, N_MODES

IntArray = npt.NDArray[np.int64]


def inner_folds(n: int, groups: Any, n_folds: int, seed: int) -> IntArray:
    """Deal n pieces into folds of nearly equal size, shape (n,); no group stands in two folds.

    They are dealt as an experiment deals its folds. Fewer groups than folds give as many folds as groups.

    Parameters
    ----------
    groups : int array, shape (n,), or None
        Related pieces; without it every piece stands alone.

    Raises
    ------
    EstimatorError
        If there is not one group number for each piece.
    """
    check_groups(groups, n)
    labels = np.arange(n) if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
    return deal_folds(labels, n_folds, seed)


def check_folds(folds: Any) -> None:
    """Complain of too few inner folds.

    Raises
    ------
    EstimatorError
    """
    if not (isinstance(folds, int) and folds >= 2):
        raise EstimatorError(f"folds is {folds!r}; accepted: a whole number, 2 or more")


def out_of_fold(
    make: Callable[[], KeyEstimator], X: Any, truth: npt.NDArray[np.bool_], groups: Any, fold_of: IntArray
) -> FloatArray:
    """Log-probabilities of every piece by a method fitted on the other folds, shape (n, 84).

    Where there is only one fold, as for a single piece, the method answers for what it was fitted on.

    Parameters
    ----------
    make : callable
        Returns a new, unfitted method.
    X : NoteTable, ChromaTable or BothTable
    truth : bool array, shape (n, 84)
    groups : int array, shape (n,), or None
    fold_of : int array, shape (n,)
        As `inner_folds` gives it.
    """
    groups = np.arange(len(X)) if groups is None else np.asarray(groups)
    log_proba = np.empty((len(X), N_KEYS))
    folds = np.unique(fold_of)
    for fold in folds:
        asked = fold_of == fold
        taught = ~asked if len(folds) > 1 else asked
        fitted = make().fit(X[taught], truth[taught], groups=groups[taught])
        log_proba[asked] = fitted.predict_log_proba(X[asked])
    return log_proba


def log_mode_shares(truth: npt.NDArray[np.bool_]) -> FloatArray:
    """Logarithms of the mode shares of the truths, shape (7,); a set of keys counts in equal parts.

    Half a piece is added to each mode, so that one that is never seen has a share too.
    """
    share = (truth / truth.sum(axis=1, keepdims=True)).reshape(-1, N_MODES, 12)
    pieces = share.sum(axis=(0, 2)) + 0.5
    logs: FloatArray = np.log(pieces / pieces.sum())
    return logs


def log_likelihoods(log_proba: FloatArray, log_modes: FloatArray) -> FloatArray:
    """Log-likelihoods of the music in each key, up to a constant for each piece, shape (n, 84).

    Parameters
    ----------
    log_proba : array, shape (n, 84)
        Log-probabilities of the keys, by a method that learnt with the shares `log_modes`.
    log_modes : array, shape (7,)
    """
    found: FloatArray = log_proba - np.repeat(log_modes, 12)
    return found


def mode_balanced(log_proba: FloatArray, log_modes: FloatArray, part: float) -> FloatArray:
    """Log-probabilities for the mode-balanced decision, shape (n, 84).

    The key that comes first is the most probable one with a part of the mode shares taken out. How probable it is does
    not change with the decision: an answer that goes against the shares is right as seldom as they say, and less surely
    than the natural one.
    """
    scores = np.round(log_proba - part * np.repeat(log_modes, 12), 4) - 1e-5 * np.repeat(MODE_RANK, 12)
    return put_first(log_proba, scores.argmax(axis=1))


def choose_flattening(
    log_proba: FloatArray, truth: npt.NDArray[np.bool_], log_modes: FloatArray, exact_floor: float, modes: IntArray
) -> float:
    """Part of the mode shares to take out, from 0 to 1, for the best mean recall over `modes`.

    Of the parts that leave at least the share `exact_floor` of the pieces answered right, or as many as with nothing
    taken out where that is less, the one with the best mean recall; the smallest of equals.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
        Of pieces that the method had not seen.
    truth : bool array, shape (n, 84)
        A piece with several acceptable keys counts for the recall of each of their modes, in equal parts.
    modes : int array
        Modes that stand in `truth`; others have no recall.
    """
    rows = np.arange(len(log_proba))
    by_mode = (truth / truth.sum(axis=1, keepdims=True)).reshape(-1, N_MODES, 12).sum(axis=2)[:, modes]
    there = by_mode.sum(axis=0) > 0
    weight = by_mode[:, there] / by_mode[:, there].sum(axis=0)
    best, best_recall, least = 0.0, -1.0, exact_floor
    for part in np.arange(0.0, 1.0001, 0.05):
        right = truth[rows, (log_proba - part * np.repeat(log_modes, 12)).argmax(axis=1)]
        if part == 0.0:
            least = min(least, float(right.mean()))
        recall = float((right @ weight).mean())
        if right.mean() >= least and recall > best_recall + 1e-12:
            best, best_recall = float(part), recall
    return best
