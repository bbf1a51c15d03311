"""A hidden Markov model over tonic and mode, tied under transposition: one key for the piece, or keys over time.

Each step (about a beat) shows which pitch classes sound and which of them is the lowest; a state is a key and prefers
the notes, the chords and the bass moves of its key. Moves between keys depend on the two modes and the interval between
the home notes alone. All sums over paths are exact (`keybench.estimators.chain`).

What sounds in a step is a set of pitch classes, so every emission here is a table over the 4,096 sets, by mode and
counted from the home note. Steps that follow each other hold much the same notes, which a chain takes for independent
evidence; the notes therefore count for less than the moves, by a weight chosen on pieces held out in training.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

from keybench.columns import offsets_of
from keybench.corpora.grouping import deal_folds
from keybench.errors import EstimatorError
from keybench.estimators.base import (
    FloatArray,
    ScoringEstimator,
    Tags,
    as_notes,
    log_softmax,
    moves_in_words,
    spans_of_steps,
)
from keybench.estimators.chain import expand_transitions, forward_backward, tie_transitions, viterbi
from keybench.estimators.features import beats, edge_note, extent, pitch_classes
from keybench.estimators.follow import Followed, over_keys
from keybench.estimators.profile_data import PROFILES
from keybench.key import KEY_NAMES, MAJOR, MINOR, N_KEYS, N_MODES, NO_MODE, SCALES
from keybench.notes import KeySpan, NoteTable
from keybench.spans import SpanTable

IntArray = npt.NDArray[np.int64]

EMISSIONS = ("chords", "presence", "shares", *PROFILES)
DECODINGS = ("posterior", "viterbi")
WHOLE = ("weighed", "occupancy", "path")

SETS = ((np.arange(4096)[:, None] >> np.arange(12)) & 1).astype(float)
"""(4096, 12) which pitch classes each set holds: bit p of a set's number is pitch class p."""

_SIX = SETS[:64, :6]  # the same for six of the pitch classes

_REACHES = (2.0, 6.0, 16.0, 40.0, 100.0)  # steps up to which the notes count in full, from which training chooses
_REACH = 16.0  # where pieces have one key each, there are no moves to weigh against
_BASS = 0.75  # of the bass moves against the sets
_LENGTHS = (12, 40, 80, 160, 320, 640)  # steps: pieces between two of these share their moves
_BASS_PRIOR = 20.0  # moves from any note that count among those from one
_POOLED_MOVES = 50.0  # moves of pieces of all lengths that count among those of one class
_CHORD_ROUNDS = 40  # of the expectation-maximisation that learns the chords
_SHORT = 32  # steps: in a shorter piece every half of one counts
_WEIGHED = 500  # pieces on which the evidence for a whole piece is weighed, and the probabilities are fitted
_HELD_OUT = 400  # pieces on which the weight is chosen


@dataclass(frozen=True)
class Steps:
    """What sounds when.

    Parameters
    ----------
    sets : int array, shape (n_steps,)
        Number of the set of pitch classes that sound in each step; see `SETS`.
    bass : int array, shape (n_steps,)
        Pitch class of the lowest note that begins in the step.
    offsets : int array, shape (n_pieces + 1,)
        Steps of piece i are ``offsets[i]:offsets[i + 1]``.
    begins : float array, shape (n_steps,)
        When the first note of each step begins.
    first, last : int arrays, shape (n_pieces,)
        Pitch class of the first and of the last note; -1 where there is none.
    """

    sets: IntArray
    bass: IntArray
    offsets: IntArray
    begins: FloatArray
    first: IntArray
    last: IntArray

    @property
    def lengths(self) -> IntArray:
        """Number of steps of each piece, shape (n_pieces,)."""
        return np.diff(self.offsets)

    @property
    def edges(self) -> tuple[IntArray, IntArray, IntArray]:
        """Pieces that have steps, and the first and the last step of each."""
        filled = np.flatnonzero(self.lengths > 0)
        return filled, self.offsets[:-1][filled], self.offsets[1:][filled] - 1

    @property
    def piece(self) -> IntArray:
        """Piece of each step, shape (n_steps,)."""
        return np.repeat(np.arange(len(self.lengths)), self.lengths)

    def rows_of(self, pieces: IntArray) -> IntArray:
        """Return the steps of some pieces, one piece after the other, shape (n_steps_of_them,)."""
        lengths = self.lengths[pieces]
        offsets = offsets_of(lengths)
        rows: IntArray = np.repeat(self.offsets[:-1][pieces] - offsets[:-1], lengths) + np.arange(offsets[-1])
        return rows

    def of(self, pieces: IntArray) -> Steps:
        """Return the steps of some pieces."""
        rows, offsets = self.rows_of(pieces), offsets_of(self.lengths[pieces])
        return Steps(
            self.sets[rows], self.bass[rows], offsets, self.begins[rows], self.first[pieces], self.last[pieces]
        )

    @property
    def bass_before(self) -> IntArray:
        """Bass of the step before, shape (n_steps,); -1 in the first step of a piece."""
        before = np.append(-1, self.bass[:-1])[: len(self.bass)]
        before[self.edges[1]] = -1
        return before


def steps(table: NoteTable) -> Steps:
    """Cut each piece into steps of twice its median distance between onsets, about a beat at any tempo.

    A piece of few steps is cut twice as fine. A note is heard in every step that it sounds in. Steps in which none
    begins are left out: they say what the step before said. A chord whose notes begin a hair apart must not make the
    beat a hair: a step is at least the length over four times the notes.
    """
    n, piece, onset = len(table), table.piece, table.onset
    begin, end = extent(table)
    beat = beats(table)
    beat = np.where(np.isnan(beat), 1.0, np.maximum(beat, (end - begin) / np.maximum(4 * table.n_notes, 1)))
    beat = np.where(end - begin < _SHORT * beat * (1.0 - 1e-6), beat / 2, beat)  # a hair: tempo moves the last digit
    # A note just before a line of the grid by rounding belongs after it, one that ends just after it ended there.
    place = np.floor((onset - begin[piece]) / beat[piece] + 1e-6)
    until = np.ceil((onset + table.duration - begin[piece]) / beat[piece] - 1e-6)
    new = np.append(True, (np.diff(place) > 0) | (np.diff(piece) > 0))[: len(place)]
    step = np.cumsum(new) - 1
    offsets = offsets_of(np.bincount(piece[new], minlength=n))
    count = int(offsets[-1])
    # Where each note falls silent: the first step of its piece that begins no sooner than it ends.
    stride = place.max(initial=0.0) + 2.0
    ends = np.searchsorted(place[new] + stride * piece[new], np.minimum(until, stride - 1.0) + stride * piece)
    ends = np.maximum(ends, step + 1)
    pc = pitch_classes(table)
    sounding = np.bincount(12 * step + pc, minlength=12 * (count + 1))
    sounding -= np.bincount(12 * ends + pc, minlength=12 * (count + 1))
    held = np.cumsum(sounding.reshape(-1, 12), axis=0)[:count] > 0
    lowest = np.full(count, np.inf)
    np.minimum.at(lowest, step, table.pitch)
    return Steps(
        sets=held @ (1 << np.arange(12)),
        bass=np.floor(lowest + 0.5).astype(np.int64) % 12,
        offsets=offsets,
        begins=onset[new],
        first=edge_note(table, last=False),
        last=edge_note(table, last=True),
    )


def rotate(sets: IntArray, tonic: int | IntArray) -> IntArray:
    """Count sets from a home note: bit 0 of the result is the home note."""
    down: IntArray = ((sets >> tonic) | (sets << (12 - tonic))) & 4095
    return down


def presence_table(presence: FloatArray) -> FloatArray:
    """Log-probability of each set if each pitch class sounds by itself with a probability, (..., 12) to (..., 4096)."""
    table: FloatArray = np.log(presence) @ SETS.T + np.log1p(-presence) @ (1.0 - SETS.T)
    return table


def chord_table(log_shares: FloatArray, presence: FloatArray) -> FloatArray:
    """Log-probability of each set where a chord is drawn first: (m, c) and (m, c, 12) to (m, 4096)."""
    each = presence_table(presence) + log_shares[:, :, None]
    top = each.max(axis=1)
    table: FloatArray = top + np.log(np.exp(each - top[:, None]).sum(axis=1))
    return table


def learn_chords(counts: FloatArray, n_chords: int, rounds: int = _CHORD_ROUNDS) -> tuple[FloatArray, FloatArray]:
    """Fit a mixture of sets of independent pitch classes by expectation-maximisation (Dempster et al. 1977).

    Parameters
    ----------
    counts : array, shape (4096,)
        How often each set was heard, counted from the home note.
    n_chords : int
        Number of components, which come out as the chords of a key.

    Returns
    -------
    log_shares : array, shape (n_chords,)
    presence : array, shape (n_chords, 12)
    """
    average = (counts @ SETS + 0.5) / (counts.sum() + 1.0)
    # Seeded, so that two fits on the same pieces are alike.
    presence = np.clip(average * np.random.default_rng(0).uniform(0.3, 1.7, (n_chords, 12)), 0.01, 0.95)
    log_shares = np.full(n_chords, -np.log(n_chords))
    for _ in range(rounds):
        # Pitch classes are independent: what a set says is what its first six say times what its last six say.
        first, last = (
            np.exp(np.log(six) @ _SIX.T + np.log1p(-six) @ (1.0 - _SIX.T)) for six in (presence[:, :6], presence[:, 6:])
        )
        last *= np.exp(log_shares)[:, None]
        each = (last[:, :, None] * first[:, None, :]).reshape(n_chords, len(SETS))
        each *= counts / each.sum(axis=0)
        n = each.sum(axis=1)
        presence = np.clip((each @ SETS + average) / (n[:, None] + 1.0), 1e-4, 1.0 - 1e-4)
        log_shares = np.log((n + 1.0) / (n.sum() + n_chords))
    return log_shares, presence


class KeyHMM(ScoringEstimator):
    """Hidden Markov model over tonic and mode.

    Parameters
    ----------
    emission : str
        What a key says of the pitch classes in a step: ``chords`` (a learnt mixture of chords), ``presence`` (each
        sounds by itself with a learnt probability), ``shares`` (each that sounds is drawn from learnt shares), or the
        name of a published profile, which knows major and minor and is taken as presence if it holds probabilities and
        as shares otherwise.
    n_chords : int
        Number of chords of a mode.
    bass : bool
        Let the moves of the bass speak, as learnt in training.
    stay : float
        Probability of staying in the key from one step to the next where moves are not learnt; .998 is Temperley's
        (2007) value for segments.
    learn_moves : bool
        Learn the moves from labelled sections, for short and for long pieces apart.
    edges : bool
        Let the first and the last note speak for the states at the ends, as learnt in training.
    weight : float or None
        Weight of the notes against the moves. None for 1 in pieces of few steps and less in longer ones, falling with
        the cube root of their number; how many are few is chosen in training.
    prior_steps : float
        Weight, in steps, of a plain scale shape mixed into each mode's learnt numbers, for modes with few pieces.
    em_steps : int
        How many steps of expectation-maximisation (Baum et al. 1970, with tied parameters) follow, in which emissions
        and moves are learnt from the notes of the training pieces without their keys.
    decode : str
        Keys over time by the most probable state of each step (``posterior``) or the best path (``viterbi``).
    whole : str
        The piece's key by the share of time that it holds (``occupancy``), by its share of the best path (``path``), or
        by both opening and closing, holding most of the time and holding throughout, weighed in training (``weighed``).
    """

    @property
    def tags(self) -> Tags:  # type: ignore[override]
        """Made from what its published emissions were made from."""
        published = PROFILES.get(str(self.emission))
        return Tags(learns=True, segment=True, made_from=published.overlaps if published else ())

    calibration_pieces = _WEIGHED  # each costs ten times what it costs a profile

    def __init__(
        self,
        emission: str = "chords",
        n_chords: int = 12,
        bass: bool = True,
        stay: float = 0.998,
        learn_moves: bool = True,
        edges: bool = True,
        weight: float | None = None,
        prior_steps: float = 200.0,
        em_steps: int = 0,
        decode: str = "posterior",
        whole: str = "weighed",
    ):
        self.emission = emission
        self.n_chords = n_chords
        self.bass = bass
        self.stay = stay
        self.learn_moves = learn_moves
        self.edges = edges
        self.weight = weight
        self.prior_steps = prior_steps
        self.em_steps = em_steps
        self.decode = decode
        self.whole = whole

    def check_parameters(self) -> None:
        """Complain of parameters that make no model."""
        for name, accepted in (("emission", EMISSIONS), ("decode", DECODINGS), ("whole", WHOLE)):
            if getattr(self, name) not in accepted:
                raise EstimatorError(f"{name} is {getattr(self, name)!r}; accepted: {', '.join(accepted)}")
        if not (0.0 < self.stay < 1.0 and self.prior_steps > 0.0):
            raise EstimatorError(
                f"stay is {self.stay!r}, prior_steps {self.prior_steps!r}; accepted: between 0 and 1, above 0"
            )
        if self.n_chords < 1 or self.em_steps < 0 or not (self.weight is None or 0.0 < self.weight < np.inf):
            raise EstimatorError(
                f"n_chords is {self.n_chords!r}, em_steps {self.em_steps!r}, weight {self.weight!r}; accepted: 1 or "
                "more, 0 or more, above 0 or None"
            )

    # --- Learning -----------------------------------------------------------------------------------------------------

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        """Learn from whole pieces; between keys, all moves are alike."""
        self.check_parameters()
        share = self._learn_modes(truth)
        heard = steps(X)
        self.log_moves_ = self._even_moves()[None]
        self.reach_ = _REACH
        self._learn_from_shares(heard, share)
        several = (share > 0).sum(axis=(1, 2)) > 1
        if several.any():  # of a set of acceptable keys, count the one that the notes fit
            held = self._held(heard.of(np.flatnonzero(several))).reshape(-1, *share.shape[1:])
            fit = np.where(share[several] > 0, held, -np.inf)
            share[several] = np.exp(log_softmax(fit.reshape(len(fit), -1))).reshape(fit.shape)
            self._learn_from_shares(heard, share)
        self._learn_by_ear(heard)
        self._learn_whole(heard, truth)

    def fit_sections(self, X: NoteTable, spans: SpanTable, groups: Any = None) -> Self:
        """Learn emissions, moves and the weight of the notes from pieces whose keys over time are known.

        The key that holds longest counts as the key of the whole piece. Parameters as of the base class.
        """
        self.check_parameters()
        X = as_notes(X)
        truth = _longest_key(spans)
        rows = np.flatnonzero(truth.any(axis=1))
        if not len(rows):
            raise EstimatorError("no stretch of any piece has a key; accepted: at least one")
        X, spans, truth = X[rows], spans[rows], truth[rows]
        self.reach_ = _REACH
        if self.weight is None:
            _, group = np.unique(np.arange(len(X)) if groups is None else np.asarray(groups)[rows], return_inverse=True)
            inner = deal_folds(group, 3, 0) if group.max() >= 2 else np.zeros(len(X), dtype=np.int64)
            train, test = np.flatnonzero(inner > 0), np.flatnonzero(inner == 0)[:_HELD_OUT]
            if len(train):
                self._learn_sections(steps(X[train]), spans[train], truth[train])
                self.reach_ = self._choose_reach(steps(X[test]), spans[test])
        heard = steps(X)
        self._learn_sections(heard, spans, truth)
        self._learn_by_ear(heard)
        self._learn_whole(heard, truth)
        self._calibrate(X, truth)
        return self

    def _learn_sections(self, heard: Steps, spans: SpanTable, truth: npt.NDArray[np.bool_]) -> None:
        share = self._learn_modes(truth, spans)
        label = self._states_of_steps(heard, spans)
        self._learn_notes(heard, lambda state: _where(label == state))
        self._learn_edges(heard, share)
        even = self._even_moves()
        if not self.learn_moves:
            self.log_moves_ = even[None]
            return
        n_modes, piece = len(self.modes_), heard.piece
        known = np.flatnonzero((label[1:] >= 0) & (label[:-1] >= 0) & (piece[1:] == piece[:-1])) + 1
        lengths = np.diff(heard.offsets)
        counts = np.zeros((len(_LENGTHS) + 1, n_modes, n_modes, 12))
        before, after = label[known - 1], label[known]
        of = np.searchsorted(_LENGTHS, lengths[piece[known]])
        np.add.at(counts, (of, before // 12, after // 12, (after - before) % 12), 1.0)
        pooled = _shares_of_moves(counts.sum(axis=0) + 1.0 / (12 * n_modes))
        self.log_moves_ = np.log(_shares_of_moves(counts + _POOLED_MOVES * pooled))

    def _choose_reach(self, heard: Steps, spans: SpanTable) -> float:
        """Return up to how many steps the notes count in full: where the share of steps named right is the largest."""
        label, piece = self._states_of_steps(heard, spans), heard.piece
        known = np.flatnonzero(label >= 0)
        n_known = np.maximum(np.bincount(piece[known], minlength=len(heard.lengths)), 1)
        right = []
        for reach in _REACHES:
            self.reach_ = reach
            said = self._posteriors(heard, self._emissions(heard))[known].argmax(axis=1)
            right.append(float((np.bincount(piece[known], said == label[known], len(n_known)) / n_known).mean()))
        return _REACHES[int(np.argmax(right))]

    def _learn_modes(self, truth: npt.NDArray[np.bool_], spans: SpanTable | None = None) -> FloatArray:
        """Learn which modes there are and how common each is; return the shares of acceptable keys, (n, modes, 12).

        A mode without pieces of its own, which a label without a mode does not make, is none that can be answered. A
        published profile knows major and minor, and takes them to be equally common.
        """
        share = truth.reshape(-1, N_MODES, 12).astype(float)
        if self.emission in PROFILES:
            present = np.isin(np.arange(N_MODES), (MAJOR, MINOR))
        else:
            present = share[truth.sum(axis=1) <= 2].any(axis=(0, 2))
            if spans is not None:
                present[spans.mode[spans.mode != NO_MODE]] = True
            if not present.any():
                present[[MAJOR, MINOR]] = True
        self.modes_ = np.flatnonzero(present)
        share = share[:, self.modes_]
        share /= np.maximum(share.sum(axis=(1, 2), keepdims=True), 1e-300)
        pieces = share.sum(axis=(0, 2)) + 0.5
        if self.emission in PROFILES:
            pieces[:] = 1.0
        self.log_modes_ = np.log(pieces / pieces.sum())
        return share

    def _learn_from_shares(self, heard: Steps, share: FloatArray) -> None:
        flat, lengths = share.reshape(len(share), -1), heard.lengths

        def counted(state: int) -> tuple[IntArray, FloatArray]:
            pieces = np.flatnonzero(flat[:, state])
            return heard.rows_of(pieces), np.repeat(flat[pieces, state], lengths[pieces])

        self._learn_notes(heard, counted)
        self._learn_edges(heard, share)

    def _learn_notes(
        self, heard: Steps, counted: Callable[[int], tuple[IntArray, FloatArray]], published: bool = True
    ) -> None:
        """Learn what each mode shows, given which steps count for a state, and how much.

        A published profile stays as it is unless `published` is false.
        """
        n_modes = len(self.modes_)
        sets, moves = np.zeros((n_modes, 4096)), np.zeros((n_modes, 12, 12))
        before = heard.bass_before
        for state in range(12 * n_modes):
            mode, tonic = divmod(state, 12)
            rows, weight = counted(state)
            sets[mode] += np.bincount(rotate(heard.sets[rows], tonic), weight, 4096)
            preceded = before[rows] >= 0
            rows, weight = rows[preceded], weight[preceded]
            cell = 12 * ((before[rows] - tonic) % 12) + (heard.bass[rows] - tonic) % 12
            moves[mode] += np.bincount(cell, weight, 144).reshape(12, 12)
        pooled = moves.sum(axis=1, keepdims=True) + 0.5
        moves += _BASS_PRIOR * pooled / pooled.sum(axis=2, keepdims=True)
        self.log_bass_ = np.log(moves / moves.sum(axis=2, keepdims=True))
        if self.emission in PROFILES and published:
            pair = PROFILES[self.emission]
            numbers = np.array([pair.major, pair.minor], dtype=float)
            if self._family == "presence":
                self.presence_ = np.clip(numbers, 0.01, 0.99)
            else:
                numbers = numbers / numbers.sum(axis=1, keepdims=True) + 0.002  # no note is ruled out
                self.log_notes_ = np.log(numbers / numbers.sum(axis=1, keepdims=True))
            return
        notes, n = sets @ SETS, sets.sum(axis=1)
        shape = np.where(SCALES[self.modes_], 1.0, 0.1)
        shape /= shape.sum(axis=1, keepdims=True)
        presence = np.clip(shape * notes.sum() / max(float(n.sum()), 1.0), 0.01, 0.95)
        if self._family == "shares":
            notes += self.prior_steps * shape
            self.log_notes_ = np.log(notes / notes.sum(axis=1, keepdims=True))
        elif self._family == "presence":
            self.presence_ = (notes + self.prior_steps * presence) / (n + self.prior_steps)[:, None]
        else:
            sets += self.prior_steps * np.exp(presence_table(presence))
            learnt = [learn_chords(of_mode, self.n_chords) for of_mode in sets]
            self.log_chords_ = np.stack([log_shares for log_shares, _ in learnt])
            self.presence_ = np.stack([each for _, each in learnt])

    def _learn_edges(self, heard: Steps, share: FloatArray) -> None:
        self.log_first_ = _edge_shares(heard.first, share)
        self.log_last_ = _edge_shares(heard.last, share)

    def _learn_by_ear(self, heard: Steps) -> None:
        """Learn from the notes alone, from what is known so far."""
        for _ in range(self.em_steps):
            counts = np.zeros_like(self.log_moves_)
            gamma = self._posteriors(heard, self._emissions(heard), counts)
            self._learn_notes(heard, partial(_counted_by, gamma), published=False)
            counts += _POOLED_MOVES * np.exp(self.log_moves_)
            self.log_moves_ = np.log(_shares_of_moves(counts))

    def _learn_whole(self, heard: Steps, truth: npt.NDArray[np.bool_]) -> None:
        """Learn how much each piece of evidence says about the key of the whole: a multinomial logistic model."""
        if self.whole != "weighed":
            return
        some = np.arange(0, len(truth), max(1, len(truth) // _WEIGHED))
        every, truth = self._evidence(heard.of(some)), truth[some]
        accepted = truth.reshape(-1, N_MODES, 12)[:, self.modes_].reshape(len(truth), -1)
        usable = accepted.any(axis=1)
        evidence, accepted = every[usable], accepted[usable]

        def loss(weights: FloatArray) -> tuple[float, FloatArray]:
            log_p = log_softmax(evidence @ weights)
            of_true = np.where(accepted, log_p, -np.inf)
            total = of_true.max(axis=1) + np.log(np.exp(of_true - of_true.max(axis=1, keepdims=True)).sum(axis=1))
            pull = np.exp(of_true - total[:, None]) - np.exp(log_p)
            gradient = -np.einsum("nk,nkf->f", pull, evidence)
            return float(-total.sum() + 0.5 * weights @ weights), gradient + weights

        start = np.full(evidence.shape[2], 0.1)
        bounds = [(0.0, None)] * len(start)
        self.whole_weights_ = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x
        self._kept_scores = self._by_key(every @ self.whole_weights_)  # those that the probabilities are fitted on

    def _even_moves(self) -> FloatArray:
        """Logarithms of the moves where staying is all that is known, shape (modes, modes, 12)."""
        n_modes = len(self.modes_)
        moves = np.full((n_modes, n_modes, 12), (1.0 - self.stay) / (12 * n_modes - 1))
        moves[np.arange(n_modes), np.arange(n_modes), 0] = self.stay
        log_moves: FloatArray = np.log(moves)
        return log_moves

    def _states_of_steps(self, heard: Steps, spans: SpanTable) -> IntArray:
        """State that a source names at the beginning of each step, shape (n_steps,); -1 for none."""
        state = np.full(len(heard.begins), -1, dtype=np.int64)
        mode = np.full(N_MODES + 1, -1, dtype=np.int64)  # the last stands for `NO_MODE`
        mode[self.modes_] = np.arange(len(self.modes_))
        for i in range(len(heard.offsets) - 1):
            own = slice(heard.offsets[i], heard.offsets[i + 1])
            begins = heard.begins[own]
            for j in range(spans.offsets[i], spans.offsets[i + 1]):
                if mode[spans.mode[j]] >= 0:
                    low, high = np.searchsorted(begins, (spans.start[j] - 1e-6, spans.end[j] - 1e-6))
                    state[own][low:high] = 12 * mode[spans.mode[j]] + spans.tonic[j]
        return state

    # --- Answering ----------------------------------------------------------------------------------------------------

    @property
    def _family(self) -> str:
        """What kind of emission it is; published profiles are presence if they are probabilities of it."""
        if self.emission not in PROFILES:
            return self.emission
        pair = PROFILES[self.emission]
        return "presence" if max(*pair.major, *pair.minor) <= 1.0 < sum(pair.major) / 2 else "shares"

    def _table(self) -> FloatArray:
        """Log-probability of each set in each mode, counted from the home note, shape (modes, 4096)."""
        if self._family == "shares":
            return self.log_notes_ @ SETS.T
        if self.emission == "chords":
            return chord_table(self.log_chords_, self.presence_)
        return presence_table(self.presence_)

    def _weight_of(self, lengths: IntArray) -> FloatArray:
        """Weight of the notes in pieces of so many steps."""
        if self.weight is not None:
            return np.full(len(lengths), float(self.weight))
        weight: FloatArray = np.minimum(1.0, np.cbrt(self.reach_ / np.maximum(lengths, 1)))
        return weight

    def _class_of(self, lengths: IntArray) -> IntArray:
        """Which moves hold for pieces of so many steps."""
        if len(self.log_moves_) == 1:
            return np.zeros(len(lengths), dtype=np.int64)
        return np.searchsorted(_LENGTHS, lengths)

    def _emissions(self, heard: Steps) -> FloatArray:
        """Weighted log-likelihood of each step in each state, shape (n_steps, 12 * modes)."""
        table, n_modes = self._table(), len(self.modes_)
        # Few of the steps differ: what is heard in them is looked up once.
        code = (heard.sets * 13 + heard.bass_before + 1) * 12 + heard.bass
        code, which = np.unique(code, return_inverse=True)
        sets, before, bass = code // 156, code // 12 % 13 - 1, code % 12
        each = np.empty((len(code), 12 * n_modes))
        for tonic in range(12):
            from_home = rotate(sets, tonic)
            moves = 12 * ((before - tonic) % 12) + (bass - tonic) % 12
            for mode in range(n_modes):
                said = table[mode][from_home]
                if self.bass:
                    said += np.where(before >= 0, _BASS * self.log_bass_[mode].ravel()[moves], 0.0)
                each[:, 12 * mode + tonic] = said
        weight = self._weight_of(heard.lengths)[heard.piece]
        out: FloatArray = each[which]
        out *= weight[:, None]
        if self.edges:
            away = (np.arange(12)[:, None] - np.arange(12)) % 12  # of a note from each home note
            filled, first, last = heard.edges
            for edge, log_shares, pc in ((first, self.log_first_, heard.first), (last, self.log_last_, heard.last)):
                said = log_shares[:, away[pc[filled]]]  # (modes, pieces, home notes)
                out[edge] += said.transpose(1, 0, 2).reshape(len(filled), 12 * n_modes)
        return out

    def _initial(self) -> FloatArray:
        """Log-probability of the first state, shape (12 * modes,)."""
        return np.repeat(self.log_modes_ - np.log(12.0), 12)

    def _chains(
        self, heard: Steps, emission: FloatArray
    ) -> Iterator[tuple[int, IntArray | slice, FloatArray, IntArray, FloatArray]]:
        """Pieces that share their moves: the class, their steps, emissions, offsets and the moves."""
        lengths = heard.lengths
        of = self._class_of(lengths)
        numbers = np.unique(of[lengths > 0])
        for number in numbers:
            moves = expand_transitions(self.log_moves_[number])
            if len(numbers) == 1:  # all steps as they stand, which are many to copy
                yield int(number), slice(None), emission, heard.offsets, moves
                continue
            pieces = np.flatnonzero((of == number) & (lengths > 0))
            rows = heard.rows_of(pieces)
            yield int(number), rows, emission[rows], offsets_of(lengths[pieces]), moves

    def _posteriors(self, heard: Steps, emission: FloatArray, counts: FloatArray | None = None) -> FloatArray:
        """Probability of each state at each step; expected moves of each class are added to `counts`."""
        gamma = np.empty((len(heard.sets), 12 * len(self.modes_)))
        for number, rows, score, own, moves in self._chains(heard, emission):
            found = forward_backward(score, own, self._initial(), moves, transitions=counts is not None)
            if isinstance(rows, slice) and found.gamma is not None:
                gamma = found.gamma
            else:
                gamma[rows] = found.gamma
            if counts is not None and found.transitions is not None:
                counts[number] += tie_transitions(found.transitions)
        return gamma

    def _paths(self, heard: Steps) -> IntArray:
        """State of each step on the best path, shape (n_steps,)."""
        path = np.zeros(len(heard.sets), dtype=np.int64)
        emission = self._emissions(heard)
        for _, rows, score, own, moves in self._chains(heard, emission):
            path[rows] = viterbi(score, own, self._initial(), moves)[0]
        return path

    def _mean(self, values: FloatArray, offsets: IntArray, empty: FloatArray) -> FloatArray:
        """Mean over the steps of each piece, (n, k), from (n_steps, k); `empty` for a piece without."""
        out = np.tile(empty, (len(offsets) - 1, 1))
        filled = np.diff(offsets) > 0
        if filled.any():
            out[filled] = np.add.reduceat(values, offsets[:-1][filled]) / np.diff(offsets)[filled, None]
        return out

    def _held(self, heard: Steps) -> FloatArray:
        """Log-likelihood of each piece if one key held throughout, with the share of its mode, (n, 12 * modes)."""
        mean = self._mean(self._emissions(heard), heard.offsets, np.zeros(12 * len(self.modes_)))
        return mean * heard.lengths[:, None] + self._initial()

    def _evidence(self, heard: Steps) -> FloatArray:
        """Collect what speaks for each state as the key of the whole, shape (n, 12 * modes, 6).

        Logarithms of its share of the time and of its probability at the first and at the last step; the mean
        log-likelihood of a step in it; the likelihood of the piece if it held throughout, tempered by the root of the
        number of steps; how common its mode is.
        """
        emission, initial = self._emissions(heard), self._initial()
        gamma = self._posteriors(heard, emission)
        edges = np.tile(np.exp(initial), (2, len(heard.lengths), 1))
        filled, *ends = heard.edges
        edges[:, filled] = gamma[np.stack(ends)]
        throughout = self._mean(emission, heard.offsets, np.zeros(len(initial)))
        return np.stack(
            [
                np.log(np.maximum(self._mean(gamma, heard.offsets, np.exp(initial)), 1e-4)),
                *np.log(np.maximum(edges, 1e-3)),
                throughout,
                throughout * np.sqrt(heard.lengths)[:, None],
                np.broadcast_to(initial, throughout.shape),
            ],
            axis=2,
        )

    def _scores(self, X: NoteTable) -> FloatArray:
        heard = steps(X)
        initial = np.exp(self._initial())
        if self.whole == "weighed":
            found = self._evidence(heard) @ self.whole_weights_
        elif self.whole == "path":
            on_path = np.eye(len(initial))[self._paths(heard)]
            found = np.log(self._mean(on_path, heard.offsets, initial) + 1e-3)
        else:
            found = np.log(
                np.maximum(self._mean(self._posteriors(heard, self._emissions(heard)), heard.offsets, initial), 1e-12)
            )
        return self._by_key(found)

    def _by_key(self, found: FloatArray) -> FloatArray:
        """Spread (n, 12 * modes) over the 84 keys; minus infinity for modes that were not taught."""
        scores = np.full((len(found), N_MODES, 12), -np.inf)
        scores[:, self.modes_] = found.reshape(len(found), len(self.modes_), 12)
        return scores.reshape(len(found), N_KEYS)

    def _calibration_scores(self, X: NoteTable) -> FloatArray:
        kept = self.__dict__.pop("_kept_scores", None)
        return kept if kept is not None and len(kept) == len(X) else self._scores(X)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time; neighbouring steps of a key are joined."""
        self._check_fitted()
        X = as_notes(X)
        heard = steps(X)
        state = (
            self._paths(heard)
            if self.decode == "viterbi"
            else self._posteriors(heard, self._emissions(heard)).argmax(axis=1)
        )
        key = 12 * self.modes_[state // 12] + state % 12
        return spans_of_steps(key, heard.begins, heard.offsets, extent(X)[1])

    def follow(self, X: NoteTable) -> Followed:
        """Return log-probabilities of the keys at each step, given the whole piece."""
        self._check_fitted()
        heard = steps(as_notes(X))
        gamma = self._posteriors(heard, self._emissions(heard))
        return Followed(heard.offsets, heard.begins, over_keys(np.log(np.maximum(gamma, 1e-300)), self.modes_))

    def _reasons(self, X: NoteTable) -> list[str]:
        heard = steps(X)
        if not len(heard.sets):
            return ["There is nothing to hear."]
        gamma = self._posteriors(heard, self._emissions(heard))
        names = [KEY_NAMES[12 * self.modes_[s // 12] + s % 12] for s in range(gamma.shape[1])]
        share = gamma.mean(axis=0)
        first, second = np.argsort(-share, kind="stable")[:2]
        words = [f"{names[first]} holds for {share[first]:.0%} of the beats, {names[second]} for {share[second]:.0%}."]
        for where, row in (("opening", gamma[0]), ("closing", gamma[-1])):
            words.append(f"The {where} says {names[int(row.argmax())]} ({row.max():.0%}).")
        spans = self.segment(X)[0]
        return [*words, moves_in_words(spans, X.unit)]


def _where(weight: npt.NDArray[Any]) -> tuple[IntArray, FloatArray]:
    """Return the steps that count, and how much."""
    rows = np.flatnonzero(weight)
    return rows, weight[rows].astype(float)


def _counted_by(gamma: FloatArray, state: int) -> tuple[IntArray, FloatArray]:
    """Return the steps that may be in a state, and with what probability."""
    return _where(gamma[:, state])


def _longest_key(spans: SpanTable) -> npt.NDArray[np.bool_]:
    """Keys that hold longest in each piece, shape (n, 84); none for a piece without labels."""
    held = np.zeros((len(spans), N_MODES + 1, 12))  # the last mode stands for `NO_MODE`
    np.add.at(held, (spans.piece, spans.mode, spans.tonic), spans.end - spans.start)
    named = (held[:, :N_MODES] + held[:, N_MODES:] / N_MODES).reshape(len(spans), N_KEYS)
    longest: npt.NDArray[np.bool_] = (named > 0) & (named >= named.max(axis=1, keepdims=True) - 1e-9)
    return longest


def _shares_of_moves(counts: FloatArray) -> FloatArray:
    """Shares of the moves from each mode, shape (..., modes, modes, 12)."""
    shares: FloatArray = counts / counts.sum(axis=(-2, -1), keepdims=True)
    return shares


def _edge_shares(pc: IntArray, share: FloatArray) -> FloatArray:
    """Logarithms of the shares of scale degrees among the notes at an edge, for each mode, shape (modes, 12)."""
    here = (pc[:, None] == np.arange(12)).astype(float)
    counts = np.stack([np.einsum("nm,nd->md", share[:, :, t], np.roll(here, -t, axis=1)) for t in range(12)]).sum(
        axis=0
    )
    pooled = counts.sum(axis=0) + 0.5
    counts += 20.0 * pooled / pooled.sum()
    log_shares: FloatArray = np.log(counts / counts.sum(axis=1, keepdims=True))
    return log_shares
