"""Scores of one key per piece.

Each function takes predicted key indices, shape (n,), and acceptable keys, bool (n, 84), and returns one float per
piece. An index of -1 is a failure: it scores 0 everywhere.
"""

from __future__ import annotations

from functools import cache

import mir_eval
import numpy as np
import numpy.typing as npt

from keybench.key import MAJOR, MINOR, N_KEYS, Key, project, project_mask

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]


def validate(predicted: npt.ArrayLike, truth: npt.ArrayLike) -> tuple[IntArray, BoolArray]:
    """Return both as arrays of the right shapes.

    Raises
    ------
    ValueError
        If the shapes do not fit, an index is out of range or a piece has no acceptable key.
    """
    p, t = np.asarray(predicted), np.asarray(truth)
    if t.ndim != 2 or t.shape[1] != N_KEYS or p.shape != (len(t),):
        raise ValueError(f"shapes {p.shape} and {t.shape}; accepted: (n,) key indices and (n, {N_KEYS}) truth sets")
    if len(p) and (p.min() < -1 or p.max() >= N_KEYS):
        raise ValueError(f"key indices run from {p.min()} to {p.max()}; accepted: -1 (failed) to {N_KEYS - 1}")
    t = t.astype(bool)
    if not t.any(axis=1).all():
        raise ValueError(f"piece {int(np.argmin(t.any(axis=1)))} has no acceptable key")
    return p.astype(np.int64), t


def exact(predicted: npt.ArrayLike, truth: npt.ArrayLike, labels: str = "modes") -> FloatArray:
    """Return 1 where the predicted key, projected to the label space, is acceptable.

    Parameters
    ----------
    predicted : int array, shape (n,)
        Key indices; -1 is a failure.
    truth : bool array, shape (n, 84)
    labels : {"modes", "major-minor", "tonic"}

    Returns
    -------
    float array, shape (n,)

    Raises
    ------
    ValueError
        See `validate`.
    """
    p, t = validate(predicted, truth)
    hit = project_mask(t, labels)[np.arange(len(p)), project(np.maximum(p, 0), labels)]
    return (hit & (p >= 0)).astype(float)


def tonic(predicted: npt.ArrayLike, truth: npt.ArrayLike) -> FloatArray:
    """Return 1 where the predicted key has an acceptable home note; arguments as for `exact`."""
    return exact(predicted, truth, "tonic")


@cache
def _mir_eval_table(both_fifths: bool) -> FloatArray:
    """(24, 24) scores of an estimate (column) against a reference (row), in the order of the major-minor space.

    The numbers come from mir_eval itself (fifth above .5, relative .3, parallel .2); the both-fifths variant adds .5
    for the fifth below in the same mode.
    """
    keys = [Key(t, m) for m in (MAJOR, MINOR) for t in range(12)]
    names = [key.to_mir_eval() for key in keys]
    table = np.array([[mir_eval.key.weighted_score(ref, est) for est in names] for ref in names])
    if both_fifths:
        for i, ref in enumerate(keys):
            table[i, keys.index(ref.transpose(-7))] = 0.5
    return table


def mir_eval_weighted(predicted: npt.ArrayLike, truth: npt.ArrayLike, both_fifths: bool = False) -> FloatArray:
    """mir_eval's weighted score after projecting both sides to major and minor by their thirds.

    Where several keys are acceptable the best of their scores counts. With `both_fifths` an estimate a fifth below
    scores like one a fifth above.
    """
    p, t = validate(predicted, truth)
    against = _mir_eval_table(both_fifths)[:, project(np.maximum(p, 0), "major-minor")].T
    best = np.where(project_mask(t, "major-minor"), against, 0.0).max(axis=1, initial=0.0)
    return np.where(p >= 0, best, 0.0)
