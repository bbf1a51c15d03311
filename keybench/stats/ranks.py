"""Ranks of methods over corpora (Demsar 2006, Statistical comparisons of classifiers over multiple data sets)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import stats

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Friedman:
    """Whether the methods' average ranks differ by more than chance.

    Parameters
    ----------
    chi_square, p_chi_square : float
        Friedman's statistic, corrected for ties, and its p-value; it decides too seldom with few corpora.
    f, p_f : float
        That of Iman and Davenport (1980), made from it, which Demsar prefers. Infinite where all corpora order the
        methods alike.
    """

    chi_square: float
    p_chi_square: float
    f: float
    p_f: float


def ranks(scores: FloatArray) -> FloatArray:
    """Rank the methods within each corpus: 1 is the highest score, equal scores share the mean of their ranks.

    Parameters
    ----------
    scores : array, shape (n_corpora, n_methods)
        Higher is better.

    Returns
    -------
    array, shape (n_corpora, n_methods)

    Raises
    ------
    ValueError
        If a score is missing: a method ranks over all corpora or not at all.
    """
    table = np.asarray(scores, dtype=float)
    if table.ndim != 2 or not table.size:
        raise ValueError(f"scores of shape {table.shape}; accepted: (n_corpora, n_methods), at least one of each")
    if not np.isfinite(table).all():
        raise ValueError("a score is missing or infinite; accepted: a score of every method on every corpus")
    ranked: FloatArray = np.asarray(stats.rankdata(-table, axis=1), dtype=float)
    return ranked


def average_ranks(scores: FloatArray) -> FloatArray:
    """Return the mean over corpora of `ranks`, shape (n_methods,)."""
    means: FloatArray = ranks(scores).mean(axis=0)
    return means


def friedman(scores: FloatArray) -> Friedman:
    """Test whether the methods rank alike (Friedman 1937).

    Parameters
    ----------
    scores : array, shape (n_corpora, n_methods)
        Of three methods or more; two are compared by `keybench.stats.several.compare_pairs`.

    Raises
    ------
    ValueError
        If there are fewer than three methods or two corpora, or a score is missing.
    """
    ranked = ranks(scores)
    n, k = ranked.shape
    if k < 3 or n < 2:
        raise ValueError(f"{n} corpora and {k} methods; accepted: 2 corpora or more and 3 methods or more")
    if (ranked == ranked[:, :1]).all():  # nothing but ties
        return Friedman(0.0, 1.0, 0.0, 1.0)
    chi_square, p = stats.friedmanchisquare(*ranked.T)
    f = iman_davenport(float(chi_square), n, k)
    return Friedman(float(chi_square), float(p), f, float(stats.f.sf(f, k - 1, (k - 1) * (n - 1))))


def iman_davenport(chi_square: float, n_corpora: int, n_methods: int) -> float:
    """Turn Friedman's statistic into that of Iman and Davenport (1980), F with (k - 1) and (k - 1)(n - 1) degrees."""
    rest = n_corpora * (n_methods - 1) - chi_square
    return float("inf") if rest < 1e-9 else (n_corpora - 1) * chi_square / rest


@cache
def critical_difference(n_methods: int, n_corpora: int, alpha: float = 0.05) -> float:
    """Return the least difference of two average ranks that tells two methods apart (Nemenyi 1963).

    It is the upper quantile of the studentised range with infinite degrees of freedom, divided by the square root of 2,
    times the standard error of a difference of average ranks (Demsar 2006, section 3.2.2).
    """
    if n_methods < 2 or n_corpora < 1:
        raise ValueError(f"{n_methods} methods, {n_corpora} corpora; accepted: 2 methods or more, 1 corpus or more")
    q = float(stats.studentized_range.ppf(1.0 - alpha, n_methods, np.inf)) / np.sqrt(2.0)
    return float(q * np.sqrt(n_methods * (n_methods + 1) / (6.0 * n_corpora)))


def not_told_apart(average: FloatArray, critical: float) -> list[tuple[int, ...]]:
    """Return the groups of methods that a rank plot joins by a bar.

    Parameters
    ----------
    average : array, shape (n_methods,)
        Average ranks.
    critical : float
        Their critical difference.

    Returns
    -------
    list of tuples of int
        Methods, best first, of every largest set whose ranks all lie closer together than the critical difference.
        Sets of one are left out.
    """
    order = np.argsort(average, kind="stable")
    placed = np.asarray(average, dtype=float)[order]
    ends = np.searchsorted(placed, placed + critical, side="left")  # a set is a run of neighbours in rank
    return [
        tuple(int(method) for method in order[start:end])
        for start, end in enumerate(ends)
        if end - start > 1 and (start == 0 or end > ends[start - 1])
    ]
