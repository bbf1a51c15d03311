"""``keybench run --costs``: what is measured, where it is kept, and what is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from keybench import costs
from keybench.cli import main
from keybench.errors import RunError
from keybench.resources import shipped
from keybench.runs import store


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("costs")
    experiment = folder / "few.toml"
    experiment.write_text(
        """
schema = 1
name = "few"
question = "What do these cost?"
corpora = ["own.toml"]
view = "whole"
labels = "modes"
estimators = ["last-note", "logistic"]
[split]
folds = 3
seed = 0
"""
    )
    demo = shipped("experiments") / "demo"
    for name in ("lantern-bay.abc", "lantern-bay.toml"):
        (folder / name.replace("lantern-bay.toml", "own.toml")).write_bytes((demo / name).read_bytes())
    done = CliRunner().invoke(main, ["run", str(experiment), "--out", str(folder / "run"), "--costs", "--quiet"])
    assert done.exit_code == 0, done.output
    return folder / "run"


def test_every_method_has_every_figure(out: Path) -> None:
    found = costs.read(out)
    assert list(found) == ["last-note", "logistic"]
    for cost in found.values():
        assert cost.remark == ""
        assert 0 < cost.first_answer_seconds < costs.START_LIMIT
        assert cost.ms_batch > 0
        assert cost.ms_single > 0
        assert cost.n_taught > cost.n_asked > 0
        assert {"numpy", "scikit-learn"} <= set(cost.needs)


def test_a_method_that_learns_weighs_more_and_learns_longer(out: Path) -> None:
    found = costs.read(out)
    assert found["logistic"].model_bytes > found["last-note"].model_bytes > 0
    assert found["logistic"].fit_seconds > found["last-note"].fit_seconds
    assert found["logistic"].peak_mb > found["last-note"].peak_mb


def test_of_a_run_without_costs_nothing_is_known(tmp_path: Path) -> None:
    assert costs.read(tmp_path) == {}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda whole: whole | {"run": "another"}, "not of this one"),
        (lambda whole: whole | {"schema": 99}, "schema 99"),
        (lambda whole: {"schema": costs.SCHEMA}, "cannot be read"),
        (lambda whole: whole | {"costs": {"a": {"x": 1}}}, "cannot be read"),
    ],
)
def test_damaged_costs_are_named(out: Path, tmp_path: Path, change, words) -> None:  # type: ignore[no-untyped-def]
    (tmp_path / "run.json").write_bytes((out / "run.json").read_bytes())
    whole = json.loads((out / store.COSTS).read_text())
    (tmp_path / store.COSTS).write_text(json.dumps(change(whole)))
    with pytest.raises(RunError, match=words):
        costs.read(tmp_path)


def test_what_could_not_be_measured_is_unknown_and_never_zero(out: Path, tmp_path: Path) -> None:
    (tmp_path / "run.json").write_bytes((out / "run.json").read_bytes())
    whole = json.loads((out / store.COSTS).read_text())
    whole["costs"]["logistic"]["peak_mb"] = None
    (tmp_path / store.COSTS).write_text(json.dumps(whole))
    assert math.isnan(costs.read(tmp_path)["logistic"].peak_mb)
