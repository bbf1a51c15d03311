"""The table of scores of a run, derived from its stored predictions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from keybench.key import (
    MODES,
    N_KEYS,
    N_MODES,
    NO_MODE,
    parse_key,
    parse_keys,
    parse_label,
    project,
    project_mask,
    truth_mask,
)
from keybench.scores import calibration, global_key, sections
from keybench.stats.intervals import NOTHING, Estimate, GroupBootstrap, mean_of

SCHEMA = 3
ALL = "all"
MIN_PIECES_PER_MODE = 20
"""Modes with fewer pieces are left out of the mean over modes."""
MIN_PIECES_PER_STRATUM = 20
"""Strata with fewer pieces get no scores of their own."""
MIN_GROUPS_PER_STRATUM = 5
"""Nor do strata with fewer groups of related pieces: resampling one or two groups says nothing about others."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Answers:
    """One method's answers to the pieces of an experiment, as arrays.

    Parameters
    ----------
    piece, corpus : str arrays, shape (n,)
    fold, group, tonic, mode, predicted : int arrays, shape (n,)
        `tonic` and `mode` as written in the source, the latter `keybench.key.NO_MODE` where it is not given;
        `predicted` is -1 where the method failed.
    truth : bool array, shape (n, 84)
    log_proba : array, shape (n, 84)
        NaN rows where it failed.
    seconds : float array, shape (n,)
    error : str array, shape (n,)
    headline : bool array, shape (n,)
        Whether the truth may enter a headline number.
    strata : object array of tuples of str, shape (n,)
        Kinds that results are also given for.
    n_notes, n_pitch_classes, n_keys : int arrays, shape (n,)
        What was heard (0 for recordings), and how many keys the source names over time (0 where one for the whole).
    over_time : float array, shape (n, 6), or None
        Of experiments that ask for keys over time, per piece: the share of the time with the right key, and with the
        right home note; changes of key found, said, and true; labelled time (see `keybench.scores.sections`).
    stretches : object array of pairs of lists of Stretch, shape (n,), or None
        Of the same experiments, the true and the answered keys over time.
    """

    piece: npt.NDArray[np.str_]
    corpus: npt.NDArray[np.str_]
    fold: npt.NDArray[np.int64]
    group: npt.NDArray[np.int64]
    tonic: npt.NDArray[np.int64]
    mode: npt.NDArray[np.int64]
    predicted: npt.NDArray[np.int64]
    truth: npt.NDArray[np.bool_]
    log_proba: FloatArray
    seconds: FloatArray
    error: npt.NDArray[np.str_]
    headline: npt.NDArray[np.bool_]
    strata: npt.NDArray[np.object_]
    n_notes: npt.NDArray[np.int64]
    n_pitch_classes: npt.NDArray[np.int64]
    n_keys: npt.NDArray[np.int64]
    over_time: FloatArray | None = None
    stretches: npt.NDArray[np.object_] | None = None

    def right(self, labels: str = "modes") -> FloatArray:
        """1 for each piece whose key is right, else 0; of keys over time, the share of the time that is right."""
        if self.over_time is not None:
            return self.over_time[:, 0]
        return global_key.exact(self.predicted, self.truth, labels)

    def home(self) -> FloatArray:
        """As `right`, of the home note alone."""
        return self.over_time[:, 1] if self.over_time is not None else global_key.tonic(self.predicted, self.truth)

    def reference(self) -> npt.NDArray[np.int64]:
        """Key indices of the labels; where no mode is given, that of the answer, which cannot be held against it."""
        return 12 * np.where(self.mode == NO_MODE, np.maximum(self.predicted, 0) // 12, self.mode) + self.tonic

    def select(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> Answers:
        """Return the answers to some pieces."""
        columns = (getattr(self, name) for name in self.__dataclass_fields__)
        return Answers(*(None if column is None else column[rows] for column in columns))  # type: ignore[arg-type]

    def confidence(self, labels: str = "modes") -> FloatArray:
        """Probability of the predicted key, summed over all that project to the same label; NaN where it failed."""
        projected = project(np.arange(N_KEYS), labels)
        same = projected == projected[np.maximum(self.predicted, 0)][:, None]
        confidence: FloatArray = np.where(same, np.exp(self.log_proba), 0.0).sum(axis=1)
        return np.where(self.predicted >= 0, confidence, np.nan)

    def accepted(self, labels: str = "modes") -> npt.NDArray[np.bool_]:
        """Keys whose label is acceptable, shape (n, 84): the truth, widened to the label space."""
        wide: npt.NDArray[np.bool_] = project_mask(self.truth, labels)[:, project(np.arange(N_KEYS), labels)]
        return wide


@dataclass(frozen=True)
class Condition:
    """Under which circumstances answers were given.

    Parameters
    ----------
    view : str
        What of the pieces was heard.
    fitted_on : str
        What the methods had learnt from.
    """

    view: str
    fitted_on: str


def answers_by_condition(rows: pd.DataFrame, log_proba: FloatArray) -> dict[Condition, dict[str, Answers]]:
    """Unpack stored predictions: answers by condition and method, in the order of the run.

    Within a condition every method's pieces stand in the same order.
    """
    labels = {text: parse_label(text) for text in pd.unique(rows["label"])}
    keys = {text: parse_key(text).index for text in pd.unique(rows["predicted"].dropna())}
    sets = {text: truth_mask([parse_keys(text)])[0] for text in pd.unique(rows["truth"])}
    out: dict[Condition, dict[str, Answers]] = {}
    for (view, fitted_on, name), part in rows.groupby(["view", "fitted_on", "estimator"], sort=False):
        part = part.sort_values("piece", kind="stable")
        index = part.index.to_numpy()
        strata = np.empty(len(part), dtype=object)
        strata[:] = [tuple(kinds) for kinds in part["strata"]]
        written = np.array([labels[text] for text in part["label"]], dtype=np.int64)
        stretches = _stretches(part)
        out.setdefault(Condition(str(view), str(fitted_on)), {})[str(name)] = Answers(
            piece=part["piece"].to_numpy(dtype=str),
            corpus=part["corpus"].to_numpy(dtype=str),
            fold=part["fold"].to_numpy(dtype=np.int64),
            group=part["group"].to_numpy(dtype=np.int64),
            tonic=written[:, 0],
            mode=written[:, 1],
            predicted=part["predicted"].map(keys).fillna(-1).to_numpy(dtype=np.int64),
            truth=np.stack([sets[text] for text in part["truth"]]),
            log_proba=log_proba[index],
            seconds=part["seconds"].to_numpy(dtype=float),
            error=part["error"].to_numpy(dtype=str),
            headline=part["headline"].to_numpy(dtype=bool),
            strata=strata,
            **{name: part[name].to_numpy(dtype=np.int64) for name in ("n_notes", "n_pitch_classes", "n_keys")},
            over_time=None if stretches is None else _over_time(stretches, str(part["labels"].iloc[0])),
            stretches=stretches,
        )
    return out


def _stretches(part: pd.DataFrame) -> npt.NDArray[np.object_] | None:
    """Read true and answered keys over time; None where one key per piece was asked for."""
    if part["truth_sections"].isna().all():
        return None
    read = _SectionReader()
    out = np.empty(len(part), dtype=object)
    out[:] = [(read(true), read(said)) for true, said in zip(part["truth_sections"], part["sections"], strict=True)]
    return out


def _over_time(stretches: npt.NDArray[np.object_], labels: str) -> FloatArray:
    """Score keys over time."""
    out = []
    for truth, answer in stretches:
        labelled = sum(stretch.end - stretch.start for stretch in truth)
        counts = sections.boundary_counts(truth, answer, labels)
        out.append((*sections.shares(truth, answer, labels), *counts, labelled))
    return np.array(out, dtype=float).reshape(-1, 6)


class _SectionReader:
    """Turn stored sections into stretches; the few key sets that occur are parsed once."""

    def __init__(self) -> None:
        self._sets: dict[str, tuple[int, ...]] = {}

    def __call__(self, stored: Any) -> list[sections.Stretch]:
        return [] if stored is None else [
            sections.Stretch(span["start"], span["end"], self._keys(span["keys"])) for span in stored
        ]  # fmt: skip

    def _keys(self, text: str) -> tuple[int, ...]:
        if text not in self._sets:
            self._sets[text] = tuple(sorted(key.index for key in parse_keys(text)))
        return self._sets[text]


@dataclass(frozen=True)
class PieceFigures:
    """What is computed once for each piece of one method, whatever sets of pieces it is then averaged over.

    Parameters
    ----------
    answers : Answers
    right : array, shape (n,)
        See `Answers.right`.
    confidence : array, shape (n,), or None
        See `Answers.confidence`; None for keys over time, for which no probability is stated.
    names : tuple of str
        Metrics that are a sum over a sum.
    values, marks : arrays, shape (n, n_names)
        What is summed above and below.
    """

    answers: Answers
    right: FloatArray
    confidence: FloatArray | None
    names: tuple[str, ...]
    values: FloatArray
    marks: FloatArray

    def select(self, rows: npt.NDArray[np.bool_]) -> PieceFigures:
        """Return the figures of some pieces."""
        confidence = None if self.confidence is None else self.confidence[rows]
        return PieceFigures(
            self.answers.select(rows), self.right[rows], confidence, self.names, self.values[rows], self.marks[rows]
        )


def piece_figures(answers: Answers, labels: str = "modes") -> PieceFigures:
    """Compute what `measure_figures` averages."""
    right, home, mode = answers.right(labels), answers.home(), answers.mode
    everywhere = np.ones(len(answers.piece))
    figures: dict[str, tuple[FloatArray, FloatArray]] = {
        "exact": (right, everywhere),
        "tonic": (home, everywhere),
        "mode_given_tonic": (np.minimum(right, home), home),
        **{f"recall_{MODES[m]}": (right, 1.0 * (mode == m)) for m in range(N_MODES) if (mode == m).any()},
    }
    if answers.over_time is not None:
        time = answers.over_time[:, 5]
        figures |= {"time_right": (right * time, time), **_boundary_figures(answers)}
    else:
        weighted = global_key.mir_eval_weighted
        figures |= {
            "mir_eval_weighted": (weighted(answers.predicted, answers.truth), everywhere),
            "weighted_both_fifths": (weighted(answers.predicted, answers.truth, both_fifths=True), everywhere),
            "log_loss": (calibration.log_loss(answers.log_proba, answers.accepted(labels)), everywhere),
        }
    return PieceFigures(
        answers,
        right,
        answers.confidence(labels) if answers.over_time is None else None,
        tuple(figures),
        np.column_stack([np.where(mask > 0, column, 0.0) for column, mask in figures.values()]),
        np.column_stack([mask for _, mask in figures.values()]),
    )


def measure(answers: Answers, bootstrap: GroupBootstrap, labels: str = "modes") -> dict[str, Estimate]:
    """Return every measure of one method on one set of pieces, by metric name.

    ``recall_<mode>`` goes by the mode as written in the source; a truth that accepts other keys is still met by them.
    ``mode_given_tonic`` looks only at pieces whose home note is right. The calibration error leaves failures out, since
    they state no probability; everywhere else a failure counts as a wrong answer. The
    bounds of ``ms_per_piece`` are the quickest and the slowest fold. Of keys over time, every share is a share of the
    time, averaged over pieces, save ``time_right``, the share of all labelled time; the ``boundary`` measures count
    changes of key (see `keybench.scores.sections`).
    """
    return measure_figures(piece_figures(answers, labels), bootstrap)


def measure_figures(figures: PieceFigures, bootstrap: GroupBootstrap) -> dict[str, Estimate]:
    """Return every measure (see `measure`) from what was computed for each piece."""
    answers = figures.answers
    present = np.array([not name.startswith("recall_") for name in figures.names]) | figures.marks.any(axis=0)
    names = [name for name, kept in zip(figures.names, present, strict=True) if kept]
    estimates = bootstrap.ratios(figures.values[:, present], figures.marks[:, present])
    out = dict(zip(names, estimates, strict=True))
    for name in ("mir_eval_weighted", "weighted_both_fifths", "log_loss"):
        out.setdefault(name, NOTHING)
    recalls = {f"recall_{MODES[m]}": int((answers.mode == m).sum()) for m in range(N_MODES)}
    out["mean_mode_recall"] = mean_of([out[name] for name, n in recalls.items() if n >= MIN_PIECES_PER_MODE])
    out["ms_per_piece"] = _milliseconds(answers.seconds)
    out["calibration_error"] = (
        NOTHING if figures.confidence is None else _calibration_error(figures.confidence, figures.right, bootstrap)
    )
    out["calibration_floor"] = NOTHING if figures.confidence is None else _calibration_floor(figures.confidence)
    failures = int((answers.predicted < 0).sum())
    out["failures"] = Estimate(failures, failures, failures, len(answers.piece))
    return out


def _boundary_figures(answers: Answers) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return counts of changes over counts of changes: precision, recall and F are of all pieces together."""
    assert answers.over_time is not None
    found, said, true = answers.over_time[:, 2:5].T
    return {
        "boundary_precision": (found, said),
        "boundary_recall": (found, true),
        "boundary_f": (2.0 * found, said + true),
    }


def _milliseconds(seconds: FloatArray) -> Estimate:
    """Mean over the pieces, and the range over the folds: a time is measured once a fold, so there is no sample."""
    measured = 1000.0 * seconds[np.isfinite(seconds)]
    if not len(measured):
        return NOTHING
    return Estimate(float(measured.mean()), float(measured.min()), float(measured.max()), len(measured))


def _calibration_error(confidence: FloatArray, right: FloatArray, bootstrap: GroupBootstrap) -> Estimate:
    answered = np.flatnonzero(~np.isnan(confidence))
    if not len(answered):
        return NOTHING
    bins = calibration.equal_mass_bins(confidence[answered])
    gaps = np.zeros((len(right), calibration.N_BINS))
    gaps[answered, bins] = confidence[answered] - right[answered]
    marked = np.zeros(len(right))
    marked[answered] = 1.0
    return bootstrap.absolute_sum(gaps, marked)


def _calibration_floor(confidence: FloatArray) -> Estimate:
    answered = confidence[~np.isnan(confidence)]
    if not len(answered):
        return NOTHING
    floor = calibration.calibration_floor(answered)
    return Estimate(floor, floor, floor, len(answered))


def subsets(answers: Answers, secondary: bool = False) -> Iterator[tuple[str, str, npt.NDArray[np.bool_]]]:
    """Return (corpus, stratum, mask) of every set of pieces that scores are given for.

    First the headline, if the answers have any: all pieces whose truth may enter it. Then each corpus, and then the
    strata of the headline that have pieces enough.

    Parameters
    ----------
    answers : Answers
    secondary : bool
        Whether no truth of the whole experiment may enter a headline: then all pieces are pooled, and the report says
        so.
    """
    pooled = pool(answers, secondary)
    if pooled.any():
        yield ALL, ALL, pooled
    for corpus in dict.fromkeys(answers.corpus):
        yield str(corpus), ALL, answers.corpus == corpus
    counts = Counter(kind for kinds in answers.strata[pooled] for kind in kinds)
    for kind in sorted(counts):
        if MIN_PIECES_PER_STRATUM <= counts[kind] < pooled.sum():
            of_kind = pooled & np.array([kind in kinds for kinds in answers.strata], dtype=bool)
            if len(np.unique(answers.group[of_kind])) >= MIN_GROUPS_PER_STRATUM:
                yield ALL, kind, of_kind


def pool(answers: Answers, secondary: bool) -> npt.NDArray[np.bool_]:
    """Mark the pieces that a headline pools: those whose truth may enter it, or all of a secondary experiment."""
    return np.ones(len(answers.piece), dtype=bool) if secondary else answers.headline


def main_condition(by_condition: dict[Condition, dict[str, Answers]]) -> Condition:
    """Return what the headline is about: the first condition in which it has pieces."""
    secondary = is_secondary(by_condition)
    return next(c for c, by_method in by_condition.items() if pool(next(iter(by_method.values())), secondary).any())


def is_secondary(by_condition: dict[Condition, dict[str, Answers]]) -> bool:
    """Say whether no piece of an experiment has a truth that may enter a headline number."""
    return not any(a.headline.any() for by_method in by_condition.values() for a in by_method.values())


def score_rows(
    by_condition: dict[Condition, dict[str, Answers]], experiment: str, labels: str, resamples: int, seed: int
) -> list[dict[str, Any]]:
    """Return the rows of ``scores.json``: one per condition, corpus, stratum, method and metric."""
    rows = []
    secondary = is_secondary(by_condition)
    for condition, by_method in by_condition.items():
        some = next(iter(by_method.values()))
        figures = {name: piece_figures(answers, labels) for name, answers in by_method.items()}
        for corpus, stratum, mask in subsets(some, secondary):
            bootstrap = GroupBootstrap(some.group[mask], resamples, seed)
            for name, of_pieces in figures.items():
                for metric, e in measure_figures(of_pieces.select(mask), bootstrap).items():
                    rows.append(
                        {
                            "experiment": experiment,
                            "corpus": corpus,
                            "stratum": stratum,
                            "headline": bool(some.headline[mask].all()),
                            "view": condition.view,
                            "fitted_on": condition.fitted_on,
                            "labels": labels,
                            "estimator": name,
                            "metric": metric,
                            "value": e.value,
                            "low": e.low,
                            "high": e.high,
                            "n": e.n,
                        }
                    )
    return rows
