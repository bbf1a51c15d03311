"""How sure an answer may be: from any ranking of the keys to probabilities that hold.

A method ranks keys; how often its first choice is right is another question, which its training pieces answer. Two
plain steps, on arrays of log-probabilities:

- The probability of the first choice is a logistic regression on what the method says (the log-odds of its first
  choice, with two bends, and a slope of its own for modes with a major and with a minor third) and on the mode it names
  (Platt 1999; bends, slopes and mode: this project). A method that puts Mixolydian a hair above major is wrong far
  more often when it says Mixolydian, and one constant cannot say so.
- What is left goes to the other keys in proportion to what the method gives them, times a weight for how each stands to
  the first choice (relative, parallel, a fifth above, ...; another if the method cannot name the key) and a weight for
  its mode. The weights are such that, over the training pieces that were answered wrongly, each kind of key and each
  mode gets its share (iterative proportional fitting, Deming & Stephan 1940).

The first choice stays the first, and its probability rises with what the method gives it. Everything is counted from
it, so that moving the music moves all probabilities.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize, minimize_scalar
from scipy.special import softmax

from keybench.key import HAS_MINOR_THIRD, N_KEYS, N_MODES, RELATION_TABLE, RELATIONS

FloatArray = npt.NDArray[np.float64]
Learnt = dict[str, FloatArray]

LEAST = 1e-6
"""Probability that every key keeps, so that the log-loss of what nobody expected is large but finite."""

_LAPSES = (0.0, 0.005, 0.01, 0.02, 0.04, 0.08, 0.16)
_BENDS = (0.2, 0.8)  # quantiles of the log-odds at which the line may bend
_PARTS = len(_BENDS) + 1
_ROUNDS = 10  # of proportional fitting: the weights hardly move after them
_WRONG_PIECES = 500  # enough for a score of weights
_AHEAD = 1e-6  # part by which the first choice stays ahead
_UNNAMED = 1e-5  # where the weights of keys that cannot be named start from
_LARGEST_ODDS = 13.8  # log-odds of one in a million


def log_odds(p: FloatArray) -> FloatArray:
    """Return ``log(p / (1 - p))``, at most one in a million away from never and always."""
    p = np.clip(p, LEAST, 1.0 - LEAST)
    odds: FloatArray = np.log(p) - np.log1p(-p)
    return odds


def logistic(x: FloatArray) -> FloatArray:
    """Return ``1 / (1 + exp(-x))``."""
    share: FloatArray = 1.0 / (1.0 + np.exp(-np.clip(x, -_LARGEST_ODDS, _LARGEST_ODDS)))
    return share


def fit_right(design: FloatArray, right: FloatArray, usual: FloatArray, ridge: FloatArray, rising: int) -> FloatArray:
    """Return the weights of a logistic regression whose first columns may not have weights below zero.

    Targets are pulled towards one half by half a piece (Platt 1999), so that a few pieces that are all right do not
    make a method certain.

    Parameters
    ----------
    design : array, shape (n, n_columns)
    right : array, shape (n,)
        1 or 0.
    usual, ridge : arrays, shape (n_columns,)
        What weights are drawn to, and how strongly.
    rising : int
        Number of columns with weights of zero or more.
    """
    n = len(right)
    target = (right * n + 0.5) / (n + 1.0)

    def loss(weights: FloatArray) -> tuple[float, FloatArray]:
        odds = design @ weights
        away = weights - usual
        value = np.logaddexp(0.0, odds).sum() - target @ odds + 0.5 * (ridge * away**2).sum()
        return float(value), design.T @ (logistic(odds) - target) + ridge * away

    bounds = [(0.0, None)] * rising + [(None, None)] * (design.shape[1] - rising)
    weights: FloatArray = minimize(loss, usual, jac=True, method="L-BFGS-B", bounds=bounds).x
    return weights


def _design(first: FloatArray, top: npt.NDArray[np.int64], bends: FloatArray) -> FloatArray:
    """Return the columns of the regression, shape (n, 3 + 2 + 1 + 7).

    Log-odds in three parts, and again for modes with a major and with a minor third; one; the mode named.
    """
    odds = log_odds(first)
    low, high = bends
    parts = [np.minimum(odds, low), np.clip(odds, low, high) - low, np.maximum(odds - high, 0.0)]
    mode = top // 12
    third = [np.where(HAS_MINOR_THIRD[mode] == minor, odds - low, 0.0) for minor in (False, True)]
    return np.column_stack([*parts, *third, np.ones(len(odds)), mode[:, None] == np.arange(N_MODES)])


def _kinds(top: npt.NDArray[np.int64], named: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return how each key stands to the first choice, shape (n, 84): a relation, and whether it can be named."""
    kinds: npt.NDArray[np.int64] = RELATION_TABLE[top].astype(np.int64) + len(RELATIONS) * ~named
    return kinds


def _others(p: FloatArray, kinds: npt.NDArray[np.int64], by_kind: FloatArray, by_mode: FloatArray) -> FloatArray:
    """Return the distribution over the keys that were not chosen, shape (n, 84), zero at the first choice."""
    raw = np.where(kinds == 0, 0.0, (p + 1e-12) * by_kind[kinds] * np.repeat(by_mode, 12))
    return raw / raw.sum(axis=1, keepdims=True)


def fit_sureness(
    log_proba: FloatArray, truth: npt.NDArray[np.bool_], named: npt.NDArray[np.bool_] | None = None
) -> Learnt:
    """Learn how sure a method's answers may be.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
        What the method says of pieces that it did not learn from, or of its training pieces if it hardly learns.
    truth : bool array, shape (n, 84)
        Acceptable keys.
    named : bool array, shape (n, 84), optional
        Keys that the method can name; all by default.

    Returns
    -------
    dict of arrays
        ``bends`` (2,) of the log-odds; ``right`` (13,) weights of the regression; weights of the other keys,
        ``by_kind`` (14,) by how they stand to the first choice, named and not, and ``by_mode`` (7,).
    """
    named = np.ones(log_proba.shape, dtype=bool) if named is None else named
    rows = np.arange(len(log_proba))
    top = log_proba.argmax(axis=1)
    p = np.where(named, np.exp(log_proba), _UNNAMED)
    first = p[rows, top]
    right = truth[rows, top].astype(float)
    bends = np.quantile(log_odds(first), _BENDS)
    design = _design(first, top, bends)
    usual = np.append(np.ones(_PARTS), np.zeros(2 + 1 + N_MODES))  # what the method says, at its word
    ridge = np.append(np.ones(_PARTS + 2), [1e-3, *np.ones(N_MODES)])
    learnt = {"bends": bends, "right": fit_right(design, right, usual, ridge, _PARTS + 2)}

    wrong = np.flatnonzero(right == 0)
    wrong = wrong[:: max(1, len(wrong) // _WRONG_PIECES)]
    p, true, kinds = p[wrong], truth[wrong], _kinds(top, named)[wrong]
    modes = np.broadcast_to(np.arange(N_KEYS) // 12, kinds.shape)
    by_kind, by_mode = np.ones(2 * len(RELATIONS)), np.ones(N_MODES)
    for _ in range(_ROUNDS):
        for weights, of in ((by_kind, kinds), (by_mode, modes)):
            q = _others(p, kinds, by_kind, by_mode)
            hit = np.where(true, q, 0.0)
            hit /= np.maximum(hit.sum(axis=1, keepdims=True), 1e-300)
            expected, found = (np.bincount(of.ravel(), mass.ravel(), len(weights)) for mass in (q, hit))
            weights *= (found + 0.5) / (expected + 0.5)
            weights /= weights.max()
            np.maximum(weights, 1e-9, out=weights)
    return learnt | {"by_kind": by_kind, "by_mode": by_mode}


def sure_log_proba(
    log_proba: FloatArray,
    learnt: Learnt,
    named: npt.NDArray[np.bool_] | None = None,
    trust: FloatArray | None = None,
) -> FloatArray:
    """Return log-probabilities that are as sure as the method has been found to be right, shape (n, 84).

    Parameters
    ----------
    log_proba : array, shape (n, 84)
    learnt : dict of arrays
        From `fit_sureness`.
    named : bool array, shape (n, 84), optional
        As there.
    trust : array, shape (n,), optional
        From 0 to 1: how much of what was learnt may make a first choice surer than the method itself is.
    """
    named = np.ones(log_proba.shape, dtype=bool) if named is None else named
    rows = np.arange(len(log_proba))
    top = log_proba.argmax(axis=1)
    p = np.where(named, np.exp(log_proba), _UNNAMED)
    odds = _design(p[rows, top], top, learnt["bends"]) @ learnt["right"]
    if trust is not None:
        said = log_odds(p[rows, top])
        odds = np.minimum(odds, said + trust * (odds - said))
    others = _others(p, _kinds(top, named), learnt["by_kind"], learnt["by_mode"])
    return _put_together(others, logistic(odds), top)


def fit_lapse(scores: FloatArray, truth: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return the sharpness and the lapse that make answers most likely.

    Probabilities are ``(1 - lapse) * softmax(sharpness * scores) + lapse / 84``. A lapse is a truth that nothing heard
    speaks for, such as a recording that runs a semitone sharp: without one, a few of them would make a method unsure of
    all its answers. It is at least half a piece's worth.

    Parameters
    ----------
    scores : array, shape (n, 84)
        Of pieces that were not learnt from.
    truth : bool array, shape (n, 84)
    """
    best = (np.inf, 1.0, _LAPSES[-1])
    for lapse in {max(lapse, 0.5 / (len(scores) + 1)) for lapse in _LAPSES}:

        def loss(log_sharpness: float, lapse: float = lapse) -> float:
            p = softmax(np.exp(log_sharpness) * scores, axis=1)
            return -float(np.log((1.0 - lapse) * (p * truth).sum(axis=1) + lapse * truth.mean(axis=1)).sum())

        found = minimize_scalar(loss, bounds=(-3.0, 3.0), method="bounded")
        best = min(best, (float(found.fun), float(np.exp(found.x)), lapse))
    return best[1], best[2]


def lapsing(log_proba: FloatArray, lapse: float) -> FloatArray:
    """Return log-probabilities with a lapse spread over all keys, shape (n, 84); see `fit_lapse`."""
    return np.logaddexp(np.log1p(-lapse) + log_proba, np.log(lapse / N_KEYS)) if lapse else log_proba


def usual_rows(n_rows: npt.NDArray[np.int64]) -> float:
    """Return the number of notes (or frames) that all but a twentieth of the training pieces have."""
    return float(max(np.quantile(n_rows, 0.05), 1.0))


def trust_in(n_rows: npt.NDArray[np.int64], usual: float) -> FloatArray:
    """Return how far what was learnt of whole pieces holds for pieces of some numbers of notes, from 0 to 1.

    It grows with the square root of the notes, as what they prove does.
    """
    trust: FloatArray = np.sqrt(np.minimum(n_rows / usual, 1.0))
    return trust


def raise_first(log_proba: FloatArray, sure: FloatArray) -> FloatArray:
    """Give the first choice of each piece the probability `sure`, and the others what is left, in proportion.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
    sure : array, shape (n,)
    """
    top = log_proba.argmax(axis=1)
    kinds = np.where(np.arange(N_KEYS) == top[:, None], 0, 1)
    return _put_together(_others(np.exp(log_proba), kinds, np.ones(2), np.ones(N_MODES)), sure, top)


def put_first(log_proba: FloatArray, first: npt.NDArray[np.int64]) -> FloatArray:
    """Let another key than the most probable come first, no surer than the method is of it.

    It keeps its probability, which says how often such an answer is right; those that were more probable are held just
    below it, and what they lose goes to the others in proportion. Where `first` is the most probable key, nothing
    changes.

    Parameters
    ----------
    log_proba : array, shape (n, 84)
    first : int array, shape (n,)
        The key to answer with.
    """
    out = log_proba.copy()
    rows = np.flatnonzero(log_proba.argmax(axis=1) != first)
    if len(rows):
        p = np.exp(log_proba[rows])
        kinds = np.where(np.arange(N_KEYS) == first[rows, None], 0, 1)
        others = _others(p, kinds, np.ones(2), np.ones(N_MODES))
        out[rows] = _put_together(others, p[np.arange(len(rows)), first[rows]], first[rows])
    return out


def _put_together(others: FloatArray, sure: FloatArray, top: npt.NDArray[np.int64]) -> FloatArray:
    """Return log-probabilities of the first choice and the others, shape (n, 84).

    The first choice stays the first: others that would be more probable are held a hair below it, and what they lose
    goes to those below, in proportion.

    Parameters
    ----------
    others : array, shape (n, 84)
        A distribution, zero at the first choice.
    sure : array, shape (n,)
        Probability of the first choice.
    top : int array, shape (n,)
    """
    sure = np.maximum(sure, 1.0 / N_KEYS)
    rest = others * (1.0 - sure)[:, None]
    limit = sure * (1.0 - _AHEAD)
    over = np.flatnonzero(rest.max(axis=1, initial=0.0) > limit)
    if len(over):
        rest[over] = _held_below(rest[over], limit[over])
    rest[np.arange(len(rest)), top] = 0.0
    rest[np.arange(len(rest)), top] = 1.0 - rest.sum(axis=1)
    return np.log((1.0 - N_KEYS * LEAST) * rest + LEAST)


def _held_below(rest: FloatArray, limit: FloatArray) -> FloatArray:
    """Hold values below a limit, keeping the sum of each row: what some lose goes to the others in proportion.

    Parameters
    ----------
    rest : array, shape (n, m)
        Zero or more; 83 or more times the limit can be held.
    limit : array, shape (n,)
    """
    ordered = -np.sort(-rest, axis=1)
    total = ordered.sum(axis=1, keepdims=True)
    held = np.arange(rest.shape[1])  # how many of the largest are held at the limit
    below = np.cumsum(ordered[:, ::-1], axis=1)[:, ::-1]  # from the smallest up, which keeps what is tiny exact
    factor = np.maximum(total - held * limit[:, None], 0.0) / np.maximum(below, 1e-300)
    enough = ordered * factor <= limit[:, None]
    first = np.argmax(enough, axis=1)
    return np.minimum(rest * factor[np.arange(len(rest)), first][:, None], limit[:, None])
