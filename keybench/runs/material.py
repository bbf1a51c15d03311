"""What the tasks of a run share: pieces, groups, views and splits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from keybench.corpora import Corpus, load, pool, read_manifest
from keybench.corpora.grouping import deal_folds, group
from keybench.errors import ExperimentError
from keybench.key import N_KEYS, N_MODES
from keybench.runs.spec import SAME_VIEW, Experiment
from keybench.views.media import Heard, hear


@dataclass(frozen=True)
class Steps:
    """Callbacks for a progress display: a stage begins with its size, moves on by n, and messages pass through."""

    begin: Callable[[str, int], None] = lambda stage, total: None
    move: Callable[[int], None] = lambda n: None
    say: Callable[[str], None] = lambda text: None


@dataclass(frozen=True)
class Split:
    """Pieces to learn from and pieces to answer for.

    Parameters
    ----------
    number : int
    fitted_on : str
        What the methods learn from, in words.
    train, test : int arrays
        Rows of the corpus.
    """

    number: int
    fitted_on: str
    train: npt.NDArray[np.int64]
    test: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Material:
    """What the tasks share.

    Parameters
    ----------
    corpus : Corpus
        The pieces of all corpora, also of those that are only learnt from.
    answered : bool array, shape (n,)
        Whether methods answer for a piece.
    headline : bool array, shape (n,)
        Whether a piece's truth may enter a headline number.
    labelled : dict of str to int
        Labelled pieces per corpus, before any limit.
    missing : dict of str to int
        Files per corpus that it has and this machine lacks.
    groups : int array, shape (n,)
    heard : dict of str to Heard
        All pieces as each view lets them be heard.
    truth : dict of str to bool array (n, 84)
        Acceptable keys in each view (a view may move the pieces, and their keys with them).
    splits : list of Split
    """

    corpus: Corpus
    answered: npt.NDArray[np.bool_]
    headline: npt.NDArray[np.bool_]
    labelled: dict[str, int]
    missing: dict[str, int]
    groups: npt.NDArray[np.int64]
    heard: dict[str, Heard]
    truth: dict[str, npt.NDArray[np.bool_]]
    splits: list[Split]


def prepare(experiment: Experiment, limit: int | None, n_jobs: int, steps: Steps) -> Material:
    """Load the corpora and split their pieces.

    Corpora that are only learnt from stand in no test set; those of their pieces that are related to a test piece are
    not learnt from either. By group, related pieces stand in one fold. By corpus, each corpus is answered for by
    methods fitted on the others; by pairs of corpora, by methods fitted on each one of the others; always less the
    pieces that are variants of its own.

    Raises
    ------
    ManifestError, CorpusMissingError
    ExperimentError
        If there are too few groups or corpora to split.
    """
    names = (*experiment.manifests, *experiment.also_manifests)
    manifests = [read_manifest(name) for name in names]
    steps.begin("reading", sum(manifest.labelled for manifest in manifests))
    loaded = [load(name, n_jobs, steps.move) for name in names]
    parts = [loaded[: len(experiment.manifests)], loaded[len(experiment.manifests) :]]
    pooled = [_usable(pool(part), experiment.task).head(limit) for part in parts if part]
    corpus = pool(pooled) if len(pooled) > 1 else pooled[0]
    answered = np.arange(len(corpus)) < len(pooled[0])
    groups = group(corpus.variant_keys)
    views = experiment.views if experiment.fit_view == SAME_VIEW else (*experiment.views, experiment.fit_view)
    heard = {name: hear(name, corpus.notes, corpus.chroma, experiment.view_seed) for name in dict.fromkeys(views)}
    trusted = {manifest.id for manifest in manifests if manifest.headline}
    headline = np.isin(corpus.corpus, sorted(trusted))
    return Material(
        corpus=corpus,
        answered=answered,
        headline=headline,
        labelled={c.id: len(c) for c in loaded},
        missing={c.id: len(c.missing) for c in loaded},
        groups=groups,
        heard=heard,
        truth={name: move_truth(corpus.truth, view.shift) for name, view in heard.items()},
        splits=_splits(experiment, corpus, groups, answered, headline if headline[answered].any() else ~headline),
    )


def _usable(corpus: Corpus, task: str) -> Corpus:
    """Keep, for keys over time, only the pieces whose source says which key holds when."""
    return corpus.select(np.flatnonzero(corpus.spans.n_rows > 0)) if task == "sections" else corpus


def move_truth(truth: npt.NDArray[np.bool_], shift: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Move the truth of piece i up by ``shift[i]`` semitones, shape (n, 84)."""
    if not shift.any():
        return truth
    places = (np.arange(12) - shift[:, None]) % 12
    moved = np.take_along_axis(truth.reshape(-1, N_MODES, 12), places[:, None, :], axis=2)
    return moved.reshape(-1, N_KEYS)


def _splits(
    experiment: Experiment,
    corpus: Corpus,
    groups: npt.NDArray[np.int64],
    answered: npt.NDArray[np.bool_],
    teaches: npt.NDArray[np.bool_],
) -> list[Split]:
    """Split the pieces; methods learn from those that `teaches` marks, and answer for those that `answered` marks.

    Secondary truth must not reach a headline number by way of what methods learn.
    """
    if not answered.any():
        first = corpus.problems[0].reason if corpus.problems else "the corpora are empty"
        lacks = "has local keys" if experiment.task == "sections" else "can be used"
        raise ExperimentError(f"no piece {lacks}; accepted: labelled pieces ({first})")
    if experiment.split_by == "group":
        own, inverse = np.unique(groups[answered], return_inverse=True)
        if len(own) < experiment.folds:
            raise ExperimentError(
                f"{answered.sum()} pieces in {len(own)} groups cannot be dealt into {experiment.folds} folds; "
                f"accepted: at least {experiment.folds} unrelated pieces (mind --limit)"
            )
        # Pieces that are only learnt from share the fold of the groups that they belong to, or stand in none.
        fold_of_group = np.full(int(groups.max()) + 1, -1)
        fold_of_group[groups[answered]] = deal_folds(inverse, experiment.folds, experiment.seed)
        fold_of = fold_of_group[groups]
        return [
            Split(k, "other folds", np.flatnonzero(teaches & (fold_of != k)), np.flatnonzero(answered & (fold_of == k)))
            for k in range(experiment.folds)
        ]
    names = list(dict.fromkeys(map(str, corpus.corpus[answered])))
    if len(names) < 2:
        raise ExperimentError(f"pieces of {len(names)} corpus cannot be split by corpus; accepted: 2 or more")
    splits: list[Split] = []
    for test_name in names:
        test = corpus.corpus == test_name
        unrelated = ~np.isin(groups, groups[test])
        others = [name for name in names if name != test_name and teaches[corpus.corpus == name].all()]
        teachers = {"other corpora": others} if experiment.split_by == "corpus" else {name: [name] for name in others}
        for fitted_on, teacher in teachers.items():
            train = np.flatnonzero(unrelated & teaches & (np.isin(corpus.corpus, teacher) | ~answered))
            splits.append(Split(len(splits), fitted_on, train, np.flatnonzero(test)))
    # Conditions come out in the order of the corpora that were learnt from.
    order = {name: i for i, name in enumerate(names)}
    return sorted(splits, key=lambda split: order.get(split.fitted_on, -1))
