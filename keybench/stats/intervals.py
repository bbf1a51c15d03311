"""Percentile bootstrap over groups (Efron & Tibshirani 1993; resampling whole clusters: Field & Welsh 2007)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.stats import binomtest

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Estimate:
    """A figure with its 95 % interval and the number of pieces behind it; NaN where nothing was measured."""

    value: float
    low: float
    high: float
    n: int


NOTHING = Estimate(float("nan"), float("nan"), float("nan"), 0)


class GroupBootstrap:
    """Resamples of groups, drawn once and used for every figure, so that differences are paired.

    Parameters
    ----------
    groups : int array, shape (n,)
        Group of each piece.
    resamples : int
    seed : int
    """

    def __init__(self, groups: npt.NDArray[np.int64], resamples: int = 1000, seed: int = 0):
        _, index = np.unique(groups, return_inverse=True)
        n, g = len(index), int(index.max(initial=-1)) + 1
        self._add_up = csr_array((np.ones(n), (index, np.arange(n))), shape=(g, n))
        self.n_groups = g
        draws = np.random.default_rng(seed).integers(0, max(g, 1), size=(resamples, g))
        rows = np.repeat(np.arange(resamples), g)
        self._weights = (
            np.bincount(rows * max(g, 1) + draws.ravel(), minlength=resamples * max(g, 1))
            .reshape(resamples, -1)[:, :g]
            .astype(np.float32)
        )

    def totals(self, values: FloatArray) -> FloatArray:
        """Return totals over each resample, shape (resamples, ...), of values, shape (n, ...)."""
        sums: FloatArray = (self._weights @ np.asarray(self._add_up @ values, dtype=np.float32)).astype(float)
        return sums

    def ratio(self, numerator: FloatArray, denominator: FloatArray) -> Estimate:
        """Estimate ``sum(numerator) / sum(denominator)``; a mean where the denominator marks pieces by 1."""
        n = int(np.count_nonzero(denominator))
        if n == 0:
            return NOTHING
        value = float(numerator.sum() / denominator.sum())
        sums = self.totals(np.column_stack([numerator, denominator]))
        usable = sums[:, 1] > 0
        low, high = np.percentile(sums[usable, 0] / sums[usable, 1], [2.5, 97.5])
        if low == high and value in (0.0, 1.0) and np.isin(numerator, (0.0, 1.0)).all():
            # Every resample agrees: the percentile interval would have no width. Wilson's, on the number of groups.
            g = int((self._add_up @ (denominator > 0).astype(float) > 0).sum())
            interval = binomtest(round(value * g), g).proportion_ci(method="wilson")
            low, high = interval.low, interval.high
        return Estimate(value, float(low), float(high), n)

    def mean(self, values: FloatArray, mask: npt.NDArray[np.bool_] | None = None) -> Estimate:
        """Estimate the mean of the marked pieces' values."""
        marked = np.ones(len(values)) if mask is None else mask.astype(float)
        return self.ratio(np.where(marked > 0, values, 0.0), marked)
