"""Experiment files: a question, the corpora and methods to answer it with, and what a practice tool needs."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from keybench import estimators
from keybench.corpora.manifest import read_manifest
from keybench.errors import EstimatorError, ExperimentError, ManifestError
from keybench.key import LABEL_SPACES, MODES
from keybench.resources import shipped
from keybench.validate import Fields, read_toml
from keybench.views.media import medium

SCHEMA = 1
SPLITS = ("group", "corpus", "corpus pairs")
TASKS = ("key", "sections")
SAME_VIEW = "same"
"""Value of ``fit_view`` for methods that learn from pieces as they are tested on them."""


@dataclass(frozen=True)
class EstimatorSpec:
    """A method in an experiment: its name there, the registered method it uses, and parameters that differ."""

    name: str
    use: str
    params: dict[str, Any] = field(default_factory=dict)

    def make(self) -> estimators.KeyEstimator:
        """Build a new, unfitted estimator."""
        return estimators.make(self.use, **self.params)


@dataclass(frozen=True)
class Needs:
    """What a practice tool needs; the recommendation is judged against it. Zero states no need.

    Parameters
    ----------
    modes : tuple of str
        Modes that it must be able to tell.
    min_mode_recall : float
        Smallest mean share of those modes' pieces named right.
    min_exact : float
        Smallest share of all pieces named right.
    max_ms_per_piece : float
        Largest processor time per piece, in milliseconds.
    """

    modes: tuple[str, ...] = ("major", "minor")
    min_mode_recall: float = 0.0
    min_exact: float = 0.0
    max_ms_per_piece: float = 0.0


@dataclass(frozen=True)
class Aim:
    """A figure that somebody set out to reach; the report says how near the best method comes.

    Parameters
    ----------
    measure : str
        Name of a measure in ``scores.json``.
    value : float
        The least that will do or, of an error, the most.
    corpus, view : str
        Of which pieces (``all``: all that are pooled) and in which view (the first by default).
    given : dict of str to float
        Measures that the same method must reach besides.
    of : tuple of str
        Methods that must all reach it; one of any is enough by default.
    idea : str
        What to try next, shown where the aim is not reached.
    """

    measure: str
    value: float
    corpus: str = "all"
    view: str = ""
    given: dict[str, float] = field(default_factory=dict)
    of: tuple[str, ...] = ()
    idea: str = ""


@dataclass(frozen=True)
class Experiment:
    """One experiment, as its file states it.

    Methods learn from the corpora in `also` too, and do not answer for them. `split_by` is ``group`` (cross-validation
    in `folds` folds), ``corpus`` (each corpus by methods fitted on the others) or ``corpus pairs`` (each corpus by
    methods fitted on each one of the others). Methods are tested in each of `views` and learn from `fit_view`. The
    `task` is to name one key per piece, or its sections.
    """

    name: str
    question: str
    task: str
    corpora: tuple[str, ...]
    views: tuple[str, ...]
    fit_view: str
    view_seed: int
    labels: str
    split_by: str
    folds: int
    seed: int
    resamples: int
    estimators: tuple[EstimatorSpec, ...]
    needs: Needs
    also: tuple[str, ...]
    aims: tuple[Aim, ...]
    path: str

    @property
    def manifests(self) -> tuple[str, ...]:
        """What `read_manifest` takes for each corpus: a shipped name, or the path of a file beside the experiment."""
        return tuple(_manifest(Path(self.path), corpus) for corpus in self.corpora)

    @property
    def also_manifests(self) -> tuple[str, ...]:
        """As `manifests`, of the corpora that are only learnt from."""
        return tuple(_manifest(Path(self.path), corpus) for corpus in self.also)

    def as_dict(self) -> dict[str, Any]:
        """Return everything that decides the result (not where the file stands)."""
        table = asdict(self)
        del table["path"]
        return table


def experiment_path(text: str) -> Path:
    """Return the file that a command-line argument means: a path, or the name of a shipped experiment."""
    path = Path(text)
    if path.is_file():
        return path
    named = shipped("experiments") / (path.name if path.suffix == ".toml" else f"{path.name}.toml")
    if named.exists():
        return named
    known = ", ".join(sorted(p.stem for p in shipped("experiments").glob("*.toml")))
    raise ExperimentError(f"{text}: no such experiment file; accepted: a path, or one of {known}")


def read_experiment(path: Path, own: Sequence[str] = ()) -> Experiment:
    """Read and check an experiment file.

    Parameters
    ----------
    path : Path
    own : sequence of str
        Paths of manifests whose music takes the place of the experiment's.

    Raises
    ------
    ExperimentError
        If a field is missing, unknown or not accepted, or names a corpus, view or method that does not exist.
    """
    return experiment_from(read_toml(path, ExperimentError), path, own)


def experiment_from(table: dict[str, Any], path: Path, own: Sequence[str] = (), where: str = "") -> Experiment:
    """Check the content of an experiment file, as `read_experiment` does; `where` is what its complaints start with."""
    top = Fields(table, where or str(path), ExperimentError)
    top.take("schema", int, accepted=[SCHEMA])
    name = top.take("name", str)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", name):
        raise top.fail(f"field 'name' is {name!r}; accepted: small letters, digits and hyphens")
    question = top.take("question", str)
    corpora = tuple(map(str, _unique(top, "corpora", top.take("corpora", list))))
    also = _also(top, path, corpora)
    if own:
        for name_of_file in own:
            read_manifest(name_of_file)  # complains in its own name, not the experiment's
        corpora = tuple(str(Path(name_of_file).resolve()) for name_of_file in own)
    ids = []
    for corpus in corpora:
        try:
            ids.append(read_manifest(_manifest(path, corpus)).id)
        except ManifestError as error:
            raise top.fail(f"field 'corpora': {error}") from None
    _unique(top, "corpora", ids)
    task = top.take("task", str, "key", accepted=TASKS)
    views, fit_view, view_seed = _views(top)
    labels = top.take("labels", str, "modes", accepted=LABEL_SPACES)
    split = top.table("split", {})
    split_by = split.take("by", str, "group", accepted=SPLITS)
    folds, seed = split.take("folds", int, 5), split.take("seed", int, 0)
    if seed < 0:
        raise split.fail(f"field 'seed' is {seed}; accepted: 0 or more")
    if folds < 2:
        raise split.fail(f"field 'folds' is {folds}; accepted: 2 or more")
    bootstrap = top.table("bootstrap", {})
    resamples = bootstrap.take("resamples", int, 1000)
    if resamples < 100:
        raise bootstrap.fail(f"field 'resamples' is {resamples}; accepted: 100 or more")
    specs = tuple(_estimator(top, item) for item in top.take("estimators", list))
    for spec in specs:
        _check_fits(top, spec, (*views, fit_view))
    _unique(top, "estimators", [spec.name for spec in specs])
    needs = _needs(top.table("needs", {}))
    aims = tuple(_aim(top, item, views, {spec.name for spec in specs}) for item in top.take("aims", list, []))
    for fields in (split, bootstrap, top):
        fields.finish()
    return Experiment(
        name, question, task, corpora, views, fit_view, view_seed, labels, split_by, folds, seed, resamples, specs,
        needs, also, aims, str(path),
    )  # fmt: skip


def _also(top: Fields, path: Path, corpora: tuple[str, ...]) -> tuple[str, ...]:
    """Return the corpora that are only learnt from."""
    fit = top.table("fit", {})
    also = tuple(map(str, fit.take("also", list, [])))
    fit.finish()
    for corpus in also:
        if corpus in corpora or also.count(corpus) > 1:
            raise fit.fail(f"field 'also' names {corpus!r}, which is there already; accepted: each corpus once")
        try:
            manifest = read_manifest(_manifest(path, corpus))
        except ManifestError as error:
            raise fit.fail(f"field 'also': {error}") from None
        if not manifest.headline:
            raise fit.fail(f"field 'also' names {corpus!r}, whose truth is secondary and teaches nothing; "
                           "accepted: corpora with headline = true")  # fmt: skip
    return also


def _aim(top: Fields, item: Any, views: tuple[str, ...], methods: set[str]) -> Aim:
    if not isinstance(item, dict):
        raise top.fail(f"field 'aims' holds {item!r}; accepted: tables with measure and value")
    fields = Fields(item, f"{top.where} [aims]", ExperimentError)
    measure, value = fields.take("measure", str), fields.take("value", float)
    corpus, view = fields.take("corpus", str, "all"), fields.take("view", str, views[0], accepted=views)
    given = fields.take("given", dict, {})
    of = tuple(fields.take("of", list, [], accepted=sorted(methods)))
    aim = Aim(measure, value, corpus, view, given, of, fields.take("idea", str, ""))
    fields.finish()
    for name, least in given.items():
        if not isinstance(least, int | float) or isinstance(least, bool):
            raise fields.fail(f"field 'given' asks for {name} = {least!r}; accepted: a number")
    return aim


def _views(top: Fields) -> tuple[tuple[str, ...], str, int]:
    """Return the views to test in, the view to learn from and the seed of views that draw at random."""
    if top.peek("views", None) is not None and top.peek("view", None) is not None:
        raise top.fail("fields 'view' and 'views' are both given; accepted: one of them")
    views = top.take("views", list, None) or [top.take("view", str, "whole")]
    fit_view, seed = top.take("fit_view", str, SAME_VIEW), top.take("view_seed", int, 0)
    if seed < 0:
        raise top.fail(f"field 'view_seed' is {seed}; accepted: 0 or more")
    _unique(top, "views", views)
    for name in (*views, fit_view):
        try:
            if name != SAME_VIEW:
                medium(str(name))  # a name that is no text is an unknown one
        except ExperimentError as error:
            raise top.fail(f"field 'view': {error}") from None
    return tuple(views), fit_view, seed


def _check_fits(top: Fields, spec: EstimatorSpec, views: tuple[str, ...]) -> None:
    """Complain of a method that cannot take what a view shows."""
    tags = spec.make().tags
    media = sorted({medium(name) for name in views if name != SAME_VIEW})
    if len(media) > 1:
        raise top.fail(
            "fields 'views' and 'fit_view' show different media; accepted: notes, chroma or both in an experiment"
        )
    for kind in media:
        if not tags.hears(kind):
            raise top.fail(f"field 'estimators': {spec.name!r} takes {tags.takes}, and a view shows {kind}; "
                           "accepted: methods that take what the views show")  # fmt: skip


def _manifest(experiment: Path, corpus: str) -> str:
    return str(experiment.parent / corpus) if corpus.endswith(".toml") else corpus


def _unique(fields: Fields, name: str, values: list[Any]) -> list[Any]:
    if not values:
        raise fields.fail(f"field {name!r} is empty; accepted: at least one entry")
    for value in values:
        if values.count(value) > 1:
            raise fields.fail(f"field {name!r} names {value!r} twice; accepted: each once")
    return values


def _estimator(top: Fields, item: Any) -> EstimatorSpec:
    if isinstance(item, str):
        spec = EstimatorSpec(item, item)
    elif isinstance(item, dict):
        fields = Fields(item, f"{top.where} [estimators]", ExperimentError)
        name = fields.take("name", str)
        spec = EstimatorSpec(name, fields.take("use", str, name), fields.take("params", dict, {}))
        fields.finish()
    else:
        raise top.fail(f"field 'estimators' holds {item!r}; accepted: names, or tables with name, use, params")
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 ._+-]{0,79}", spec.name):
        raise top.fail(f"field 'estimators' names {spec.name!r}; accepted: letters, digits, spaces and . _ + -")
    try:
        spec.make().check_parameters()
    except EstimatorError as error:
        raise top.fail(f"field 'estimators': {error}") from None
    except (TypeError, ValueError, AttributeError) as error:  # a parameter of another type than the method compares
        raise top.fail(f"field 'estimators': {spec.name!r} cannot take these parameters ({error}); "
                       f"accepted: values like the usual ones of {spec.use!r}") from None  # fmt: skip
    return spec


def _needs(fields: Fields) -> Needs:
    usual = Needs()
    needs = Needs(
        modes=tuple(fields.take("modes", list, list(usual.modes), accepted=MODES)),
        min_mode_recall=fields.take("min_mode_recall", float, usual.min_mode_recall),
        min_exact=fields.take("min_exact", float, usual.min_exact),
        max_ms_per_piece=fields.take("max_ms_per_piece", float, usual.max_ms_per_piece),
    )
    fields.finish()
    if not needs.modes:
        raise fields.fail("field 'modes' is empty; accepted: at least one mode")
    for name, largest in (("min_mode_recall", 1.0), ("min_exact", 1.0), ("max_ms_per_piece", float("inf"))):
        value = getattr(needs, name)
        if not 0.0 <= value <= largest:
            raise fields.fail(f"field {name!r} is {value:g}; accepted: from 0 to {largest:g}")
    return needs
