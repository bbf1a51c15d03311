"""Exact algorithms for chains of hidden states, on many sequences at once.

A chain has a score for each state at each step (a log-likelihood or any log-potential), one for the state it begins in
and one for each move between states. The sums over all paths are taken by the scaled recursions of Rabiner (1989,
Proceedings of the IEEE 77), the best path by Viterbi (1967, IEEE Transactions on Information Theory 13). Scores need
not be logarithms of probabilities that sum to 1, so that conditional random fields can use the same functions.

The steps of several sequences are worked on together: packed by time, longest sequence first, step t of all sequences
that are longer than t is one block of rows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_CELLS = 2**22  # numbers in the packed scores of a batch of sequences
_MOVES = 2**20  # numbers in the scores of all moves of a block of rows
_LEAST_MOVE = -200.0
"""Least logarithm of a move, against the best one, for which scaling alone is exact.

If every state can follow every other with at least the weight w, neither what came before nor what comes after can
favour a state by more than 1 / w; what is lost where a double underflows, at 1e-308, then weighs under 1e-308 / w.
"""


@dataclass(frozen=True)
class Posteriors:
    """What the sums over all paths say.

    Parameters
    ----------
    log_likelihood : array, shape (n_sequences,)
        Logarithm of the summed exponentials of the scores of all paths; 0 for an empty sequence.
    gamma : array, shape (n_steps, n_states), optional
        Probability of each state at each step, given the whole sequence.
    transitions : array, shape (n_states, n_states), optional
        Expected number of moves from each state (row) to each (column), in all sequences together.
    """

    log_likelihood: FloatArray
    gamma: FloatArray | None = None
    transitions: FloatArray | None = None


@dataclass(frozen=True)
class _Batch:
    """Some sequences packed by time.

    Parameters
    ----------
    rows : int array, shape (k,)
        Which sequences, longest first.
    index : int array, shape (n,)
        Step of the whole at each packed row.
    starts : list of int, length longest + 1
        Packed rows of time t are ``starts[t]:starts[t + 1]``, in the order of `rows`.
    """

    rows: IntArray
    index: IntArray
    starts: list[int]

    @property
    def blocks(self) -> list[slice]:
        """Packed rows of each time."""
        return [slice(a, b) for a, b in zip(self.starts[:-1], self.starts[1:], strict=True)]

    def before(self) -> IntArray:
        """Packed row of the step before, for each packed row after the first block, shape (n - k,)."""
        sizes = np.diff(self.starts)
        return np.arange(self.starts[1], self.starts[-1]) - np.repeat(sizes[:-1], sizes[1:])

    def sequence(self) -> IntArray:
        """Sequence of each packed row, shape (n,)."""
        sizes = np.diff(self.starts)
        place = np.arange(self.starts[-1]) - np.repeat(self.starts[:-1], sizes)
        found: IntArray = self.rows[place]
        return found


def _batches(offsets: IntArray, n_states: int) -> Iterator[_Batch]:
    lengths = np.diff(offsets)
    order = np.argsort(-lengths, kind="stable")
    order = order[lengths[order] > 0]
    load = np.cumsum(lengths[order]) * n_states
    first = 0
    while first < len(order):
        before = load[first - 1] if first else 0
        last = max(first + 1, int(np.searchsorted(load, before + _CELLS, side="right")))
        rows = order[first:last]
        first = last
        n = lengths[rows]
        sizes = np.searchsorted(-n, -np.arange(int(n[0])), side="left")  # how many sequences are longer than t
        starts = np.concatenate([[0], np.cumsum(sizes)])
        time = np.repeat(np.arange(len(sizes)), sizes)
        place = np.arange(starts[-1]) - starts[time]
        yield _Batch(rows, offsets[rows[place]] + time, starts.tolist())


def _check(log_emission: FloatArray, offsets: IntArray, log_initial: FloatArray, log_transition: FloatArray) -> None:
    n, k = log_emission.shape
    if int(offsets[-1]) != n or log_initial.shape != (k,) or log_transition.shape != (k, k):
        raise ValueError(
            f"emissions {log_emission.shape}, last offset {offsets[-1]}, initial {log_initial.shape}, transitions "
            f"{log_transition.shape}; accepted: (n, k), n, (k,), (k, k)"
        )
    if n and not np.isfinite(log_emission.max(axis=1)).all():
        step = int(np.argmin(np.isfinite(log_emission.max(axis=1))))
        raise ValueError(f"step {step} is impossible in every state or not a number; accepted: a finite score in each")


def _mixes(log_transition: FloatArray) -> bool:
    """Whether every move is likely enough for scaling alone; see `_LEAST_MOVE`."""
    return bool(np.isfinite(log_transition).all()) and float(np.ptp(log_transition)) < -_LEAST_MOVE


def _impossible(sequence: int) -> ValueError:
    return ValueError(f"sequence {sequence} is impossible: no path has a finite score")


def _log_product(log_a: FloatArray, log_b: FloatArray) -> FloatArray:
    """Logarithm of ``exp(log_a) @ exp(log_b)``, shapes (n, k) and (k, m), without leaving logarithms."""
    out = np.empty((len(log_a), log_b.shape[1]))
    some = max(1, _MOVES // log_b.size)
    for first in range(0, len(log_a), some):
        terms = log_a[first : first + some, None, :] + log_b.T
        top = terms.max(axis=2)
        top = np.where(np.isfinite(top), top, 0.0)
        with np.errstate(divide="ignore"):
            out[first : first + some] = np.log(np.exp(terms - top[:, :, None]).sum(axis=2)) + top
    return out


def _forward(
    batch: _Batch, score: FloatArray, log_initial: FloatArray, transition: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return filtered probabilities of each packed row, scaled emissions and the logarithm of each row's scale."""
    score[batch.blocks[0]] += log_initial
    top = score.max(axis=1)
    if not np.isfinite(top).all():
        raise _impossible(int(batch.rows[np.argmin(np.isfinite(top))]))
    emission = np.exp(score - top[:, None])
    alpha = np.empty_like(emission)
    scale = np.empty(len(emission))
    previous = None
    for block in batch.blocks:
        a, e = alpha[block], emission[block]
        if previous is None:
            a[:] = e
        else:
            np.matmul(previous[: len(a)], transition, out=a)
            a *= e
        total = a.sum(axis=1)
        scale[block] = total
        a /= total[:, None]
        previous = a
    return alpha, emission, np.log(scale) + top


def _scaled(
    batch: _Batch, score: FloatArray, log_initial: FloatArray, log_transition: FloatArray, smooth: bool
) -> tuple[FloatArray, FloatArray, FloatArray | None, FloatArray | None]:
    """Sum over paths by scaling.

    Returns
    -------
    log_scale : array, shape (n,)
        Of each packed row; a sequence's log-likelihood is the sum over its rows.
    alpha : array, shape (n, k)
        Filtered probabilities.
    beta : array, shape (n, k), or None
        What comes after, scaled so that ``alpha * beta`` sums to 1.
    arriving : array, shape (n, k), or None
        Weight of arriving in each state: ``alpha[before].T @ arriving``, times the transitions, are the moves.
    """
    shift = float(log_transition.max())
    transition = np.exp(log_transition - shift)
    alpha, emission, log_scale = _forward(batch, score, log_initial, transition)
    log_scale[batch.starts[1] :] += shift
    if not smooth:
        return log_scale, alpha, None, None
    beta = np.ones_like(alpha)
    blocks = batch.blocks
    back = np.ascontiguousarray(transition.T)
    for t in range(len(blocks) - 1, 0, -1):
        arriving = emission[blocks[t]]
        arriving *= beta[blocks[t]]  # in place: an emission is not needed after its own step
        here = beta[blocks[t - 1]][: len(arriving)]
        np.matmul(arriving, back, out=here)
        scale = (here * alpha[blocks[t - 1]][: len(arriving)]).sum(axis=1)
        here /= scale[:, None]
        arriving /= scale[:, None]
    return log_scale, alpha, beta, emission


def _logged(
    batch: _Batch, score: FloatArray, log_initial: FloatArray, log_transition: FloatArray, smooth: bool
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Sum over paths in logarithms throughout, for moves that are impossible or nearly so.

    Returns
    -------
    log_likelihood : array, shape (k,)
        Of each sequence of the batch.
    log_alpha : array, shape (n, k)
    log_beta : array, shape (n, k), or None
    """
    blocks = batch.blocks
    log_alpha = score.copy()
    log_alpha[blocks[0]] += log_initial
    for t in range(1, len(blocks)):
        here = log_alpha[blocks[t]]
        here += _log_product(log_alpha[blocks[t - 1]][: len(here)], log_transition)
    last = np.zeros(len(batch.rows))
    for block in blocks:
        last[: block.stop - block.start] = _log_sum(log_alpha[block])
    if not np.isfinite(last).all():
        raise _impossible(int(batch.rows[np.argmin(np.isfinite(last))]))
    if not smooth:
        return last, log_alpha, None
    log_beta = np.zeros_like(log_alpha)
    for t in range(len(blocks) - 1, 0, -1):
        arriving = score[blocks[t]] + log_beta[blocks[t]]
        log_beta[blocks[t - 1]][: len(arriving)] = _log_product(arriving, log_transition.T)
    return last, log_alpha, log_beta


def _log_sum(log_values: FloatArray) -> FloatArray:
    """Logarithm of the summed exponentials of each row."""
    top = log_values.max(axis=1)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        out: FloatArray = np.log(np.exp(log_values - top[:, None]).sum(axis=1)) + top
    return out


def forward_backward(
    log_emission: FloatArray,
    offsets: IntArray,
    log_initial: FloatArray,
    log_transition: FloatArray,
    *,
    gamma: bool = True,
    transitions: bool = True,
    weights: FloatArray | None = None,
) -> Posteriors:
    """Sum over all paths of each sequence.

    Parameters
    ----------
    log_emission : array, shape (n_steps, n_states)
        Score of each state at each step, sequences one after the other. Minus infinity rules a state out.
    offsets : int array, shape (n_sequences + 1,)
        Steps of sequence i are ``offsets[i]:offsets[i + 1]``; a sequence may be empty.
    log_initial : array, shape (n_states,)
    log_transition : array, shape (n_states, n_states)
        From a state (row) to a state (column). Minus infinity rules a move out, and is much slower.
    gamma, transitions : bool
        Whether to return these; leaving them out saves memory and time.
    weights : array, shape (n_sequences,), optional
        How often each sequence counts in the expected moves.

    Raises
    ------
    ValueError
        If shapes do not fit, a score is not a number, or a sequence is impossible.
    """
    _check(log_emission, offsets, log_initial, log_transition)
    n_states = log_emission.shape[1]
    mixes = _mixes(log_transition)
    log_likelihood = np.zeros(len(offsets) - 1)
    states = np.empty(log_emission.shape) if gamma else None
    moves = np.zeros((n_states, n_states)) if transitions else None
    for batch in _batches(offsets, n_states):
        score = log_emission[batch.index]
        before, after = batch.before(), slice(batch.starts[1], None)
        if mixes:
            log_scale, alpha, beta, arriving = _scaled(
                batch, score, log_initial, log_transition, smooth=gamma or transitions
            )
            log_likelihood += np.bincount(batch.sequence(), log_scale, len(log_likelihood))
            if moves is not None and arriving is not None:
                into = arriving[after]
                if weights is not None:
                    into *= weights[batch.sequence()[after]][:, None]
                moves += alpha[before].T @ into
            if states is not None and beta is not None:
                alpha *= beta
                alpha /= alpha.sum(axis=1, keepdims=True)
                states[batch.index] = alpha
        else:
            last, log_alpha, log_beta = _logged(batch, score, log_initial, log_transition, smooth=gamma or transitions)
            log_likelihood[batch.rows] = last
            of = np.empty(len(log_likelihood))
            of[batch.rows] = last
            total = of[batch.sequence()]
            if moves is not None and log_beta is not None:
                factor = np.ones(len(total)) if weights is None else weights[batch.sequence()]
                into = score[after] + log_beta[after] - total[after, None]
                some = max(1, _MOVES // n_states**2)
                for first in range(0, len(into), some):
                    rows = slice(first, first + some)
                    each = np.exp(log_alpha[before[rows], :, None] + log_transition + into[rows, None, :])
                    moves += np.einsum("tij,t->ij", each, factor[after][rows])
            if states is not None and log_beta is not None:
                states[batch.index] = np.exp(log_alpha + log_beta - total[:, None])
    if mixes and moves is not None:
        moves *= np.exp(log_transition - log_transition.max())
    if not np.isfinite(log_likelihood).all():
        raise _impossible(int(np.argmin(np.isfinite(log_likelihood))))
    return Posteriors(log_likelihood, states, moves)


def filtered(
    log_emission: FloatArray, offsets: IntArray, log_initial: FloatArray, log_transition: FloatArray
) -> FloatArray:
    """Probability of each state at each step, given the sequence up to that step, shape (n_steps, n_states).

    Parameters and errors as of `forward_backward`.
    """
    _check(log_emission, offsets, log_initial, log_transition)
    out = np.empty(log_emission.shape)
    for batch in _batches(offsets, log_emission.shape[1]):
        score = log_emission[batch.index]
        if _mixes(log_transition):
            out[batch.index] = _scaled(batch, score, log_initial, log_transition, smooth=False)[1]
        else:
            log_alpha = _logged(batch, score, log_initial, log_transition, smooth=False)[1]
            out[batch.index] = np.exp(log_alpha - _log_sum(log_alpha)[:, None])
    return out


def viterbi(
    log_emission: FloatArray, offsets: IntArray, log_initial: FloatArray, log_transition: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Find the best path of each sequence.

    Parameters and errors as of `forward_backward`.

    Returns
    -------
    path : int array, shape (n_steps,)
        State at each step. Of equal moves, the one from the state of lower index.
    score : array, shape (n_sequences,)
        Summed score of the path; 0 for an empty sequence.
    """
    _check(log_emission, offsets, log_initial, log_transition)
    n_states = log_emission.shape[1]
    path = np.zeros(len(log_emission), dtype=np.int64)
    best = np.zeros(len(offsets) - 1)
    into = np.ascontiguousarray(log_transition.T)
    some = max(1, _MOVES // n_states**2)
    for batch in _batches(offsets, n_states):
        blocks = batch.blocks
        score = log_emission[batch.index]
        came_from = np.zeros(score.shape, dtype=np.uint8 if n_states <= 256 else np.int64)
        score[blocks[0]] += log_initial
        for t in range(1, len(blocks)):
            here, previous = score[blocks[t]], score[blocks[t - 1]]
            for first in range(0, len(here), some):
                rows = slice(first, min(first + some, len(here)))
                moves = previous[rows, None, :] + into
                origin = moves.argmax(axis=2)
                came_from[blocks[t]][rows] = origin
                here[rows] += np.take_along_axis(moves, origin[:, :, None], axis=2)[:, :, 0]
        state = np.zeros(len(batch.rows), dtype=np.int64)
        longer = 0
        for t in range(len(blocks) - 1, -1, -1):
            here = score[blocks[t]]
            n = len(here)
            if longer:  # sequences that go on after t
                state[:longer] = came_from[blocks[t + 1]][np.arange(longer), state[:longer]]
            state[longer:n] = here[longer:].argmax(axis=1)  # sequences that end at t
            best[batch.rows[longer:n]] = here[longer:].max(axis=1)
            path[batch.index[blocks[t]]] = state[:n]
            longer = n
    if not np.isfinite(best).all():
        raise _impossible(int(np.argmin(np.isfinite(best))))
    return path, best


def expand_transitions(tied: FloatArray) -> FloatArray:
    """Spread moves between modes over all tonics: a state is ``12 * mode + tonic``.

    Parameters
    ----------
    tied : array, shape (n_modes, n_modes, 12)
        ``tied[a, b, i]`` belongs to moves from mode a to mode b on a tonic i semitones higher.

    Returns
    -------
    array, shape (12 * n_modes, 12 * n_modes)
    """
    mode, tonic = np.divmod(np.arange(12 * len(tied)), 12)
    spread: FloatArray = tied[mode[:, None], mode, (tonic - tonic[:, None]) % 12]
    return spread


def tie_transitions(moves: FloatArray) -> FloatArray:
    """Sum moves between states, shape (12 * n_modes, 12 * n_modes), over tonics: the adjoint of `expand_transitions`.

    Returns
    -------
    array, shape (n_modes, n_modes, 12)
    """
    n_modes = len(moves) // 12
    mode, tonic = np.divmod(np.arange(12 * n_modes), 12)
    cell = (n_modes * mode[:, None] + mode) * 12 + (tonic - tonic[:, None]) % 12
    return np.bincount(cell.ravel(), moves.ravel(), 12 * n_modes**2).astype(float).reshape(n_modes, n_modes, 12)
