"""Accuracy against how much of the music is disturbed. Plain functions on stored answers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from keybench.scores.table import Answers, Condition
from keybench.scores.variants import check_same_pieces, variants
from keybench.stats.intervals import Estimate, GroupBootstrap
from keybench.stats.paired import Difference, paired_difference

KINDS: dict[str, str] = {
    "wrong-notes-P": "share of notes that are one or two semitones off",
    "dropped-notes-P": "share of notes that are left out",
    "passing-notes-P": "share of whole-tone steps that are filled with a chromatic passing note",
    "octave-jumps-P": "share of notes that are an octave off",
}
"""Disturbances that have a share, and what it is a share of (see `keybench.views.disturb`)."""


@dataclass(frozen=True)
class Disturbed:
    """What a method's answers are worth at some share.

    Parameters
    ----------
    share : float
        From 0 (undisturbed) to 1.
    accuracy : Estimate
        Share of right answers.
    lost : Difference or None
        Accuracy undisturbed less accuracy here; None of the undisturbed itself, and where it was not asked for.
    """

    share: float
    accuracy: Estimate
    lost: Difference | None


def shares(conditions: Iterable[Condition], kind: str) -> dict[Condition, dict[float, Condition]]:
    """Find the curves of an experiment for one of `KINDS`.

    Returns
    -------
    dict
        From the undisturbed condition to those of the curve by share, ascending; it is the first of them, as 0, if the
        experiment has it.
    """
    given = list(conditions)
    return {
        base: ({0.0: base} if base in given else {}) | {n / 100.0: condition for n, condition in by_percent.items()}
        for base, by_percent in variants(given, kind).items()
    }


def disturbance_curve(
    answers: Mapping[float, Answers], bootstrap: GroupBootstrap, labels: str = "modes"
) -> list[Disturbed]:
    """Return accuracy at ever larger shares.

    Parameters
    ----------
    answers : mapping from float to Answers
        One method's answers to the same pieces by share, ascending; see `shares`.
    bootstrap : GroupBootstrap
        Of those pieces.
    labels : str
        See `keybench.key.LABEL_SPACES`.
    """
    check_same_pieces(answers.values())
    right = {share: each.right(labels) for share, each in answers.items()}
    columns = np.column_stack(list(right.values()))
    estimates = bootstrap.ratios(columns, np.ones(columns.shape))
    whole = right.get(0.0)
    return [
        Disturbed(
            share, e, None if whole is None or share == 0.0 else paired_difference(whole, right[share], bootstrap)
        )
        for share, e in zip(right, estimates, strict=True)
    ]
