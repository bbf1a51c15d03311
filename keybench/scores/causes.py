"""Why answers are wrong: what is the matter with a piece, and how the answer stands to its key.

A cause is read off the piece, not off the answer: a gapped scale or a doubtful label can go with a right answer too.
So each cause is counted among wrong and among right answers, and says something only where the two shares differ.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from keybench.key import RELATIONS, relation

BoolArray = npt.NDArray[np.bool_]

TOO_SHORT = 16
"""Fewer notes than this are called too short (our own choice)."""
FULL_SCALE = 7
"""Fewer pitch classes than this make a gapped scale."""

CAUSES = ("label to look at", "too short", "moves to other keys", "gapped scale")
"""What may be the matter with a piece, the weightiest first: one that has several is put under the first."""


def piece_causes(
    doubtful: BoolArray, n_notes: npt.NDArray, n_pitch_classes: npt.NDArray, n_keys: npt.NDArray
) -> BoolArray:
    """Mark what is the matter with each piece.

    Parameters
    ----------
    doubtful : bool array, shape (n,)
        Labels that the label audit says to look at.
    n_notes, n_pitch_classes : int arrays, shape (n,)
        Heard; 0 notes where a recording was heard, of which neither can be said.
    n_keys : int array, shape (n,)
        Keys that the source names over time; 0 where it names one for the whole.

    Returns
    -------
    bool array, shape (n, 4)
        In the order of `CAUSES`.
    """
    notes = n_notes > 0
    return np.column_stack(
        [doubtful, notes & (n_notes < TOO_SHORT), n_keys > 1, notes & (n_pitch_classes < FULL_SCALE)]
    )


def first_cause(causes: BoolArray) -> npt.NDArray[np.int64]:
    """Index of each piece's first cause, shape (n,); ``len(CAUSES)`` where nothing is the matter."""
    return np.where(causes.any(axis=1), causes.argmax(axis=1), len(CAUSES))


def relations_by_cause(
    causes: BoolArray, reference: npt.NDArray[np.int64], predicted: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Count wrong answers by first cause and by how the answer stands to the label.

    Parameters
    ----------
    causes : bool array, shape (n, 4)
    reference, predicted : int arrays, shape (n,)
        Key indices.

    Returns
    -------
    int array, shape (5, n_relations)
        Rows in the order of `CAUSES`, then pieces with nothing the matter; columns in that of `keybench.key.RELATIONS`.
    """
    counts = np.zeros((len(CAUSES) + 1, len(RELATIONS)), dtype=np.int64)
    np.add.at(counts, (first_cause(causes), relation(reference, predicted)), 1)
    return counts
