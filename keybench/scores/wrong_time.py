"""Why keys over time are wrong: in which situation, named how, and in stretches of which length.

Every stretch of wrong time is put under one situation. Where the method is right on both sides of a single true change
and wrong only near it, the change is named early or late; everything else is told by the home key of the piece, which
is the one that is labelled longest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.key import N_KEYS, RELATIONS, project, project_mask, relation
from keybench.scores.sections import BOUNDARY_TOLERANCE, Stretch, which_stretch

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SITUATIONS = (
    "change named early", "change named late", "home key named in a passing key", "passing key named at home",
    "third key named in a passing key", "nothing said",
)  # fmt: skip
EARLY, LATE, MISSED, STRAYED, THIRD, SILENT = range(len(SITUATIONS))

LENGTHS = ("under 4", "4 to 16", "over 16")
"""Classes of true stretches by their length in the unit of the notes (our own choice)."""
_EDGES = (4.0, 16.0)

_HAIR = 1e-6


@dataclass(frozen=True)
class WrongTime:
    """The wrong and the labelled time of a piece, or the sum over pieces.

    Parameters
    ----------
    wrong : array, shape (n_situations, n_relations, n_lengths)
        In the order of `SITUATIONS`, `keybench.key.RELATIONS` and `LENGTHS`; where nothing was said, under ``other``.
    labelled : array, shape (n_lengths,)
    """

    wrong: FloatArray
    labelled: FloatArray


def wrong_time(truth: Sequence[Stretch], answer: Sequence[Stretch], labels: str = "modes") -> WrongTime:
    """Sort the wrong time of a piece.

    Parameters
    ----------
    truth, answer, labels
        As of `keybench.scores.sections.shares`.
    """
    wrong = np.zeros((len(SITUATIONS), len(RELATIONS), len(LENGTHS)))
    truth, answer = _joined(truth, labels), _joined(answer, labels)
    if not truth:
        return WrongTime(wrong, np.zeros(len(LENGTHS)))
    length = np.array([stretch.end - stretch.start for stretch in truth])
    of_length = np.where(length < _EDGES[0] - _HAIR, 0, np.where(length <= _EDGES[1] + _HAIR, 1, 2))
    edges = np.unique([edge for stretch in (*truth, *answer) for edge in (stretch.start, stretch.end)])
    middle, lasts = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    true_at, said_at = which_stretch(truth, middle), which_stretch(answer, middle)
    kept = true_at >= 0
    begins, lasts, true_at, said_at = edges[:-1][kept], lasts[kept], true_at[kept], said_at[kept]
    said = np.array([stretch.keys[0] for stretch in answer] or [0])[np.maximum(said_at, 0)]
    accepted = _accepted(truth, labels)
    right = (said_at >= 0) & accepted[true_at, project(said, labels)]
    home = _home(accepted, length)
    names_home = accepted[home][project(said, labels)]
    at_home = (accepted == accepted[home]).all(axis=1)[true_at]
    situation = np.where(at_home, STRAYED, np.where(names_home, MISSED, THIRD))
    near = _near_changes(begins, lasts, true_at, right, np.array([stretch.start for stretch in truth]))
    situation = np.where(near >= 0, near, situation)
    situation[said_at < 0] = SILENT
    kinds = relation(_reference(truth, true_at, said), said).astype(np.int64)
    kinds[said_at < 0] = RELATIONS.index("other")
    bad = ~right
    np.add.at(wrong, (situation[bad], kinds[bad], of_length[true_at[bad]]), lasts[bad])
    return WrongTime(wrong, np.bincount(of_length, length, len(LENGTHS)).astype(float))


def _joined(stretches: Sequence[Stretch], labels: str) -> list[Stretch]:
    """Join neighbours that the label space does not tell apart, and leave out stretches without length."""
    out: list[Stretch] = []
    told: frozenset[int] | None = None
    for stretch in (each for each in stretches if each.end > each.start):
        here = frozenset(project(stretch.keys, labels).tolist())
        if out and here == told and stretch.start <= out[-1].end + _HAIR:
            out[-1] = Stretch(out[-1].start, stretch.end, out[-1].keys)
        else:
            out.append(stretch)
        told = here
    return out


def _accepted(truth: Sequence[Stretch], labels: str) -> BoolArray:
    """Mark the acceptable labels of each stretch, shape (n_stretches, n_labels)."""
    accepted = np.zeros((len(truth), N_KEYS), dtype=bool)
    for i, stretch in enumerate(truth):
        accepted[i, list(stretch.keys)] = True
    return project_mask(accepted, labels)


def _home(accepted: BoolArray, length: FloatArray) -> int:
    """First of the stretches in the key that is labelled longest."""
    _, first, key = np.unique(accepted, axis=0, return_index=True, return_inverse=True)
    held = np.bincount(key.ravel(), length)
    return int(first[held >= held.max() - _HAIR].min())


def _reference(truth: Sequence[Stretch], true_at: IntArray, said: IntArray) -> IntArray:
    """Key that each answer is held against: of several acceptable ones, one in the mode that was answered."""
    own = [truth[i].keys for i in true_at]
    return np.array(
        [next((k for k in keys if k // 12 == s // 12), keys[0]) for keys, s in zip(own, said, strict=True)],
        dtype=np.int64,
    )


def _near_changes(
    begins: FloatArray, lasts: FloatArray, true_at: IntArray, right: BoolArray, starts: FloatArray
) -> IntArray:
    """`EARLY` or `LATE` for each interval that is wrong only near a change, -1 for the others.

    A run of wrong time counts if right time comes just before and just after it, if it touches one true change and no
    other, and if none of it is farther from that change than the tolerance.
    """
    out = np.full(len(begins), -1, dtype=np.int64)
    ends = begins + lasts
    turns = np.flatnonzero(np.diff(np.concatenate([[0], (~right).astype(np.int8), [0]])))
    for first, stop in zip(turns[::2], turns[1::2], strict=True):
        low, high = begins[first], ends[stop - 1]
        enclosed = first > 0 and stop < len(begins)
        if not (enclosed and ends[first - 1] >= low - _HAIR and begins[stop] <= high + _HAIR):
            continue
        touched = starts[1:][(starts[1:] >= low - _HAIR) & (starts[1:] <= high + _HAIR)]
        within = BOUNDARY_TOLERANCE + _HAIR
        if len(touched) == 1 and touched[0] - low <= within and high - touched[0] <= within:
            out[first:stop] = np.where(begins[first:stop] < touched[0] - _HAIR, EARLY, LATE)
    return out
