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
    """Load the corpora and deal their groups into folds.

    Raises
    ------
    ManifestError, CorpusMissingError
    ExperimentError
        If there are fewer groups than folds.
    """
    steps.begin("reading", sum(read_manifest(name).labelled for name in experiment.manifests))
    loaded = [load(name, n_jobs, steps.move) for name in experiment.manifests]
    corpus = pool(loaded).head(limit)
    groups = group(corpus.variant_keys)
    n_groups = int(groups.max(initial=-1)) + 1
    if n_groups < experiment.folds:
        raise ExperimentError(
            f"{len(corpus)} pieces in {n_groups} groups cannot be dealt into {experiment.folds} folds; "
            f"accepted: a --limit of at least {experiment.folds} unrelated pieces"
        )
    notes = view(experiment.view, corpus.notes)
    fold_of = deal_folds(groups, experiment.folds, experiment.seed)
    folds = []
    for number in range(experiment.folds):
        train, test = np.flatnonzero(fold_of != number), np.flatnonzero(fold_of == number)
        folds.append(Fold(number, train, test, notes[train], notes[test].detach()))
    accepted = [format_keys(key_at(int(key)) for key in np.flatnonzero(row)) for row in corpus.truth]
    labelled = {c.id: len(c) for c in loaded}
    return Material(corpus, labelled, np.array(accepted, dtype=np.str_), groups, folds)
