"""The gate: whether a run got worse than a baseline, beyond chance and beyond a tolerance."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from keybench.errors import RunError
from keybench.runs import store
from keybench.scores import table
from keybench.stats.intervals import GroupBootstrap
from keybench.stats.paired import paired_difference

NO_WORSE, WORSE, INCOMPATIBLE, NOTHING_MEASURED = 0, 1, 2, 3
_MUST_AGREE = ("task", "corpora", "views", "labels")


@dataclass(frozen=True)
class Verdict:
    """Exit code and what to print."""

    exit_code: int
    lines: list[str]


def compare(baseline: Path, candidate: Path, tolerance: float) -> Verdict:
    """Compare two finished runs, piece by piece, for every method that both have.

    A method is worse if the 95 % interval of its change lies below zero and the change exceeds the tolerance. A
    candidate that lacks a method of the baseline is never "no worse".

    Raises
    ------
    RunError
        If a run cannot be read, or the two answer different questions.
    """
    old, new = store.read_run(baseline), store.read_run(candidate)
    for name in _MUST_AGREE:
        if old["experiment"][name] != new["experiment"][name]:
            raise RunError(
                f"{candidate}: {name} {new['experiment'][name]!r} against {old['experiment'][name]!r} in {baseline}; "
                f"accepted: runs with the same {', '.join(_MUST_AGREE)}"
            )
    if old["manifests"] != new["manifests"]:
        raise RunError(f"{candidate}: other revisions of the corpora than in {baseline}; revisions are never compared")
    old_answers = table.answers_by_condition(*store.read_predictions(baseline))
    new_answers = table.answers_by_condition(*store.read_predictions(candidate))
    condition = table.main_condition(old_answers)
    before, after = old_answers[condition], new_answers.get(condition, {})
    secondary = table.is_secondary(old_answers)
    lines, worse, measured, missing = [], False, 0, False
    labels = old["experiment"]["labels"]
    for name in before:
        if name not in after:
            lines.append(f"{name}: not in the candidate, so nothing can be said of it")
            missing = True
            continue
        before[name] = before[name].select(table.pool(before[name], secondary))
        shared, rows_a, rows_b = np.intersect1d(before[name].piece, after[name].piece, return_indices=True)
        if not len(shared):
            lines.append(f"{name}: no shared pieces")
            continue
        a, b = before[name].select(rows_a), after[name].select(rows_b)
        right_a = a.right(labels)
        right_b = b.right(labels)
        d = paired_difference(right_b, right_a, GroupBootstrap(a.group))
        fell = d.high < 0 and -d.value > tolerance
        worse |= fell
        measured += 1
        lines.append(
            f"{name}: {right_a.mean():.3f} -> {right_b.mean():.3f}, change {d.value:+.4f} ({d.low:+.4f} to "
            f"{d.high:+.4f}), {len(shared)} pieces, {d.only_a} gained, {d.only_b} lost: "
            + ("worse" if fell else "no worse")
        )
    if not measured:
        return Verdict(NOTHING_MEASURED, [*lines, "nothing was measured: no method and piece in common"])
    if missing and not worse:
        return Verdict(INCOMPATIBLE, lines)
    return Verdict(WORSE if worse else NO_WORSE, lines)
