"""Comparing two methods on the same pieces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import binomtest

from keybench.stats.intervals import GroupBootstrap

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Difference:
    """Mean of a less mean of b with its 95 % interval, and how often chance alone would give as much.

    Parameters
    ----------
    value, low, high : float
    p : float
        Two-sided: the larger of Student's, whose standard error is the bootstrap's over groups, and of McNemar's.
    p_mcnemar : float
        Exact McNemar test on the pieces that only one of the two gets right (McNemar 1947; of shares of the time, the
        sign test); takes pieces as independent, so it alone would decide too easily.
    only_a, only_b : int
        Pieces that only a, or only b, gets right (or right for longer).
    """

    value: float
    low: float
    high: float
    p: float
    p_mcnemar: float
    only_a: int
    only_b: int


def paired_difference(a: FloatArray, b: FloatArray, bootstrap: GroupBootstrap) -> Difference:
    """Compare two methods' right answers (0 or 1, or shares of the time), piece by piece."""
    if len(a) == 0:
        raise ValueError("no pieces to compare; accepted: at least one")
    e, p = bootstrap.difference(a, b)
    only_a, only_b = int((a > b).sum()), int((b > a).sum())
    p_mcnemar = float(binomtest(only_a, only_a + only_b).pvalue) if only_a + only_b else 1.0
    p = max(p, p_mcnemar)  # of a few pieces that all agree a standard error knows little; the exact test does
    return Difference(e.value, e.low, e.high, p, p_mcnemar, only_a, only_b)


def holm(p: Sequence[float]) -> FloatArray:
    """Adjust p-values for their number (Holm 1979), shape (n,)."""
    values = np.asarray(p, dtype=float)
    order = np.argsort(values, kind="stable")
    adjusted = np.maximum.accumulate(values[order] * np.arange(len(values), 0, -1))
    out = np.empty(len(values))
    out[order] = np.minimum(adjusted, 1.0)
    return out
