"""Any method with parameters chosen on inner folds of the training pieces.

What is tried are all combinations of a small grid; the one with the best mean log-probability of the truth, over
pieces that the method had not learnt from, is fitted anew on all (Stone 1974, Journal of the Royal Statistical Society
B 36). Related pieces stand in one inner fold, so nothing about a piece reaches the choice by way of its variant.
"""

from __future__ import annotations

from functools import partial
from itertools import product
from typing import Any, Self

import numpy as np
from sklearn.base import clone

from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, KeyEstimator, Tags, as_music, as_truth
from keybench.estimators.follow import Followed
from keybench.estimators.inner import inner_folds, out_of_fold
from keybench.estimators.taught import Taught
from keybench.notes import KeySpan

_MAX_COMBINATIONS = 64


class Tuned(KeyEstimator):
    """A method with parameters chosen on inner folds.

    Parameters
    ----------
    base : str
        Name of the method.
    grid : dict of str to list, optional
        Values to try, by parameter of the method; all combinations are tried, the first of equals wins. By default the
        ridge penalty of the logistic model.
    folds : int
        Inner folds.
    random_state : int
        Seed of the inner folds.

    Attributes
    ----------
    base_ : KeyEstimator
        Fitted with the parameters chosen.
    chosen_ : dict
    loss_ : array, shape (n_combinations,)
        Mean negative log-probability of the truth, in the order of the grid with its last parameter moving fastest.
    """

    def __init__(
        self,
        base: str = "logistic",
        grid: dict[str, list[Any]] | None = None,
        folds: int = 3,
        random_state: int = 0,
    ):
        self.base = base
        self.grid = grid
        self.folds = folds
        self.random_state = random_state

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Those of the method; parameters are learnt in any case."""
        known = self._method().tags
        return Tags(
            known.takes, known.names, known.equivariant, learns=True, partial=known.partial, made_from=known.made_from
        )

    def check_parameters(self) -> None:
        """Complain of a method or parameters that there are none of, or of a grid that is empty or too large."""
        method = self._method()
        names = method.get_params()
        grid = self._grid()
        for name, values in grid.items():
            if name not in names:
                raise EstimatorError(f"grid names {name!r}; accepted: parameters of {self.base!r}: {', '.join(names)}")
            if not isinstance(values, list) or not values:
                raise EstimatorError(f"grid has {name} = {values!r}; accepted: a list of values to try")
        n = int(np.prod([len(values) for values in grid.values()]))
        if not grid or n > _MAX_COMBINATIONS:
            raise EstimatorError(f"grid has {n if grid else 0} combinations; accepted: 1 to {_MAX_COMBINATIONS}")
        if self.folds < 2:
            raise EstimatorError(f"folds is {self.folds!r}; accepted: 2 or more")
        for chosen in self._combinations():
            clone(method).set_params(**chosen).check_parameters()

    def fit(self, X: Any, y: Any = None, groups: Any = None) -> Self:
        """Choose parameters on inner folds, then fit the method on all pieces."""
        self.check_parameters()
        X = as_music(X)
        truth = as_truth(y, len(X))
        fold_of = inner_folds(len(X), groups, self.folds, self.random_state)
        combinations = self._combinations()
        answers = (out_of_fold(partial(self._with, chosen), X, truth, groups, fold_of) for chosen in combinations)
        self.loss_ = np.array([_loss(log_proba, truth) for log_proba in answers])
        self.chosen_ = combinations[int(np.argmin(np.round(self.loss_, 9)))]
        self.base_ = self._with(self.chosen_).fit(X, truth, groups=groups)
        return self

    def predict_log_proba(self, X: Any) -> FloatArray:
        """Return the chosen method's log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        return self.base_.predict_log_proba(X)

    def predict(self, X: Any) -> Any:
        """Return the chosen method's answers, shape (n,)."""
        self._check_fitted()
        return self.base_.predict(X)

    def segment(self, X: Any) -> list[list[KeySpan]]:
        """Return the chosen method's keys of each piece over time."""
        self._check_fitted()
        return self.base_.segment(X)

    def follow(self, X: Any) -> Followed:
        """Return the chosen method's log-probabilities of the keys step by step."""
        self._check_fitted()
        return self.base_.follow(X)

    @property
    def _taught(self) -> Taught | None:
        return self.base_._taught

    def _reasons(self, X: Any) -> list[str]:
        chosen = ", ".join(f"{name} {value}" for name, value in self.chosen_.items())
        return [f"Chosen on training pieces: {chosen}.", *self.base_._reasons(X)]

    def _method(self) -> KeyEstimator:
        from keybench.estimators import make

        return make(self.base)

    def _with(self, chosen: dict[str, Any]) -> KeyEstimator:
        method: KeyEstimator = self._method().set_params(**chosen)
        return method

    def _grid(self) -> dict[str, list[Any]]:
        return {"l2": [9.0, 18.0, 36.0]} if self.grid is None else self.grid

    def _combinations(self) -> list[dict[str, Any]]:
        grid = self._grid()
        return [dict(zip(grid, values, strict=True)) for values in product(*grid.values())]


def _loss(log_proba: FloatArray, truth: Any) -> float:
    """Mean negative log-probability of the truth, a set of keys counting as one event."""
    masked = np.where(truth, log_proba, -np.inf)
    top = masked.max(axis=1, keepdims=True)
    return -float((top[:, 0] + np.log(np.exp(masked - top).sum(axis=1))).mean())
