"""The label audit: how plausible each label of a corpus is, and which ones a person should look at.

Three kinds of evidence are put beside a label: whether the piece ends on its home note, how well the notes fit its
scale, and how many methods that have not learnt from the piece agree. An audit flags; it never changes a truth. A flag
can be the mistake of all methods together, so results on the plausible labels alone favour the methods somewhat.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from joblib import Parallel, delayed
from threadpoolctl import threadpool_limits

from keybench.corpora import Corpus
from keybench.corpora.audits import AUDIT_SCHEMA, fingerprints
from keybench.corpora.grouping import deal_folds, group
from keybench.errors import ExperimentError
from keybench.estimators import make
from keybench.estimators.features import duration_weights, edge_note
from keybench.files import write_atomically
from keybench.key import N_MODES, NO_MODE, SCALES, format_keys, key_at, label_name, project, project_mask

METHODS = ("krumhansl-kessler", "albrecht-shanahan-modes", "hmm", "logistic")
"""Methods that are asked, each fitted on other pieces."""

FOLDS = 5
POOR_FIT = 0.1
"""A scale fits poorly if another seven-note scale holds this much more of the sounding time (our own choice)."""


@dataclass(frozen=True)
class Audited:
    """What an audit says of one label.

    Parameters
    ----------
    piece, label, accepted : str
        The label as written and all keys that are acceptable.
    ends_on_home : bool or None
        Whether the last note (of a chord, the lowest) is an acceptable home note; None without notes.
    scale_fit, best_fit : float
        Share of the sounding time inside the scale of the best acceptable key, and of the best of all keys.
    agreeing : tuple of str
        Methods, fitted on other pieces, whose answer is acceptable.
    probability : float
        What the logistic model, fitted on other pieces, gives to the acceptable keys together.
    flags : tuple of str
        What speaks against the label.
    look : bool
        Whether a person should look: two kinds of evidence or more speak against it.
    """

    piece: str
    label: str
    accepted: str
    ends_on_home: bool | None
    scale_fit: float
    best_fit: float
    agreeing: tuple[str, ...]
    probability: float
    flags: tuple[str, ...]
    look: bool


@threadpool_limits.wrap(limits=1)
def audit(corpus: Corpus, labels: str = "modes", n_jobs: int = 1, seed: int = 0) -> list[Audited]:
    """Audit every label of a corpus, the least plausible first.

    Parameters
    ----------
    corpus : Corpus
    labels : {"modes", "major-minor", "tonic"}
        What the labels state; answers are compared in this space.
    n_jobs : int
        Methods and folds at a time.
    seed : int
        Of the folds.

    Raises
    ------
    ExperimentError
        If there are too few groups of related pieces to hold some out.
    """
    groups = group(corpus.variant_keys)
    n_groups = int(groups.max(initial=-1)) + 1
    if n_groups < FOLDS:
        raise ExperimentError(
            f"{corpus.id}: {n_groups} groups of related pieces; an audit holds out folds and needs at least {FOLDS}"
        )
    agree, probability = _held_out(corpus, groups, labels, n_jobs, seed)
    final = edge_note(corpus.notes, last=True)
    homes = project_mask(corpus.truth, "tonic")
    fits = scale_fits(corpus)
    accepted_fit = np.where(corpus.truth, fits, 0.0).max(axis=1)
    best_fit = fits.max(axis=1)
    rows = []
    for i in range(len(corpus)):
        heard = final[i] >= 0
        ends = bool(homes[i, final[i]]) if heard else None
        agreeing = tuple(name for name, hit in zip(METHODS, agree[:, i], strict=True) if hit)
        flags = [
            *(["does not end on its home note"] if ends is False else []),
            *(["another scale fits better"] if best_fit[i] - accepted_fit[i] > POOR_FIT else []),
            *(["no method agrees"] if not agreeing else []),
        ]
        rows.append(
            Audited(
                piece=str(corpus.pieces[i]),
                label=label_name(int(corpus.tonic[i]), int(corpus.mode[i])),
                accepted=format_keys(key_at(int(k)) for k in np.flatnonzero(corpus.truth[i]))
                if corpus.mode[i] != NO_MODE
                else f"any mode on {label_name(int(corpus.tonic[i]), NO_MODE)}",
                ends_on_home=ends,
                scale_fit=round(float(accepted_fit[i]), 3),
                best_fit=round(float(best_fit[i]), 3),
                agreeing=agreeing,
                probability=round(float(probability[i]), 4),
                flags=tuple(flags),
                look=len(flags) >= 2,
            )
        )
    return sorted(rows, key=lambda row: (-len(row.flags), row.probability))


def scale_fits(corpus: Corpus) -> npt.NDArray[np.float64]:
    """Share of the sounding time inside the scale of each of the 84 keys, shape (n, 84)."""
    heard = duration_weights(corpus.notes)
    total = np.maximum(heard.sum(axis=1, keepdims=True), 1e-12)
    keys = np.stack([np.roll(SCALES[m], tonic) for m in range(N_MODES) for tonic in range(12)]).astype(float)
    fits: npt.NDArray[np.float64] = heard @ keys.T / total
    return fits


def _held_out(
    corpus: Corpus, groups: npt.NDArray[np.int64], labels: str, n_jobs: int, seed: int
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float64]]:
    """Return which methods agree with each label, shape (n_methods, n), and the last method's probability of it."""
    fold_of = deal_folds(groups, FOLDS, seed)
    wide = project_mask(corpus.truth, labels)[:, project(np.arange(corpus.truth.shape[1]), labels)]

    def answer(name: str, fold: int) -> npt.NDArray[np.float64]:
        train = np.flatnonzero(fold_of != fold)
        model = make(name).fit(corpus.notes[train], corpus.truth[train], groups=groups[train])
        return model.predict_log_proba(corpus.notes[np.flatnonzero(fold_of == fold)].detach())

    tasks = [(name, fold) for name in METHODS for fold in range(FOLDS)]
    answers = Parallel(n_jobs=n_jobs, prefer="threads")(delayed(answer)(*task) for task in tasks)
    agree = np.zeros((len(METHODS), len(corpus)), dtype=bool)
    probability = np.zeros(len(corpus))
    for (name, fold), log_proba in zip(tasks, answers, strict=True):
        test = np.flatnonzero(fold_of == fold)
        agree[METHODS.index(name), test] = wide[test, log_proba.argmax(axis=1)]
        if name == METHODS[-1]:
            probability[test] = np.where(wide[test], np.exp(log_proba), 0.0).sum(axis=1)
    return agree, probability


def save(path: Path, corpus: Corpus, rows: list[Audited]) -> None:
    """Write which labels to look at, with the state of the corpus that was audited."""
    content: dict[str, Any] = {
        "schema": AUDIT_SCHEMA,
        "corpus": corpus.id,
        "pieces": dict(zip(map(str, corpus.pieces), fingerprints(corpus), strict=True)),
        "methods": list(METHODS),
        "look": {row.piece: list(row.flags) for row in rows if row.look},
    }
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    write_atomically(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))


def as_dicts(rows: list[Audited]) -> list[dict[str, Any]]:
    """Return the rows for JSON."""
    return [asdict(row) for row in rows]
