"""Scores of keys over time: how much of the labelled time is right, and whether changes are found where they are.

Key errors and boundary errors are separate measures: a method can name every key right and each change late, or find
every change and name the keys wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import mir_eval
import numpy as np
import numpy.typing as npt

from keybench.key import N_KEYS, project, project_mask

FloatArray = npt.NDArray[np.float64]

BOUNDARY_TOLERANCE = 4.0
"""How far from a true change a found one may lie, in the unit of the notes (about a bar; for seconds, two bars)."""


@dataclass(frozen=True)
class Stretch:
    """A stretch of time with its acceptable keys (of a truth) or its one key (of an answer).

    Parameters
    ----------
    start, end : float
    keys : tuple of int
        Key indices.
    """

    start: float
    end: float
    keys: tuple[int, ...]


def shares(truth: Sequence[Stretch], answer: Sequence[Stretch], labels: str = "modes") -> tuple[float, float]:
    """Return the share of the labelled time in which the key, and in which the home note, is right.

    Parameters
    ----------
    truth, answer : sequences of Stretch
        In order of time, none overlapping another. Time without a true key does not count; time without an answer
        counts as wrong.
    labels : {"modes", "major-minor", "tonic"}

    Returns
    -------
    right, home : float
        Both 0 where no time is labelled.
    """
    edges = np.unique([edge for stretch in (*truth, *answer) for edge in (stretch.start, stretch.end)])
    middle = (edges[1:] + edges[:-1]) / 2
    length = np.diff(edges)
    true_at, said_at = which_stretch(truth, middle), which_stretch(answer, middle)
    labelled = true_at >= 0
    total = float(length[labelled].sum())
    if total == 0 or not len(answer):
        return 0.0, 0.0
    accepted = np.zeros((len(truth), N_KEYS), dtype=bool)
    for i, stretch in enumerate(truth):
        accepted[i, list(stretch.keys)] = True
    said = np.array([stretch.keys[0] for stretch in answer])[np.maximum(said_at, 0)]
    heard = labelled & (said_at >= 0)
    out = []
    for space in (labels, "tonic"):
        hit = project_mask(accepted, space)[np.maximum(true_at, 0), project(said, space)]
        out.append(float(length[hit & heard].sum()) / total)
    return out[0], out[1]


def which_stretch(stretches: Sequence[Stretch], times: FloatArray) -> npt.NDArray[np.int64]:
    """Index of the stretch that each moment lies in; -1 for none."""
    if not len(stretches):
        return np.full(len(times), -1, dtype=np.int64)
    starts = np.array([stretch.start for stretch in stretches])
    ends = np.array([stretch.end for stretch in stretches])
    index = np.searchsorted(starts, times, side="right") - 1
    return np.where((index >= 0) & (times < ends[np.maximum(index, 0)]), index, -1)


def changes(stretches: Sequence[Stretch], labels: str = "modes") -> FloatArray:
    """Return the times at which the key changes: where a stretch begins whose keys are not those of the one before.

    Keys are told apart as finely as the label space does: from D Dorian to D minor nothing changes in ``major-minor``.
    """
    told = [frozenset(project(stretch.keys, labels).tolist()) for stretch in stretches]
    pairs = zip(pairwise(told), stretches[1:], strict=True)
    return np.array([stretch.start for (before, after), stretch in pairs if after != before])


def boundary_counts(truth: Sequence[Stretch], answer: Sequence[Stretch], labels: str = "modes") -> tuple[int, int, int]:
    """Count changes found within the tolerance, changes said, and true changes.

    One said change finds at most one true one (mir_eval's maximum matching of events).
    """
    true, said = changes(truth, labels), changes(answer, labels)
    found = len(mir_eval.util.match_events(true, said, BOUNDARY_TOLERANCE)) if len(true) and len(said) else 0
    return found, len(said), len(true)
