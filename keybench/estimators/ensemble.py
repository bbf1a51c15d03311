"""An ensemble: several methods' log-probabilities, weighed by a small model that was fitted on inner folds only.

Each member says how likely each home note is and, given a home note, how likely each mode. Its two statements are
believed to different degrees: an opening note may tell little about home and nothing about the mode, trees may know
modes and a profile may not. The score of a key is

    bias[mode] + sum over members of  home_weight[member] * log P(home note)
                                    + mode_weight[member, mode] * log P(mode given home note)

and one softmax over the 84 keys makes probabilities of the scores, so that the answer moves with the music. Weights are
never negative: no member can be believed in reverse. A ridge draws them to equal trust, as a handful of weights is all
that the inner folds can tell; those of the modes are drawn to the member's weight over all modes.

The weights are learnt from what the members say of training pieces that they had not seen (stacking, Wolpert 1992;
with weights of zero or more: Breiman 1996; of log-probabilities, a product of experts: Hinton 2002). The members are
then fitted again on all training pieces.

A member may hear something else than the ensemble does: a view of the notes (the lowest line, the opening), or, where
notes and a recording are given together, one of both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError, ExperimentError
from keybench.estimators.base import (
    MODE_RANK,
    FloatArray,
    KeyEstimator,
    Tags,
    as_music,
    as_truth,
    log_softmax,
)
from keybench.estimators.inner import (
    choose_flattening,
    inner_folds,
    log_likelihoods,
    log_mode_shares,
    mode_balanced,
    out_of_fold,
)
from keybench.estimators.taught import log_tonics
from keybench.key import DORIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS, N_MODES
from keybench.notes import NoteTable
from keybench.views.media import hear, medium

Member = str | dict[str, Any]

FOLK: tuple[Member, ...] = (
    "logistic",
    {"use": "trees", "params": {"held_out": 0}},
    "hmm",
    "opening-note",
    "last-note",
)
"""Members of the ensemble for tunes: two models of the whole, the run of the music, and its two ends.

The trees go without a sharpness of their own, as their weight is one.
"""

_LEAST = -14.0  # of members' log-probabilities: about one in a million, what they leave to keys they cannot name
_MEMBER_FIELDS = ("use", "params", "view")


def statements(log_proba: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Split log-probabilities (n, 84) into those of home notes and those of modes on them, each (n, 7, 12)."""
    home = log_tonics(log_proba)[:, None]
    mode = log_proba.reshape(-1, N_MODES, 12) - home
    return np.maximum(np.broadcast_to(home, mode.shape), _LEAST), np.maximum(mode, _LEAST)


def stack_scores(weights: FloatArray, home: FloatArray, mode: FloatArray) -> FloatArray:
    """Scores of the keys, shape (n, 84).

    Parameters
    ----------
    weights : array, shape (n_members * 8 + 7,)
        Home weights (n_members,), mode weights (n_members, 7), biases (7,).
    home, mode : arrays, shape (n_members, n, 7, 12)
        As `statements` gives them.
    """
    m = len(home)
    scores = np.tensordot(weights[:m], home, 1) + weights[-N_MODES:, None]
    scores += np.einsum("km,knmt->nmt", weights[m:-N_MODES].reshape(m, N_MODES), mode)
    return scores.reshape(-1, N_KEYS)


def stack_objective(
    weights: FloatArray, home: FloatArray, mode: FloatArray, truth: npt.NDArray[np.bool_], pull: float
) -> tuple[float, FloatArray]:
    """Return the penalised negative log-likelihood of the truths and its exact gradient.

    Parameters
    ----------
    weights, home, mode
        See `stack_scores`.
    truth : bool array, shape (n, 84)
        A set's likelihood is the summed probability of its keys.
    pull : float
        Strength of the ridge, in pieces: towards 1 / n_members for home weights and for the mean of a member's mode
        weights, towards that mean for each of them, towards 0 for the biases.
    """
    m = len(home)
    log_p = log_softmax(stack_scores(weights, home, mode))
    p = np.exp(log_p)
    hit = p * truth
    mass = np.maximum(hit.sum(axis=1, keepdims=True), 1e-300)
    g = (p - hit / mass).reshape(-1, N_MODES, 12)
    by_mode = weights[m:-N_MODES].reshape(m, N_MODES)
    mean = by_mode.mean(axis=1, keepdims=True)
    away_home, away_mean = weights[:m] - 1.0 / m, mean - 1.0 / m
    away_mode, bias = by_mode - mean, weights[-N_MODES:]
    penalty = (away_home**2).sum() + (away_mean**2).sum() + (away_mode**2).sum() + 0.1 * (bias**2).sum()
    gradient = np.concatenate(
        [
            np.tensordot(home, g, 3) + pull * away_home,
            (np.einsum("nmt,knmt->km", g, mode) + pull * (away_mean / N_MODES + away_mode)).ravel(),
            g.sum(axis=(0, 2)) + 0.1 * pull * bias,
        ]
    )
    return float(-np.log(mass).sum() + 0.5 * pull * penalty), gradient


class Stacked(KeyEstimator):
    """Several methods, weighed by what they said of inner folds.

    Parameters
    ----------
    members : sequence of str or dict
        Names of registered methods, or tables with ``use`` (the name) and any of ``params`` (constructor parameters)
        and ``view`` (what the member hears; see `keybench.views` and `keybench.views.media`; without it, all that it
        takes: of notes and recording together, the notes, unless the method takes nothing but chroma or both).
    decision : {"natural", "mode-balanced"}
        Use the mode shares of the training pieces, or take a part of them out.
    folds : int
        Inner folds.
    pull : float
        Strength of the ridge on the weights, in pieces.
    exact_floor : float
        Least share of right answers, on the inner folds, that the mode-balanced decision must leave.
    random_state : int
        Of the deal into inner folds.

    Attributes
    ----------
    fitted_ : list of fitted estimators
    home_weights_ : array, shape (n_members,)
    mode_weights_ : array, shape (n_members, 7)
    bias_ : array, shape (7,)
    log_modes_ : array, shape (7,)
        Logarithms of the mode shares in training.
    flattening_ : float
        Part of `log_modes_` that the mode-balanced decision takes out.
    """

    decision_parameters = ("decision",)

    def __init__(
        self,
        members: Sequence[Member] = FOLK,
        decision: str = "natural",
        folds: int = 3,
        pull: float = 40.0,
        exact_floor: float = 0.92,
        random_state: int = 0,
    ):
        self.members = members
        self.decision = decision
        self.folds = folds
        self.pull = pull
        self.exact_floor = exact_floor
        self.random_state = random_state

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Takes what all its members can be given."""
        takes, corpora = set(), set()
        for member in self._members():
            known = member["make"]().tags
            wants, kind = known.takes, _heard_kind(member["view"])
            corpora |= set(known.made_from)
            takes.add(kind or ("notes" if wants in ("either", "any") else wants))
        return Tags(takes=takes.pop() if len(takes) == 1 else "both", learns=True, made_from=tuple(sorted(corpora)))

    def check_parameters(self) -> None:
        """Complain of members that there are none of, or that cannot hear their view, and of numbers out of range."""
        self._check_decision()
        for member in self._members():
            made = member["make"]()
            made.check_parameters()
            kind = _heard_kind(member["view"])
            if kind and not made.tags.hears(kind):
                raise EstimatorError(
                    f"member {member['use']!r} takes {made.tags.takes} and its view {member['view']!r} shows {kind}; "
                    "accepted: a view of what it takes"
                )
        if self.folds < 2:
            raise EstimatorError(f"folds is {self.folds!r}; accepted: 2 or more")
        if not (0.0 < self.pull < np.inf and 0.0 <= self.exact_floor <= 1.0):
            raise EstimatorError(
                f"pull is {self.pull!r}, exact_floor {self.exact_floor!r}; accepted: above 0, from 0 to 1"
            )

    def fit(self, X: Any, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X`, truths `y` and, for the inner folds, `groups` of related pieces."""
        self.check_parameters()
        X = as_music(X)
        truth = as_truth(y, len(X))
        fold_of = inner_folds(len(X), groups, self.folds, self.random_state)
        self._note(X, truth)
        self.log_modes_ = log_mode_shares(truth)
        self.fitted_, said = [], []
        for member in self._members():
            music = _music_for(member, X)
            said.append(statements(out_of_fold(member["make"], music, truth, groups, fold_of)))
            self.fitted_.append(member["make"]().fit(music, truth, groups=groups))
        home, mode = np.stack([each[0] for each in said]), np.stack([each[1] for each in said])
        m = len(said)
        start = np.concatenate([np.full(m * (1 + N_MODES), 1.0 / m), np.zeros(N_MODES)])
        bounds = [(0.0, None)] * (m * (1 + N_MODES)) + [(None, None)] * N_MODES
        weights = minimize(
            stack_objective, start, args=(home, mode, truth, self.pull), jac=True, method="L-BFGS-B", bounds=bounds
        ).x
        self.home_weights_, self.bias_ = weights[:m], weights[-N_MODES:]
        self.mode_weights_ = weights[m:-N_MODES].reshape(m, N_MODES)
        seen = np.flatnonzero(truth.reshape(-1, N_MODES, 12).any(axis=(0, 2)))
        counted = np.intersect1d(seen, (MAJOR, MINOR, DORIAN, MIXOLYDIAN))  # others are too rare to be weighed
        self.flattening_ = choose_flattening(
            log_softmax(stack_scores(weights, home, mode)), truth, self.log_modes_, self.exact_floor, counted
        )
        return self

    def predict_log_proba(self, X: Any) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        self._check_decision()
        log_p = self._natural(X)
        if self.decision == "mode-balanced":
            log_p = mode_balanced(log_p, self.log_modes_, self.flattening_)
        return self._claim(log_p, X)

    def predict_log_likelihood(self, X: Any) -> FloatArray:
        """Return log-likelihoods of the music in each key, up to a constant for each piece, shape (n, 84)."""
        return log_likelihoods(self._natural(X), self.log_modes_)

    def _natural(self, X: Any) -> FloatArray:
        self._check_fitted()
        X = as_music(X)
        said = [
            statements(fitted.predict_log_proba(_music_for(member, X)))
            for member, fitted in zip(self._members(), self.fitted_, strict=True)
        ]
        weights = np.concatenate([self.home_weights_, self.mode_weights_.ravel(), self.bias_])
        scores = stack_scores(weights, np.stack([each[0] for each in said]), np.stack([each[1] for each in said]))
        scores[X.n_rows == 0] = np.repeat(self.log_modes_, 12)  # nothing heard: the mode shares alone
        return log_softmax(np.round(scores, 6) - 1e-6 * np.repeat(MODE_RANK, 12))

    def _check_decision(self) -> None:
        if self.decision not in ("natural", "mode-balanced"):
            raise EstimatorError(f"unknown decision {self.decision!r}; accepted: natural, mode-balanced")

    def _members(self) -> list[dict[str, Any]]:
        """Members with their maker and view; an empty view stands for all that is given."""
        if isinstance(self.members, str) or not len(self.members):
            raise EstimatorError(f"members is {self.members!r}; accepted: a list with at least one method")
        return [_read_member(member) for member in self.members]

    def _reasons(self, X: Any) -> list[str]:
        best = int(self.predict(X)[0])
        agree: list[str] = []
        differ: list[str] = []
        for member, fitted in zip(self._members(), self.fitted_, strict=True):
            (agree if int(fitted.predict(_music_for(member, X))[0]) == best else differ).append(member["use"])
        said = f"{len(agree)} of {len(agree) + len(differ)} methods alone would say the same"
        return [f"{said}: {', '.join(agree)}." if agree else f"{said}; together they do."]


def _read_member(member: Any) -> dict[str, Any]:
    from keybench.estimators import make  # the registry knows this module

    table: Any = {"use": member} if isinstance(member, str) else member
    known = isinstance(table, dict) and isinstance(table.get("use"), str) and set(table) <= set(_MEMBER_FIELDS)
    if not known or not isinstance(table.get("params", {}), dict) or not isinstance(table.get("view", ""), str):
        raise EstimatorError(f"member {member!r}; accepted: a name, or a table with use, params and view")
    use, params, view = table["use"], dict(table.get("params", {})), table.get("view", "")
    return {"use": use, "view": view, "make": lambda: make(use, **params)}


def _heard_kind(view: str) -> str:
    """Return what a member's view shows, ``notes``, ``chroma`` or ``both``; nothing for no view.

    Raises
    ------
    EstimatorError
        If there is no such view, or it moves the music, for which the members could not be compared.
    """
    if not view:
        return ""
    try:
        kind = medium(view)
    except ExperimentError as error:
        raise EstimatorError(f"view of a member: {error}") from None
    if "transposed" in view:
        raise EstimatorError(f"view {view!r} of a member moves the music; accepted: views that leave it in its key")
    return kind


def _music_for(member: dict[str, Any], X: NoteTable | ChromaTable | BothTable) -> Any:
    """Return what a member hears of X."""
    wants, view = member["make"]().tags.takes, member["view"]
    if not view:
        if isinstance(X, BothTable):
            return {"chroma": X.chroma, "both": X}.get(wants, X.notes)
        return X
    kind = _heard_kind(view)
    if kind == "both":
        if not isinstance(X, BothTable):
            raise EstimatorError(f"view {view!r} of a member needs notes and chroma; accepted: both together")
        return hear(view, X.notes, X.chroma, 0).music
    if isinstance(X, BothTable):
        given: Any = X.notes if kind == "notes" else X.chroma
    else:
        given = X
    if isinstance(given, ChromaTable) != (kind == "chroma"):
        raise EstimatorError(f"view {view!r} of a member shows {kind}, which the music is not; accepted: views of it")
    if kind == "chroma":
        return hear(view, NoteTable.from_pieces([]), given, 0).music
    return given if view == "whole" else hear(view, given, None, 0).music
