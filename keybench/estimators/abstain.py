"""Answers only where the risk of a wrong one is small enough, and "not sure" elsewhere.

The threshold is the smallest probability of the first choice such that, among pieces that are answered at it, the
share of wrong answers stays below the stated risk with the stated confidence. It is found on inner folds: on answers to
pieces that the method did not learn from.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv

from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray
from keybench.estimators.calibrated import Wrapper
from keybench.estimators.inner import check_folds
from keybench.estimators.taught import answer_probability, as_far_as_labels_go, names_home_notes_only
from keybench.notes import NoteTable

NEVER = 2.0
"""A threshold above every probability: no answer keeps the stated risk."""

_TRIES = 40


def upper_bound(wrong: npt.ArrayLike, n: npt.ArrayLike, confidence: float) -> npt.NDArray[np.float64]:
    """Return the largest share of wrong answers that fits with what was counted (Clopper & Pearson 1934).

    Parameters
    ----------
    wrong, n : int or int array
        Wrong answers among `n`; the bound of no answers is 1.
    confidence : float
        One-sided.
    """
    wrong, n = np.asarray(wrong, dtype=float), np.asarray(n, dtype=float)
    bound = betaincinv(wrong + 1.0, np.maximum(n - wrong, 1e-300), confidence)
    return np.where(wrong >= n, 1.0, bound)


def guaranteed_threshold(sure: FloatArray, right: FloatArray, risk: float, confidence: float) -> float:
    """Return the smallest threshold that keeps a stated risk, or `NEVER` (after Geifman & El-Yaniv 2017).

    Forty coverages are tried, from the surest fortieth of the answers to all; the largest whose upper bound on the risk
    is small enough is taken. Any of the bounds may err, so each is taken at ``1 - (1 - confidence) / 40``: with the
    stated confidence the risk of new answers at or above the threshold is at most `risk`. (The paper's binary search
    tries fewer, and misses what there is where the few surest answers are too few to prove anything.)

    Parameters
    ----------
    sure : array, shape (n,)
        Probability of each first choice.
    right : array, shape (n,)
        1 or 0.
    risk, confidence : float
        Between 0 and 1.
    """
    n = len(sure)
    if not n:
        return NEVER
    order = np.argsort(-sure, kind="stable")
    values = sure[order]
    wrong = np.cumsum(1.0 - right[order])
    count = np.ceil(np.arange(1, _TRIES + 1) * n / _TRIES).astype(np.int64)
    # Answers that are equally sure are given together.
    last = np.searchsorted(-values, -values[count - 1], side="right") - 1
    kept = upper_bound(wrong[last], last + 1, 1.0 - (1.0 - confidence) / _TRIES) <= risk
    return float(values[last[kept][-1]]) if kept.any() else NEVER


class Abstaining(Wrapper):
    """A method that says "not sure" rather than take more than a stated risk.

    Its log-probabilities are the base method's; only `predict_or_abstain` and what `explain` says of being sure use the
    threshold, so stored predictions lose nothing.

    Parameters
    ----------
    base : str
        Name of the method.
    risk : float
        Largest share of wrong answers among those given.
    confidence : float
        Probability, over draws of training pieces, that the risk is kept.
    folds : int
        Inner folds.
    params : dict, optional
        Parameters of the base method.
    random_state : int
        Seed of the dealing of the folds.

    Attributes
    ----------
    base_ : KeyEstimator
        Fitted on all pieces.
    threshold_ : float
        Probability of the first choice from which an answer is given; `NEVER` if none keeps the risk.
    coverage_ : float
        Share of the training pieces that were answered on inner folds.
    """

    def __init__(
        self,
        base: str = "logistic",
        risk: float = 0.05,
        confidence: float = 0.9,
        folds: int = 5,
        params: dict[str, Any] | None = None,
        random_state: int = 0,
    ):
        self.base = base
        self.risk = risk
        self.confidence = confidence
        self.folds = folds
        self.params = params
        self.random_state = random_state

    @property
    def calibrated(self) -> bool:  # type: ignore[override]
        """Whether the base method's probabilities are."""
        return self.make_base().calibrated

    def check_parameters(self) -> None:
        """Complain of a risk or a confidence that is no share, of too few folds, and of a base there is none of."""
        for name in ("risk", "confidence"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: a number between 0 and 1")
        check_folds(self.folds)
        super().check_parameters()

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner folds, `groups` of related pieces."""
        X, truth = self._prepared(X, y, groups)
        said = self._out_of_fold(X, truth, groups)
        top = said.argmax(axis=1)
        right = as_far_as_labels_go(truth)[np.arange(len(said)), top].astype(float)
        sure = answer_probability(said, names_home_notes_only(truth))
        self.threshold_ = guaranteed_threshold(sure, right, self.risk, self.confidence)
        self.coverage_ = float((sure >= self.threshold_).mean())
        self.base_ = self.make_base().fit(X, truth, groups)
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return the base method's log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        return self.base_.predict_log_proba(X)

    def predict_or_abstain(self, X: NoteTable) -> npt.NDArray[np.int64]:
        """Return the most probable key of each piece, or -1 where it is not sure enough, shape (n,)."""
        log_proba = self.predict_log_proba(X)
        sure = answer_probability(log_proba, self.home_notes_only)
        return np.where(sure >= self.threshold_, log_proba.argmax(axis=1), -1)
