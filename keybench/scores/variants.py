"""Which conditions of an experiment differ in one step of their view: the points of a curve."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from keybench.scores.table import Answers, Condition
from keybench.views import read_name
from keybench.views.media import medium

WHOLE = "whole"


def variants(conditions: Iterable[Condition], kind: str) -> dict[Condition, dict[int, Condition]]:
    """Find the views that one step of a kind was put into, and how far it went in each.

    Parameters
    ----------
    conditions : iterable of Condition
    kind : str
        A step as `keybench.views` lists it, such as ``opening-N-notes``. How its number is read from a view's name is
        known there alone (`keybench.views.read_name`).

    Returns
    -------
    dict
        From the condition without the step (it need not be among those given) to those with it by the step's number,
        ascending. Only views of notes have such steps.
    """
    found: dict[Condition, dict[int, Condition]] = {}
    for condition in conditions:
        if medium(condition.view) != "notes":
            continue
        steps = read_name(condition.view)
        of_kind = [i for i, (name, _) in enumerate(steps) if name == kind]
        if len(of_kind) != 1:
            continue
        rest = [name for i, name in enumerate(condition.view.split(" + ")) if i != of_kind[0]]
        base = Condition(" + ".join(rest) or WHOLE, condition.fitted_on)
        found.setdefault(base, {})[steps[of_kind[0]][1]] = condition
    return {base: dict(sorted(by_number.items())) for base, by_number in found.items()}


def check_same_pieces(answers: Iterable[Answers]) -> None:
    """Complain of answers that are not about the same pieces in the same order.

    Raises
    ------
    ValueError
        If so; a curve through different pieces would show the pieces.
    """
    pieces = [each.piece for each in answers]
    if any(not np.array_equal(pieces[0], other) for other in pieces[1:]):
        raise ValueError(
            "answers are about different pieces; accepted: the same pieces in the same order in every view"
        )
