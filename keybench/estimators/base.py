"""What an estimator is: scikit-learn's convention, on note tables and the 84 keys.

``fit(X, y)`` takes a `NoteTable` and truths (a boolean array (n, 84) of acceptable keys, or key indices (n,));
``predict_log_proba(X)`` gives natural logarithms, shape (n, 84), of probabilities that sum to 1; ``predict(X)`` gives
key indices, shape (n,). Constructor parameters are stored and nothing else; learned attributes end in an underscore.

Most estimators score keys. They derive from `ScoringEstimator`, implement ``_learn`` and ``_scores``, and get
probabilities from a softmax whose constant, the sharpness, is fitted on the training pieces, and from how often their
first choice was right there (see `keybench.estimators.sureness`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from sklearn.base import BaseEstimator
from sklearn.exceptions import NotFittedError

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import EstimatorError, NotesError
from keybench.estimators.chroma_features import chroma_weights
from keybench.estimators.evidence import SURE_FROM, Evidence, describe
from keybench.estimators.features import edge_note, extent
from keybench.estimators.follow import Followed, whole_as_step
from keybench.estimators.stretches import stretches
from keybench.estimators.sureness import fit_sureness, sure_log_proba, trust_in, usual_rows
from keybench.estimators.taught import Taught, as_far_as_labels_go, as_home_notes, claim, home_notes_only, learn_taught
from keybench.key import DORIAN, KEY_NAMES, LOCRIAN, LYDIAN, MAJOR, MINOR, MIXOLYDIAN, N_KEYS, PHRYGIAN
from keybench.notes import KeySpan, NoteTable
from keybench.spans import SpanTable

FloatArray = npt.NDArray[np.float64]

FLOOR = 1e-6
"""Probability left to each key that a method cannot name, so that its log-loss is large but finite."""

PREFERENCE = (MAJOR, MINOR, MIXOLYDIAN, DORIAN, LYDIAN, PHRYGIAN, LOCRIAN)
"""Which mode wins when keys score equally: the commoner in folk and popular music (common practice, no source)."""

MODE_RANK = np.argsort(PREFERENCE)
"""(7,) place of each mode in `PREFERENCE`."""

_MODE_TIE = np.repeat(-1e-10 * MODE_RANK, 12)  # smaller than the rounding of the scores


@dataclass(frozen=True)
class Tags:
    """What an estimator takes and can do.

    Parameters
    ----------
    takes : {"notes", "chroma", "both", "either", "any"}
        Kind of input: a `NoteTable`, a `ChromaTable`, a `BothTable`; ``either`` of the first two; ``any`` of the three.
    names : {"major", "major-minor", "modes"}
        Keys that it can answer with: 12, 24 or 84.
    equivariant : bool
        Moving the music by k semitones moves the answer by k.
    learns : bool
        ``fit`` uses the music, not only the probabilities' sharpness.
    partial : bool
        Can answer after any number of notes.
    segment : bool
        Its ``segment(X) -> list[list[KeySpan]]`` follows the key; of other methods it gives one key for the whole.
    made_from : tuple of str
        Corpora whose music it was, or may have been, made from before any experiment; reports mark its results on them
        as contaminated.
    """

    takes: str = "notes"
    names: str = "modes"
    equivariant: bool = True
    learns: bool = False
    partial: bool = True
    segment: bool = False
    made_from: tuple[str, ...] = ()

    def hears(self, medium: str) -> bool:
        """Say whether it can be asked about ``notes``, ``chroma`` or ``both``."""
        return self.takes in (medium, "any") or (self.takes == "either" and medium != "both")


def made_from(*methods: str) -> tuple[str, ...]:
    """Return the corpora from whose music registered methods were made; names that there are none of have none."""
    from keybench.estimators import make, names

    known = [make(name).tags.made_from for name in methods if name in names()]
    return tuple(sorted({corpus for corpora in known for corpus in corpora}))


def moves_in_words(spans: Sequence[KeySpan], unit: str) -> str:
    """Say in which key a piece begins and where it moves to others."""
    if len(spans) < 2:
        return "It does not move to another key."
    moves = ", ".join(f"{KEY_NAMES[span.key]} at {span.start:g}" for span in spans[1:7])
    more = f" and {len(spans) - 7} more" if len(spans) > 7 else ""
    return f"It begins in {KEY_NAMES[spans[0].key]} and moves to {moves}{more} (in {unit}s)."


def as_notes(X: Any) -> NoteTable:
    """Return X if it is a `NoteTable`.

    Raises
    ------
    NotesError
        For anything else.
    """
    if isinstance(X, NoteTable):
        for name in ("onset", "duration", "pitch"):  # columns that were exchanged for others are not checked there
            if not np.isfinite(getattr(X, name)).all():
                raise NotesError(f"{name} holds NaN or infinite values; accepted: finite numbers")
        return X
    raise NotesError(f"X is a {type(X).__name__}; accepted: a keybench.notes.NoteTable")


def as_music(X: Any) -> Any:
    """Return X if it is a `NoteTable`, a `ChromaTable` or a `BothTable`.

    Raises
    ------
    NotesError
        For anything else.
    """
    return X if isinstance(X, ChromaTable | BothTable) else as_notes(X)


def as_truth(y: Any, n: int) -> npt.NDArray[np.bool_]:
    """Return truths as a boolean array (n, 84).

    Raises
    ------
    EstimatorError
        If there are no pieces, the shape fits neither form, an index is out of range, or a piece has no acceptable key.
    """
    array = np.asarray(y)
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        raise EstimatorError("y holds NaN or infinite values; accepted: truth sets or key indices")
    if n == 0:
        raise EstimatorError("there are no pieces to learn from or to score; accepted: at least one")
    if array.shape == (n, N_KEYS):
        truth: npt.NDArray[np.bool_] = array.astype(bool)
    elif array.shape == (n,) and array.dtype.kind in "iu" and array.min() >= 0 and array.max() < N_KEYS:
        truth = np.zeros((n, N_KEYS), dtype=bool)
        truth[np.arange(n), array.astype(int)] = True
    else:
        raise EstimatorError(f"y has shape {array.shape}; accepted: ({n}, {N_KEYS}) truth sets or ({n},) key indices")
    if not truth.any(axis=1).all():
        raise EstimatorError(f"piece {int(np.argmin(truth.any(axis=1)))} has no acceptable key in y")
    return truth


def check_groups(groups: Any, n: int) -> None:
    """Complain if there is not one group number for each of n pieces; without groups there is nothing to complain of.

    Raises
    ------
    EstimatorError
    """
    if groups is not None and len(groups) != n:
        raise EstimatorError(f"groups has {len(groups)} entries; accepted: one for each of the {n} pieces")


def log_softmax(scores: FloatArray) -> FloatArray:
    """Return log-probabilities proportional to ``exp(scores)`` along the last axis, computed stably."""
    shifted = scores - scores.max(axis=-1, keepdims=True)
    result: FloatArray = shifted - np.log(np.exp(shifted).sum(axis=-1, keepdims=True))
    return result


def fit_sharpness(scores: FloatArray, truth: npt.NDArray[np.bool_]) -> float:
    """Return the b that makes ``softmax(b * scores)`` most likely, by Newton's method on log b (Guo et al. 2017).

    One made-up piece that could be in any key is added to the n real ones (each target is smoothed by 1 / (n + 1)), so
    that a few pieces which are all answered right do not make a method certain.

    Parameters
    ----------
    scores : array, shape (n, n_keys)
    truth : bool array of the same shape
        A row's likelihood is the summed probability of its acceptable keys; rows without any are left out.
    """
    usable = truth.any(axis=1)
    s, t = scores[usable], truth[usable]
    if not len(s) or np.ptp(s, axis=1).max() == 0:
        return 1.0
    smoothing = 1.0 / (len(s) + 1)
    log_b = float(np.log(4.0 / max(float(np.std(s)), 1e-9)))
    for _ in range(12):
        b = np.exp(log_b)
        p = np.exp(log_softmax(b * s))
        q = np.where(t, p, 0.0)
        q /= np.maximum(q.sum(axis=1, keepdims=True), 1e-300)
        mean_p, mean_q = (p * s).sum(axis=1), (q * s).sum(axis=1)
        target = (1.0 - smoothing) * mean_q + smoothing * s.mean(axis=1)
        gradient = float((mean_p - target).mean())
        var_p = (p * s * s).sum(axis=1) - mean_p**2
        var_q = (q * s * s).sum(axis=1) - mean_q**2
        curvature = float((var_p - (1.0 - smoothing) * var_q).mean())
        # In log b: d/dlogb = b g, d2/dlogb2 = b g + b^2 h; |.| keeps the step downhill where the set makes it concave.
        move = -b * gradient / max(abs(b * gradient + b * b * curvature), 1e-12)
        log_b += float(np.clip(move, -1.5, 1.5))
        if abs(move) < 1e-3:
            break
    return float(np.exp(np.clip(log_b, -12, 12)))


def _first_pitch_class(X: NoteTable | ChromaTable | BothTable) -> npt.NDArray[np.int64]:
    """Pitch class of each piece's first note or, in recordings, of its strongest; 0 where there is none."""
    if isinstance(X, BothTable):
        return _first_pitch_class(X.chroma)
    if isinstance(X, ChromaTable):
        return np.argmax(X.feature(chroma_weights), axis=1)
    return np.maximum(edge_note(X, last=False), 0)


def _settle_ties(scores: FloatArray, X: NoteTable) -> FloatArray:
    """Round scores, so that the same music added up in another order ties alike, and settle ties.

    The commoner mode wins; between home notes, the one that the first note reaches soonest going up. Both follow the
    music when it is moved, as an order by index would not.
    """
    first = _first_pitch_class(X)
    steps = (np.arange(12) - first[:, None]) % 12
    settled: FloatArray = np.round(scores, 9) + _MODE_TIE - np.tile(1e-12 * steps, N_KEYS // 12)
    return settled


def spans_of_steps(
    key: npt.NDArray[np.int64], begins: FloatArray, offsets: npt.NDArray[np.int64], end: FloatArray
) -> list[list[KeySpan]]:
    """Join steps that follow each other in one key.

    Parameters
    ----------
    key, begins : arrays, shape (n_steps,)
        Key of each step and when it begins.
    offsets : int array, shape (n_pieces + 1,)
    end : array, shape (n_pieces,)
        When each piece ends.
    """
    out = []
    for i, (a, b) in enumerate(pairwise(offsets)):
        opens = a + np.flatnonzero(np.append(True, np.diff(key[a:b]) != 0)[: b - a])
        until = [*begins[opens[1:]], *end[i : i + 1][: len(opens)]]
        spans = (KeySpan(float(begins[j]), float(stop), int(key[j])) for j, stop in zip(opens, until, strict=True))
        out.append([span for span in spans if span.end > span.start])  # a last note may have no length
    return out


class KeyEstimator(BaseEstimator):
    """Base of all estimators. See the module's description for the convention."""

    tags = Tags()
    decision_parameters: tuple[str, ...] = ()
    """Constructor parameters that change the answer but not what ``fit`` learns: variants share one fit."""

    calibrated: bool = False
    """Whether ``fit`` holds the probabilities against how often the answers are right, so that words may say so."""

    def check_parameters(self) -> None:
        """Complain of parameters that cannot be used, before anything is run; raise `EstimatorError`."""

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces and their truths; `groups` keeps related pieces together in inner folds."""
        raise NotImplementedError

    def fit_sections(self, X: NoteTable, spans: SpanTable, groups: Any = None) -> Self:
        """Learn from pieces of which a source says which key holds when.

        A method for whole pieces learns from each labelled stretch as if it were a piece; one that follows the key may
        learn more.

        Parameters
        ----------
        X : NoteTable
        spans : SpanTable
            Of the same pieces.
        groups : int array, shape (n,), optional
            Related pieces.
        """
        learnt = stretches(X, spans)
        return self.fit(learnt.music, learnt.truth, None if groups is None else np.asarray(groups)[learnt.piece])

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        raise NotImplementedError

    def predict(self, X: NoteTable) -> npt.NDArray[np.int64]:
        """Return the most probable key of each piece, shape (n,)."""
        return np.argmax(self.predict_log_proba(X), axis=1)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time; a method that does not follow the key says one for the whole."""
        start, end = extent(self._music(X))
        keys = self.predict(X)
        return [
            [KeySpan(float(a), float(b), int(key))] if b > a else [] for a, b, key in zip(start, end, keys, strict=True)
        ]

    def follow(self, X: NoteTable) -> Followed:
        """Return log-probabilities of the keys step by step.

        A method that does not follow the key answers for the whole piece as one step.
        """
        X = self._music(X)
        return whole_as_step(extent(X)[0], self.predict_log_proba(X))

    def anytime(self, X: NoteTable) -> list[FloatArray]:
        """Return the answer after each note of each piece: log-probabilities, shape (n_notes, 84), for each.

        Asked after every note at first and ever more rarely later (see `keybench.estimators.anytime.grid`); an answer
        holds until the next. The last one is the answer to the whole piece.

        Raises
        ------
        EstimatorError
            If the method cannot answer after any number of notes.
        """
        from keybench.estimators.anytime import after_each_note

        return after_each_note(self, as_notes(X))

    def predict_opening(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities for music that is known to go on, shape (n, 84); as for whole pieces by default."""
        return self.predict_log_proba(X)

    def score(self, X: NoteTable, y: Any) -> float:
        """Return the share of pieces whose predicted key is acceptable."""
        truth = as_truth(y, len(X))
        return float(truth[np.arange(len(X)), self.predict(X)].mean())

    def explain(self, X: NoteTable) -> list[Evidence]:
        """Return, for each piece, ranked keys and what in the notes speaks for and against them."""
        X = self._music(X)
        log_proba = self.predict_log_proba(X)
        sure_from = getattr(self, "threshold_", SURE_FROM)
        return [
            describe(X[i], log_proba[i], self._reasons(X[i]), sure_from, self.calibrated, self.home_notes_only)
            for i in range(len(X))
        ]

    def _reasons(self, X: NoteTable) -> list[str]:
        """Sentences on how this method came to its answer for the one piece in X."""
        return []

    def _music(self, X: Any) -> Any:
        """Return X if it is of the kind that `tags` names; raise `NotesError` otherwise."""
        return as_notes(X) if self.tags.takes == "notes" else as_music(X)

    def _note(self, X: Any, truth: npt.NDArray[np.bool_]) -> None:
        """Note, in ``fit``, what the pieces show; of methods that learn from music also whether truths name modes."""
        self.taught_: Taught = learn_taught(X, truth if self.tags.learns else None)

    def _claim(self, log_proba: FloatArray, X: Any) -> FloatArray:
        """Return what ``predict_log_proba`` may say, given what the method finds; see `keybench.estimators.taught`."""
        return claim(log_proba, X, self._taught)

    @property
    def _taught(self) -> Taught | None:
        """What was noted in ``fit``; None for a model that was fitted before this was noted."""
        return getattr(self, "taught_", None)

    @property
    def home_notes_only(self) -> bool:
        """Whether its answers are home notes without modes, as all that taught it were."""
        return home_notes_only(self._taught)

    def _check_fitted(self) -> None:
        if not self.__sklearn_is_fitted__():
            raise NotFittedError(f"this {type(self).__name__} is not fitted; call fit(X, y) first")

    def __sklearn_is_fitted__(self) -> bool:
        return any(name.endswith("_") and not name.startswith("_") for name in vars(self))

    @property
    def classes_(self) -> npt.NDArray[np.int64]:
        """Key indices in the order of the probability columns."""
        return np.arange(N_KEYS)


class ScoringEstimator(KeyEstimator):
    """An estimator that scores keys; probabilities come from a fitted sharpness and how often its answers were right.

    Subclasses implement ``_scores(X) -> (n, 84)``, with minus infinity for keys they cannot name, and, if they learn
    more than the sharpness, ``_learn(X, truth)``.
    """

    calibrated = True
    calibration_pieces = 1000
    """Training pieces that the probabilities are fitted on: enough for a dozen numbers to be steady."""

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X` and truths `y`."""
        X = self._music(X)
        if y is None:
            raise EstimatorError(f"{type(self).__name__}.fit needs the truths y, also to fit how sure it may be")
        truth = as_truth(y, len(X))
        self._learn(X, truth)
        self._calibrate(X, truth)
        return self

    def _calibrate(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        """Fit how sure the scores may be."""
        some = slice(None, None, max(1, len(X) // self.calibration_pieces))
        scores = self._calibration_scores(X[some])
        named = np.isfinite(scores[0]) if len(scores) else np.ones(N_KEYS, dtype=bool)
        self.sharpness_ = fit_sharpness(scores[:, named], truth[some][:, named])
        self._note(X, truth)
        log_p, named_each = self._softmax(scores, X[some])
        self.sureness_ = fit_sureness(log_p, as_far_as_labels_go(truth)[some], named_each)
        self.usual_rows_ = usual_rows(X.n_rows)

    def _calibration_scores(self, X: NoteTable) -> FloatArray:
        """Scores of the training pieces that the probabilities are fitted on."""
        return self._scores(X)

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        """Learn what `_scores` needs; nothing by default."""

    def _scores(self, X: NoteTable) -> FloatArray:
        raise NotImplementedError

    def _checked_scores(self, X: NoteTable) -> FloatArray:
        self._check_fitted()
        scores = self._scores(self._music(X))
        if np.isnan(scores).any():
            raise EstimatorError(
                f"{type(self).__name__} scored a key of piece {np.argwhere(np.isnan(scores))[0, 0]} NaN"
            )
        return scores

    def predict(self, X: NoteTable) -> npt.NDArray[np.int64]:
        """Return the best-scored key of each piece, shape (n,)."""
        if self.home_notes_only:
            return super().predict(X)
        return np.argmax(_settle_ties(self._checked_scores(X), X), axis=1)

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys, shape (n, 84)."""
        scores = self._checked_scores(X)
        log_p, named = self._softmax(scores, X)
        # What was found of whole pieces holds less for a few notes.
        sure = sure_log_proba(log_p, self.sureness_, named, trust_in(X.n_rows, self.usual_rows_))
        # A method that found nothing to choose by, as in silence, is not surer of the key that ties gave it.
        flat = np.where(named, scores, -np.inf).max(axis=1) - np.where(named, scores, np.inf).min(axis=1) < 1e-9
        return self._claim(np.where(flat[:, None], log_p, sure), X)

    def _softmax(self, scores: FloatArray, X: NoteTable) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Log-probabilities by the sharpness alone, and which keys can be named, each shape (n, 84)."""
        named = np.isfinite(scores)
        scaled = np.where(named, self.sharpness_ * _settle_ties(np.where(named, scores, 0.0), X), -np.inf)
        unnamed = (~named).sum(axis=1, keepdims=True)
        log_p = log_softmax(scaled) + np.log1p(-FLOOR * unnamed)
        log_p = np.where(named, log_p, np.log(FLOOR))
        return as_home_notes(log_p) if self.home_notes_only else (log_p, named)


@dataclass(frozen=True)
class Entry:
    """A method as the registry knows it.

    Parameters
    ----------
    name : str
        What experiment files call it.
    make : callable
        Returns a new, unfitted estimator; takes constructor parameters as keywords.
    description : str
        One plain line.
    source : str
        Where the method or its constants come from.
    simplicity : int
        Rank for choosing among methods that results do not tell apart; 1 is the simplest.
    """

    name: str
    make: Callable[..., KeyEstimator]
    description: str
    source: str
    simplicity: int
