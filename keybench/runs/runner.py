"""Running an experiment: fit on the training folds, predict the test fold, store, go on.

Work is cut into tasks, one per fold and fit; variants that share a fit (see ``decision_parameters``) are one task. A
method that fails costs its own answers only: they are stored as failures with their reason.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from sklearn.base import clone
from threadpoolctl import threadpool_limits

from keybench.errors import RunError
from keybench.estimators import KeyEstimator
from keybench.key import KEY_NAMES, N_KEYS, NO_MODE, Key, format_keys, key_at, keys_on, label_name, transpose_tonics
from keybench.notes import KeySpan
from keybench.runs import provenance, store
from keybench.runs.at_once import at_once
from keybench.runs.material import Material, Split, Steps, prepare
from keybench.runs.spec import SAME_VIEW, EstimatorSpec, Experiment

_MAX_ERROR_CHARS = 300


@dataclass(frozen=True)
class _Task:
    """One fit and the answers that it gives: methods that share the fit, in each of the views."""

    split: Split
    fit_view: str
    views: tuple[str, ...]
    specs: tuple[EstimatorSpec, ...]

    @property
    def parts(self) -> list[tuple[EstimatorSpec, str]]:
        return [(spec, view) for spec in self.specs for view in self.views]


def _tasks(experiment: Experiment, splits: list[Split]) -> list[_Task]:
    """Cut the work into tasks, the costly ones first so that the last to finish is a short one."""
    shared: dict[str, list[EstimatorSpec]] = {}
    for spec in experiment.estimators:
        model = spec.make()
        fitted_by = {name: v for name, v in model.get_params().items() if name not in model.decision_parameters}
        shared.setdefault(f"{type(model).__module__}.{type(model).__qualname__} {fitted_by!r}", []).append(spec)
    fits = sorted(shared.values(), key=lambda specs: not specs[0].make().tags.learns)
    if experiment.fit_view == SAME_VIEW:
        heard: list[tuple[str, tuple[str, ...]]] = [(view, (view,)) for view in experiment.views]
    else:
        heard = [(experiment.fit_view, experiment.views)]
    return [_Task(split, fit, views, tuple(specs)) for specs in fits for fit, views in heard for split in splits]


def run(
    experiment: Experiment,
    out: Path,
    n_jobs: int = 1,
    limit: int | None = None,
    resume: bool = False,
    command: str = "",
    steps: Steps | None = None,
) -> dict[str, Any]:
    """Run an experiment into a directory and return its ``run.json``.

    Parameters
    ----------
    experiment : Experiment
    out : Path
        Run directory; made if absent. An earlier run there is replaced unless `resume`.
    n_jobs : int
        Tasks at a time.
    limit : int, optional
        Use only about this many pieces, the same ones every time.
    resume : bool
        Keep the finished parts of an interrupted run.
    command : str
        Kept in ``run.json``.
    steps : Steps, optional
        Progress display.

    Raises
    ------
    KeybenchError
        Of several kinds, each with one line that says what to do.
    """
    steps = steps or Steps()
    began = time.time()
    if out.exists() and not out.is_dir():
        raise RunError(f"{out}: is a file; accepted: a directory for the run")
    if out.is_dir() and any(out.iterdir()) and not (out / store.RUN).exists():
        raise RunError(f"{out}: holds other files and no run; accepted: a new or empty directory, or an earlier run")
    material = prepare(experiment, limit, n_jobs, steps)
    mark = provenance.fingerprint(experiment, material)
    record = provenance.record(experiment, material, mark, n_jobs, limit, command)
    finished = _take_over(out, mark, resume, steps)
    if finished is not None:
        return finished
    try:
        store.write_json(out / store.RUN, record)
    except OSError as error:
        raise RunError(f"{out}: cannot be written ({error.strerror}); choose another --out") from None

    tasks = _tasks(experiment, material.splits)
    common = _Common(experiment, material)
    order = {view: i for i, view in enumerate(experiment.views)}

    def part(spec: EstimatorSpec, view: str, split: Split) -> Path:
        return store.part_path(out, spec.name, order[view], split.number)

    todo = [task for task in tasks if not all(store.readable_part(part(*p, task.split)) for p in task.parts)]
    steps.begin("methods x folds", sum(len(task.parts) for task in tasks))
    steps.move(sum(len(task.parts) for task in tasks) - sum(len(task.parts) for task in todo))
    with threadpool_limits(limits=1):
        for done in at_once(lambda task: _run_task(experiment, material, common, part, task), todo, n_jobs):
            steps.move(done)

    store.merge_parts(
        out,
        [part(spec, view, split) for view in experiment.views for spec in experiment.estimators
         for split in material.splits],
    )  # fmt: skip
    record |= {"state": "finished", "finished": provenance.now(), "seconds": round(time.time() - began, 2)}
    store.write_json(out / store.RUN, record)
    store.remove_parts(out)
    return record


def _take_over(out: Path, mark: str, resume: bool, steps: Steps) -> dict[str, Any] | None:
    """Clear an earlier run, or check that it can be resumed; return its record if it is finished already."""
    if not (out / store.RUN).exists():
        if resume:
            steps.say(f"nothing to resume in {out}: starting from the beginning")
        return None
    earlier = store.read_run(out)  # refuses a run.json that is not ours before anything there is touched
    if not resume:
        store.remove_parts(out)
        for name in (store.PREDICTIONS, store.SCORES, store.COSTS, "report.md", "index.html"):
            (out / name).unlink(missing_ok=True)
        return None
    if earlier.get("fingerprint") != mark:
        raise RunError(
            f"{out}: cannot resume, since the experiment, --limit, the data or the code changed since; "
            f"start over without --resume, or choose another --out"
        )
    if earlier.get("state") == "finished" and (out / store.PREDICTIONS).exists():
        steps.say(f"the run in {out} is finished: only the report is made again")
        return earlier
    return None


def _run_task(
    experiment: Experiment, material: Material, common: _Common, part: Callable[..., Path], task: _Task
) -> int:
    """Fit once, answer for every variant in every view, and store one part for each."""
    split = task.split
    fitted: KeyEstimator | None = None
    fit_error = ""
    model = task.specs[0].make()
    try:
        teach(model, experiment, material, split, task.fit_view)
        fitted = model
    except (Exception, SystemExit) as error:  # whatever a method throws is its own failure
        fit_error = f"fit: {_one_line(error)}"
    for spec, view in task.parts:
        n = len(split.test)
        log_proba, errors, seconds = np.full((n, N_KEYS), np.nan), [fit_error] * n, np.nan
        spans: list[list[KeySpan]] | None = [[]] * n if experiment.task == "sections" else None
        if fitted is not None:
            variant = fitted if spec is task.specs[0] else _share_fit(fitted, spec)
            # Cut off from the table it comes from, so that the time of an answer includes what new music needs.
            music = material.heard[view].music[split.test].detach()
            start = time.thread_time()
            if experiment.task == "sections":
                spans, errors = answer_over_time(variant, music)
            else:
                log_proba, errors = answer(variant, music)
            seconds = (time.thread_time() - start) / max(n, 1)
        answers = _Answers(log_proba, spans, errors, seconds)
        _store_part(material, common, part(spec, view, split), split, spec, view, answers)
    return len(task.parts)


def teach(model: KeyEstimator, experiment: Experiment, material: Material, split: Split, fit_view: str) -> None:
    """Fit a method on the training pieces and their truths or, for keys over time, their labelled stretches."""
    train, heard = split.train, material.heard[fit_view]
    music: Any = heard.music[train]  # of whichever kind the method takes
    groups = material.groups[train]
    if experiment.task == "key":
        model.fit(music, material.truth[fit_view][train], groups=groups)
    else:
        model.fit_sections(music, material.corpus.spans[train].transpose(heard.shift[train]), groups=groups)


def _share_fit(fitted: KeyEstimator, spec: EstimatorSpec) -> KeyEstimator:
    """Return the variant with what the other learnt."""
    variant = clone(spec.make())
    for name, value in vars(fitted).items():
        if name.endswith("_") and not name.startswith("_"):
            setattr(variant, name, value)
    return variant


def answer(model: KeyEstimator, music: Any) -> tuple[npt.NDArray[np.float64], list[str]]:
    """Ask a method for all pieces at once and, where that fails, for the failing pieces one by one.

    Returns
    -------
    log_proba : array, shape (n, 84)
        NaN rows where it failed.
    errors : list of str
        Empty where it answered.
    """
    try:
        whole = _checked(model.predict_log_proba(music), len(music))
    except (Exception, SystemExit):
        whole = np.full((len(music), N_KEYS), np.nan)
    bad = ~_is_distribution(whole)
    errors = [""] * len(music)
    for i in np.flatnonzero(bad):
        try:
            row = _checked(model.predict_log_proba(music[int(i)].detach()), 1)
            if not _is_distribution(row)[0]:
                total = float(np.exp(row[0]).sum())
                raise ValueError(f"answered with probabilities that sum to {total:g}; accepted: finite ones, sum 1")
            whole[i] = row[0]
        except (Exception, SystemExit) as error:
            whole[i] = np.nan
            errors[i] = _one_line(error)
    return whole, errors


def answer_over_time(model: KeyEstimator, music: Any) -> tuple[list[list[KeySpan]], list[str]]:
    """Ask a method for the keys of all pieces over time and, where that fails, for the pieces one by one.

    Returns
    -------
    spans : list of lists of KeySpan
        Empty where it failed.
    errors : list of str
        Empty where it answered.
    """
    n = len(music)
    try:
        spans = _checked_spans(model.segment(music), n)
        silent = [rows == 0 for rows in music.n_rows]
        return spans, [
            "" if said or empty else "answered with no key" for said, empty in zip(spans, silent, strict=True)
        ]
    except (Exception, SystemExit):
        spans, errors = [], []
    for i in range(n):
        try:
            spans += _checked_spans(model.segment(music[i].detach()), 1)
            errors.append("")
        except (Exception, SystemExit) as error:
            spans.append([])
            errors.append(_one_line(error))
    return spans, errors


def _checked_spans(answered: Any, n: int) -> list[list[KeySpan]]:
    if not isinstance(answered, list) or len(answered) != n:
        raise ValueError(f"answered with {type(answered).__name__} for {n} pieces; accepted: a list of spans for each")
    for spans in answered:
        last = -np.inf
        for span in spans:
            if not (np.isfinite(span.start) and last <= span.start <= span.end < np.inf and 0 <= span.key < N_KEYS):
                raise ValueError(f"answered with {span}; accepted: spans in order that do not overlap, keys 0 to 83")
            last = span.end
    return answered


def _checked(answered: Any, n: int) -> npt.NDArray[np.float64]:
    array = np.array(answered, dtype=float)
    if array.shape != (n, N_KEYS):
        raise ValueError(f"answered with shape {array.shape}; accepted: ({n}, {N_KEYS})")
    return array


def _is_distribution(log_proba: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    finite: npt.NDArray[np.bool_] = np.asarray(np.isfinite(log_proba).all(axis=1))
    total = np.exp(np.where(finite[:, None], log_proba, -1.0)).sum(axis=1)
    good: npt.NDArray[np.bool_] = finite & (np.abs(total - 1.0) < 1e-4)
    return good


def _one_line(error: BaseException) -> str:
    text = " ".join(str(error).split()) or "no message"
    return f"{type(error).__name__}: {text}"[:_MAX_ERROR_CHARS]


@dataclass(frozen=True)
class _Answers:
    """What a method said of the pieces of a split: NaN rows, or empty spans, where it failed."""

    log_proba: npt.NDArray[np.float64]
    spans: list[list[KeySpan]] | None
    errors: list[str]
    seconds: float


def _store_part(
    material: Material,
    common: _Common,
    path: Path,
    split: Split,
    spec: EstimatorSpec,
    view: str,
    answers: _Answers,
) -> None:
    corpus, test, n = material.corpus, split.test, len(split.test)
    pieces = corpus.pieces[test]
    unreadable = corpus.read_errors
    errors = [unreadable.get(piece, "") or error for piece, error in zip(pieces, answers.errors, strict=True)]
    failed = np.array([bool(error) for error in errors], dtype=bool)
    log_proba = np.where(failed[:, None], np.nan, answers.log_proba)
    predicted = _predicted(log_proba)
    sections: list[Any] = [None] * n
    if answers.spans is not None:
        spans = [[] if bad else said for bad, said in zip(failed, answers.spans, strict=True)]
        predicted = [_longest(said) for said in spans]
        sections = [
            None if bad else [{"start": s.start, "end": s.end, "keys": KEY_NAMES[s.key]} for s in said]
            for bad, said in zip(failed, spans, strict=True)
        ]
    own = {
        "estimator": [spec.name] * n,
        "predicted": predicted,
        "sections": sections,
        "seconds": np.full(n, answers.seconds),
        "error": errors,
    }
    store.write_rows(path, common.columns(split, view) | own, log_proba.astype(np.float32))


class _Common:
    """What the rows of all methods have in common in a view and split, worked out once."""

    def __init__(self, experiment: Experiment, material: Material):
        self._experiment, self._material = experiment, material
        self._made: dict[tuple[str, int], dict[str, Any]] = {}

    def columns(self, split: Split, view: str) -> dict[str, Any]:
        """Return the columns that say nothing of a method."""
        key = (view, split.number)
        if key not in self._made:
            made = _columns_of_pieces(self._experiment, self._material, split, view)
            self._made[key] = {name: store.as_column(name, values) for name, values in made.items()}
        return self._made[key]


def _columns_of_pieces(experiment: Experiment, material: Material, split: Split, view: str) -> dict[str, Any]:
    corpus, test, n = material.corpus, split.test, len(split.test)
    tonic = transpose_tonics(corpus.tonic[test], material.heard[view].shift[test])
    n_notes, n_pitch_classes = material.heard[view].sizes
    over_time = experiment.task == "sections"
    return {
        "experiment": [experiment.name] * n,
        "corpus": corpus.corpus[test],
        "headline": material.headline[test],
        "view": [view] * n,
        "fitted_on": [split.fitted_on] * n,
        "labels": [experiment.labels] * n,
        "fold": np.full(n, split.number, dtype=np.int16),
        "piece": corpus.pieces[test],
        "group": material.groups[test].astype(np.int32),
        "strata": [list(corpus.strata[i]) for i in test],
        "n_notes": n_notes[test].astype(np.int32),
        "n_pitch_classes": n_pitch_classes[test].astype(np.int8),
        "n_keys": corpus.n_local_keys[test].astype(np.int16),
        "label": [label_name(int(t), int(m)) for t, m in zip(tonic, corpus.mode[test], strict=True)],
        "truth": _in_words(material.truth[view][test]),
        "truth_sections": _true_sections(material, view, test) if over_time else [None] * n,
    }


def _longest(spans: list[KeySpan]) -> str | None:
    """Name the key that holds longest; None where there is none."""
    held: dict[int, float] = {}
    for span in spans:
        held[span.key] = held.get(span.key, 0.0) + span.end - span.start
    return KEY_NAMES[max(held, key=lambda key: held[key])] if held else None


def _true_sections(material: Material, view: str, test: npt.NDArray[np.int64]) -> list[list[dict[str, Any]]]:
    """Return the labelled stretches of each piece, moved as the view moves the piece."""
    spans = material.corpus.spans.transpose(material.heard[view].shift)
    return [
        [
            {
                "start": float(spans.start[j]),
                "end": float(spans.end[j]),
                "keys": _accepted(spans.tonic[j], spans.mode[j]),
            }
            for j in range(spans.offsets[i], spans.offsets[i + 1])
        ]
        for i in test
    ]


@cache
def _accepted(tonic: int, mode: int) -> str:
    return format_keys(keys_on(int(tonic)) if mode == NO_MODE else [Key(int(tonic), int(mode))])


def _in_words(truth: npt.NDArray[np.bool_]) -> list[str]:
    """Write truth sets; most pieces share theirs with others."""
    sets, which = np.unique(truth, axis=0, return_inverse=True)
    texts = [format_keys(key_at(int(key)) for key in np.flatnonzero(row)) for row in sets]
    return [texts[i] for i in which.ravel()]


def _predicted(log_proba: npt.NDArray[np.float64]) -> list[str | None]:
    """Name the most probable key of each row; None where the method failed."""
    failed = np.isnan(log_proba[:, 0])
    best = np.argmax(np.where(failed[:, None], 0.0, log_proba), axis=1)
    return [None if bad else KEY_NAMES[i] for bad, i in zip(failed, best, strict=True)]
