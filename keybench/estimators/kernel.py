"""A logistic model on likeness to the training pieces, equivariant under transposition by construction.

A key of a new piece is as likely as the piece, seen from that key's tonic, resembles training pieces seen from tonics
that are right, and does not resemble them seen from others. Likeness is a Gaussian kernel on the pitch-class channels,
so that what a channel means may depend on all others, as the chord on the sixth degree does on the third above home; a
weighted sum of channels cannot say that. It needs few pieces: with a few hundred it beats `TiedLogistic` clearly on
recordings, where no channel is clean, and costs a training kernel of (n, n, 12) numbers.

Likeness of two pieces depends on their tonics by the difference only, so the kernel matrix over all pieces and tonics
is block-circulant: a discrete Fourier transform over tonics splits it into seven matrices of size n, and the model is
solved exactly. Kernel logistic regression: Zhu & Hastie 2005.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.fft import irfft, rfft
from scipy.optimize import minimize

from keybench.errors import EstimatorError
from keybench.estimators.base import (
    MODE_RANK,
    FloatArray,
    KeyEstimator,
    Tags,
    as_music,
    as_truth,
    log_softmax,
)
from keybench.estimators.channels import AUTO, centred_channels, channel_scales, channel_set
from keybench.estimators.inner import inner_folds, log_mode_shares
from keybench.estimators.logistic import key_order, mode_covariance, tonic_major
from keybench.estimators.sureness import fit_lapse, lapsing
from keybench.key import N_KEYS, N_MODES

Float32Array = npt.NDArray[np.float32]
ComplexArray = npt.NDArray[np.complex128]

_BATCH_CELLS = 20_000_000  # numbers in the kernel of a batch of pieces to answer for
_BIAS_RIDGE = 0.01  # a touch, so that a mode never seen keeps a finite bias


def likeness(one: Float32Array, other: Float32Array, width: float) -> FloatArray:
    """Gaussian kernel between pieces at all differences of tonic.

    Parameters
    ----------
    one, other : arrays, shapes (n, C, 12) and (m, C, 12)
        Channels.
    width : float
        Squared distance per channel, over 2, at which the likeness falls to 1 / e.

    Returns
    -------
    array, shape (n, m, 12)
        ``exp(-|one[i] - roll(other[j], d)|^2 / (2 * width * C))`` at ``[i, j, d]``.
    """
    f, g = rfft(one.astype(float), axis=2), rfft(other.astype(float), axis=2)
    crossed = np.stack([f[:, :, k] @ g[:, :, k].conj().T for k in range(7)], axis=2)
    products = irfft(crossed, 12, axis=2)
    squares = [(part.astype(float) ** 2).sum(axis=(1, 2)) for part in (one, other)]
    distance = np.maximum(squares[0][:, None, None] + squares[1][None, :, None] - 2.0 * products, 0.0)
    alike: FloatArray = np.exp(-distance / (2.0 * width * one.shape[1]))
    return alike


def circulant_root(kernel: FloatArray) -> ComplexArray:
    """Square root of the block-circulant matrix of a kernel (n, n, 12), by frequency, shape (7, n, n)."""
    spectrum = rfft(kernel, axis=2)
    roots = np.empty((7, *kernel.shape[:2]), dtype=complex)
    for k in range(7):
        values, vectors = np.linalg.eigh((spectrum[:, :, k] + spectrum[:, :, k].conj().T) / 2)
        roots[k] = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.conj().T
    return roots


def convolve(spectrum: ComplexArray, values: FloatArray) -> FloatArray:
    """Apply a block-circulant matrix: ``out[i, t] = sum_{j, u} kernel[i, j, (t - u) % 12] * values[j, u]``.

    Parameters
    ----------
    spectrum : complex array, shape (7, n, m)
        Transform of the kernel over differences of tonic.
    values : array, shape (m, 12, M)

    Returns
    -------
    array, shape (n, 12, M)
    """
    transformed = rfft(values, axis=1)
    out: FloatArray = irfft(np.stack([spectrum[k] @ transformed[:, k] for k in range(7)], axis=1), 12, axis=1)
    return out


def objective(
    parameters: FloatArray, root: ComplexArray, truth: npt.NDArray[np.bool_], mixing: FloatArray, l2: float
) -> tuple[float, FloatArray]:
    """Return the penalised negative log-likelihood and its exact gradient.

    Parameters
    ----------
    parameters : array, shape (n * 12 * 7 + 7,)
        Whitened coefficients of piece, tonic and mode, then one bias per mode.
    root : complex array, shape (7, n, n)
        From `circulant_root`.
    truth : bool array, shape (n, 84)
        In tonic-major order: column ``7 * tonic + mode``.
    mixing : array, shape (7, 7)
        Square root of the covariance between modes.
    l2 : float
        Ridge penalty.
    """
    n = len(truth)
    whitened, bias = parameters[:-N_MODES].reshape(n, 12, N_MODES), parameters[-N_MODES:]
    scores = (convolve(root, whitened) @ mixing.T + bias).reshape(n, N_KEYS)
    log_p = log_softmax(scores)
    log_hit = np.where(truth, log_p, -np.inf)
    top = log_hit.max(axis=1, keepdims=True)
    log_mass = top + np.log(np.exp(log_hit - top).sum(axis=1, keepdims=True))
    gradient = (np.exp(log_p) - np.exp(log_hit - log_mass)).reshape(n, 12, N_MODES)
    loss = -float(log_mass.sum()) + 0.5 * l2 * float((whitened**2).sum()) + 0.5 * _BIAS_RIDGE * float((bias**2).sum())
    d_whitened = convolve(root, gradient @ mixing) + l2 * whitened
    return loss, np.concatenate([d_whitened.ravel(), gradient.sum(axis=(0, 1)) + _BIAS_RIDGE * bias])


class TiedKernel(KeyEstimator):
    """Transposition-tied kernel logistic regression over the 84 keys.

    Parameters
    ----------
    channels : str
        A name in `keybench.estimators.channels.CHANNEL_SETS`, or ``auto`` for the usual ones of notes or chroma.
    width : float
        Of the kernel, in squared distance per channel, for channels of unit mean square length; see `likeness`.
    l2 : float
        Ridge penalty times the number of channels.
    single_note : float
        Length, instead of one, of the channels that mark a single note: one observation deserves less trust.
    shared, by_third, own : float
        Parts of the prior covariance between modes: common to all, to those with the same third, to each alone.
    max_pieces : int
        Learn from at most so many pieces, drawn at random: time grows with the cube of their number.
    inner_folds : int
        Folds of the training pieces on whose answers sharpness and lapse are fitted.
    random_state : int
        Seed of the draw and of the inner folds.

    Attributes
    ----------
    pieces_ : array, shape (n, n_channels, 12)
        Channels of the training pieces, scaled.
    coefficients_ : array, shape (n, 12, 7)
        Weight of the likeness to each training piece seen from each tonic, by mode.
    bias_ : array, shape (7,)
    scale_ : array, shape (n_channels,)
        What each channel is divided by.
    log_modes_ : array, shape (7,)
        Logarithms of the mode shares in training.
    sharpness_, lapse_ : float
        How sure the probabilities are; see `fit_lapse`.

    Notes
    -----
    The defaults were chosen by cross-validated log-loss on one half of the annotated popular songs: songs that are
    related stood in one half.
    """

    calibrated = True

    def __init__(
        self,
        channels: str = AUTO,
        width: float = 1.0,
        l2: float = 0.5,
        single_note: float = 0.5,
        shared: float = 0.8,
        by_third: float = 0.2,
        own: float = 0.01,
        max_pieces: int = 1500,
        inner_folds: int = 5,
        random_state: int = 0,
    ):
        self.channels = channels
        self.width = width
        self.l2 = l2
        self.single_note = single_note
        self.shared = shared
        self.by_third = by_third
        self.own = own
        self.max_pieces = max_pieces
        self.inner_folds = inner_folds
        self.random_state = random_state

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Takes what its channels are of."""
        return Tags(takes="either" if self.channels == AUTO else channel_set(self.channels).takes, learns=True)

    def check_parameters(self) -> None:
        """Complain of channels that there are none of, or of numbers that make no model."""
        if self.channels != AUTO:
            channel_set(self.channels)
        for name in ("width", "l2", "single_note", "shared", "own"):
            if not 0.0 < getattr(self, name) < np.inf:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: a finite number above 0")
        if not 0.0 <= self.by_third < np.inf:
            raise EstimatorError(f"by_third is {self.by_third!r}; accepted: a finite number of 0 or more")
        for name, least in (("max_pieces", 1), ("inner_folds", 2)):
            if getattr(self, name) < least:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: {least} or more")

    def fit(self, X: Any, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner folds, `groups` of related pieces."""
        self.check_parameters()
        X = as_music(X)
        truth = as_truth(y, len(X))
        fold_of = inner_folds(len(X), groups, self.inner_folds, self.random_state)
        self.log_modes_ = log_mode_shares(truth)
        self._note(X, truth)
        known, channels = channel_set(self.channels, X), centred_channels(X, self.channels)
        self.scale_ = channel_scales(channels, known, self.single_note)
        self.scale_ /= known.weight
        channels = channels / self.scale_[:, None].astype(channels.dtype)
        if len(channels) > self.max_pieces:
            some = np.sort(np.random.default_rng(self.random_state).permutation(len(channels))[: self.max_pieces])
            channels, truth, fold_of = channels[some], truth[some], fold_of[some]

        kernel = likeness(channels, channels, self.width)
        scores = np.zeros((len(truth), N_KEYS))
        asked = [fold_of == fold for fold in np.unique(fold_of)]
        for out in asked if len(asked) > 1 else []:
            fitted = self._solve(kernel[np.ix_(~out, ~out)], truth[~out])
            scores[out] = _scores(kernel[np.ix_(out, ~out)], *fitted)
        self.sharpness_, self.lapse_ = fit_lapse(scores, truth) if len(asked) > 1 else (1.0, 0.0)
        self.pieces_ = channels
        self.coefficients_, self.bias_ = self._solve(kernel, truth)
        return self

    def predict_log_proba(self, X: Any) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        X = as_music(X)
        channels = centred_channels(X, self.channels, self.scale_)
        channels = channels / self.scale_[:, None].astype(channels.dtype)
        scores = np.empty((len(X), N_KEYS))
        batch = max(1, _BATCH_CELLS // (12 * len(self.pieces_)))
        for first in range(0, len(X), batch):
            rows = slice(first, first + batch)
            kernel = likeness(channels[rows], self.pieces_, self.width)
            scores[rows] = self.sharpness_ * _scores(kernel, self.coefficients_, self.bias_)
        silent = X.n_rows == 0
        scores[silent] = np.repeat(self.log_modes_, 12)  # nothing heard: the mode shares alone
        # Modes that training could not tell apart, as where labels name home notes only: the commoner one is said.
        log_p = log_softmax(np.round(scores, 4) - 1e-5 * np.repeat(MODE_RANK, 12))
        return self._claim(lapsing(log_p, self.lapse_), X)

    def _solve(self, kernel: FloatArray, truth: npt.NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
        """Return coefficients (n, 12, 7) and biases (7,)."""
        n, c = len(truth), len(self.scale_)
        covariance = mode_covariance(self.shared, self.by_third, self.own)
        mixing = np.linalg.cholesky(covariance)
        by_tonic = tonic_major(truth)
        root = circulant_root(kernel)
        found = minimize(
            objective,
            np.zeros(n * N_KEYS + N_MODES),
            args=(root, by_tonic, mixing, self.l2 / c),
            jac=True,
            method="L-BFGS-B",
            options={"maxiter": 300, "maxcor": 20, "ftol": 1e-6, "gtol": 1e-3},
        ).x
        # At the best point the whitened coefficients are -root(gradient) / l2, so those on the kernel itself are
        # -gradient / l2; no root has to be inverted.
        scores = (convolve(root, found[:-N_MODES].reshape(n, 12, N_MODES)) @ mixing.T + found[-N_MODES:]).reshape(n, -1)
        p = np.exp(log_softmax(scores))
        hit = np.where(by_tonic, p, 0.0)
        hit /= np.maximum(hit.sum(axis=1, keepdims=True), np.finfo(float).tiny)
        coefficients = (hit - p).reshape(n, 12, N_MODES) @ covariance / (self.l2 / c)
        return coefficients, found[-N_MODES:]


def _scores(kernel: FloatArray, coefficients: FloatArray, bias: FloatArray) -> FloatArray:
    """Scores of the 84 keys, in key order, by likeness to training pieces, shape (n, 84)."""
    spectrum = np.ascontiguousarray(rfft(kernel, axis=2).transpose(2, 0, 1))
    scores = convolve(spectrum, coefficients) + bias
    return key_order(scores)
