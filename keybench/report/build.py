"""Building the report of one run: ``scores.json``, ``report.md`` and ``index.html``, all from what the run stored."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
from threadpoolctl import threadpool_limits

from keybench.corpora.audits import LOOK
from keybench.errors import RunError
from keybench.files import write_atomically
from keybench.key import INTERVALS, MODES, N_MODES, NO_MODE, RELATIONS, mode_in_text, relation
from keybench.report.aims import AimMet, judge_aim
from keybench.report.figures import reliability_svg
from keybench.report.recommend import WHAT, Recommendation, recommend
from keybench.report.wrong_time import KINDS, WrongTimes, wrong_times
from keybench.runs import store
from keybench.runs.spec import Needs
from keybench.scores import calibration, causes, risk, table
from keybench.scores.sections import BOUNDARY_TOLERANCE
from keybench.scores.table import ALL, Answers, Condition
from keybench.scores.wrong_time import SITUATIONS
from keybench.stats.intervals import Estimate, GroupBootstrap

Scores = dict[str, dict[str, dict[str, Estimate]]]
"""An estimate by corpus (or stratum), method and metric."""

_MAX_FAILURES_SHOWN = 100


@dataclass(frozen=True)
class Report:
    """Everything that the pages show.

    Parameters
    ----------
    run : dict
        ``run.json``.
    split : str
        How pieces were split, in words.
    rows : list of dict
        Rows of ``scores.json``.
    condition : Condition
        The first of the experiment that has headline pieces: what the ranking and all below it are about.
    ranking : list of str
        Methods, the most often right first.
    scores : dict
        ``scores[corpus][method][metric]``, an `Estimate`, in that condition.
    strata : dict
        ``strata[stratum][method][metric]``, of the headline pieces in that condition.
    conditions : dict
        ``conditions[condition][corpus][method][metric]``, all conditions.
    secondary : bool
        True if no corpus of the experiment may enter a headline number.
    groups : int
        Groups of related pieces in the headline.
    recommendation : Recommendation
    confusion : list of dict
        See `confusion`, for the recommended method.
    offsets : list of (str, int)
        See `home_offsets`, for the recommended method.
    reliability : list
        Panels of the calibration picture.
    abstention : list of Abstention
        What the same methods' "not sure" would buy.
    aims : list of AimMet
        How near the methods come to what the experiment sets out to reach.
    causes : Causes
        What is the matter with the pieces that the method with the most right answers gets wrong.
    wrong_times : list of WrongTimes
        Where the key moves: what is wrong with the time that this method, and the nearest to each aim, gets wrong.
    contaminated : dict of str to list of str
        Methods that were made from music of this experiment, with the corpora.
    failures : list of (str, str, int, list of str)
        Method, reason, number of pieces and the first of them, per kind of failure.
    """

    run: dict[str, Any]
    split: str
    rows: list[dict[str, Any]]
    condition: Condition
    ranking: list[str]
    scores: Scores
    strata: Scores
    conditions: dict[Condition, Scores]
    secondary: bool
    groups: int
    recommendation: Recommendation
    confusion: list[dict[str, Any]]
    offsets: list[tuple[str, int]]
    reliability: list[tuple[str, list[tuple[float, float, int]]]]
    abstention: list[Abstention]
    aims: list[AimMet]
    causes: Causes
    wrong_times: list[WrongTimes]
    contaminated: dict[str, list[str]]
    failures: list[tuple[str, str, int, list[str]]]


@threadpool_limits.wrap(limits=1)  # the products are small: more threads only wait for each other
def derive(out: Path) -> Report:
    """Score the stored predictions of a run and draw the conclusions.

    Raises
    ------
    RunError
        If the run is unfinished or damaged.
    """
    run = store.read_run(out)
    by_condition = table.answers_by_condition(*store.read_predictions(out))
    experiment = run["experiment"]
    labels, resamples, seed = experiment["labels"], experiment["resamples"], experiment["seed"]
    rows = table.score_rows(by_condition, experiment["name"], labels, resamples, seed)
    conditions: dict[Condition, Scores] = {condition: {} for condition in by_condition}
    secondary = table.is_secondary(by_condition)
    condition = table.main_condition(by_condition)
    strata: Scores = {}
    for row in rows:
        here = Condition(row["view"], row["fitted_on"])
        estimate = Estimate(row["value"], row["low"], row["high"], row["n"])
        if row["stratum"] == ALL:
            conditions[here].setdefault(row["corpus"], {}).setdefault(row["estimator"], {})[row["metric"]] = estimate
        elif here == condition:
            strata.setdefault(row["stratum"], {}).setdefault(row["estimator"], {})[row["metric"]] = estimate
    scores = conditions[condition]
    some = next(iter(by_condition[condition].values()))
    pooled = table.pool(some, secondary)
    by_method = {name: answers.select(pooled) for name, answers in by_condition[condition].items()}
    needs = experiment["needs"]
    recommendation = recommend(
        by_method,
        scores[ALL],
        {method["name"]: method["simplicity"] for method in run["methods"]},
        Needs(**{**needs, "modes": tuple(needs["modes"])}),
        GroupBootstrap(some.group[pooled], resamples, seed),
        labels,
        over_time=experiment["task"] == "sections",
        secondary=secondary,
    )
    ranking = sorted(by_method, key=lambda name: -scores[ALL][name]["exact"].value)
    shown = _panels(recommendation, ranking)
    aims = [_judge(aim, conditions) for aim in experiment["aims"]]
    of_aims = zip(experiment["aims"], aims, strict=True)
    nearest = [(met.method, aim["corpus"]) for aim, met in of_aims if aim["view"] == condition.view]
    return Report(
        run=run,
        split=SPLIT_WORDS[experiment["split_by"]].format(**experiment),
        rows=rows,
        condition=condition,
        ranking=ranking,
        scores=scores,
        strata=strata,
        conditions={c: by_corpus for c, by_corpus in conditions.items() if ALL in by_corpus},
        secondary=secondary,
        groups=len(np.unique(some.group[pooled])),
        recommendation=recommendation,
        confusion=confusion(by_method[recommendation.nearest]),
        offsets=home_offsets(by_method[recommendation.nearest]),
        reliability=[(name, _reliability(by_method[name], labels)) for name in shown],
        abstention=[abstention(name, by_method[name], labels) for name in shown if by_method[name].over_time is None],
        aims=aims,
        causes=why_wrong(ranking[0], by_method[ranking[0]], labels),
        wrong_times=wrong_times([(ranking[0], ALL), *nearest], by_method, by_condition[condition], labels),
        contaminated=_contaminated(run),
        failures=_failures(by_condition[condition]),
    )


SPLIT_WORDS = {
    "group": "{folds} folds",
    "corpus": "each corpus by methods fitted on the others",
    "corpus pairs": "each corpus by methods fitted on another one",
}
"""How pieces were split, in words."""


def _panels(recommendation: Recommendation, ranking: list[str]) -> list[str]:
    """Methods for the calibration picture: the recommended, the leader, the best simpler one, then down the ranking."""
    wanted = [recommendation.nearest, recommendation.most_often_right, recommendation.simpler, *ranking]
    return list(dict.fromkeys(name for name in wanted if name))[:6]


def _reliability(answers: Answers, labels: str) -> list[tuple[float, float, int]]:
    """Return the points of one panel; of keys over time no probability is stated."""
    if answers.over_time is not None:
        return []
    answered = answers.select(answers.predicted >= 0)
    right = answered.right(labels)
    return calibration.reliability(answered.confidence(labels), right) if len(right) else []


STATED_RISK = 0.05
"""Share of wrong answers that "not sure" is asked to keep to."""


@dataclass(frozen=True)
class Abstention:
    """What saying "not sure" would buy with one method.

    Parameters
    ----------
    method : str
    coverage : float
        Share of the pieces that are answered if at most `STATED_RISK` of the answers may be wrong.
    risk : float
        Share wrong among them in fact; NaN where nothing is answered.
    levels : list of (float, float, int)
        A probability, the share right among answers at least so sure, and their number.
    """

    method: str
    coverage: float
    risk: float
    levels: list[tuple[float, float, int]]


def abstention(method: str, answers: Answers, labels: str) -> Abstention:
    """Work out what a method's "not sure" would buy, with thresholds from the other folds."""
    sure, right = answers.confidence(labels), answers.right(labels)
    given = risk.answered_at_risk(sure, right, answers.fold, STATED_RISK)
    wrong = float(1.0 - right[given].mean()) if given.any() else float("nan")
    levels = [(level, *risk.accuracy_at(sure, right, level)) for level in risk.LEVELS]
    return Abstention(method, float(given.mean()), wrong, levels)


def confusion(answers: Answers) -> list[dict[str, Any]]:
    """Count answers by written mode: on the right home note by mode, elsewhere by relation.

    Returns
    -------
    list of dict
        Per written mode that occurs: its name, number of pieces, ``home`` (counts by answered mode where the home note
        is that of the label), ``away`` (counts by relation elsewhere) and ``failed``.
    """
    out = []
    for m in (*range(N_MODES), NO_MODE):
        here = answers.select(answers.mode == m)
        if not len(here.piece):
            continue
        answered = here.select(here.predicted >= 0)
        home = answered.predicted % 12 == answered.tonic
        kinds = relation(answered.reference()[~home], answered.predicted[~home])
        out.append(
            {
                "mode": "not given" if m == NO_MODE else mode_in_text(m),
                "n": len(here.piece),
                "home": np.bincount(answered.predicted[home] // 12, minlength=N_MODES).tolist(),
                "away": [int((kinds == RELATIONS.index(kind)).sum()) for kind in AWAY],
                "failed": int((here.predicted < 0).sum()),
            }
        )
    return out


def home_offsets(answers: Answers) -> list[tuple[str, int]]:
    """Count answers by how far above the labelled home note, or another acceptable one, the answered one lies."""
    answered = answers.select(answers.predicted >= 0)
    above = (answered.predicted - answered.tonic) % 12
    above[answered.home() > 0] = 0
    return list(zip(("none: right", *INTERVALS[1:]), np.bincount(above, minlength=12).tolist(), strict=True))


def ranking_columns(scores: dict[str, dict[str, Estimate]], labels: str) -> list[tuple[str, str, str]]:
    """Return (title, metric, kind) of the columns of the ranking that something was measured for."""
    both = {"modes": "Home note and mode right", "major-minor": "Home note and third right", "tonic": "Home note right"}
    finer = [
        ("Home note right", "tonic", "bar"),
        ("Mode right, given home", "mode_given_tonic", "percent"),
        ("Mean over modes", "mean_mode_recall", "percent"),
        ("mir_eval weighted", "mir_eval_weighted", "percent"),
        ("Both fifths", "weighted_both_fifths", "percent"),
    ]
    columns = [
        (both[labels], "exact", "bar"),
        *(finer if labels != "tonic" else []),
        ("Log-loss, nats", "log_loss", "number"),
        ("Calibration error", "calibration_error", "percent"),
        ("of that, by chance", "calibration_floor", "percent"),
        ("Milliseconds a piece", "ms_per_piece", "time"),
    ]
    return [column for column in columns if any(measured[column[1]].n for measured in scores.values())]


AWAY = tuple(kind for kind in RELATIONS if kind not in ("same", "parallel"))
"""Relations that an answer on another home note can have."""


def _judge(aim: dict[str, Any], conditions: dict[Condition, Scores]) -> AimMet:
    """Hold the methods against an aim, in the first condition with its view and corpus."""
    for condition, by_corpus in conditions.items():
        if condition.view == aim["view"] and aim["corpus"] in by_corpus:
            return judge_aim(aim, by_corpus[aim["corpus"]])
    raise RunError(f"the experiment's aims name the corpus {aim['corpus']!r} in view {aim['view']!r}, "
                   "of which nothing was measured; accepted: corpora and views of the experiment")  # fmt: skip


def _contaminated(run: dict[str, Any]) -> dict[str, list[str]]:
    """Methods that were made from corpora they answer for."""
    here = {corpus["id"] for corpus in run["corpora"] if corpus["answered"]}
    found = {method["name"]: sorted(here & set(method["made_from"])) for method in run["methods"]}
    return {name: corpora for name, corpora in found.items() if corpora}


@dataclass(frozen=True)
class Causes:
    """What is the matter with the pieces that a method gets wrong, and with those that it gets right.

    Parameters
    ----------
    method : str
    n_wrong, n_right : int
    rows : list of (str, int, int)
        Cause, and how many wrong and right answers go with it; a piece may have several.
    relations : list of (str, list of int)
        First cause, and the wrong answers with it by how the answer stands to the label; failures left out.
    """

    method: str
    n_wrong: int
    n_right: int
    rows: list[tuple[str, int, int]]
    relations: list[tuple[str, list[int]]]


def why_wrong(method: str, answers: Answers, labels: str) -> Causes:
    """Count causes among a method's wrong and right answers; over time, an answer wrong for half the time is wrong."""
    wrong = answers.right(labels) < (1.0 if answers.over_time is None else 0.5)
    doubtful = np.array([LOOK in kinds for kinds in answers.strata], dtype=bool)
    found = causes.piece_causes(doubtful, answers.n_notes, answers.n_pitch_classes, answers.n_keys)
    said = wrong & (answers.predicted >= 0)
    counts = causes.relations_by_cause(found[said], answers.reference()[said], answers.predicted[said])
    return Causes(
        method,
        int(wrong.sum()),
        int((~wrong).sum()),
        [(name, int(found[wrong, i].sum()), int(found[~wrong, i].sum())) for i, name in enumerate(causes.CAUSES)],
        list(zip((*causes.CAUSES, "nothing of these"), counts.tolist(), strict=True)),
    )


def _failures(by_method: dict[str, Answers]) -> list[tuple[str, str, int, list[str]]]:
    """Return (method, reason, number of pieces, the first of them) for every kind of failure, most frequent first."""
    kinds: dict[tuple[str, str], list[str]] = {}
    for name, answers in by_method.items():
        for i in np.flatnonzero(answers.predicted < 0):
            kinds.setdefault((name, str(answers.error[i])), []).append(str(answers.piece[i]))
    rows = [(name, reason, len(pieces), pieces[:3]) for (name, reason), pieces in kinds.items()]
    return sorted(rows, key=lambda row: -row[2])[:_MAX_FAILURES_SHOWN]


def build(out: Path) -> Report:
    """Write ``scores.json``, ``report.md`` and ``index.html`` into a run directory and return what they show.

    Raises
    ------
    RunError
        If the run is unfinished or damaged, or its ``run.json`` lacks something that the pages show.
    """
    try:
        return _build(out)
    except (KeyError, jinja2.UndefinedError) as error:
        raise RunError(f"{out / store.RUN}: incomplete ({error}); run the experiment again") from None


def _build(out: Path) -> Report:
    report = derive(out)
    store.write_json(out / store.SCORES, {"schema": table.SCHEMA, "scores": report.rows}, rows="scores")
    environment = _environment()
    counted = [
        m for m in range(N_MODES) if f"recall_{MODES[m]}" in report.scores[ALL][report.ranking[0]]
    ]  # fmt: skip
    context = {
        **vars(report),
        "experiment": report.run["experiment"],
        "methods": {method["name"]: method for method in report.run["methods"]},
        "all": report.scores[ALL],
        "corpora": [name for name in report.scores if name != ALL],
        "modes": [(MODES[m], mode_in_text(m)) for m in counted],
        "what": WHAT[report.run["experiment"]["labels"]],
        "columns": ranking_columns(report.scores[ALL], report.run["experiment"]["labels"]),
        "all_modes": [mode_in_text(m) for m in range(N_MODES)],
        "away": AWAY,
        "relations": RELATIONS,
        "kinds": KINDS,
        "situations": SITUATIONS,
        "too_short": causes.TOO_SHORT,
        "stated_risk": STATED_RISK,
        "levels": risk.LEVELS,
        "n_bins": calibration.N_BINS,
        "min_pieces": table.MIN_PIECES_PER_MODE,
        "min_stratum": table.MIN_PIECES_PER_STRATUM,
        "min_groups": table.MIN_GROUPS_PER_STRATUM,
        "tolerance": f"{BOUNDARY_TOLERANCE:g}",
        "fits": {condition.fitted_on for condition in report.conditions},
        "figure": reliability_svg(report.reliability),
        "rules_of_thumb": _rules_of_thumb(report),
    }
    for name, template in (("report.md", "report.md.j2"), ("index.html", "index.html.j2")):
        text = environment.get_template(template).render(context)
        write_atomically(out / name, partial(Path.write_text, data=text, encoding="utf-8"))
    return report


def _rules_of_thumb(report: Report) -> list[tuple[str, Estimate]]:
    """How often the first and the last note are home, where the experiment has methods that go by them."""
    found = []
    for use, text in (("opening-note", "the first note is home"), ("last-note", "the last note is home")):
        for method in report.run["methods"]:
            if method["use"] == use:
                found.append((text, report.scores[ALL][method["name"]]["tonic"]))
                break
    return found


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("keybench.report"),
        autoescape=lambda name: bool(name and ".html" in name),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        share=lambda e, digits=3: f"{e.value:.{digits}f}" if e.n else "not measured",
        span=lambda e, digits=3: f"{e.low:.{digits}f} to {e.high:.{digits}f}" if e.n else "",
        share_span=lambda e: f"{e.value:.3f} ({e.low:.3f} to {e.high:.3f})" if e.n else "not measured",
        percent=lambda e: f"{100 * e.value:.1f}" if e.n else "–",
        percent_span=lambda e: f"{100 * e.low:.1f} to {100 * e.high:.1f}" if e.n else "",
        of_100=lambda e: f"{100 * e.value:.0f} of 100",
        thousands=lambda n: f"{n:,}",
        of_100_share=lambda x: "–" if x != x else f"{100 * x:.1f}",
        part=lambda n, of: f"{n / of:.0%}" if of else "–",
        whole_percent=lambda x: f"{x:.0%}" if x >= 0.0005 else "·",
    )
    return environment
