"""A logistic model that is equivariant under transposition by construction.

One softmax over all 84 keys. The score of a key is a weighted sum of the pitch-class channels as seen from its tonic,
with one set of weights per mode, so moving the music by k moves every score by k. A truth that is a set of acceptable
keys contributes the summed probability of the set.

Two things make it fast and steady:

- "Seen from every tonic" is a circular correlation, so the twelve scores of a mode come from products in the discrete
  Fourier domain, twelve times cheaper than twelve rotated copies of the input.
- The modes share strength: the ridge penalty is that of a Gaussian prior whose covariance between modes has a part
  common to all, a part common to modes with the same third, and a part of its own (as in hierarchical ridge
  regression). What speaks for a home note is mostly the same in major and Mixolydian, and there is little of the latter
  to learn from.

The natural decision uses the mode shares of the training pieces. The mode-balanced decision takes a part of them out
again: it finds more Dorian and Mixolydian pieces and pays with some major ones. How large a part is chosen on inner
folds of the training pieces, and so are the sharpness and the lapse of the probabilities.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from keybench.errors import EstimatorError
from keybench.estimators.base import (
    MODE_RANK,
    FloatArray,
    KeyEstimator,
    Tags,
    as_music,
    as_truth,
    check_groups,
    log_softmax,
)
from keybench.estimators.channels import AUTO, centred_channels, channel_scales, channel_set, in_words
from keybench.estimators.inner import inner_folds, log_likelihoods, log_mode_shares, mode_balanced
from keybench.estimators.sureness import fit_lapse, lapsing
from keybench.key import HAS_MINOR_THIRD, KEY_NAMES, N_KEYS, N_MODES, key_at
from keybench.notes import NoteTable

Float32Array = npt.NDArray[np.float32]

_FOLDS = 5  # inner folds of the training pieces
_ANSWERS = 450  # to pieces held out: enough to fit two numbers by; few pieces are asked about fold by fold

_PLACES = np.arange(12)
FOURIER: FloatArray = np.column_stack(
    [np.full(12, 1 / np.sqrt(12))]
    + [
        wave(2 * np.pi * _PLACES * k / 12) * np.sqrt(2 / 12)
        for k in range(1, 6)
        for wave in (np.cos, np.sin)
    ]
    + [(-1.0) ** _PLACES / np.sqrt(12)]
)  # fmt: skip
"""(12, 12) orthonormal real Fourier basis over pitch classes, one basis vector per column."""


def to_blocks(channels: Float32Array) -> list[Float32Array]:
    """Split channels (n, C, 12) by frequency: (n, C) for 0 and 6, (n, 2C) cosine and sine parts for 1 to 5."""
    n, c, _ = channels.shape
    z = (channels.reshape(-1, 12) @ FOURIER.astype(channels.dtype)).reshape(n, c, 12)
    pairs = [np.concatenate([z[:, :, 2 * k - 1], z[:, :, 2 * k]], axis=1) for k in range(1, 6)]
    return [np.ascontiguousarray(block) for block in (z[:, :, 0], *pairs, z[:, :, 11])]


def correlate(blocks: list[Float32Array], weights: Float32Array) -> Float32Array:
    """Score every tonic and mode: ``s[n, t, m] = sum_{c, j} x[n, c, (j + t) % 12] * weights[c, m, j]``.

    Parameters
    ----------
    blocks : list
        Channels as split by `to_blocks`.
    weights : array, shape (C, M, 12)

    Returns
    -------
    array, shape (n, 12, M)
    """
    c, m, _ = weights.shape
    n, dtype = len(blocks[0]), weights.dtype
    w = (weights.reshape(-1, 12) @ FOURIER.astype(dtype)).reshape(c, m, 12)
    s = np.empty((n, 12, m), dtype)
    s[:, 0] = blocks[0] @ w[:, :, 0] * dtype.type(np.sqrt(12))
    for k in range(1, 6):
        cos, sin = w[:, :, 2 * k - 1], w[:, :, 2 * k]
        mixed = np.block([[cos, -sin], [sin, cos]]) * dtype.type(np.sqrt(6))
        s[:, 2 * k - 1 : 2 * k + 1] = (blocks[k] @ mixed).reshape(n, 2, m)
    s[:, 11] = blocks[6] @ w[:, :, 11] * dtype.type(np.sqrt(12))
    scores: Float32Array = np.matmul(FOURIER.astype(dtype), s)
    return scores


def correlate_gradient(blocks: list[Float32Array], gradient: Float32Array, c: int) -> Float32Array:
    """Carry a gradient over scores, (n, 12, M), back to the weights, (C, M, 12): the adjoint of `correlate`."""
    n, _, m = gradient.shape
    dtype = gradient.dtype
    g = np.matmul(FOURIER.T.astype(dtype), gradient)
    w = np.empty((c, m, 12), dtype)
    w[:, :, 0] = blocks[0].T @ g[:, 0] * dtype.type(np.sqrt(12))
    for k in range(1, 6):
        r = blocks[k].T @ np.ascontiguousarray(g[:, 2 * k - 1 : 2 * k + 1]).reshape(n, 2 * m) * dtype.type(np.sqrt(6))
        w[:, :, 2 * k - 1] = r[:c, :m] + r[c:, m:]
        w[:, :, 2 * k] = r[c:, :m] - r[:c, m:]
    w[:, :, 11] = blocks[6].T @ g[:, 11] * dtype.type(np.sqrt(12))
    back: Float32Array = (w.reshape(-1, 12) @ FOURIER.T.astype(dtype)).reshape(c, m, 12)
    return back


def mode_covariance(shared: float, by_third: float, own: float) -> FloatArray:
    """Prior covariance between the modes: parts common to all, to those with the same third, to each alone, (7, 7)."""
    same_third = HAS_MINOR_THIRD[:, None] == HAS_MINOR_THIRD[None, :]
    covariance: FloatArray = shared + by_third * same_third + own * np.eye(N_MODES)
    return covariance


def tonic_major(truth: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Turn truths (n, 84) in key order into tonic-major order: column ``7 * tonic + mode``."""
    return np.ascontiguousarray(truth.reshape(-1, N_MODES, 12).transpose(0, 2, 1)).reshape(-1, N_KEYS)


def objective(
    parameters: FloatArray,
    blocks: list[Float32Array],
    truth: npt.NDArray[np.bool_],
    mixing: Float32Array,
    l2: float,
) -> tuple[float, FloatArray]:
    """Return the penalised negative log-likelihood and its exact gradient.

    Parameters
    ----------
    parameters : array, shape (C * 7 * 12 + 7,)
        Independent weights, then one bias per mode.
    blocks : list
        Channels of the training pieces as split by `to_blocks`.
    truth : bool array, shape (n, 84)
        In tonic-major order: column ``7 * tonic + mode``.
    mixing : array, shape (7, 7)
        Square root of the covariance between modes; weights are ``mixing @ independent``.
    l2 : float
        Ridge penalty on the independent weights.
    """
    n, c = blocks[0].shape
    dtype = mixing.dtype
    p = parameters.astype(dtype)
    independent, bias = p[:-N_MODES].reshape(c, N_MODES, 12), p[-N_MODES:]
    s = (correlate(blocks, np.matmul(mixing, independent)) + bias).reshape(n, N_KEYS)
    s -= s.max(axis=1, keepdims=True)
    np.exp(s, out=s)
    s /= s.sum(axis=1, keepdims=True)
    hit = s * truth
    mass = np.maximum(hit.sum(axis=1, keepdims=True), np.finfo(dtype).tiny)
    loss = -float(np.log(mass).sum(dtype=float))
    hit /= mass
    s -= hit
    g = s.reshape(n, 12, N_MODES)
    d_independent = np.matmul(mixing.T, correlate_gradient(blocks, g, c)) + dtype.type(l2) * independent
    d_bias = g.sum(axis=(0, 1)) + dtype.type(0.01) * bias  # a touch, so that a mode never seen keeps a finite bias
    loss += 0.5 * l2 * float((independent.astype(float) ** 2).sum()) + 0.005 * float((bias.astype(float) ** 2).sum())
    return loss, np.concatenate([d_independent.ravel(), d_bias]).astype(float)


class TiedLogistic(KeyEstimator):
    """Transposition-tied multinomial logistic regression over the 84 keys.

    Parameters
    ----------
    decision : {"natural", "mode-balanced"}
        Use the mode shares of the training pieces, or take a part of them out of the choice of the key that comes
        first (see `keybench.estimators.inner.mode_balanced`).
    channels : str
        A name in `keybench.estimators.channels.CHANNEL_SETS`, or ``auto`` for the usual ones of notes or chroma.
    l2 : float
        Ridge penalty, for channels scaled to unit mean square length over the training pieces.
    single_note : float
        Length, instead of one, of the channels that mark a single note: one observation deserves less trust.
    shared, by_third, own : float
        Parts of the prior covariance between modes: common to all, to those with the same third, to each alone.
    exact_cost : float
        Largest fall in the expected share of right answers, on inner folds, that the mode-balanced decision may
        cost.
    tolerance : float
        Relative change of the objective at which L-BFGS stops.
    random_state : int
        Seed of the inner folds.

    Attributes
    ----------
    weights_ : array, shape (n_channels, 7, 12)
    bias_ : array, shape (7,)
    scale_ : array, shape (n_channels,)
        What each channel is divided by: its root mean square length as a vector over the pitch classes less its
        mean, and for channels of single notes that over `single_note`.
    log_modes_ : array, shape (7,)
        Logarithms of the mode shares in training.
    sharpness_, lapse_ : float
        How sure the probabilities are; see `keybench.estimators.sureness.fit_lapse`.
    flattening_ : float
        Part of `log_modes_` that the mode-balanced decision takes out.

    Notes
    -----
    The defaults of `l2`, `single_note` and the covariance were chosen by cross-validated log-loss on the folk-tune
    collections, over several ways of dealing the folds.
    Multinomial logistic regression: McFadden 1974; temperature: Guo et al. 2017; prior correction: Saerens et al. 2002.
    """

    decision_parameters = ("decision",)
    calibrated = True

    def __init__(
        self,
        decision: str = "natural",
        channels: str = AUTO,
        l2: float = 18.0,
        single_note: float = 0.5,
        shared: float = 1.0,
        by_third: float = 0.5,
        own: float = 2.0,
        exact_cost: float = 0.012,
        tolerance: float = 3e-6,
        random_state: int = 0,
    ):
        self.decision = decision
        self.channels = channels
        self.l2 = l2
        self.single_note = single_note
        self.shared = shared
        self.by_third = by_third
        self.own = own
        self.exact_cost = exact_cost
        self.tolerance = tolerance
        self.random_state = random_state

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Takes what its channels are of."""
        return Tags(takes="either" if self.channels == AUTO else channel_set(self.channels).takes, learns=True)

    def check_parameters(self) -> None:
        """Complain of channels that there are none of, or of numbers that make no model."""
        self._check_decision()
        if self.channels != AUTO:
            channel_set(self.channels)
        for name in ("l2", "single_note", "shared", "own", "tolerance"):
            if not 0.0 < getattr(self, name) < np.inf:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: a finite number above 0")

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner folds, `groups` of related pieces."""
        self.check_parameters()
        X = as_music(X)
        truth = as_truth(y, len(X))
        check_groups(groups, len(X))
        self.__dict__.pop("scale_", None)  # of an earlier fit, perhaps to another medium
        channels = self._centred(X)
        self.scale_ = channel_scales(channels, channel_set(self.channels, X), self.single_note)
        channels = channels / self.scale_[:, None].astype(channels.dtype)
        self.log_modes_ = log_mode_shares(truth)
        self._note(X, truth)

        fold_of = inner_folds(len(X), groups, _FOLDS, self.random_state)
        nothing = np.zeros(channels.shape[1] * N_MODES * 12 + N_MODES)
        solution = nothing
        self.sharpness_, self.lapse_, self.flattening_ = 1.0, 0.0, 0.0
        scores: list[FloatArray] = []
        asked = np.zeros(0, dtype=np.int64)
        for fold in range(int(fold_of.max()) + 1) if fold_of.any() else ():
            held = fold_of == fold
            solution = self._solve(channels[~held], truth[~held], nothing)
            scores.append(self._score(channels[held], solution))
            asked = np.append(asked, np.flatnonzero(held))
            if len(asked) >= _ANSWERS:
                break
        if scores:
            answers = np.concatenate(scores)
            self.sharpness_, self.lapse_ = fit_lapse(answers, truth[asked])
            self.flattening_ = self._choose_flattening(lapsing(log_softmax(self.sharpness_ * answers), self.lapse_))
        solution = self._solve(channels, truth, solution)
        self.weights_, self.bias_ = self._unpack(solution, channels.shape[1])
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        self._check_decision()
        log_p = self._log_proba(X)
        if self.decision == "mode-balanced":
            log_p = mode_balanced(log_p, self.log_modes_, self.flattening_)
        return self._claim(log_p, X)

    def predict_log_likelihood(self, X: NoteTable) -> FloatArray:
        """Return log-likelihoods of the music in each key, up to a constant for each piece, shape (n, 84).

        Adding the logarithms of any mode shares gives the decision for music with those shares: `log_modes_` the
        natural one, nothing the wholly balanced one.
        """
        self._check_fitted()
        return log_likelihoods(self._log_proba(X), self.log_modes_)

    def _log_proba(self, X: NoteTable) -> FloatArray:
        """Log-probabilities with the mode shares of the training pieces, shape (n, 84)."""
        channels = self._centred(as_music(X)) / self.scale_[:, None].astype(np.float32)
        scores = self.sharpness_ * key_order(correlate(to_blocks(channels), self.weights_) + self.bias_)
        silent = X.n_rows == 0
        scores[silent] = np.repeat(self.log_modes_, 12)  # nothing heard: the mode shares alone
        # Modes that training could not tell apart, as where labels name home notes only: the commoner one is said.
        log_p = log_softmax(np.round(scores, 4) - 1e-5 * np.repeat(MODE_RANK, 12))
        lapse = getattr(self, "lapse_", 0.0)  # a model fitted before there was one has none
        return np.where(silent[:, None], log_p, lapsing(log_p, lapse))

    def _check_decision(self) -> None:
        if self.decision not in ("natural", "mode-balanced"):
            raise EstimatorError(f"unknown decision {self.decision!r}; accepted: natural, mode-balanced")

    def _centred(self, X: NoteTable) -> Float32Array:
        """Channels less their mean over the pitch classes, which says nothing about where home is."""
        return centred_channels(X, self.channels, getattr(self, "scale_", None))

    def _mixing(self) -> Float32Array:
        return np.linalg.cholesky(mode_covariance(self.shared, self.by_third, self.own)).astype(np.float32)

    def _solve(self, channels: Float32Array, truth: npt.NDArray[np.bool_], start: FloatArray) -> FloatArray:
        blocks = to_blocks(channels)
        found = minimize(
            objective,
            start,
            args=(blocks, tonic_major(truth), self._mixing(), self.l2),
            jac=True,
            method="L-BFGS-B",
            options={"maxiter": 300, "maxcor": 20, "ftol": self.tolerance, "gtol": 1e-2},
        )
        solution: FloatArray = found.x
        return solution

    def _unpack(self, solution: FloatArray, c: int) -> tuple[Float32Array, Float32Array]:
        independent = solution[:-N_MODES].reshape(c, N_MODES, 12).astype(np.float32)
        return np.matmul(self._mixing(), independent), solution[-N_MODES:].astype(np.float32)

    def _score(self, channels: Float32Array, solution: FloatArray) -> FloatArray:
        weights, bias = self._unpack(solution, channels.shape[1])
        return key_order(correlate(to_blocks(channels), weights) + bias)

    def _choose_flattening(self, log_p: FloatArray) -> float:
        """Largest part of the mode shares that can be taken out at an expected cost of at most `exact_cost`.

        The cost is read off the calibrated probabilities of pieces held out rather than counted on its labels: the
        expectation is the same and varies far less on a few hundred pieces.
        """
        rows = np.arange(len(log_p))
        prior = np.repeat(self.log_modes_, 12)
        p = np.exp(log_p)
        parts = np.arange(0.0, 1.0001, 0.05)
        kept = np.array([p[rows, (log_p - part * prior).argmax(axis=1)].mean() for part in parts])
        return float(parts[kept >= kept[0] - self.exact_cost].max())

    def _reasons(self, X: NoteTable) -> list[str]:
        best = int(self.predict(X)[0])
        channels = self._centred(X) / self.scale_[:, None].astype(np.float32)
        rolled = np.roll(channels[0], -(best % 12), axis=1)
        rivals = self.predict_log_proba(X)[0].copy()
        rivals[best % 12 :: 12] = -np.inf if self.home_notes_only else rivals[best % 12 :: 12]
        rivals[best] = -np.inf
        other = int(rivals.argmax())
        seen_from_other = np.roll(channels[0], -(other % 12), axis=1)
        ours, theirs = (self.weights_[:, key // 12] for key in (best, other))
        if self.home_notes_only:
            ours = theirs = self.weights_.mean(axis=1)
        gain = (rolled * ours).sum(axis=1) - (seen_from_other * theirs).sum(axis=1)
        names = channel_set(self.channels, X).names
        top = [in_words(names[i]) for i in np.argsort(-gain)[:3] if gain[i] > 0]
        names_of = [key_at(k).tonic_name if self.home_notes_only else KEY_NAMES[k] for k in (best, other)]
        against = " against ".join(names_of)
        return [f"What weighs most for {against}: {'; '.join(top)}."] if top else []


def key_order(scores: npt.NDArray) -> FloatArray:
    """Turn (n, 12, 7) scores by tonic and mode into (n, 84) in key order."""
    return scores.transpose(0, 2, 1).reshape(len(scores), N_KEYS).astype(float)
