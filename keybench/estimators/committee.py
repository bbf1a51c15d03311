"""Several methods that follow the key, heard together: the mean of their log-probabilities at each step.

The mean of log-probabilities, renormalised, is the logarithmic opinion pool (Genest and Zidek 1986, Statistical Science
1): a key that one member all but rules out is out, whereas one that all find likely enough wins. It gains where members
err in different places, as a model of chords and bass moves and one of wide windows do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise, product
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from keybench.errors import EstimatorError
from keybench.estimators.base import (
    MODE_RANK,
    KeyEstimator,
    Tags,
    as_notes,
    as_truth,
    check_groups,
    log_softmax,
    made_from,
    moves_in_words,
    spans_of_steps,
)
from keybench.estimators.features import extent
from keybench.estimators.follow import Followed, finest, resample
from keybench.estimators.inner import inner_folds
from keybench.estimators.sliding import best_path
from keybench.estimators.structured import span_truth
from keybench.estimators.taught import Taught
from keybench.key import KEY_NAMES, N_KEYS, N_MODES
from keybench.notes import KeySpan, NoteTable
from keybench.spans import SpanTable

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MEMBERS = ("hmm", "structured")

WEIGHTS = ("equal", "learnt")

_LEAST_SHARE = 1e-3  # of a piece, added to that of each key
_PARTS = 5  # learnt weights are multiples of one over this
_MOST_MEMBERS = 5
_INNER_FOLDS = 3  # of which one is held out to choose the weights on


class Committee(KeyEstimator):
    """Methods whose log-probabilities are averaged, at each step and for the whole piece.

    Parameters
    ----------
    members : sequence of str
        Names of registered methods.
    weights : str or sequence of float
        What each member counts for: ``equal``, numbers, or ``learnt`` on training pieces that stand in other groups
        than those that the members learnt from.
    change : float
        What a change of key costs, in nats; 0 for the most probable key of each step.
    recurring : float
        What the logarithm of a key's share of a long piece counts for at each of its steps: a key that comes back is
        likelier than one that is named once.
    long : int
        Pieces of more than so many steps are long; shorter ones, which move sooner, are left as they are.
    random_state : int
        Seed of the dealing of inner folds.

    Attributes
    ----------
    members_ : list of fitted estimators
    weights_ : array, shape (n_members,)
        Their sum is 1.

    Notes
    -----
    Equal weights, no cost of a change and what recurring keys count for were chosen by cross-validation by group on one
    half of the groups.
    There, unequal weights, the mean of probabilities, several seeds of a member and further members (the HMM without
    bass, with other numbers of chords or taught by ear, windows heard by the logistic model) did no better.
    """

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Made from what its members were made from."""
        return Tags(learns=True, partial=False, segment=True, made_from=made_from(*map(str, self.members)))

    def __init__(
        self,
        members: Sequence[str] = MEMBERS,
        weights: str | Sequence[float] = "equal",
        change: float = 0.0,
        recurring: float = 0.4,
        long: int = 110,
        random_state: int = 0,
    ):
        self.members = members
        self.weights = weights
        self.change = change
        self.recurring = recurring
        self.long = long
        self.random_state = random_state

    def check_parameters(self) -> None:
        """Complain of members that there are none of or that cannot be one, and of weights that are none."""
        names = [] if isinstance(self.members, str) else list(self.members)
        if not 1 <= len(names) <= _MOST_MEMBERS or not all(isinstance(name, str) for name in names):
            raise EstimatorError(
                f"members is {self.members!r}; accepted: a list of 1 to {_MOST_MEMBERS} names of methods"
            )
        for member in self._made():
            if isinstance(member, Committee):
                raise EstimatorError("a committee is a member of a committee; accepted: other methods")
            if not member.tags.hears("notes"):
                raise EstimatorError(f"a member takes {member.tags.takes}; accepted: methods that take notes")
            member.check_parameters()
        for name in ("change", "recurring", "long"):
            value = getattr(self, name)
            if not (isinstance(value, int | float) and 0.0 <= value < np.inf):
                raise EstimatorError(f"{name} is {value!r}; accepted: a finite number from 0")
        if isinstance(self.weights, str):
            if self.weights not in WEIGHTS:
                raise EstimatorError(f"weights is {self.weights!r}; accepted: {', '.join(WEIGHTS)}, or numbers")
        else:
            self._given_weights()

    def _given_weights(self) -> FloatArray:
        n = len(self.members)
        try:
            weights = np.asarray(self.weights, dtype=float)
        except (TypeError, ValueError):
            weights = np.zeros(0)
        if weights.shape != (n,) or not (np.isfinite(weights).all() and (weights >= 0).all() and weights.sum() > 0):
            raise EstimatorError(f"weights is {self.weights!r}; accepted: {n} numbers from 0, one for each member")
        given: FloatArray = weights / weights.sum()
        return given

    def _made(self) -> list[KeyEstimator]:
        from keybench.estimators import make  # the registry knows this module

        return [make(name) for name in self.members]

    # --- Learning -----------------------------------------------------------------------------------------------------

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Fit the members on whole pieces `X` and their truths `y`; `groups` of related pieces for inner folds."""
        self.check_parameters()
        X = as_notes(X)
        if y is None:
            raise EstimatorError("Committee.fit needs the truths y")
        truth = as_truth(y, len(X))
        check_groups(groups, len(X))
        groups = np.arange(len(X)) if groups is None else np.asarray(groups)

        def taught(rows: IntArray) -> list[KeyEstimator]:
            return [member.fit(X[rows].detach(), truth[rows], groups=groups[rows]) for member in self._made()]

        def choose(members: list[KeyEstimator], asked: IntArray) -> FloatArray:
            said = np.stack([member.predict_log_proba(X[asked].detach()) for member in members])
            return choose_weights(said, truth[asked], np.arange(len(asked)))

        return self._fit_members(len(X), groups, taught, choose)

    def fit_sections(self, X: NoteTable, spans: SpanTable, groups: Any = None) -> Self:
        """Fit the members on pieces `X` whose key moves as `spans` say; `groups` of related pieces for inner folds."""
        self.check_parameters()
        X = as_notes(X)
        check_groups(groups, len(X))
        groups = np.arange(len(X)) if groups is None else np.asarray(groups)

        def taught(rows: IntArray) -> list[KeyEstimator]:
            return [member.fit_sections(X[rows].detach(), spans[rows], groups=groups[rows]) for member in self._made()]

        def choose(members: list[KeyEstimator], asked: IntArray) -> FloatArray:
            music = X[asked].detach()
            offsets, begins, said = _heard_together(members, music)
            truth = steps_truth(spans[asked], offsets, begins, extent(music)[1])
            return choose_weights(said, truth, np.repeat(np.arange(len(asked)), np.diff(offsets)))

        return self._fit_members(len(X), groups, taught, choose)

    def _fit_members(
        self,
        n: int,
        groups: IntArray,
        taught: Callable[[IntArray], list[KeyEstimator]],
        choose: Callable[[list[KeyEstimator], IntArray], FloatArray],
    ) -> Self:
        """Fit the members on all pieces and, if weights are learnt, before that on some, to weigh them on the rest."""
        self.weights_ = np.full(len(self.members), 1.0 / len(self.members))
        if self.weights == "learnt":
            fold_of = inner_folds(n, groups, _INNER_FOLDS, self.random_state)
            if fold_of.max() > 0:  # related pieces alone leave none to choose on
                held = fold_of == 0
                self.weights_ = choose(taught(np.flatnonzero(~held)), np.flatnonzero(held))
        elif self.weights != "equal":
            self.weights_ = self._given_weights()
        self.members_ = taught(np.arange(n))
        return self

    @property
    def _taught(self) -> Taught | None:
        return self.members_[0]._taught

    # --- Answering ----------------------------------------------------------------------------------------------------

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys for the piece as a whole, shape (n, 84)."""
        self._check_fitted()
        X = as_notes(X)
        said = np.stack([member.predict_log_proba(X) for member in self.members_])
        # Rounded, so that the same music in another key ties alike; the commoner mode wins.
        return log_softmax(np.round(self._pooled(said), 4) - 1e-5 * np.repeat(MODE_RANK, 12))

    def follow(self, X: NoteTable) -> Followed:
        """Return log-probabilities of the keys on the steps of the member that has most of them."""
        self._check_fitted()
        offsets, begins, said = _heard_together(self.members_, as_notes(X))
        pooled = self._pooled(said)
        for a, b in pairwise(offsets):
            if self.recurring and b - a > self.long:
                share = np.exp(pooled[a:b]).mean(axis=0)
                pooled[a:b] = log_softmax(pooled[a:b] + self.recurring * np.log(share + _LEAST_SHARE))
        return Followed(offsets, begins, pooled)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time; neighbours of a key are joined."""
        X = as_notes(X)
        heard = self.follow(X)
        said = np.round(heard.log_proba, 4)
        key = said.argmax(axis=1)
        if self.change:
            for a, b in pairwise(heard.offsets):
                key[a:b] = best_path(said[a:b], self.change) if b > a else 0
        return spans_of_steps(key, heard.begins, heard.offsets, extent(X)[1])

    def _pooled(self, said: FloatArray) -> FloatArray:
        """Pool what each member says, (n_members, n, 84), to log-probabilities (n, 84)."""
        return log_softmax(np.tensordot(self.weights_, said, 1))

    def _reasons(self, X: NoteTable) -> list[str]:
        words = []
        for name, member, weight in zip(self.members, self.members_, self.weights_, strict=True):
            log_proba = member.predict_log_proba(X)[0]
            best = int(log_proba.argmax())
            words.append(f"{name} says {KEY_NAMES[best]} ({np.exp(log_proba[best]):.0%}); it counts {weight:.0%}.")
        return [*words, moves_in_words(self.segment(X)[0], X.unit)]


def _heard_together(members: Sequence[KeyEstimator], X: NoteTable) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return offsets and begins of the finest steps, and what each member says there, (n_members, n_steps, 84)."""
    answers = [member.follow(X) for member in members]
    offsets, begins = finest(answers)
    return offsets, begins, np.stack([resample(answer, offsets, begins) for answer in answers])


def steps_truth(spans: SpanTable, offsets: IntArray, begins: FloatArray, end: FloatArray) -> BoolArray:
    """Find the acceptable keys in the middle of each step, shape (n_steps, 84); none where there is no label.

    Parameters
    ----------
    spans : SpanTable
    offsets : int array, shape (n_pieces + 1,)
    begins : array, shape (n_steps,)
    end : array, shape (n_pieces,)
        When each piece ends.
    """
    every = list(range(N_MODES))
    parts = [
        span_truth(spans, i, (begins[a:b] + np.append(begins[a + 1 : b], end[i])[: b - a]) / 2, every)
        for i, (a, b) in enumerate(pairwise(offsets))
    ]
    return np.concatenate(parts) if parts else np.zeros((0, N_KEYS), dtype=bool)


def choose_weights(said: FloatArray, truth: BoolArray, piece: IntArray) -> FloatArray:
    """Weights under which the pooled answers are right for the largest share of the steps, on average over pieces.

    All weights that are multiples of a fifth are tried, and equal ones; of those that do equally well, the most equal.

    Parameters
    ----------
    said : array, shape (n_members, n, 84)
        Log-probabilities by each member.
    truth : bool array, shape (n, 84)
        Acceptable keys; steps without any do not count.
    piece : int array, shape (n,)

    Returns
    -------
    array, shape (n_members,)
        Their sum is 1.
    """
    n = len(said)
    known = np.flatnonzero(truth.any(axis=1))
    _, of = np.unique(piece[known], return_inverse=True)
    share = 1.0 / np.bincount(of)[of] if len(known) else np.zeros(0)
    keys = np.flatnonzero((np.isfinite(said[:, known]) & (said[:, known] > -13.0)).any(axis=(0, 1)))
    heard = said[:, known][:, :, keys].astype(np.float32)
    accepted = truth[np.ix_(known, keys)]
    rows = np.arange(len(known))
    grid = [np.full(n, 1.0 / n)]
    grid += [np.array(w) / _PARTS for w in product(range(_PARTS + 1), repeat=n) if sum(w) == _PARTS]
    grid.sort(key=lambda weights: float((weights**2).sum()))
    right = [
        float(share @ accepted[rows, np.tensordot(w.astype(np.float32), heard, 1).argmax(axis=1)]) if len(keys) else 0.0
        for w in grid
    ]
    return grid[int(np.argmax(np.round(right, 9)))]
