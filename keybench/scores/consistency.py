"""Whether answers move with the music: the same piece in another key. Plain functions on stored answers."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from keybench.key import N_MODES
from keybench.scores.table import Answers, Condition
from keybench.scores.variants import check_same_pieces, variants
from keybench.stats.intervals import Estimate, GroupBootstrap

IntArray = npt.NDArray[np.int64]


def moved_pairs(conditions: Iterable[Condition]) -> list[tuple[Condition, Condition]]:
    """Return the pairs of conditions that differ in that the music was moved in the second, by any interval."""
    given = list(conditions)
    found = variants(given, "transposed")
    return [(base, moved) for base, by_number in found.items() if base in given for moved in by_number.values()]


def moves_along(said: IntArray, said_moved: IntArray, shift: IntArray) -> npt.NDArray[np.float64]:
    """Return 1 where the answer to the moved music is the answer to the music, moved alike; else 0.

    Parameters
    ----------
    said, said_moved : int arrays, shape (n,)
        Key indices; -1 is a failure, which never moves along.
    shift : int array, shape (n,)
        By how many semitones the music was moved.
    """
    if len(said) and max(said.max(), said_moved.max()) >= 12 * N_MODES:
        raise ValueError(f"key index {max(said.max(), said_moved.max())}; accepted: -1 (failed) to {12 * N_MODES - 1}")
    expected = 12 * (said // 12) + (said + shift) % 12
    return ((said >= 0) & (said_moved == expected)).astype(float)


def transposition_consistency(answers: Answers, moved: Answers, bootstrap: GroupBootstrap) -> Estimate:
    """Estimate the share of pieces whose answer moves by the same interval as the label.

    Right or wrong makes no difference: a method that depends on the key it hears treats players of different
    instruments differently.

    Parameters
    ----------
    answers, moved : Answers
        To the same pieces, as they are and moved; see `moved_pairs`.
    bootstrap : GroupBootstrap
        Of those pieces.
    """
    check_same_pieces([answers, moved])
    return bootstrap.mean(moves_along(answers.predicted, moved.predicted, (moved.tonic - answers.tonic) % 12))
