"""What a method that follows the key says of each step of a piece, and how such answers of several methods are joined.

Methods cut the music into steps of their own: beats, half beats, hops of a window. `resample` puts the answers of one
onto the steps of another; between its steps, an answer holds until the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from keybench.errors import EstimatorError
from keybench.key import N_KEYS, N_MODES

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FLAT = -float(np.log(N_KEYS))
"""Log-probability of each key where nothing is known."""

_LEAST = 1e-6  # probability left to each key that a method cannot name or rules out
_HAIR = 1e-3  # of a step: well over rounding; a step that begins no later holds already


@dataclass(frozen=True)
class Followed:
    """Log-probabilities of the keys, step by step.

    Parameters
    ----------
    offsets : int array, shape (n_pieces + 1,)
        Steps of piece i are ``offsets[i]:offsets[i + 1]``; a piece without notes may have none.
    begins : array, shape (n_steps,)
        When each step begins, in the unit of the music, ascending within a piece. A step lasts until the next.
    log_proba : array, shape (n_steps, 84)
        Natural logarithms of probabilities that sum to 1.
    """

    offsets: IntArray
    begins: FloatArray
    log_proba: FloatArray

    def __post_init__(self) -> None:
        n = len(self.begins)
        if self.log_proba.shape != (n, N_KEYS) or not len(self.offsets) or self.offsets[0] or self.offsets[-1] != n:
            raise EstimatorError(
                f"{n} steps have log-probabilities of shape {self.log_proba.shape} and offsets from "
                f"{self.offsets[:1].tolist()} to {self.offsets[-1:].tolist()}; accepted: ({n}, {N_KEYS}), from 0 to {n}"
            )

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def n_steps(self) -> IntArray:
        """Steps of each piece, shape (n_pieces,)."""
        return np.diff(self.offsets)


def over_keys(log_proba: FloatArray, modes: Any) -> FloatArray:
    """Spread log-probabilities of the states ``12 * place in modes + tonic`` over the 84 keys.

    Keys of other modes and states that are ruled out keep a small probability, so that a mean of logarithms is finite.

    Parameters
    ----------
    log_proba : array, shape (n, 12 * len(modes))
    modes : sequence of int

    Returns
    -------
    array, shape (n, 84)
    """
    floor = np.log(_LEAST)
    out = np.full((len(log_proba), N_MODES, 12), floor)
    out[:, np.asarray(modes, dtype=np.int64)] = np.maximum(log_proba, floor).reshape(len(log_proba), len(modes), 12)
    flat = out.reshape(len(log_proba), N_KEYS)
    total: FloatArray = np.log(np.exp(flat).sum(axis=1, keepdims=True))
    return flat - total


def whole_as_step(begins: FloatArray, log_proba: FloatArray) -> Followed:
    """Take one answer for each piece as its only step.

    Parameters
    ----------
    begins : array, shape (n_pieces,)
        When each piece begins.
    log_proba : array, shape (n_pieces, 84)
    """
    return Followed(np.arange(len(begins) + 1), begins, log_proba)


def resample(answer: Followed, offsets: IntArray, begins: FloatArray) -> FloatArray:
    """Return what an answer says in the middle of other steps of the same pieces, shape (n_steps, 84).

    A last step is taken to be as long as the one before it. Where the answer has no steps, all keys are alike.

    Parameters
    ----------
    answer : Followed
    offsets : int array, shape (n_pieces + 1,)
    begins : array, shape (n_steps,)

    Raises
    ------
    EstimatorError
        If the numbers of pieces differ.
    """
    if len(answer) != len(offsets) - 1:
        raise EstimatorError(f"an answer to {len(answer)} pieces cannot be put onto steps of {len(offsets) - 1}")
    out = np.full((len(begins), N_KEYS), FLAT)
    for (a, b), (first, end) in zip(pairwise(offsets), pairwise(answer.offsets), strict=True):
        if b > a and end > first:
            length = np.diff(begins[a:b])
            length = np.append(length, length[-1:] if b - a > 1 else 0.0)
            # A hair beyond the middle: an edge that falls on it by rounding must not make tempo a matter.
            moment = begins[a:b] + (0.5 + _HAIR) * length
            which = np.searchsorted(answer.begins[first:end], moment, side="right") - 1
            out[a:b] = answer.log_proba[first:end][np.maximum(which, 0)]
    return out


def finest(answers: list[Followed]) -> tuple[IntArray, FloatArray]:
    """Return the steps of the answer that has most of them, piece by piece; of equals, of the first.

    Returns
    -------
    offsets : int array, shape (n_pieces + 1,)
    begins : array, shape (n_steps,)
    """
    most = np.argmax([answer.n_steps for answer in answers], axis=0)
    parts = [answers[k].begins[slice(*answers[k].offsets[i : i + 2])] for i, k in enumerate(most)]
    offsets = np.append(0, np.cumsum([len(part) for part in parts])).astype(np.int64)
    return offsets, np.concatenate(parts) if parts else np.zeros(0)
