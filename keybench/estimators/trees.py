"""Gradient-boosted trees that are equivariant under transposition: twelve candidates for home are judged one by one.

A tree splits on single numbers, so it cannot share what it learns between tonics unless the numbers are already
counted from one. Each piece gives twelve rows, one for each pitch class taken for home, with the channels of
`keybench.estimators.features` rolled so that the candidate stands at 0. Two small forests answer in turn:

- Is the candidate home? Two classes, twelve rows for each piece.
- If it is, in which mode? One class for each mode with enough pieces, one row for each piece, seen from its home.

The log-odds of the twelve candidates become probabilities by a softmax whose sharpness is fitted on an inner hold-out,
and so do those of the modes. A label that leaves the mode open, as "minor or Dorian" does, counts in a second round for
the mode that the forest of the first finds most likely (classification by expectation and maximisation, Celeux &
Govaert 1992).

The trees see nothing of the logistic model. Forests that were given its answers, by inner folds, could do no better
than repeat them; without, they are right nearly as often and wrong differently, which is what an ensemble needs.

Gradient boosting: Friedman 2001; on histograms of the features: Ke et al. 2017, as in scikit-learn.
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from keybench.errors import EstimatorError
from keybench.estimators.base import (
    MODE_RANK,
    FloatArray,
    KeyEstimator,
    Tags,
    as_notes,
    as_truth,
    fit_sharpness,
    log_softmax,
)
from keybench.estimators.features import CHANNEL_NAMES, SINGLE_NOTE, tune_channels
from keybench.estimators.inner import inner_folds, log_likelihoods, log_mode_shares
from keybench.key import N_KEYS, N_MODES
from keybench.notes import NoteTable

Trees = dict[str, npt.NDArray]
"""A forest in plain arrays; see `plain_trees`."""

SPREAD: tuple[str, ...] = (
    "heard (share)", "strong beats", "downbeats", "longest fifth", "first quarter", "fourth quarter",
    "last eight", "last three", "first eight", "downbeats closing four bars", "downbeats closing eight bars",
    "notes closing four bars", "notes closing eight bars", "every eighth bar", "every first bar of eight",
)  # fmt: skip
"""Channels of many notes that the trees see, at `DEGREES`."""

DEGREES: tuple[int, ...] = (0, 2, 3, 4, 5, 7, 8, 9, 10, 11)
"""Semitones above the candidate: what tells major from minor and the modes apart, and the fifths."""

MOVED_TO: tuple[int, ...] = (0, 8, 9, 10, 11)
"""Where the trees see note-to-note steps arrive: home, and the sixths and sevenths, reached from above or below."""

_STEPS = (1, 2, 5, 7, 10, 11)  # semitones up, on the circle: seconds, fourth, fifth
_PIECES_PER_MODE = 20  # a mode with fewer is never told from others; it keeps its share
_BLOCK = 1024  # rows that walk down the trees together
_SPREAD_AT = np.array([CHANNEL_NAMES.index(name) for name in SPREAD])
_SINGLE_AT = np.flatnonzero(SINGLE_NOTE)
_STEPS_AT = np.array([CHANNEL_NAMES.index(f"step of {i}") for i in _STEPS])

FEATURE_NAMES: tuple[str, ...] = (
    *(f"{name} at {degree}" for name in SPREAD for degree in DEGREES),
    *(f"degree of {CHANNEL_NAMES[i]}" for i in _SINGLE_AT),
    *(f"step of {i} to {degree}" for i in _STEPS for degree in MOVED_TO),
)  # fmt: skip
"""Names of the columns of `candidate_features`, in order."""


def _seen_from_each(channels: npt.NDArray, degrees: tuple[int, ...]) -> FloatArray:
    """Channels (n, C, 12) at degrees above each candidate, shape (n, 12, C * n_degrees)."""
    n, c, _ = channels.shape
    places = (np.arange(12)[:, None] + np.array(degrees)) % 12
    return channels[:, :, places].transpose(0, 2, 1, 3).reshape(n, 12, c * len(degrees)).astype(float)


def candidate_features(table: NoteTable) -> FloatArray:
    """Describe each piece as seen from each pitch class, shape (n, 12, n_features)."""
    channels = table.feature(tune_channels)
    single = channels[:, _SINGLE_AT]
    degree = (single.argmax(axis=2)[:, None, :] - np.arange(12)[:, None]) % 12
    there = np.asarray((single > 0).any(axis=2))
    degree = np.where(there[:, None, :], degree, 12)  # 12: there is no such note
    # Rounded, so that the last digits of sums in another order do not send a piece down another branch.
    return np.concatenate(
        [
            np.round(_seen_from_each(channels[:, _SPREAD_AT], DEGREES), 5),
            degree.astype(float),
            np.round(_seen_from_each(channels[:, _STEPS_AT], MOVED_TO), 5),
        ],
        axis=2,
    )


def plain_trees(model: Any) -> Trees:
    """Turn a fitted scikit-learn model into plain arrays.

    Returns
    -------
    dict of arrays
        ``start`` (n_outputs,): the score before the first tree. ``feature``, ``left``, ``right`` (int),
        ``threshold`` and ``value`` (float), each (n_rounds, n_outputs, n_nodes): node 0 is the root; a row goes left
        where its feature is at most the threshold; a leaf is its own left and right, and gives the value.
    """
    nodes = [[tree.nodes for tree in trees] for trees in model._predictors]
    most = max(len(tree) for trees in nodes for tree in trees)
    shape = (len(nodes), len(nodes[0]), most)
    out: Trees = {
        "start": np.ravel(model._baseline_prediction).astype(float),
        "feature": np.zeros(shape, np.int32),
        "threshold": np.zeros(shape),
        "left": np.tile(np.arange(most, dtype=np.int32), (*shape[:2], 1)),
        "right": np.tile(np.arange(most, dtype=np.int32), (*shape[:2], 1)),
        "value": np.zeros(shape),
    }
    for i, trees in enumerate(nodes):
        for j, tree in enumerate(trees):
            inside = np.flatnonzero(tree["is_leaf"] == 0)
            out["feature"][i, j, inside] = tree["feature_idx"][inside]
            out["threshold"][i, j, inside] = tree["num_threshold"][inside]
            out["left"][i, j, inside] = tree["left"][inside]
            out["right"][i, j, inside] = tree["right"][inside]
            out["value"][i, j, : len(tree)] = np.where(tree["is_leaf"], tree["value"], 0.0)
    return out


def tree_scores(trees: Trees, rows: FloatArray) -> FloatArray:
    """Sum what the trees say of each row, shape (n_rows, n_outputs): log-odds, up to a constant for several classes."""
    rounds, outputs, size = trees["feature"].shape
    flat = {name: trees[name].reshape(-1) for name in ("feature", "threshold", "left", "right", "value")}
    base = size * np.arange(rounds * outputs)
    scores = np.tile(trees["start"], (len(rows), 1))
    for begin in range(0, len(rows), _BLOCK):
        block = rows[begin : begin + _BLOCK]
        node = np.tile(base, (len(block), 1))
        while True:
            goes_left = np.take_along_axis(block, flat["feature"][node], axis=1) <= flat["threshold"][node]
            below = base + np.where(goes_left, flat["left"][node], flat["right"][node])
            if (below == node).all():
                break
            node = below
        scores[begin : begin + len(block)] += flat["value"][node].reshape(len(block), rounds, outputs).sum(axis=1)
    return scores


class CandidateTrees(KeyEstimator):
    """Gradient-boosted trees over candidates for home.

    Parameters
    ----------
    rounds, mode_rounds : int
        Boosting rounds of the forest for home notes and of that for modes.
    learning_rate, leaves, smallest_leaf, l2, share_of_features : float or int
        Of both forests: ``learning_rate``, ``max_leaf_nodes``, ``min_samples_leaf``, ``l2_regularization`` and
        ``max_features`` of scikit-learn.
    held_out : int
        One in so many of the training pieces, by group, is held out to fit the sharpness on; with 0 or 1 none is, and
        the answers are too sure, which does not matter to an ensemble that weighs them anyhow.
    random_state : int
        Of the hold-out and of the draw of features at each split.

    Attributes
    ----------
    home_trees_, mode_trees_ : dict of arrays
        See `plain_trees`; empty where training left nothing to tell apart.
    modes_ : int array
        Modes that `mode_trees_` tells apart, in order of its outputs.
    home_sharpness_, mode_sharpness_ : float
    log_modes_ : array, shape (7,)
        Logarithms of the mode shares in training.

    Notes
    -----
    Constants chosen by cross-validation in half of the groups of the folk-tune collections.
    """

    tags = Tags(learns=True)

    def __init__(
        self,
        rounds: int = 150,
        mode_rounds: int = 60,
        learning_rate: float = 0.06,
        leaves: int = 10,
        smallest_leaf: int = 20,
        l2: float = 5.0,
        share_of_features: float = 0.2,
        held_out: int = 5,
        random_state: int = 0,
    ):
        self.rounds = rounds
        self.mode_rounds = mode_rounds
        self.learning_rate = learning_rate
        self.leaves = leaves
        self.smallest_leaf = smallest_leaf
        self.l2 = l2
        self.share_of_features = share_of_features
        self.held_out = held_out
        self.random_state = random_state

    def check_parameters(self) -> None:
        """Complain of numbers that make no forest."""
        for name, least in (("rounds", 1), ("mode_rounds", 1), ("leaves", 2), ("smallest_leaf", 1), ("held_out", 0)):
            if getattr(self, name) < least:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: {least} or more")
        if not (0.0 < self.learning_rate < np.inf and 0.0 <= self.l2 < np.inf and 0.0 < self.share_of_features <= 1.0):
            raise EstimatorError(
                f"learning_rate is {self.learning_rate!r}, l2 {self.l2!r}, share_of_features "
                f"{self.share_of_features!r}; accepted: above 0, 0 or more, above 0 and at most 1"
            )

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner hold-out, `groups` of related pieces."""
        self.check_parameters()
        X = as_notes(X)
        truth = as_truth(y, len(X))
        held = inner_folds(len(X), groups, max(self.held_out, 1), self.random_state) == 0
        seen = candidate_features(X)
        self.log_modes_ = log_mode_shares(truth)
        self._note(X, truth)
        self.home_sharpness_ = self.mode_sharpness_ = 1.0
        if not held.all():
            self._grow(seen[~held], truth[~held])
            home, mode = self._scores(seen[held])
            by_mode = truth[held].reshape(-1, N_MODES, 12)
            homes, rows = by_mode.any(axis=1), np.arange(held.sum())
            self.home_sharpness_ = fit_sharpness(home, homes)
            # Modes are judged as seen from the home note, the first of several that are acceptable.
            at = homes.argmax(axis=1)
            accepted = by_mode[rows, :, at][:, self.modes_]
            told = accepted.any(axis=1) & ~accepted.all(axis=1)
            if self.mode_trees_ and told.any():
                self.mode_sharpness_ = fit_sharpness(mode[rows, at][told], accepted[told])
        self._grow(seen, truth)
        return self

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_fitted()
        X = as_notes(X)
        home, mode = self._scores(candidate_features(X))
        log_home = log_softmax(self.home_sharpness_ * home)
        log_mode = np.tile(self.log_modes_, (len(X), 12, 1))
        if self.mode_trees_:
            told = np.log(np.exp(self.log_modes_[self.modes_]).sum())
            log_mode[:, :, self.modes_] = told + log_softmax(self.mode_sharpness_ * mode)
        silent = X.n_rows == 0  # nothing heard: the mode shares alone
        log_home[silent], log_mode[silent] = 0.0, self.log_modes_
        return self._claim(log_softmax((log_home[:, :, None] + log_mode).transpose(0, 2, 1).reshape(len(X), N_KEYS)), X)

    def predict_log_likelihood(self, X: NoteTable) -> FloatArray:
        """Return log-likelihoods of the music in each key, up to a constant for each piece, shape (n, 84)."""
        return log_likelihoods(self.predict_log_proba(X), self.log_modes_)

    def _grow(self, seen: FloatArray, truth: npt.NDArray[np.bool_]) -> None:
        """Fit both forests to rows (n, 12, n_features)."""
        by_mode = truth.reshape(-1, N_MODES, 12)
        homes = np.asarray(by_mode.any(axis=1))
        self.home_trees_: Trees = {}
        if not homes.all():
            self.home_trees_ = self._forest(self.rounds, seen.reshape(-1, seen.shape[2]), homes.ravel())
        rows, at = np.arange(len(homes)), homes.argmax(axis=1)
        self._grow_modes(seen[rows, at], by_mode[rows, :, at])

    def _grow_modes(self, from_home: FloatArray, accepted: npt.NDArray[np.bool_]) -> None:
        """Fit the forest for modes.

        Parameters
        ----------
        from_home : array, shape (n, n_features)
        accepted : bool array, shape (n, 7)
            Modes that each label accepts; where it accepts all, it says nothing.
        """
        self.modes_, self.mode_trees_ = np.zeros(0, dtype=np.int64), {}
        use = ~accepted.all(axis=1)
        parts = accepted / accepted.sum(axis=1, keepdims=True)
        modes = np.flatnonzero(parts[use].sum(axis=0) >= _PIECES_PER_MODE)
        accepted = accepted[:, modes]
        use &= accepted.any(axis=1) & ~accepted.all(axis=1)
        sure = use & (accepted.sum(axis=1) == 1)
        # The first round learns from labels of one mode; of open ones, only where a mode has too few of its own.
        first = accepted & (sure[:, None] | (accepted[sure].sum(axis=0) < _PIECES_PER_MODE))
        order = np.argsort(MODE_RANK[modes])
        mode = order[first[:, order].argmax(axis=1)] if len(modes) else np.zeros(len(accepted), dtype=np.int64)
        taught = use & first.any(axis=1)
        for only in (bool(np.all(sure == use)), True):
            left = np.unique(mode[taught])  # a mode that only open labels accept may be nobody's
            if len(left) < 2:
                return
            self.modes_ = modes[left]
            self.mode_trees_ = self._forest(self.mode_rounds, from_home[taught], mode[taught])
            if only:
                return
            mode = left[np.where(accepted[:, left], self._mode_scores(from_home), -np.inf).argmax(axis=1)]
            taught = use & accepted[:, left].any(axis=1)

    def _forest(self, rounds: int, rows: FloatArray, classes: npt.NDArray) -> Trees:
        from sklearn.ensemble import HistGradientBoostingClassifier  # slow to import, and needed here alone

        model = HistGradientBoostingClassifier(
            max_iter=rounds,
            learning_rate=self.learning_rate,
            max_leaf_nodes=self.leaves,
            min_samples_leaf=self.smallest_leaf,
            l2_regularization=self.l2,
            max_features=self.share_of_features,
            early_stopping=False,
            random_state=self.random_state,
        )
        # One thread: others meet at every split, and where another process has their core the fit takes a hundredfold.
        with threadpool_limits(limits=1, user_api="openmp"):
            return plain_trees(model.fit(rows, classes))

    def _scores(self, seen: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Scores of the home notes, shape (n, 12), and of `modes_` at each of them, (n, 12, n_modes)."""
        n = len(seen)
        rows = seen.reshape(-1, seen.shape[2])
        home = tree_scores(self.home_trees_, rows).reshape(n, 12) if self.home_trees_ else np.zeros((n, 12))
        if not self.mode_trees_:
            return home, np.zeros((n, 12, len(self.modes_)))
        return home, self._mode_scores(rows).reshape(n, 12, -1)

    def _mode_scores(self, rows: FloatArray) -> FloatArray:
        scores = tree_scores(self.mode_trees_, rows)
        return np.column_stack([-scores, scores]) / 2 if len(self.modes_) == 2 else scores  # one score tells two apart
