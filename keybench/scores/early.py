"""After how many notes an answer stands, and what it is worth before. Plain functions on stored answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.scores.table import Answers, Condition
from keybench.scores.variants import check_same_pieces, variants
from keybench.stats.intervals import Estimate, GroupBootstrap

FloatArray = npt.NDArray[np.float64]

WHOLE = float("inf")
"""Stands for the number of notes of whole pieces."""


@dataclass(frozen=True)
class AfterNotes:
    """What a method's answers are worth after some notes.

    Parameters
    ----------
    notes : float
        `WHOLE` for whole pieces. A piece with fewer notes is heard whole.
    accuracy : Estimate
        Share of right answers.
    confidence : Estimate
        Mean probability that the method gives its answer; failures, which give none, are left out.
    settled : Estimate
        Share of pieces whose answer no longer changes from here on, among the openings of the curve.
    """

    notes: float
    accuracy: Estimate
    confidence: Estimate
    settled: Estimate


def decision_point(answers: npt.ArrayLike) -> int:
    """Return the number of notes after which the answer no longer changes; 0 without notes.

    Parameters
    ----------
    answers : array, shape (n_notes,) or (n_notes, n_keys)
        The key said after each note, or the probabilities of all.
    """
    said = np.asarray(answers)
    said = said.argmax(axis=1) if said.ndim == 2 else said
    if not len(said):
        return 0
    other = np.flatnonzero(said != said[-1])
    return int(other[-1]) + 2 if len(other) else 1


def decision_points(answers: Sequence[npt.ArrayLike]) -> npt.NDArray[np.int64]:
    """Return `decision_point` of each piece, shape (n_pieces,)."""
    return np.array([decision_point(each) for each in answers], dtype=np.int64)


def right_from(answers: npt.ArrayLike, accepted: npt.NDArray[np.bool_]) -> int:
    """Return the number of notes from which on the answer is right to the end; -1 if it is wrong at the end.

    Parameters
    ----------
    answers : array, shape (n_notes,) or (n_notes, 84)
        As in `decision_point`.
    accepted : bool array, shape (84,)
    """
    said = np.asarray(answers)
    said = said.argmax(axis=1) if said.ndim == 2 else said
    if not len(said) or not accepted[said[-1]]:
        return -1
    wrong = np.flatnonzero(~accepted[said])
    return int(wrong[-1]) + 2 if len(wrong) else 1


def openings(conditions: Iterable[Condition]) -> dict[Condition, dict[float, Condition]]:
    """Find the curves of an experiment: conditions in which openings of pieces were heard, by number of notes.

    Returns
    -------
    dict
        From the condition in which pieces were heard whole to those of the curve, ascending; it is the last of them,
        as `WHOLE`, if the experiment has it.
    """
    given = list(conditions)
    return {
        base: {float(n): condition for n, condition in by_number.items()} | ({WHOLE: base} if base in given else {})
        for base, by_number in variants(given, "opening-N-notes").items()
    }


def decision_curve(
    answers: Mapping[float, Answers], bootstrap: GroupBootstrap, labels: str = "modes"
) -> list[AfterNotes]:
    """Return accuracy, confidence and the share of settled answers after ever more notes.

    Parameters
    ----------
    answers : mapping from float to Answers
        One method's answers to the same pieces by number of notes, ascending; see `openings`.
    bootstrap : GroupBootstrap
        Of those pieces.
    labels : str
        See `keybench.key.LABEL_SPACES`.
    """
    check_same_pieces(answers.values())
    notes = list(answers)
    right = np.column_stack([each.right(labels) for each in answers.values()])
    sure = np.column_stack([each.confidence(labels) for each in answers.values()])
    settled = settled_after(np.column_stack([each.predicted for each in answers.values()]), notes)
    everywhere, stated = np.ones(right.shape), ~np.isnan(sure)
    estimates = bootstrap.ratios(
        np.column_stack([right, np.where(stated, sure, 0.0), 1.0 * (settled[:, None] <= np.array(notes))]),
        np.column_stack([everywhere, 1.0 * stated, everywhere]),
    )
    k = len(notes)
    return [AfterNotes(n, *estimates[i::k]) for i, n in enumerate(notes)]


def settled_after(said: npt.NDArray[np.int64], notes: Sequence[float]) -> FloatArray:
    """Return the first of the numbers of notes from which on the answer is the last one, shape (n_pieces,).

    Parameters
    ----------
    said : int array, shape (n_pieces, n_steps)
        Key said after each number of notes; -1 where the method failed, which is an answer like another here.
    notes : sequence of float, length n_steps
        Ascending.
    """
    differs = said != said[:, -1:]
    first = np.where(differs.any(axis=1), said.shape[1] - np.argmax(differs[:, ::-1], axis=1), 0)
    settled: FloatArray = np.asarray(notes, dtype=float)[first]
    return settled
