"""Any method, with its probabilities held against pieces that it did not learn from.

The training pieces are dealt into inner folds by group; each fold is answered for by the method fitted on the others.
What these answers claim and how often they are right is all that the calibration learns from. The method itself is then
fitted on all training pieces. Which key comes first never changes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from keybench.errors import EstimatorError
from keybench.estimators.base import (
    FloatArray,
    KeyEstimator,
    Tags,
    as_music,
    as_truth,
    check_groups,
    fit_sharpness,
    log_softmax,
)
from keybench.estimators.follow import Followed
from keybench.estimators.inner import check_folds, inner_folds, out_of_fold
from keybench.estimators.sureness import (
    fit_sureness,
    log_odds,
    logistic,
    raise_first,
    sure_log_proba,
    trust_in,
    usual_rows,
)
from keybench.estimators.taught import Taught, as_far_as_labels_go, as_home_notes, names_home_notes_only
from keybench.notes import KeySpan, NoteTable

METHODS = ("answered-mode", "temperature", "isotonic")


class Wrapper(KeyEstimator):
    """What methods made of another method share; subclasses have the parameters `base` and `params`."""

    calibrated = True
    base: str
    params: dict[str, Any] | None
    folds: int
    random_state: int
    base_: KeyEstimator

    def make_base(self) -> KeyEstimator:
        """Return a new, unfitted base method."""
        from keybench.estimators import make

        return make(self.base, **(self.params or {}))

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """What the base method takes and names."""
        return replace(self.make_base().tags, learns=True)

    def check_parameters(self) -> None:
        """Complain of a base method that there is none of, or of what it cannot use."""
        if not isinstance(self.params, dict | None):
            raise EstimatorError(f"params is {self.params!r}; accepted: a table of the base method's parameters")
        self.make_base().check_parameters()

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time, as the base method gives them."""
        self._check_fitted()
        return self.base_.segment(X)

    def follow(self, X: NoteTable) -> Followed:
        """Return the base method's log-probabilities of the keys step by step."""
        self._check_fitted()
        return self.base_.follow(X)

    @property
    def _taught(self) -> Taught | None:
        return self.base_._taught

    def _prepared(self, X: Any, y: Any, groups: Any) -> tuple[Any, npt.NDArray[np.bool_]]:
        self.check_parameters()
        X = as_music(X)
        truth = as_truth(y, len(X))
        check_groups(groups, len(X))
        return X, truth

    def _out_of_fold(self, X: Any, truth: npt.NDArray[np.bool_], groups: Any) -> FloatArray:
        fold_of = inner_folds(len(X), groups, self.folds, self.random_state)
        return out_of_fold(self.make_base, X, truth, groups, fold_of)

    def _reasons(self, X: NoteTable) -> list[str]:
        return self.base_._reasons(X)


class Calibrated(Wrapper):
    """A method whose probabilities hold on pieces that it did not learn from.

    Parameters
    ----------
    base : str
        Name of the method.
    method : {"answered-mode", "temperature", "isotonic"}
        ``temperature`` sharpens or flattens all probabilities by one number (Guo et al. 2017). ``isotonic`` maps the
        probability of the first choice by a rising step function (Zadrozny & Elkan 2002) and leaves the others in
        proportion. ``answered-mode`` is `keybench.estimators.sureness`: a line with two bends, the mode named, and what
        the runner-up is to the first choice.
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
    temperature_ : float
        What log-probabilities are multiplied by (``temperature``).
    said_, right_ : arrays
        Corners of the rising function (``isotonic``).
    sureness_ : dict of arrays
        From `fit_sureness` (``answered-mode``).
    usual_rows_ : float
        Notes (or frames) of a short piece among those learnt from: shorter ones are not made surer by the full amount.
    """

    def __init__(
        self,
        base: str = "hmm",
        method: str = "answered-mode",
        folds: int = 5,
        params: dict[str, Any] | None = None,
        random_state: int = 0,
    ):
        self.base = base
        self.method = method
        self.folds = folds
        self.params = params
        self.random_state = random_state

    def check_parameters(self) -> None:
        """Complain of methods that there are none of, and of too few folds."""
        if self.method not in METHODS:
            raise EstimatorError(f"unknown method {self.method!r}; accepted: {', '.join(METHODS)}")
        check_folds(self.folds)
        super().check_parameters()

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner folds, `groups` of related pieces."""
        X, truth = self._prepared(X, y, groups)
        said = self._out_of_fold(X, truth, groups)
        told = as_far_as_labels_go(truth)
        top = said.argmax(axis=1)
        rows = np.arange(len(said))
        if self.method != "temperature" and names_home_notes_only(truth):
            said, _ = as_home_notes(said)
        if self.method == "temperature":
            self.temperature_ = fit_sharpness(said, told)
        elif self.method == "isotonic":
            n = len(said)
            from sklearn.isotonic import IsotonicRegression  # slow to import, and needed here alone

            rising = IsotonicRegression(y_min=1 / (n + 2), y_max=1 - 1 / (n + 2))
            rising.fit(np.exp(said[rows, top]), told[rows, top].astype(float))
            self.said_, self.right_ = rising.X_thresholds_.astype(float), rising.y_thresholds_.astype(float)
        else:
            self.sureness_ = fit_sureness(said, told)
        self.usual_rows_ = usual_rows(X.n_rows)
        self.base_ = self.make_base().fit(X, truth, groups)
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        X = as_music(X)
        said = self.base_.predict_log_proba(X)
        if self.method == "temperature":
            return self._claim(log_softmax(self.temperature_ * said), X)
        given = said
        if self.home_notes_only:
            said, _ = as_home_notes(said)
        trust = trust_in(X.n_rows, self.usual_rows_)
        if self.method == "isotonic":
            first = np.exp(said.max(axis=1))
            odds, learnt = log_odds(first), log_odds(np.interp(first, self.said_, self.right_))
            found = raise_first(said, logistic(np.minimum(learnt, odds + trust * (learnt - odds))))
        else:
            found = sure_log_proba(said, self.sureness_, trust=trust)
        return self._claim(np.where((X.n_rows == 0)[:, None], given, found), X)
