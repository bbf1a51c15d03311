"""What each method of a run costs: time to learn, to start and to answer, memory, and size. Measured, never estimated.

Each method is fitted once more, on the first fold of its run, and asked as a practice tool would ask it: about many
pieces at once, about one piece at a time, and in a new process that first has to import and load it. What is measured
is stored beside the predictions, in ``costs.json``; reports join it by method.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from keybench.errors import KeybenchError, RunError
from keybench.estimators.base import KeyEstimator
from keybench.estimators.channels import medium_of
from keybench.models import store as models
from keybench.runs import provenance, store
from keybench.runs.material import Material, Steps, prepare
from keybench.runs.runner import teach
from keybench.runs.spec import SAME_VIEW, EstimatorSpec, Experiment

SCHEMA = 1
UNKNOWN = float("nan")
SINGLE_PIECES = 25
"""Pieces asked about one at a time; the median is kept, so that the first, which warms up, does not count."""
START_LIMIT = 120.0
"""Seconds after which a new process that has not answered is given up."""


@dataclass(frozen=True)
class Costs:
    """What one method costs; NaN, or nothing, where it could not be measured.

    Parameters
    ----------
    fit_seconds : float
        Processor time to learn from the training pieces of one fold.
    n_taught : int
        Those pieces.
    ms_batch, ms_single : float
        Processor time per piece, in milliseconds, asked about all test pieces at once, and about one at a time.
    n_asked : int
        Pieces asked about at once.
    peak_mb : float
        Most memory taken beyond what was held before, in millions of bytes, while answering all at once.
    model_bytes : int
        Size of the saved model; 0 if it cannot be saved.
    first_answer_seconds : float
        From the start of a new process to its first answer: import, load, answer.
    needs : tuple of str
        Distributions that this process had imported by then.
    remark : str
        What could not be measured, and why.
    """

    fit_seconds: float
    n_taught: int
    ms_batch: float
    ms_single: float
    n_asked: int
    peak_mb: float
    model_bytes: int
    first_answer_seconds: float
    needs: tuple[str, ...]
    remark: str = ""


def measure(
    spec: EstimatorSpec, experiment: Experiment, material: Material, distributions: Mapping[str, list[str]]
) -> Costs:
    """Fit a method on the first fold of an experiment and measure what it costs.

    Parameters
    ----------
    spec : EstimatorSpec
    experiment : Experiment
    material : Material
        Of the experiment.
    distributions : dict
        Names of distributions by top-level module, as from `importlib.metadata.packages_distributions`.
    """
    split = material.splits[0]
    view = experiment.views[0]
    fit_view = view if experiment.fit_view == SAME_VIEW else experiment.fit_view
    model = spec.make()
    music = material.heard[view].music[split.test].detach()
    try:
        began = time.process_time()
        teach(model, experiment, material, split, fit_view)
        fit_seconds = time.process_time() - began
        ask = model.segment if experiment.task == "sections" else model.predict_log_proba
        batch, peak = _time(ask, music), _peak(ask, music)
        few = np.linspace(0, len(music) - 1, min(SINGLE_PIECES, len(music))).astype(int)
        single = float(np.median([_time(ask, music[int(i)].detach()) for i in few]))
    except (Exception, SystemExit) as error:  # whatever a method throws costs it its own figures
        said = f"{type(error).__name__}: {error}"
        return Costs(UNKNOWN, len(split.train), UNKNOWN, UNKNOWN, 0, UNKNOWN, 0, UNKNOWN, (), " ".join(said.split()))
    size, started, needs, remark = _start(model, spec.use, medium_of(music), distributions)
    return Costs(
        round(fit_seconds, 4), len(split.train), 1000 * batch / max(len(music), 1), 1000 * single, len(music),
        peak / 1e6, size, started, needs, remark,
    )  # fmt: skip


def _time(ask: Callable[[Any], Any], music: Any) -> float:
    began = time.process_time()
    ask(music)
    return time.process_time() - began


def _peak(ask: Callable[[Any], Any], music: Any) -> float:
    """Return the bytes taken at most while answering; a second answer, since tracing slows down."""
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        ask(music.detach())
        return tracemalloc.get_traced_memory()[1] - before
    finally:
        tracemalloc.stop()


_CHILD = """
import json, sys
from keybench import models
from keybench.models import selfcheck
models.load(sys.argv[1]).predict_log_proba(selfcheck.pieces(sys.argv[2]))
print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def _start(
    model: KeyEstimator, use: str, medium: str, distributions: Mapping[str, list[str]]
) -> tuple[int, float, tuple[str, ...], str]:
    """Save the model and time a new process that loads it and answers for three small pieces."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            path = models.save(model, Path(folder) / "model.json", {"name": "model", "what_for": "costs"}, use)
        except KeybenchError as error:
            return 0, UNKNOWN, (), f"cannot be saved: {error}"
        size = models.read(path).size
        began = time.perf_counter()
        try:
            child = subprocess.run(
                [sys.executable, "-c", _CHILD, str(path), medium],
                capture_output=True, text=True, timeout=START_LIMIT, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return size, UNKNOWN, (), f"a new process gave no answer within {START_LIMIT:g} s"
        took = time.perf_counter() - began
    if child.returncode:
        return size, UNKNOWN, (), f"a new process failed: {(child.stderr.strip().splitlines() or ['no message'])[-1]}"
    loaded = json.loads(child.stdout)
    needs = sorted({name for module in loaded for name in distributions.get(module, ()) if name != "keybench"})
    return size, took, tuple(needs), ""


@threadpool_limits.wrap(limits=1)  # one core, as the times of a run are measured
def measure_run(experiment: Experiment, out: Path, limit: int | None = None, steps: Steps | None = None) -> None:
    """Measure the costs of every method of a finished run and store them in its directory.

    Parameters
    ----------
    experiment : Experiment
    out : Path
        Directory of its run.
    limit : int, optional
        As the run was limited.
    steps : Steps, optional
        Progress display.

    Raises
    ------
    RunError
        If the directory holds another run, or an unfinished one.
    """
    steps = steps or Steps()
    run = store.read_run(out)
    material = prepare(experiment, limit, 1, steps)
    if run["state"] != "finished" or run["fingerprint"] != provenance.fingerprint(experiment, material):
        raise RunError(f"{out}: holds no finished run of this experiment, data and code; accepted: one")
    distributions = packages_distributions()
    steps.begin("costs", len(experiment.estimators))
    found = {}
    for spec in experiment.estimators:
        found[spec.name] = asdict(measure(spec, experiment, material, distributions))
        steps.move(1)
    store.write_json(out / store.COSTS, {"schema": SCHEMA, "run": run["run"], "costs": found})


def read(out: Path) -> dict[str, Costs]:
    """Return what was measured for a run, by method; empty if nothing was.

    Raises
    ------
    RunError
        If the file is damaged, of another schema, or of another run.
    """
    path = out / store.COSTS
    if not path.exists():
        return {}
    again = "remove it, or measure again with: keybench run --resume --costs"
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        if whole["schema"] != SCHEMA:
            raise RunError(f"{path}: schema {whole['schema']!r}; accepted: {SCHEMA}; {again}")
        if whole["run"] != store.read_run(out)["run"]:
            raise RunError(f"{path}: of run {whole['run']}, not of this one; {again}")
        return {name: _costs(table) for name, table in whole["costs"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise RunError(f"{path}: cannot be read ({error!r}); {again}") from None


def _costs(table: dict[str, Any]) -> Costs:
    numbers = {field.name for field in fields(Costs) if field.type == "float"}
    known: dict[str, Any] = {
        name: UNKNOWN if name in numbers and value is None else value for name, value in table.items()
    }
    return Costs(**known | {"needs": tuple(known["needs"])})
