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

    def ratios(self, numerators: FloatArray, denominators: FloatArray) -> list[Estimate]:
        """Estimate ``sum(numerator) / sum(denominator)`` for several figures at once.

        Parameters
        ----------
        numerators, denominators : arrays, shape (n, k)
            One column per figure; a figure is a mean where its denominator marks pieces by 1.
        """
        k = numerators.shape[1]
        above, below = self.totals(numerators), self.totals(denominators)
        with np.errstate(divide="ignore", invalid="ignore"):
            resampled = np.where(below > 0, above / below, np.nan)
        counts = np.count_nonzero(denominators, axis=0)
        measured = np.flatnonzero((counts > 0) & (below > 0).any(axis=0))
        bounds = np.full((2, k), np.nan)
        whole = measured[(below[:, measured] > 0).all(axis=0)]  # the fast way where no resample lacks pieces
        bounds[:, whole] = np.percentile(resampled[:, whole], [2.5, 97.5], axis=0)
        for column in np.setdiff1d(measured, whole):
            bounds[:, column] = np.nanpercentile(resampled[:, column], [2.5, 97.5])
        out = []
        for column in range(k):
            if counts[column] == 0:
                out.append(NOTHING)
                continue
            value = float(numerators[:, column].sum() / denominators[:, column].sum())
            low, high = bounds[:, column]
            if low == high and value in (0.0, 1.0) and np.isin(numerators[:, column], (0.0, 1.0)).all():
                low, high = self._wilson(value, denominators[:, column])
            out.append(Estimate(value, float(low), float(high), int(counts[column])))
        return out

    def _wilson(self, value: float, denominator: FloatArray) -> tuple[float, float]:
        """Wilson's interval on the number of groups, for where every resample agrees and the percentiles coincide."""
        g = int(((self._add_up @ (denominator > 0).astype(float)) > 0).sum())
        interval = binomtest(round(value * g), g).proportion_ci(method="wilson")
        return interval.low, interval.high

    def mean(self, values: FloatArray, mask: npt.NDArray[np.bool_] | None = None) -> Estimate:
        """Estimate the mean of the marked pieces' values."""
        marked = np.ones(len(values)) if mask is None else mask.astype(float)
        return self.ratios(np.where(marked > 0, values, 0.0)[:, None], marked[:, None])[0]
