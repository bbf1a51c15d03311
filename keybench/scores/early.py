"""After how many notes an answer stands. Plain functions on answers after each note."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt


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
