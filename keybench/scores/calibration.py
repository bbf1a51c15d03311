"""How honest the probabilities are: log-loss, and the calibration error with its bins."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

FAILED_LOG_PROBA = float(np.log(1e-6))
"""What a failed answer is taken to have said of the truth, for the log-loss."""

N_BINS = 15
"""Bins of equal numbers of pieces (equal mass) for the calibration error."""


def log_loss(log_proba: FloatArray, truth: npt.NDArray[np.bool_]) -> FloatArray:
    """Minus the logarithm of the summed probability of the acceptable keys, one number per piece, in nats.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
        NaN rows are failures and count as a probability of one in a million.
    truth : bool array, shape (n, 84)
    """
    failed = np.isnan(log_proba[:, 0])
    peak = np.where(truth, log_proba, -np.inf).max(axis=1)
    mass = np.where(truth, np.exp(log_proba - np.where(failed, 0, peak)[:, None]), 0.0).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = -(peak + np.log(mass))
    return np.where(failed, -FAILED_LOG_PROBA, loss)


def equal_mass_bins(confidence: FloatArray, n_bins: int = N_BINS) -> npt.NDArray[np.int64]:
    """Return the bin of each piece; bins hold equal numbers of pieces, in order of confidence (ties by position)."""
    order = np.argsort(confidence, kind="stable")
    bins = np.empty(len(confidence), dtype=np.int64)
    bins[order] = np.arange(len(confidence)) * n_bins // max(len(confidence), 1)
    return bins


def calibration_error(confidence: FloatArray, right: FloatArray, n_bins: int = N_BINS) -> float:
    """Return the expected calibration error: |mean confidence - share right| averaged over equal-mass bins."""
    bins = equal_mass_bins(confidence, n_bins)
    gap = np.bincount(bins, confidence - right, minlength=n_bins)
    return float(np.abs(gap).sum() / max(len(confidence), 1))


def calibration_floor(confidence: FloatArray, n_bins: int = N_BINS) -> float:
    """Return the calibration error that chance alone is expected to give a perfectly calibrated method.

    Each answer is taken to be right with just the probability stated, independently of the others; the number right in
    a bin then differs from the number expected by ``sqrt(2 v / pi)`` on average, with v the variance (the mean absolute
    deviation of a normal distribution), and by ``2 v`` where next to none is expected (that of a Poisson distribution).

    Parameters
    ----------
    confidence : array, shape (n,)
        Probability of each first choice.
    """
    variance = np.bincount(equal_mass_bins(confidence, n_bins), confidence * (1.0 - confidence), minlength=n_bins)
    deviation = np.minimum(np.sqrt(2.0 / np.pi * variance), 2.0 * variance)
    return float(deviation.sum() / max(len(confidence), 1))


def reliability(confidence: FloatArray, right: FloatArray, n_bins: int = 10) -> list[tuple[float, float, int]]:
    """Return (mean confidence, share right, pieces) per equal-mass bin, for the picture."""
    bins = equal_mass_bins(confidence, n_bins)
    return [
        (float(confidence[bins == b].mean()), float(right[bins == b].mean()), int((bins == b).sum()))
        for b in range(n_bins)
        if (bins == b).any()
    ]
