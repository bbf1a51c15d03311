"""What the tasks of a run share: pieces, groups and folds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.corpora import Corpus, load, pool, read_manifest
from keybench.corpora.grouping import deal_folds, group
from keybench.errors import ExperimentError
from keybench.key import format_keys, key_at
from keybench.notes import NoteTable
from keybench.runs.spec import Experiment
from keybench.views import view


@dataclass(frozen=True)
class Steps:
    """Callbacks for a progress display: a stage begins with its size, moves on by n, and messages pass through."""

    begin: Callable[[str, int], None] = lambda stage, total: None
    move: Callable[[int], None] = lambda n: None
    say: Callable[[str], None] = lambda text: None


@dataclass(frozen=True)
class Fold:
    """One split: rows and notes to learn from, and rows and notes to answer for.

    The notes to answer for are cut off from the table they come from, so that the time of an answer includes whatever
    must be computed for new music.
    """

    number: int
    train: npt.NDArray[np.int64]
    test: npt.NDArray[np.int64]
    train_notes: NoteTable
    test_notes: NoteTable


@dataclass(frozen=True)
class Material:
    """What the tasks share: pieces, groups and the folds of what a method may see."""

    corpus: Corpus
    labelled: dict[str, int]  # per corpus, before any limit
    truth_text: npt.NDArray[np.str_]
    groups: npt.NDArray[np.int64]
    folds: list[Fold]


def prepare(experiment: Experiment, limit: int | None, n_jobs: int, steps: Steps) -> Material:
    """Load the corpora and split their pieces.

    By group, related pieces stand in one fold. By corpus, each corpus is answered for by methods fitted on the others,
    less the pieces that are variants of its own.

    Raises
    ------
    ManifestError, CorpusMissingError
    ExperimentError
        If there are too few groups or corpora to split.
    """
    steps.begin("reading", sum(read_manifest(name).labelled for name in experiment.manifests))
    loaded = [load(name, n_jobs, steps.move) for name in experiment.manifests]
    corpus = pool(loaded).head(limit)
    groups = group(corpus.variant_keys)
    notes = view(experiment.view, corpus.notes)
    folds = [
        Fold(number, train, test, notes[train], notes[test].detach())
        for number, (train, test) in enumerate(_splits(experiment, corpus, groups))
    ]
    accepted = [format_keys(key_at(int(key)) for key in np.flatnonzero(row)) for row in corpus.truth]
    labelled = {c.id: len(c) for c in loaded}
    return Material(corpus, labelled, np.array(accepted, dtype=np.str_), groups, folds)


def _splits(
    experiment: Experiment, corpus: Corpus, groups: npt.NDArray[np.int64]
) -> list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
    """Return (train rows, test rows) of each fold."""
    if experiment.split_by == "corpus":
        names = list(dict.fromkeys(corpus.corpus))
        if len(names) < 2:
            raise ExperimentError(f"pieces of {len(names)} corpus cannot be split by corpus; accepted: 2 or more")
        tests = [corpus.corpus == name for name in names]
        return [(np.flatnonzero(~np.isin(groups, groups[test])), np.flatnonzero(test)) for test in tests]
    n_groups = int(groups.max(initial=-1)) + 1
    if n_groups < experiment.folds:
        raise ExperimentError(
            f"{len(corpus)} pieces in {n_groups} groups cannot be dealt into {experiment.folds} folds; "
            f"accepted: a --limit of at least {experiment.folds} unrelated pieces"
        )
    fold_of = deal_folds(groups, experiment.folds, experiment.seed)
    return [(np.flatnonzero(fold_of != k), np.flatnonzero(fold_of == k)) for k in range(experiment.folds)]
