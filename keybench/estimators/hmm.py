"""A hidden Markov model over 84 tonic-and-mode states, read out as one key for the piece.

Each step (about a beat) shows which pitch classes are struck; a state prefers the notes of its key, as learnt from the
training pieces and tied under transposition. The key stays from one step to the next with a high probability and may
move to any other. Opening and closing notes speak for the states at the ends. The piece's key is the state that holds
most of the time, by forward-backward posteriors (Rabiner 1989, Proceedings of the IEEE 77).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.columns import offsets_of
from keybench.errors import EstimatorError
from keybench.estimators.base import FloatArray, ScoringEstimator, Tags, as_notes, spans_of_steps
from keybench.estimators.features import beats, edge_note, extent, pitch_classes
from keybench.key import N_KEYS, N_MODES, SCALES
from keybench.notes import KeySpan, NoteTable

_BATCH = 256  # pieces per forward-backward batch: small enough to stay in the cache
_BATCH_CELLS = 2**24  # and at most so many numbers, for long pieces


def steps(table: NoteTable) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64], FloatArray]:
    """Cut each piece into steps of twice its median distance between onsets, about a beat at any tempo.

    Returns
    -------
    struck : bool array, shape (n_steps, 12)
        Which pitch classes begin in each step; empty steps are left out.
    offsets : int array, shape (n_pieces + 1,)
    begins : float array, shape (n_steps,)
        When the first note of each step begins.
    """
    n, piece, onset = len(table), table.piece, table.onset
    beat = beats(table)
    beat = np.where(np.isnan(beat), 1.0, beat)
    begin = np.zeros(n)
    begin[table.n_notes > 0] = onset[table.offsets[:-1][table.n_notes > 0]]
    # A note just before a line of the grid by rounding belongs after it.
    place = np.floor((onset - begin[piece]) / beat[piece] + 1e-6)
    new = np.append(True, (np.diff(place) > 0) | (np.diff(piece) > 0))[: len(place)]
    step = np.cumsum(new) - 1
    lengths = np.bincount(piece[new], minlength=n)
    offsets = offsets_of(lengths)
    struck = np.zeros((int(offsets[-1]), 12), dtype=bool)
    struck[step, pitch_classes(table)] = True
    return struck, offsets, onset[new]


def occupancy(
    log_emission: FloatArray,
    offsets: npt.NDArray[np.int64],
    initial: FloatArray,
    stay: float,
    best: npt.NDArray[np.int64] | None = None,
) -> FloatArray:
    """Share of time that each state holds, by exact forward-backward posteriors.

    Parameters
    ----------
    log_emission : array, shape (n_steps, n_states)
        Log-likelihood of each step in each state, sequences one after the other.
    offsets : int array, shape (n_sequences + 1,)
        Steps of sequence i are ``offsets[i]:offsets[i + 1]``; a sequence may be empty.
    initial : array, shape (n_states,)
        Probabilities of the first state.
    stay : float
        Probability of staying in a state; the rest is shared equally by the others.
    best : int array, shape (n_steps,), optional
        Filled with the most probable state of each step.

    Returns
    -------
    array, shape (n_sequences, n_states)
        Mean posterior over the steps; `initial` for an empty sequence.

    Raises
    ------
    ValueError
        If `stay` does not lie between 0 and 1, or a state cannot be the first: a sequence could then be impossible.
    """
    if not 0.0 < stay < 1.0 or (initial <= 0).any():
        raise ValueError(f"stay is {stay:g}, least initial {initial.min():g}; accepted: 0 < stay < 1, initial above 0")
    n_states = log_emission.shape[1]
    leave = (1.0 - stay) / (n_states - 1)
    lengths = np.diff(offsets)
    result = np.tile(initial, (len(lengths), 1))
    order = np.argsort(-lengths, kind="stable")
    order = order[lengths[order] > 0]
    first = 0
    while first < len(order):
        batch = max(1, min(_BATCH, _BATCH_CELLS // (int(lengths[order[first]]) * n_states)))
        rows = order[first : first + batch]
        first += batch
        n, longest = lengths[rows], int(lengths[rows[0]])
        active = np.searchsorted(-n, -np.arange(longest), side="left")  # sequences longer than t come first
        forward = np.empty((longest, len(rows), n_states))
        emission = np.empty_like(forward)
        for t in range(longest):
            k = active[t]
            e = log_emission[offsets[rows[:k]] + t]
            emission[t, :k] = np.exp(np.maximum(e - e.max(axis=1, keepdims=True), -600.0))  # never quite zero
            if t == 0:
                moved = np.broadcast_to(initial, (k, n_states))
            else:  # states of the step before sum to 1
                moved = (stay - leave) * forward[t - 1, :k] + leave
            a = moved * emission[t, :k]
            forward[t, :k] = a / a.sum(axis=1, keepdims=True)
        backward = np.ones((len(rows), n_states))
        total = np.zeros((len(rows), n_states))
        for t in range(longest - 1, -1, -1):
            k = active[t]
            gamma = forward[t, :k] * backward[:k]
            total[:k] += gamma / gamma.sum(axis=1, keepdims=True)
            if best is not None:
                best[offsets[rows[:k]] + t] = gamma.argmax(axis=1)
            b = emission[t, :k] * backward[:k]
            b = (stay - leave) * b + leave * b.sum(axis=1, keepdims=True)
            backward[:k] = b / b.max(axis=1, keepdims=True)
        result[rows] = total / n[:, None]
    return result


class KeyHMM(ScoringEstimator):
    """Hidden Markov model over tonic and mode, fitted by counting on labelled pieces.

    Parameters
    ----------
    stay : float
        Probability of staying in the key from one step to the next; .998 is Temperley's (2007) value for segments.
    edges : bool
        Let the first and the last note speak for the states at the ends, as learnt in training.
    prior_steps : float
        Weight, in steps, of a plain scale shape mixed into each mode's learnt note shares, for modes with few pieces.
    """

    tags = Tags(learns=True, segment=True)

    def __init__(self, stay: float = 0.998, edges: bool = True, prior_steps: float = 200.0):
        self.stay = stay
        self.edges = edges
        self.prior_steps = prior_steps

    def _learn(self, X: NoteTable, truth: npt.NDArray[np.bool_]) -> None:
        if not (0.0 < self.stay < 1.0 and self.prior_steps > 0.0):
            raise EstimatorError(
                f"stay is {self.stay!r}, prior_steps {self.prior_steps!r}; accepted: between 0 and 1, above 0"
            )
        share = truth / truth.sum(axis=1, keepdims=True)
        share = share.reshape(-1, N_MODES, 12)
        notes = _by_degree(X.feature(_struck_counts), share)
        shape = np.where(SCALES, 1.0, 0.1)
        shape /= shape.sum(axis=1, keepdims=True)
        notes += self.prior_steps * shape
        self.log_notes_ = np.log(notes / notes.sum(axis=1, keepdims=True))
        pieces = share.sum(axis=(0, 2)) + 0.5
        self.log_modes_ = np.log(pieces / pieces.sum())
        self.log_first_ = self._learn_edge(X, share, last=False)
        self.log_last_ = self._learn_edge(X, share, last=True)

    def _learn_edge(self, X: NoteTable, share: FloatArray, last: bool) -> FloatArray:
        pc = edge_note(X, last)
        counts = _by_degree(np.where(pc[:, None] == np.arange(12), 1.0, 0.0), share)
        pooled = counts.sum(axis=0) + 0.5
        counts += 20.0 * pooled / pooled.sum()
        log_shares: FloatArray = np.log(counts / counts.sum(axis=1, keepdims=True))
        return log_shares

    def _scores(self, X: NoteTable) -> FloatArray:
        emission, offsets, _ = self._emissions(X)
        scores: FloatArray = np.log(np.maximum(occupancy(emission, offsets, self._initial(), self.stay), 1e-12))
        return scores

    def _emissions(self, X: NoteTable) -> tuple[FloatArray, npt.NDArray[np.int64], FloatArray]:
        """Log-likelihood of each step in each state, shape (n_steps, 84), with the steps' offsets and beginnings."""
        struck, offsets, begins = steps(X)
        emission = struck.astype(float) @ _over_keys(self.log_notes_).T
        filled = np.flatnonzero(np.diff(offsets) > 0)
        if self.edges and len(filled):
            emission[offsets[:-1][filled]] += _over_keys(self.log_first_).T[edge_note(X, last=False)[filled]]
            emission[offsets[1:][filled] - 1] += _over_keys(self.log_last_).T[edge_note(X, last=True)[filled]]
        return emission, offsets, begins

    def _initial(self) -> FloatArray:
        return np.repeat(np.exp(self.log_modes_) / 12.0, 12)

    def segment(self, X: NoteTable) -> list[list[KeySpan]]:
        """Return the keys of each piece over time: in each step the most probable one, neighbours of a key joined."""
        self._check_fitted()
        emission, offsets, begins = self._emissions(as_notes(X))
        best = np.zeros(len(begins), dtype=np.int64)
        occupancy(emission, offsets, self._initial(), self.stay, best)
        return spans_of_steps(best, begins, offsets, extent(X)[1])

    def _reasons(self, X: NoteTable) -> list[str]:
        held = np.sort(np.exp(self._scores(X)[0]))[::-1]
        return [f"The best-held key accounts for {held[0]:.0%} of the beats, the next for {held[1]:.0%}."]


def _struck_counts(table: NoteTable) -> FloatArray:
    """Count the steps in which each pitch class is struck, shape (n, 12)."""
    struck, offsets, _ = steps(table)
    piece = np.repeat(np.arange(len(table)), np.diff(offsets))
    cells = (12 * piece[:, None] + np.arange(12))[struck]
    return np.bincount(cells, minlength=12 * len(table)).reshape(-1, 12).astype(float)


def _by_degree(counts: FloatArray, share: FloatArray) -> FloatArray:
    """Add counts over pitch classes, (n, 12), up by scale degree for each mode, given (n, 7, 12) key shares."""
    moved = np.stack([np.roll(counts, -tonic, axis=1) for tonic in range(12)], axis=1)
    degrees: FloatArray = np.einsum("nmt,ntd->md", share, moved)
    return degrees


def _over_keys(by_degree: FloatArray) -> FloatArray:
    """Spread (7, 12) values by degree over the 84 keys, shape (84, 12) by pitch class."""
    return np.stack([np.roll(by_degree[k // 12], k % 12) for k in range(N_KEYS)])
