"""What the pages say of wrong time: of the methods nearest to each aim, where the key moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from keybench.key import RELATIONS
from keybench.scores.table import ALL, Answers
from keybench.scores.wrong_time import LENGTHS, SITUATIONS, wrong_time


@dataclass(frozen=True)
class WrongTimes:
    """Where the wrong time of a method lies.

    Parameters
    ----------
    method : str
    about : str
        Pieces that are counted, in words.
    n_pieces : int
    n_failing : int
        Pieces with wrong time.
    n_half : int
        Pieces that are wrong for more than half the time.
    share : float
        Share of the labelled time that is wrong.
    situations : list of (str, float, list of float)
        Situation, its share of the wrong time, and its parts by how the answer stands to the label.
    lengths : list of (str, float, float, float, list of float)
        Length of the true stretch, its share of the labelled time, the share of that which is wrong, its share of the
        wrong time, and the parts of the last by situation.
    """

    method: str
    about: str
    n_pieces: int
    n_failing: int
    n_half: int
    share: float
    situations: list[tuple[str, float, list[float]]]
    lengths: list[tuple[str, float, float, float, list[float]]]


KINDS = tuple(kind for kind in RELATIONS if kind != "same")
"""How a wrong key can stand to the right one."""


def count_wrong_time(method: str, about: str, answers: Answers, labels: str) -> WrongTimes:
    """Add up the wrong time of a method's answers; shares are of all time, so that long pieces count for more."""
    assert answers.stretches is not None
    found = [wrong_time(truth, answer, labels) for truth, answer in answers.stretches]
    per_piece = np.array([each.wrong.sum() for each in found])
    wrong, labelled = np.sum([each.wrong for each in found], axis=0), np.sum([each.labelled for each in found], axis=0)
    total, time = max(float(wrong.sum()), 1e-300), max(float(labelled.sum()), 1e-300)
    kinds = [RELATIONS.index(kind) for kind in KINDS]
    return WrongTimes(
        method=method,
        about=about,
        n_pieces=len(found),
        n_failing=int((per_piece > 1e-6).sum()),
        n_half=int((answers.right(labels) < 0.5).sum()),
        share=float(wrong.sum()) / time,
        situations=[
            (name, float(wrong[i].sum()) / total, (wrong[i].sum(axis=1)[kinds] / total).tolist())
            for i, name in enumerate(SITUATIONS)
        ],
        lengths=[
            (
                name,
                float(labelled[j]) / time,
                float(wrong[:, :, j].sum()) / max(float(labelled[j]), 1e-300),
                float(wrong[:, :, j].sum()) / total,
                (wrong[:, :, j].sum(axis=1) / total).tolist(),
            )
            for j, name in enumerate(LENGTHS)
        ],
    )


def wrong_times(
    wanted: list[tuple[str, str]], pooled: dict[str, Answers], every: dict[str, Answers], labels: str
) -> list[WrongTimes]:
    """Count the wrong time of some methods in some corpora; nothing where one key per piece was asked for.

    Parameters
    ----------
    wanted : list of (str, str)
        Methods and corpora, `keybench.scores.table.ALL` for the pooled pieces; each pair is counted once.
    pooled, every : dict
        Answers by method: to the pieces that headline numbers are about, and to those of every corpus.
    labels : str
    """
    out = []
    for method, corpus in dict.fromkeys(wanted):
        answers = pooled[method] if corpus == ALL else every[method].select(every[method].corpus == corpus)
        if answers.stretches is not None and len(answers.piece):
            out.append(count_wrong_time(method, "all pieces" if corpus == ALL else corpus, answers, labels))
    return out
