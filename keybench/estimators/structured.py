"""Keys over time by a linear-chain model: what is heard around each beat, and how keys follow each other.

A conditional random field (Lafferty, McCallum and Pereira 2001, Proceedings of ICML) scores each path of keys by how
the channels of each beat fit the key there and by the moves between keys; weights are tied under transposition, moves
by interval and pair of modes. All are learnt together by L-BFGS on the exact gradient of the penalised likelihood.

Several models of this one form stand behind an answer. One names the home key of the piece: a chain of one step, which
sees the whole, both ends and the cadences. Its probabilities are channels of the others, as first answers are in a
stacked model (Wolpert 1992, Neural Networks 5). Of these, one sees each beat by itself in wide windows; the chains see
each beat alone and leave the rest to the moves. Their log-probabilities are averaged. Short pieces have models of their
own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from keybench.columns import offsets_of
from keybench.errors import EstimatorError
from keybench.estimators.base import (
    FLOOR,
    MODE_RANK,
    KeyEstimator,
    Tags,
    as_notes,
    as_truth,
    check_groups,
    fit_sharpness,
    log_softmax,
    spans_of_steps,
)
from keybench.estimators.beat_features import CHANNELS, CHORDS, BeatTable, Design, beat_table
from keybench.estimators.chain import Posteriors, expand_transitions, forward_backward, tie_transitions
from keybench.estimators.channels import channel_set
from keybench.estimators.features import extent
from keybench.estimators.follow import Followed, over_keys
from keybench.estimators.inner import inner_folds
from keybench.estimators.logistic import correlate, correlate_gradient, to_blocks
from keybench.key import N_KEYS, N_MODES, NO_MODE
from keybench.notes import KeySpan, NoteTable
from keybench.spans import SpanTable

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

_WIDE = (
    (0, 0), (-1, -1), (1, 1), (-2, -2), (2, 2), (-4, -3), (3, 4), (-8, -5), (5, 8), (-16, -9), (9, 16), (-32, -17),
    (17, 32), (-64, -33), (33, 64), "whole", "first 4", "last 4",
)  # fmt: skip
_MIDDLE = ((0, 0), (-1, -1), (1, 1), (-4, -2), (2, 4), (-12, -5), (5, 12), (-32, -13), (13, 32))
_NEAR = ("first 1 near", "first 4 near", "last 1 near", "last 4 near")

_ENDS = (("present", "bass", "major triad", "minor triad"), _NEAR)
_AROUND = [(("present", "bass", "struck"), _WIDE), (tuple(CHORDS), _MIDDLE)]

WINDOWED = (Design([*_AROUND, _ENDS]), Design(_AROUND))
"""What the model sees that answers for each beat by itself, in short and in long pieces: a short one that moves is in
one key where it begins and in another where it ends."""

_HERE = ((0, 0),)

LOCAL = (
    (Design([(CHANNELS, _HERE), _ENDS]),),
    (Design([(CHANNELS, _HERE)]), Design([(("present", "bass", "struck"), _HERE)])),
)
"""What the chains see of each beat, in short and in long pieces: of long ones, a second chain sees no chords, which may
lead astray in a style that was not heard in training."""

_ROWS = 20_000  # beats answered for at a time


@dataclass(frozen=True)
class TiedChain:
    """A fitted model of the one form that all three share.

    Parameters
    ----------
    weights : array, shape (n_channels, n_modes, 12)
        By distance of a pitch class above the home note.
    bias : array, shape (n_modes,)
    moves : array, shape (n_modes, n_modes, 12)
        Score of a move from a mode to a mode on a home note so many semitones higher.
    """

    weights: Float32Array
    bias: Float32Array
    moves: FloatArray

    def scores(self, channels: Float32Array) -> FloatArray:
        """Score of every state at every step, shape (n, 12 * n_modes)."""
        return _by_state(correlate(to_blocks(channels), self.weights) + self.bias)

    def log_posteriors(self, scores: FloatArray, offsets: IntArray) -> FloatArray:
        """Log-probability of every state at every step, given the whole sequence."""
        flat = np.zeros(scores.shape[1])
        gamma = forward_backward(scores, offsets, flat, expand_transitions(self.moves), transitions=False).gamma
        return np.log(np.maximum(gamma, FLOOR)) if gamma is not None else scores


def _by_state(scores: npt.NDArray) -> FloatArray:
    """Turn (n, 12, M) scores by tonic and mode into (n, 12 * M), state = 12 * mode + tonic."""
    turned: FloatArray = scores.transpose(0, 2, 1).reshape(len(scores), 12 * scores.shape[2]).astype(float)
    return turned


def objective(
    parameters: FloatArray,
    blocks: list[npt.NDArray],
    allowed: BoolArray,
    offsets: IntArray,
    weight: FloatArray,
    l2: float,
    moves: FloatArray,
    stiffness: float,
) -> tuple[float, FloatArray]:
    """Return the penalised negative log-likelihood of a tied chain and its exact gradient.

    A sequence's likelihood is the summed probability of the paths that stay within the acceptable states: the sums over
    those paths and over all, and both gradients, come from forward-backward.

    Parameters
    ----------
    parameters : array, shape (C * M * 12 + M + M * M * 12,)
        Weights, biases, scores of moves.
    blocks : list
        Channels of the steps as split for `correlate`; their type is that of the arithmetic.
    allowed : bool array, shape (n, 12 * M)
        Acceptable states of each step.
    offsets : int array, shape (n_sequences + 1,)
    weight : array, shape (n_sequences,)
        How much each sequence counts.
    l2 : float
        Ridge penalty on the weights.
    moves : array, shape (M, M, 12)
        Where the penalty draws the scores of moves to.
    stiffness : float
        Ridge penalty on their distance from there.
    """
    n, c = blocks[0].shape
    m = len(moves)
    dtype = blocks[0].dtype
    n_weights = c * m * 12
    weights = parameters[:n_weights].reshape(c, m, 12).astype(dtype)
    bias = parameters[n_weights : n_weights + m]
    tied = parameters[n_weights + m :].reshape(moves.shape)
    scores = _by_state(correlate(blocks, weights)) + np.repeat(bias, 12)
    flat, transition = np.zeros(12 * m), expand_transitions(tied)
    free = forward_backward(scores, offsets, flat, transition, weights=weight)
    held = _within(scores, allowed, offsets, transition, weight)
    assert free.gamma is not None
    assert held.gamma is not None
    assert free.transitions is not None
    assert held.transitions is not None
    loss = float(weight @ (free.log_likelihood - held.log_likelihood))
    d_scores = (free.gamma - held.gamma) * np.repeat(weight, np.diff(offsets))[:, None]
    by_mode = d_scores.reshape(n, m, 12)
    d_weights = correlate_gradient(blocks, np.ascontiguousarray(by_mode.transpose(0, 2, 1).astype(dtype)), c)
    away = tied - moves
    d_tied = tie_transitions(free.transitions - held.transitions) + stiffness * away
    loss += 0.5 * l2 * float((weights.astype(float) ** 2).sum()) + 0.5 * stiffness * float((away**2).sum())
    # A touch on the biases, so that a mode that is never seen keeps a finite one.
    loss += 0.005 * float((bias**2).sum())
    gradient = [
        (d_weights + l2 * weights).ravel().astype(float),
        by_mode.sum(axis=(0, 2)) + 0.01 * bias,
        d_tied.ravel(),
    ]
    return loss, np.concatenate(gradient)


def _within(
    scores: FloatArray, allowed: BoolArray, offsets: IntArray, transition: FloatArray, weight: FloatArray
) -> Posteriors:
    """Sum over the paths that stay within the acceptable states; where there is one path only, by counting."""
    if (allowed.sum(axis=1) != 1).any():
        flat = np.zeros(scores.shape[1])
        return forward_backward(np.where(allowed, scores, -np.inf), offsets, flat, transition, weights=weight)
    sequence = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    state = allowed.argmax(axis=1)
    after = np.flatnonzero(sequence[1:] == sequence[:-1]) + 1
    move = state[after - 1] * len(transition) + state[after]
    worth = np.bincount(sequence, scores[np.arange(len(state)), state], len(weight))
    worth += np.bincount(sequence[after], transition.ravel()[move], len(weight))
    moves = np.bincount(move, weight[sequence[after]], transition.size).reshape(transition.shape)
    return Posteriors(worth.astype(float), allowed.astype(float), moves.astype(float))


def fit_chain(
    channels: Float32Array,
    allowed: BoolArray,
    offsets: IntArray,
    weight: FloatArray,
    l2: float,
    moves: FloatArray,
    stiffness: float = 2.0,
    iterations: int = 40,
    tolerance: float = 1e-4,
) -> TiedChain:
    """Learn a tied chain; parameters as of `objective`, channels of shape (n, C, 12).

    L-BFGS stops after so many iterations or where the loss falls by less than the tolerance, as a share of itself: on
    unseen composers, stopping there does as well as going on.
    """
    c, m = channels.shape[1], len(moves)
    scale = np.maximum(np.sqrt((channels**2).sum(axis=2).mean(axis=0)), 1e-3)[:, None]
    start = np.concatenate([np.zeros(c * m * 12 + m), moves.ravel()])
    found = minimize(
        objective,
        start,
        args=(to_blocks(channels / scale), allowed, offsets, weight, l2, moves, stiffness),
        jac=True,
        method="L-BFGS-B",
        options={"maxiter": iterations, "maxcor": 15, "ftol": tolerance, "gtol": 1e-3},
    ).x
    weights = (found[: c * m * 12].reshape(c, m, 12) / scale[:, :, None]).astype(np.float32)
    bias = found[c * m * 12 : c * m * 12 + m].astype(np.float32)
    return TiedChain(weights, bias, found[c * m * 12 + m :].reshape(moves.shape))


def count_moves(allowed: list[BoolArray], n_modes: int) -> FloatArray:
    """Logarithm of the share of each tied move among those from its mode, shape (M, M, 12), with half a move of each.

    Beats with several acceptable states count in parts.
    """
    counts = np.full((n_modes, n_modes, 12), 0.5)
    for piece in allowed:
        share = piece / np.maximum(piece.sum(axis=1, keepdims=True), 1)
        counts += tie_transitions(share[:-1].T @ share[1:])
    logs: FloatArray = np.log(counts / counts.sum(axis=(1, 2), keepdims=True))
    return logs


def span_truth(spans: SpanTable, piece: int, middle: FloatArray, modes: list[int]) -> BoolArray:
    """Find the acceptable states of each beat of a piece, shape (n_beats, 12 * n_modes); none where there is no label.

    Parameters
    ----------
    spans : SpanTable
    piece : int
    middle : array, shape (n_beats,)
        When the middle of each beat is: the stretch that holds it says the key.
    modes : list of int
        Modes of the states.
    """
    own = slice(spans.offsets[piece], spans.offsets[piece + 1])
    truth = np.zeros((len(middle), len(modes), 12), dtype=bool)
    if own.stop > own.start:
        which = np.searchsorted(spans.start[own], middle, side="right") - 1
        beats = np.flatnonzero((which >= 0) & (middle < spans.end[own][np.maximum(which, 0)]))
        tonic, mode = spans.tonic[own][which[beats]], spans.mode[own][which[beats]]
        for m, known in enumerate(modes):
            fits = (mode == known) | (mode == NO_MODE)
            truth[beats[fits], m, tonic[fits]] = True
    return truth.reshape(len(middle), -1)


def home_truth(truth: BoolArray, first: float = 0.15, last: float = 0.3) -> BoolArray:
    """Which state a piece is taken to be at home in, shape (n_states,): the one labelled longest.

    The labels of the first and last labelled beat count as these parts of the labelled time more. Several states if
    the labels name no mode; all if there are no labels.
    """
    labelled = np.flatnonzero(truth.any(axis=1))
    if not len(labelled):
        return np.ones(truth.shape[1], dtype=bool)
    held = truth[labelled].mean(axis=0) + first * truth[labelled[0]] + last * truth[labelled[-1]]
    most: BoolArray = held >= held.max() - 1e-9
    return most


def excerpts(labelled: BoolArray, longest: int, most: int, rng: np.random.Generator) -> list[IntArray]:
    """Cut the labelled runs of a piece into stretches of at most `longest` beats and draw at most `most` of them."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], labelled.astype(np.int8), [0]])))
    found = [
        np.arange(first, min(first + longest, end))
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        for first in range(int(begin), int(end), longest)
    ]
    return [found[i] for i in rng.permutation(len(found))[:most]]


class StructuredKeys(KeyEstimator):
    """Linear-chain conditional random field over keys, with wide windows beside it.

    Parameters
    ----------
    l2_home, l2_windowed, l2_chain : float
        Ridge penalties of the three models, on channels scaled to unit mean square length.
    short : int
        Pieces of at most so many beats have models of their own: a chorale or an exercise moves sooner than a sonata.
    other : float
        How much the pieces of the other kind count, in the models of a kind.
    beats_per_piece : int
        Beats drawn from each training piece for the windowed model: neighbours are too alike to add much.
    excerpt, n_excerpts : int
        Beats in an excerpt for the chain, and excerpts drawn from each training piece.
    random_state : int
        Seed of the draws and of the inner folds.

    Attributes
    ----------
    modes_ : list of int
        Modes seen in training; a state is ``12 * place in this list + tonic``.
    home_ : dict of arrays
        ``weights``, ``bias`` and ``moves`` of a `TiedChain`.
    kinds_ : list of int
        Kinds of piece among those learnt from: 0 short, 1 long.
    models_ : list of lists of such dicts
        For each of these kinds, the windowed model and the chains.
    answer_ : array, shape (2,)
        What the logarithms of the home key's probability and of its share of the beats count for the whole piece.
    log_modes_ : array, shape (7,)
        Logarithms of the shares of the modes among home keys in training.

    Notes
    -----
    The defaults were chosen by cross-validation by composer on one half of the composers.
    """

    tags = Tags(learns=True, partial=False, segment=True)
    calibrated = True

    def __init__(
        self,
        l2_home: float = 20.0,
        l2_windowed: float = 200.0,
        l2_chain: float = 600.0,
        short: int = 110,
        other: float = 0.2,
        beats_per_piece: int = 30,
        excerpt: int = 96,
        n_excerpts: int = 2,
        random_state: int = 0,
    ):
        self.l2_home = l2_home
        self.l2_windowed = l2_windowed
        self.l2_chain = l2_chain
        self.short = short
        self.other = other
        self.beats_per_piece = beats_per_piece
        self.excerpt = excerpt
        self.n_excerpts = n_excerpts
        self.random_state = random_state

    def check_parameters(self) -> None:
        """Complain of numbers that make no model."""
        for name in ("l2_home", "l2_windowed", "l2_chain", "other"):
            if not 0.0 < getattr(self, name) < np.inf:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: a finite number above 0")
        for name in ("beats_per_piece", "excerpt", "n_excerpts"):
            if not (isinstance(getattr(self, name), int) and getattr(self, name) >= 1):
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: a whole number from 1")

    def fit(self, X: NoteTable, y: Any = None, groups: Any = None) -> Self:
        """Learn from pieces `X` that stay in one key each, `y`, and for inner folds the `groups` of related ones."""
        self.check_parameters()
        X = as_notes(X)
        if y is None:
            raise EstimatorError("StructuredKeys.fit needs the truths y")
        truth = as_truth(y, len(X))
        check_groups(groups, len(X))
        share = truth / truth.sum(axis=1, keepdims=True)
        self._note(X, truth)
        self._learn_modes(share)
        self.modes_ = [int(m) for m in np.flatnonzero(truth.reshape(-1, N_MODES, 12).any(axis=(0, 2)))]
        states = truth.reshape(-1, N_MODES, 12)[:, self.modes_].reshape(len(X), -1)
        heard = _hear(X)
        beats = heard.beats
        per_beat = [np.broadcast_to(row, (n, len(row))) for row, n in zip(states, beats.n_beats, strict=True)]
        held = inner_folds(len(X), groups, 5, self.random_state) == 0
        self.answer_ = np.array([1.0, 0.5])
        if held.any() and not held.all():
            taught = np.flatnonzero(~held)
            self._learn(heard, per_beat, states, groups, taught)
            asked = np.flatnonzero(held)
            home, occupied = self._whole(heard, asked)
            scores = self.answer_[0] * home + self.answer_[1] * occupied
            self.answer_ = self.answer_ * fit_sharpness(scores, states[asked])
        self._learn(heard, per_beat, states, groups, np.arange(len(X)))
        return self

    def fit_sections(self, X: NoteTable, spans: SpanTable, groups: Any = None) -> Self:
        """Learn from pieces `X` whose key moves as `spans` say, and for inner folds the `groups` of related ones."""
        self.check_parameters()
        X = as_notes(X)
        check_groups(groups, len(X))
        if not len(X) or not spans.n_rows.any():
            raise EstimatorError("there are no labelled stretches to learn from; accepted: at least one")
        named = spans.mode[spans.mode != NO_MODE]
        self.modes_ = [int(m) for m in np.unique(named)] or [0]
        heard = _hear(X)
        beats = heard.beats
        per_beat = [
            span_truth(spans, i, beats.start[i] + (np.arange(n) + 0.5) * beats.beat[i], self.modes_)
            for i, n in enumerate(beats.n_beats)
        ]
        states = np.array([home_truth(truth) for truth in per_beat])
        share = np.zeros((len(X), N_MODES, 12))
        named_modes = self.modes_ if len(named) else np.arange(N_MODES)
        accepted = np.zeros(share.shape, dtype=bool)
        accepted[:, named_modes] = states.reshape(len(X), -1, 12)
        self._note(X, accepted.reshape(len(X), N_KEYS))
        share[:, self.modes_] = (states / states.sum(axis=1, keepdims=True)).reshape(len(X), -1, 12)
        self._learn_modes(share.reshape(len(X), N_KEYS))
        home = self._learn(heard, per_beat, states, groups, np.arange(len(X)))
        # The home key of pieces that move is left to the model of the home key, as out-of-fold answers calibrate it.
        self.answer_ = np.array([fit_sharpness(home, states), 0.0])
        return self

    def _learn_modes(self, share: FloatArray) -> None:
        pieces = share.reshape(-1, N_MODES, 12).sum(axis=(0, 2))
        self.log_modes_ = np.log((pieces + 0.5) / (pieces + 0.5).sum())

    def _learn(
        self, heard: _Heard, per_beat: list[BoolArray], states: BoolArray, groups: Any, rows: IntArray
    ) -> FloatArray:
        """Fit all models on some pieces; return out-of-fold log-probabilities of their home keys."""
        stays = count_moves([per_beat[i] for i in rows], len(self.modes_))
        seen, targets = heard.whole[rows], states[rows]
        fold = inner_folds(len(rows), None if groups is None else np.asarray(groups)[rows], 4, self.random_state + 1)
        home = np.zeros(targets.shape)
        for k in range(int(fold.max()) + 1):
            asked = fold == k
            model = self._fit_home(seen, targets, stays, ~asked if not asked.all() else asked)
            home[asked] = log_softmax(model.scores(seen[asked]))
        self.home_ = _as_dict(self._fit_home(seen, targets, stays, np.ones(len(rows), dtype=bool)))
        drawn = self._draw(per_beat, home, rows)
        self.kinds_ = sorted({one.kind for one in drawn})
        self.models_ = []
        for kind in self.kinds_:
            fits = [(WINDOWED[kind], True, self.l2_windowed), *((local, False, self.l2_chain) for local in LOCAL[kind])]
            self.models_.append(
                [
                    _as_dict(self._fit_drawn(heard.beats, per_beat, drawn, design, kind, single, l2, stays))
                    for design, single, l2 in fits
                ]
            )
        return home

    def _draw(self, per_beat: list[BoolArray], home: FloatArray, rows: IntArray) -> list[_Drawn]:
        """Draw the beats and excerpts to learn from; pieces without labels are left out."""
        rng = np.random.default_rng(self.random_state)
        drawn = []
        for place, i in enumerate(rows):
            labelled = per_beat[i].any(axis=1)
            constant = bool((per_beat[i] == per_beat[i][:1]).all())  # then one excerpt says what there is to say
            few = rng.permutation(np.flatnonzero(labelled))[: self.beats_per_piece]
            cut = excerpts(labelled, self.excerpt, 1 if constant else self.n_excerpts, rng)
            if len(few):
                beside = home_channels(home[place], len(self.modes_))
                drawn.append(_Drawn(int(i), self._kind(len(labelled)), beside, few, cut))
        if not drawn:
            raise EstimatorError("no piece has a labelled beat to learn from; accepted: at least one")
        return drawn

    def _fit_drawn(
        self,
        beats: BeatTable,
        per_beat: list[BoolArray],
        drawn: list[_Drawn],
        design: Design,
        kind: int,
        single: bool,
        l2: float,
        moves: FloatArray,
    ) -> TiedChain:
        """Fit a model for a kind of pieces, with the others counting for less, on single beats or on excerpts."""
        channels, allowed, lengths, counts = [], [], [], []
        for one in drawn:
            sequences = list(one.beats[:, None]) if single else one.excerpts
            at = np.concatenate(sequences)
            channels.append(_beside(design.compute(beats.channels[one.piece], at), one.home))
            allowed.append(per_beat[one.piece][at])
            lengths += [len(sequence) for sequence in sequences]
            counts += [1.0 if one.kind == kind else self.other] * len(sequences)
        return fit_chain(
            np.concatenate(channels), np.concatenate(allowed), offsets_of(lengths), np.array(counts), l2, moves
        )

    def _fit_home(self, seen: Float32Array, targets: BoolArray, moves: FloatArray, taught: BoolArray) -> TiedChain:
        n = int(taught.sum())
        return fit_chain(seen[taught], targets[taught], np.arange(n + 1), np.ones(n), self.l2_home, moves)

    def _kind(self, n_beats: int) -> int:
        return int(n_beats > self.short)

    def _home(self, heard: _Heard, rows: IntArray) -> FloatArray:
        """Log-probabilities of the home keys of some pieces, shape (n, n_states)."""
        return log_softmax(TiedChain(**self.home_).scores(heard.whole[rows]))

    def _log_posteriors(self, beats: BeatTable, rows: IntArray, homes: FloatArray) -> list[FloatArray]:
        """Log-probabilities of the states at each beat of some pieces that have beats, each (n_beats, n_states)."""
        out: list[FloatArray] = [np.zeros((0, 0))] * len(rows)
        of = [self._kind(len(beats.channels[i])) for i in rows]
        for place, kind in enumerate(self.kinds_):
            # A kind that was not taught is answered for by the models of the other.
            own = [j for j, known in enumerate(of) if known == kind or len(self.kinds_) == 1]
            if not own:
                continue
            windowed, *chains = (TiedChain(**model) for model in self.models_[place])
            heard = [(beats.channels[rows[j]], home_channels(homes[j], len(self.modes_))) for j in own]
            offsets = offsets_of([len(channels) for channels, _ in heard])

            def scores(model: TiedChain, design: Design, heard: list[Any] = heard) -> FloatArray:
                return np.concatenate(
                    [
                        model.scores(_beside(design.compute(channels, np.arange(len(channels))), beside))
                        for channels, beside in heard
                    ]
                )

            answers = [log_softmax(scores(windowed, WINDOWED[kind]))]
            for chain, design in zip(chains, LOCAL[kind], strict=True):
                answers.append(chain.log_posteriors(scores(chain, design), offsets))
            mean = log_softmax(np.mean(answers, axis=0))
            for j, (a, b) in zip(own, pairwise(offsets), strict=True):
                out[j] = mean[a:b]
        return out

    @staticmethod
    def _batches(n_beats: IntArray) -> list[IntArray]:
        """Places of the pieces that have beats, in batches of about `_ROWS` beats."""
        places = np.flatnonzero(n_beats)
        return np.split(places, np.flatnonzero(np.diff(np.cumsum(n_beats[places]) // _ROWS)) + 1) if len(places) else []

    def _whole(self, heard: _Heard, rows: IntArray) -> tuple[FloatArray, FloatArray]:
        """Log-probabilities of the home key, and logarithms of the states' shares of the beats, each (n, n_states)."""
        home = self._home(heard, rows)
        occupied = np.zeros(home.shape)
        n_beats = heard.beats.n_beats[rows]
        for places in self._batches(n_beats) if self.answer_[1] else []:
            followed = self._log_posteriors(heard.beats, rows[places], home[places])
            shares = np.array([np.exp(over_time).mean(axis=0) for over_time in followed])
            occupied[places] = np.log(np.maximum(shares, 1e-4))
        return home, occupied

    def predict_log_proba(self, X: NoteTable) -> FloatArray:
        """Return log-probabilities of the 84 keys for the piece as a whole, shape (n, 84)."""
        self._check_fitted()
        X = as_notes(X)
        home, occupied = self._whole(_hear(X), np.arange(len(X)))
        scores = self.answer_[0] * home + self.answer_[1] * occupied
        silent = X.n_notes == 0  # nothing heard: the mode shares alone
        scores[silent] = np.repeat(self.log_modes_[self.modes_], 12)
        scores = np.round(scores, 4) - 1e-5 * np.repeat(MODE_RANK[self.modes_], 12)
        out = np.full((len(X), N_MODES, 12), np.log(FLOOR))
        unnamed = N_KEYS - scores.shape[1]
        out[:, self.modes_] = (log_softmax(scores) + np.log1p(-FLOOR * unnamed)).reshape(len(X), len(self.modes_), 12)
        return self._claim(out.reshape(len(X), N_KEYS), X)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time: in each beat the most probable one, neighbours of a key joined."""
        self._check_fitted()
        X = as_notes(X)
        heard = _hear(X)
        beats = heard.beats
        keys = np.zeros(int(beats.offsets[-1]), dtype=np.int64)
        of_state = (12 * np.array(self.modes_)[:, None] + np.arange(12)).ravel()
        for i, log_proba in self._over_time(heard):
            keys[beats.offsets[i] : beats.offsets[i + 1]] = of_state[np.round(log_proba, 4).argmax(axis=1)]
        return spans_of_steps(keys, _begins(beats), beats.offsets, extent(X)[1])

    def follow(self, X: NoteTable) -> Followed:
        """Return log-probabilities of the keys at each beat."""
        self._check_fitted()
        heard = _hear(as_notes(X))
        beats = heard.beats
        out = np.zeros((int(beats.offsets[-1]), N_KEYS))
        for i, log_proba in self._over_time(heard):
            out[beats.offsets[i] : beats.offsets[i + 1]] = over_keys(log_proba, self.modes_)
        return Followed(beats.offsets, _begins(beats), out)

    def _over_time(self, heard: _Heard) -> Iterator[tuple[int, FloatArray]]:
        """Pieces that have beats, each with the log-probabilities of the states at its beats."""
        for batch in self._batches(heard.beats.n_beats):
            answers = self._log_posteriors(heard.beats, batch, self._home(heard, batch))
            yield from zip(map(int, batch), answers, strict=True)


def _begins(beats: BeatTable) -> FloatArray:
    """When each beat begins, shape (n_beats,)."""
    piece = np.repeat(np.arange(len(beats.n_beats)), beats.n_beats)
    place = np.arange(int(beats.offsets[-1])) - beats.offsets[piece]
    begins: FloatArray = beats.start[piece] + place * beats.beat[piece]
    return begins


@dataclass(frozen=True)
class _Heard:
    """What of the pieces the models look at.

    Parameters
    ----------
    beats : BeatTable
    whole : array, shape (n_pieces, n_channels, 12)
        Channels of whole pieces, for the home key.
    """

    beats: BeatTable
    whole: Float32Array


def _hear(X: NoteTable) -> _Heard:
    whole = X.feature(channel_set("score").compute)
    return _Heard(beat_table(X), (whole - whole.mean(axis=2, keepdims=True)).astype(np.float32))


@dataclass(frozen=True)
class _Drawn:
    """What is drawn from a training piece.

    Parameters
    ----------
    piece, kind : int
    home : array, shape (n_modes, 12)
        Its channels of the home key, from models that did not learn from it.
    beats : int array
        For the windowed model.
    excerpts : list of int arrays
        For the chains, beat by beat.
    """

    piece: int
    kind: int
    home: Float32Array
    beats: IntArray
    excerpts: list[IntArray]


def home_channels(log_proba: FloatArray, n_modes: int) -> Float32Array:
    """Turn log-probabilities of the home key, (n_states,), into one channel for each mode, (n_modes, 12)."""
    channels = np.exp(log_proba).reshape(n_modes, 12)
    centred: Float32Array = (channels - channels.mean(axis=1, keepdims=True)).astype(np.float32)
    return centred


def _beside(channels: Float32Array, home: Float32Array) -> Float32Array:
    """Put the channels of the home key beside those of every beat."""
    return np.concatenate([channels, np.broadcast_to(home, (len(channels), *home.shape))], axis=1)


def _as_dict(model: TiedChain) -> dict[str, npt.NDArray]:
    return {"weights": model.weights, "bias": model.bias, "moves": model.moves}
