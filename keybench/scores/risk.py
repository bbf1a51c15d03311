"""What saying "not sure" would buy: how many answers are left at what risk. Plain functions on stored predictions."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.estimators.abstain import guaranteed_threshold

FloatArray = npt.NDArray[np.float64]

LEVELS = (0.9, 0.95, 0.99)
"""Probabilities of the first choice from which accuracy is reported."""


def risk_coverage(sure: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return coverage and risk as ever less sure answers are given (El-Yaniv & Wiener 2010).

    Parameters
    ----------
    sure : array, shape (n,)
        Probability of each first choice; NaN for a failure, which is given last.
    right : array, shape (n,)
        1 or 0.

    Returns
    -------
    coverage, risk : arrays, shape (n_values,)
        Share of the pieces that are answered, and share of wrong answers among them, one pair per distinct value:
        answers that are equally sure are given together.
    """
    values = np.where(np.isnan(sure), -1.0, sure)
    order = np.argsort(-values, kind="stable")
    ends = np.flatnonzero(np.append(np.diff(values[order]) != 0, True)[: len(order)])
    wrong = np.cumsum(1.0 - right[order])[ends]
    return (ends + 1.0) / max(len(sure), 1), wrong / (ends + 1.0)


def area_under_risk(sure: FloatArray, right: FloatArray) -> float:
    """Return the mean risk over coverages of 1, 2, ..., n pieces (Geifman et al. 2019); 0 is best, NaN without pieces.

    Within answers that are equally sure, the wrong ones count as spread evenly.
    """
    if not len(sure):
        return float("nan")
    coverage, risk = risk_coverage(sure, right)
    given = np.round(coverage * len(sure))
    wrong = np.interp(np.arange(1, len(sure) + 1), np.append(0.0, given), np.append(0.0, risk * given))
    return float((wrong / np.arange(1, len(sure) + 1)).mean())


def accuracy_at(sure: FloatArray, right: FloatArray, level: float) -> tuple[float, int]:
    """Return the share right among answers that are at least so sure, and their number; NaN where there are none."""
    given = np.nan_to_num(sure, nan=-1.0) >= level
    n = int(given.sum())
    return (float(right[given].mean()) if n else float("nan")), n


def answered_at_risk(
    sure: FloatArray, right: FloatArray, fold: npt.NDArray[np.int64], risk: float, confidence: float = 0.9
) -> npt.NDArray[np.bool_]:
    """Mark the pieces that a method would answer if it may be wrong in a stated share of its answers, shape (n,).

    The threshold for the pieces of a fold is chosen on the stored answers to the other folds, none of which were learnt
    from by who gave them: the mean of the marks is the coverage, and the share wrong among them the risk in fact.

    Parameters
    ----------
    sure, right : arrays, shape (n,)
        As in `risk_coverage`.
    fold : int array, shape (n,)
    risk, confidence : float
        See `keybench.estimators.abstain.guaranteed_threshold`.
    """
    answered = np.zeros(len(sure), dtype=bool)
    known = ~np.isnan(sure)
    for k in np.unique(fold):
        others = known & (fold != k)
        threshold = guaranteed_threshold(sure[others], right[others], risk, confidence)
        here = known & (fold == k)
        answered[here] = sure[here] >= threshold
    return answered
