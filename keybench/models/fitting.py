"""Making models from one file that names them all: what each is for, which method, which music.

A model is fitted as the methods of an experiment are, on all pieces instead of those of other folds. `measure`
cross-validates it by exactly that experiment, and a card takes its figures from such a run, never from a person.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from keybench.corpora import Manifest, load, read_manifest
from keybench.corpora.status import origins
from keybench.errors import ExperimentError, ModelError
from keybench.estimators import KeyEstimator
from keybench.key import MODES, NO_MODE
from keybench.models import store
from keybench.models.card import SCORES_KEPT, Card, Measured, Teacher
from keybench.models.terms import terms_of
from keybench.report.build import SPLIT_WORDS
from keybench.resources import shipped
from keybench.runs import store as runs
from keybench.runs.material import Material, Steps, prepare
from keybench.runs.provenance import fingerprint
from keybench.runs.spec import SAME_VIEW, SCHEMA, Experiment, experiment_from
from keybench.scores import table
from keybench.validate import Fields, read_toml
from keybench.views.media import medium

DEFAULT_FILE = shipped("experiments") / "models.toml"
"""What the models that ship are made from."""


@dataclass(frozen=True)
class Recipe:
    """How a model is made.

    Parameters
    ----------
    name, what_for : str
    licence : str
        The maker's own, where no corpus asks for another.
    limits : tuple of str
        What its maker warns of.
    experiment : Experiment
        How it is measured: its corpora, its view, its task and its method, alone.
    """

    name: str
    what_for: str
    licence: str
    limits: tuple[str, ...]
    experiment: Experiment

    @property
    def manifests(self) -> list[Manifest]:
        """The manifests of its corpora."""
        return [read_manifest(name) for name in self.experiment.manifests]


def read_recipes(path: Path, only: Sequence[str] = ()) -> list[Recipe]:
    """Read and check a file of models.

    Parameters
    ----------
    path : Path
    only : sequence of str
        Names of the models wanted; all by default.

    Raises
    ------
    ModelError
        If a field is missing, unknown or not accepted, a corpus may not teach, or there is no model of a wanted name.
    """
    top = Fields(read_toml(path, ModelError), str(path), ModelError)
    top.take("schema", int, accepted=[1])
    licence = top.take("licence", str)
    items = top.take("models", list)
    top.finish()
    recipes: list[Recipe] = []
    for item in items:
        if not isinstance(item, dict):
            raise top.fail(f"field 'models' holds {item!r}; accepted: tables [[models]]")
        recipes.append(_recipe(item, path, licence))
    known = [recipe.name for recipe in recipes]
    if not known:
        raise top.fail("field 'models' is empty; accepted: at least one table [[models]]")
    for name in known:
        if known.count(name) > 1:
            raise top.fail(f"two models are named {name!r}; accepted: each name once")
    for name in only:
        if name not in known:
            raise top.fail(f"there is no model {name!r}; accepted: {', '.join(known)}")
    wanted = [recipe for recipe in recipes if recipe.name in only or not only]
    for recipe in wanted:
        try:
            terms_of(recipe.manifests, licence)
        except ModelError as error:
            raise top.fail(f"model {recipe.name!r}: {error}") from None
    return wanted


def _recipe(item: dict[str, Any], path: Path, licence: str) -> Recipe:
    fields = Fields(item, f"{path} [models]", ModelError)
    name, what_for = fields.take("name", str), fields.take("what_for", str)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", name):
        raise fields.fail(f"field 'name' is {name!r}; accepted: small letters, digits and hyphens")
    if not what_for.strip():
        raise fields.fail("field 'what_for' is empty; accepted: a text")
    fields.where = f"{path} [models] {name}"
    asked: dict[str, Any] = {
        "schema": SCHEMA,
        "name": name,
        "question": f"How right is the model {name}?",
        "corpora": fields.take("corpora", list),
        "task": fields.take("task", str, "key"),
        "view": fields.take("view", str, "whole"),
        "view_seed": fields.take("seed", int, 0),
        "labels": fields.take("labels", str, "modes"),
        "estimators": [{"name": name, "use": fields.take("use", str), "params": fields.take("params", dict, {})}],
        "split": {"folds": fields.take("folds", int, 5)},
    }
    limits = fields.take("limits", list, [])
    if not all(isinstance(limit, str) for limit in limits):
        raise fields.fail("field 'limits' holds something else than texts; accepted: texts")
    fields.finish()
    try:
        experiment = experiment_from(asked, path, where=fields.where)
    except ExperimentError as error:
        raise ModelError(str(error)) from None
    return Recipe(name, what_for, licence, tuple(limits), experiment)


def fit(recipe: Recipe, material: Material) -> tuple[KeyEstimator, Card]:
    """Fit a model on all pieces of its corpora.

    Parameters
    ----------
    recipe : Recipe
    material : Material
        What `keybench.runs.material.prepare` makes of its experiment.

    Returns
    -------
    model : KeyEstimator
    card : Card
        Without scores.

    Raises
    ------
    KeybenchError
        If a corpus may not teach, or the method cannot learn from it.
    """
    experiment, manifests = recipe.experiment, recipe.manifests
    terms = terms_of(manifests, recipe.licence)
    (spec,), (view,) = experiment.estimators, experiment.views
    model, heard = spec.make(), material.heard[view]
    music: Any = heard.music
    with threadpool_limits(limits=1):
        if experiment.task == "key":
            model.fit(music, material.truth[view], groups=material.groups)
        else:
            model.fit_sections(music, material.corpus.spans.transpose(heard.shift), groups=material.groups)
    file = Path(experiment.path)
    usual = file.resolve() == DEFAULT_FILE.resolve()
    card = Card(
        name=recipe.name,
        what_for=recipe.what_for,
        task=experiment.task,
        labels=experiment.labels,
        modes=_modes(model, experiment, material),
        hears=(medium(view),),
        view=view,
        seed=experiment.view_seed,
        trained_on=tuple(
            _teacher(manifest, name, material) for manifest, name in zip(manifests, experiment.manifests, strict=True)
        ),
        licence=terms.licence,
        share_alike=terms.share_alike,
        commercial_use=terms.commercial_use,
        limits=recipe.limits,
        reproduce=f"keybench models fit {'' if usual else file.name + ' '}--only {recipe.name} --out DIR",
    )
    return model, card


def _teacher(manifest: Manifest, name: str, material: Material) -> Teacher:
    corpus = load(name, audited=False)  # from the cache: for its own hashes, which pooling joins
    return Teacher(
        id=manifest.id,
        revision=manifest.revision,
        title=manifest.title,
        pieces=int((material.corpus.corpus == manifest.id).sum()),
        missing_files=material.missing[manifest.id],
        headline=manifest.headline,
        licence=manifest.licence,
        licence_note=manifest.licence_note,
        derived_use=manifest.derived_use,
        commercial_use=manifest.commercial_use,
        citation=manifest.citation,
        origin="; ".join(origin.state for origin in origins(manifest)),
        content=corpus.content_hash,
        manifest=corpus.manifest_hash,
    )


def _modes(model: KeyEstimator, experiment: Experiment, material: Material) -> dict[str, int]:
    """Return the modes that a model can tell: taught by pieces enough, and named by the method and its labels."""
    if experiment.labels == "tonic":
        return {}
    written = material.corpus.mode if experiment.task == "key" else material.corpus.spans.mode
    counts = np.bincount(written[written != NO_MODE], minlength=len(MODES))
    narrow = {"major": MODES[:1], "major-minor": ("major", "minor"), "modes": MODES}
    named = set(narrow[model.tags.names]) & set(narrow[experiment.labels])
    return {
        mode: int(n) for mode, n in zip(MODES, counts, strict=True) if mode in named and n >= table.MIN_PIECES_PER_MODE
    }


def make(
    recipes: Sequence[Recipe],
    out: Path,
    scores: Sequence[Path] = (),
    n_jobs: int = 1,
    say: Callable[[str], None] = lambda text: None,
) -> list[store.Stored]:
    """Fit models and save them with their cards.

    Parameters
    ----------
    recipes : sequence of Recipe
    out : Path
        Folder for the files.
    scores : sequence of Path
        Run directories, or folders of run directories, to take figures from.
    n_jobs : int
        Processes to read with.
    say : callable
        Told what is going on.

    Returns
    -------
    list of Stored

    Raises
    ------
    KeybenchError
        Also if a run directory measured none of the models.
    """
    if out.exists() and not out.is_dir():
        raise ModelError(f"{out}: is a file; accepted: a folder for the models")
    measured = read_scores(recipes, scores)
    made = []
    for recipe in recipes:
        say(f"fitting {recipe.name}")
        material = prepare(recipe.experiment, None, n_jobs, Steps())
        figures: tuple[Measured, ...] = ()
        for run, rows in measured[recipe.name]:
            _check_same_music(recipe, run, material, say)
            figures += rows
        model, card = fit(recipe, material)
        (spec,) = recipe.experiment.estimators
        path = store.save(model, out / recipe.name, replace(card, scores=figures), use=spec.use)
        made.append(store.read(path))
    return made


def measure(
    recipe: Recipe, out: Path, n_jobs: int = 1, resume: bool = False, command: str = ""
) -> tuple[Path, tuple[Measured, ...]]:
    """Cross-validate a model by its experiment.

    Returns
    -------
    directory : Path
        Of the run, `out`/NAME, with its report.
    figures : tuple of Measured
    """
    from keybench.report.build import build
    from keybench.runs.runner import run

    directory = out / recipe.name
    run(recipe.experiment, directory, n_jobs, None, resume, command)
    build(directory)
    return directory, read_scores([recipe], [directory])[recipe.name][0][1]


def _check_same_music(recipe: Recipe, run: dict[str, Any], material: Material, say: Callable[[str], None]) -> None:
    """Complain of a run on other files than the model learns from, and tell of one by other code."""
    if (
        run["experiment"]["corpora"] == list(recipe.experiment.corpora)
        and run["content"] != material.corpus.content_hash
    ):
        raise ModelError(f"run {run['run']} measured {recipe.name!r} on other files than it learns from now; accepted: "
                         "a run on the same files")  # fmt: skip
    own = json.loads(json.dumps(recipe.experiment.as_dict())) == run["experiment"]
    if own and run["fingerprint"] != fingerprint(recipe.experiment, material):
        say(f"run {run['run']} measured {recipe.name} with other code; if its method changed since, measure it again")


def read_scores(
    recipes: Sequence[Recipe], places: Sequence[Path]
) -> dict[str, list[tuple[dict[str, Any], tuple[Measured, ...]]]]:
    """Collect the runs that measured models, by name of the model, and the figures in each.

    Raises
    ------
    ModelError
        If a place holds no run, or a run that is named itself measured none of the models.
    RunError
        If a run is unfinished or damaged.
    """
    found: dict[str, list[tuple[dict[str, Any], tuple[Measured, ...]]]] = {recipe.name: [] for recipe in recipes}
    for place in places:
        alone = (place / runs.RUN).is_file()
        directories = [place] if alone else sorted(path.parent for path in place.glob(f"*/{runs.RUN}"))
        if not directories:
            raise ModelError(f"{place}: holds no run; accepted: what keybench run or keybench models measure wrote")
        for directory in directories:
            run, used = runs.read_run(directory), False
            for recipe in recipes:
                if method := _measured_as(recipe, run):
                    found[recipe.name].append((run, _figures(recipe, run, method, directory)))
                    used = True
            if alone and not used:
                raise ModelError(
                    f"{directory}: measured none of the models {', '.join(found)}; accepted: a whole run, in folds by "
                    "group, of the same corpora, view, task, labels, method and parameters"
                )
    return found


def _measured_as(recipe: Recipe, run: dict[str, Any]) -> str:
    """Return what a run calls the method of a model, or nothing where it measured another thing."""
    asked, said = recipe.experiment, run["experiment"]
    (spec,), (view,) = asked.estimators, asked.views
    taught = {c["id"]: c["revision"] for c in run["corpora"] if c["headline"]}
    taught = taught or {c["id"]: c["revision"] for c in run["corpora"]}
    same = (
        run.get("state") == "finished"
        and run.get("limit") is None
        and said["split_by"] == "group"
        and not said.get("also")
        and (said["task"], said["labels"], said["view_seed"]) == (asked.task, asked.labels, asked.view_seed)
        and view in said["views"]
        and said["fit_view"] in (SAME_VIEW, view)
        and {manifest.id: manifest.revision for manifest in recipe.manifests} == taught
    )
    params = json.loads(json.dumps(dict(spec.make().get_params()), default=str))
    methods = [m["name"] for m in run["methods"] if m["use"] == spec.use and m["params"] == params]
    return methods[0] if same and methods else ""


def _figures(recipe: Recipe, run: dict[str, Any], method: str, directory: Path) -> tuple[Measured, ...]:
    path = directory / runs.SCORES
    try:
        scores = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ModelError(f"{path}: cannot be read ({error}); make it with: keybench report {directory}") from None
    if not isinstance(scores, dict) or scores.get("schema") != table.SCHEMA:
        raise ModelError(f"{path}: not of schema {table.SCHEMA}; make it again with: keybench report {directory}")
    (view,) = recipe.experiment.views
    said = run["experiment"]
    return tuple(
        Measured(
            experiment=said["name"],
            run=run["run"],
            split=SPLIT_WORDS[said["split_by"]].format(**said),
            corpus=row["corpus"],
            view=view,
            metric=row["metric"],
            value=row["value"],
            low=row["low"],
            high=row["high"],
            n=row["n"],
        )
        for row in scores["scores"]
        if (row["estimator"], row["view"], row["stratum"]) == (method, view, table.ALL)
        and (row["metric"] in SCORES_KEPT or row["metric"].startswith("recall_"))
        and row["n"]
        and None not in (row["value"], row["low"], row["high"])
    )
