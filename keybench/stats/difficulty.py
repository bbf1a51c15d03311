"""How hard each piece is, from which methods get it right (Rasch 1960, with normal difficulties: Bock & Aitkin 1981).

The chance that a method gets a piece right is logistic in the method's ability less the piece's difficulty.
Difficulties are drawn from a normal distribution about 0 whose spread is estimated, so that a piece that all methods
or none get right has a finite one. It is a description of these pieces by these methods: methods of one family err
together, and what is hard for them may be easy for a listener.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import expit, log_expit

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

ABILITY_SD = 10.0
"""Spread of the normal prior of abilities: nothing but a stop for a method that is always, or never, right."""
_SD_RANGE = (0.01, 20.0)  # of the spread of difficulties
_NODES = 41  # of Gauss and Hermite: integrals over a difficulty are exact to four digits up to a spread of about 5


@dataclass(frozen=True)
class Difficulty:
    """A fit of pieces by methods.

    Parameters
    ----------
    ability : array, shape (n_methods,)
        Log-odds that a method gets a piece of middling difficulty right.
    difficulty, difficulty_sd : arrays, shape (n_pieces,)
        Mean and standard deviation of what is known of each piece, in the same unit; a piece that no method answered
        has the prior's.
    spread : float
        Standard deviation of difficulties over pieces.
    log_likelihood : float
        Of all answers, difficulties integrated out.
    """

    ability: FloatArray
    difficulty: FloatArray
    difficulty_sd: FloatArray
    spread: float
    log_likelihood: float

    def chance(self) -> FloatArray:
        """Return the chance of each method on each piece at its mean difficulty, shape (n_pieces, n_methods)."""
        fitted: FloatArray = expit(self.ability - self.difficulty[:, None])
        return fitted


def fit_difficulty(right: FloatArray) -> Difficulty:
    """Fit abilities and difficulties by largest marginal likelihood.

    Parameters
    ----------
    right : array, shape (n_pieces, n_methods)
        1 or 0; NaN where a method did not answer a piece.

    Raises
    ------
    ValueError
        If there are no answers, or answers that are neither right nor wrong.
    """
    known, hit = _split(right)
    if not known.any():
        raise ValueError("no answers to fit; accepted: at least one right or wrong answer")
    # Pieces with the same answers share their integral: there are far fewer patterns than pieces.
    patterns, which, count = np.unique(np.column_stack([known, hit]), axis=0, return_inverse=True, return_counts=True)
    k = known.shape[1]
    known, hit = patterns[:, :k].astype(float), patterns[:, k:].astype(float)
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    log_weight = np.log(weights / weights.sum())

    def posterior(parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the log-likelihood of each pattern, its weights of the nodes, and the chances at the nodes."""
        logit = parameters[:k, None] - np.exp(parameters[k]) * nodes
        joint = hit @ log_expit(logit) + (known - hit) @ log_expit(-logit) + log_weight
        top = joint.max(axis=1, keepdims=True)
        share = np.exp(joint - top)
        total = share.sum(axis=1, keepdims=True)
        return (top + np.log(total))[:, 0], share / total, expit(logit)

    def loss(parameters: FloatArray) -> tuple[float, FloatArray]:
        total, share, chance = posterior(parameters)
        share = share * count[:, None]
        error = hit.T @ share - (known.T @ share) * chance  # (n_methods, n_nodes): right answers less expected ones
        slope = np.append(error.sum(axis=1), -np.exp(parameters[k]) * (error @ nodes).sum())
        slope[:k] -= parameters[:k] / ABILITY_SD**2
        value = count @ total - 0.5 * (parameters[:k] ** 2).sum() / ABILITY_SD**2
        return -float(value), -slope

    answers = np.maximum(count @ known, 1.0)
    share_right = (count @ hit + 0.5) / (answers + 1.0)
    start = np.append(np.log(share_right / (1.0 - share_right)), 0.0)
    bounds = [(None, None)] * k + [tuple(np.log(_SD_RANGE))]
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500, "ftol": 1e-12})
    total, share, _ = posterior(found.x)
    spread = float(np.exp(found.x[k]))
    mean = spread * (share @ nodes)
    variance = spread**2 * (share @ nodes**2) - mean**2
    return Difficulty(
        found.x[:k], mean[which.ravel()], np.sqrt(np.maximum(variance, 0.0))[which.ravel()], spread,
        float(count @ total),
    )  # fmt: skip


def failed_by_all(right: FloatArray) -> BoolArray:
    """Mark the pieces that methods answered and none got right, shape (n_pieces,); takes what `fit_difficulty` does."""
    known, hit = _split(right)
    failed: BoolArray = np.asarray(known.any(axis=1) & ~hit.any(axis=1), dtype=bool)
    return failed


def _split(right: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Return which answers there are and which of them are right."""
    table = np.asarray(right, dtype=float)
    known = ~np.isnan(table)
    if table.ndim != 2 or not np.isin(table[known], (0.0, 1.0)).all():
        raise ValueError("answers are neither right nor wrong; accepted: 1, 0 or NaN, shape (n_pieces, n_methods)")
    return known, table == 1.0
