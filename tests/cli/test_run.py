"""The main job end to end, on two dozen tunes of our own."""

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from keybench.key import N_KEYS, parse_key, parse_keys
from keybench.resources import shipped
from keybench.runs import store

FILES = ("predictions.parquet", "scores.json", "run.json", "report.md", "index.html")


def scores_of(out):
    return json.loads((out / "scores.json").read_text(encoding="utf-8"))


def test_the_demo_leaves_every_file_and_prints_a_ranking(keybench, tmp_path):
    out = tmp_path / "run"
    result = keybench("run", "demo", "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    assert "demo: 24 pieces" in result.stdout
    assert "95 % interval" in result.stdout
    assert "Ship " in result.stdout or "No method here" in result.stdout
    for name in FILES:
        assert (out / name).stat().st_size > 0, name
    assert not (out / store.PARTS).exists()

    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    assert list(rows.columns) == list(store.COLUMNS)
    assert len(rows) == 24 * 8
    assert rows.groupby("estimator")["piece"].nunique().eq(24).all()
    assert rows.groupby(["estimator", "group"])["fold"].nunique().max() == 1  # no group in two folds
    assert (rows["error"] == "").all()
    for row in rows.itertuples():
        log_proba = np.asarray(row.log_proba, dtype=float)
        assert log_proba.shape == (N_KEYS,)
        assert abs(np.exp(log_proba).sum() - 1) < 1e-3
        assert parse_key(row.predicted).index == int(log_proba.argmax())
        assert parse_key(row.label) in parse_keys(row.truth)

    run = json.loads((out / "run.json").read_text())
    assert run["state"] == "finished"
    assert run["corpora"][0]["id"] == "lantern-bay"
    assert run["command"]
    assert set(run["packages"]) >= {"numpy", "scikit-learn", "symusic"}


def test_scores_json_has_the_promised_shape_and_follows_from_the_predictions(keybench, tmp_path):
    out = tmp_path / "run"
    assert keybench("run", "demo", "--out", out, "--quiet").exit_code == 0
    scores = scores_of(out)
    assert scores["schema"] == 3
    assert scores["scores"]
    expected = {
        "experiment", "corpus", "stratum", "headline", "view", "fitted_on", "labels", "estimator", "metric",
        "value", "low", "high", "n",
    }  # fmt: skip
    assert all(set(row) == expected for row in scores["scores"])
    metrics = {row["metric"] for row in scores["scores"]}
    assert metrics >= {
        "exact", "tonic", "mode_given_tonic", "recall_major", "recall_dorian", "mean_mode_recall", "mir_eval_weighted",
        "weighted_both_fifths", "log_loss", "calibration_error", "ms_per_piece", "failures",
    }  # fmt: skip
    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    checked = 0
    for row in scores["scores"]:
        if row["metric"] == "exact" and row["corpus"] == "all":
            mine = rows[rows["estimator"] == row["estimator"]]
            right = [p in t.split(" or ") for p, t in zip(mine["predicted"], mine["truth"], strict=True)]
            assert row["value"] == pytest.approx(np.mean(right))
            assert row["n"] == len(mine)
            assert row["low"] <= row["value"] <= row["high"]
            checked += 1
    assert checked == 8


def test_the_page_is_self_contained_and_agrees_with_the_scores(keybench, tmp_path):
    out = tmp_path / "run"
    assert keybench("run", "demo", "--out", out, "--quiet").exit_code == 0
    page = (out / "index.html").read_text(encoding="utf-8")
    for address in ("http://", "https://", "src=", "@import", "url(h", "url('"):
        assert address not in page.replace('xmlns="http://www.w3.org/2000/svg"', "").replace(
            'xmlns:xlink="http://www.w3.org/1999/xlink"', ""
        ), address
    exact = {
        row["estimator"]: row["value"]
        for row in scores_of(out)["scores"]
        if (row["metric"], row["corpus"]) == ("exact", "all")
    }
    for text in (page, (out / "report.md").read_text(encoding="utf-8")):
        for name in exact:
            assert name in text
    for value in exact.values():
        assert f">{100 * value:.1f}<" in page
    order = [page.index(f'<th scope="row">{name}') for name in sorted(exact, key=lambda n: -exact[n])]
    assert order == sorted(order)
    for heading in ("What to ship", "What not to trust it for", "Right by written mode", "confuses", "probabilities"):
        assert heading in page


def test_the_same_run_twice_gives_the_same_predictions(keybench, tmp_path):
    for name in ("one", "two"):
        assert keybench("run", "demo", "--out", tmp_path / name, "--quiet", "--jobs", "2").exit_code == 0
    one, two = (pq.read_table(tmp_path / n / "predictions.parquet").drop_columns(["seconds"]) for n in ("one", "two"))
    assert one.equals(two)


def test_limit_uses_fewer_pieces(keybench, tmp_path):
    result = keybench("run", "demo", "--out", tmp_path / "run", "--quiet", "--limit", "12")
    assert result.exit_code == 0
    assert "12 pieces" in result.stdout
    assert "a trial, not a result" in (tmp_path / "run" / "index.html").read_text()


def test_report_is_made_again_from_the_stored_predictions(keybench, tmp_path):
    out = tmp_path / "run"
    keybench("run", "demo", "--out", out, "--quiet")
    before = scores_of(out)
    (out / "scores.json").unlink()
    (out / "index.html").unlink()
    assert keybench("report", out).exit_code == 0
    assert scores_of(out) == before
    assert (out / "index.html").stat().st_size > 0


def test_split_by_corpus_never_fits_on_variants_of_what_it_is_tested_on(keybench, write_experiment, tmp_path):
    # Two corpora of our own that share some tunes: the shared ones must not be learnt from.
    demo = shipped("experiments") / "demo"
    tunes = (demo / "lantern-bay.abc").read_text().split("X:")[1:]
    for name, some in (("north", tunes[:16]), ("south", tunes[10:])):
        (tmp_path / name).mkdir()
        (tmp_path / name / "tunes.abc").write_text("".join(f"X:{tune}" for tune in some))
        manifest = (demo / "lantern-bay.toml").read_text().replace('"lantern-bay"', f'"{name}"')
        (tmp_path / name / f"{name}.toml").write_text(manifest)
    path = write_experiment(corpora='["north/north.toml", "south/south.toml"]')
    path.write_text(path.read_text().replace("folds = 3", 'by = "corpus"'))
    from keybench.runs.material import Steps, prepare
    from keybench.runs.spec import read_experiment

    material = prepare(read_experiment(path), None, 1, Steps())
    assert [len(split.test) for split in material.splits] == [16, 14]
    assert [len(split.train) for split in material.splits] == [8, 10]
    for split in material.splits:
        assert split.fitted_on == "other corpora"
        assert not set(material.groups[split.train]) & set(material.groups[split.test])
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 0, result.output
    assert "each corpus by methods fitted on the others" in result.stdout
    rows = pq.read_table(tmp_path / "run" / "predictions.parquet").to_pandas()
    assert len(rows) == 30 * 2


# --- failing methods ---------------------------------------------------------------------------------------------


@pytest.fixture
def broken_methods(monkeypatch):
    """Methods that raise, answer NaN, raise on one piece, or cannot be fitted; registered for one test."""
    from keybench import estimators
    from keybench.estimators.opening_note import OpeningNote

    class Raises(OpeningNote):
        def predict_log_proba(self, X):
            raise RuntimeError("the string\nbroke")

    class SaysNaN(OpeningNote):
        def predict_log_proba(self, X):
            return super().predict_log_proba(X) * np.nan

    class RaisesOnLongPieces(OpeningNote):
        def predict_log_proba(self, X):
            if (X.n_notes > 150).any():
                raise ValueError("too long")
            return super().predict_log_proba(X)

    class CannotFit(OpeningNote):
        def fit(self, X, y=None, groups=None):
            raise MemoryError("no room")

    monkeypatch.setattr(estimators, "_REGISTRY", dict(estimators._REGISTRY))
    classes = {"raises": Raises, "says-nan": SaysNaN, "long-fails": RaisesOnLongPieces, "no-fit": CannotFit}
    for name, made in classes.items():
        estimators.register(estimators.Entry(name, made, "Broken.", "this test", 2))
    return list(classes)


def test_failures_are_stored_counted_and_shown_and_stop_nothing(keybench, write_experiment, broken_methods, tmp_path):
    path = write_experiment(estimators=json.dumps([*broken_methods, "opening-note"]))
    out = tmp_path / "run"
    result = keybench("run", path, "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    assert len(rows) == 24 * 5
    by_name = dict(list(rows.groupby("estimator")))
    assert (by_name["raises"]["error"] == "RuntimeError: the string broke").all()
    assert by_name["raises"]["predicted"].isna().all()
    assert by_name["says-nan"]["error"].str.contains("accepted: finite ones").all()
    assert (by_name["no-fit"]["error"] == "fit: MemoryError: no room").all()
    some = by_name["long-fails"]
    failed = some["error"] != ""
    assert 0 < failed.sum() < 24, "only the long pieces fail"
    assert (some.loc[failed, "error"] == "ValueError: too long").all()
    assert some.loc[~failed, "predicted"].notna().all()
    value = {(r["estimator"], r["metric"]): r["value"] for r in scores_of(out)["scores"] if r["corpus"] == "all"}
    assert value["raises", "failures"] == 24
    assert value["raises", "exact"] == 0
    assert value["raises", "log_loss"] == pytest.approx(np.log(1e6))
    assert value["raises", "calibration_error"] is None
    assert value["long-fails", "failures"] == failed.sum()
    assert value["opening-note", "failures"] == 0
    page = (out / "index.html").read_text()
    assert "RuntimeError: the string broke" in page


# --- resuming ----------------------------------------------------------------------------------------------------


def test_an_interrupted_run_resumes_and_loses_nothing_finished(keybench, write_experiment, monkeypatch, tmp_path):
    from keybench.runs import runner

    path = write_experiment(estimators='["opening-note", "last-note", "hmm"]')
    out = tmp_path / "run"
    real, calls = runner._run_task, []

    def stop_after_four(*arguments):
        if len(calls) == 4:
            raise KeyboardInterrupt
        calls.append(arguments)
        return real(*arguments)

    monkeypatch.setattr(runner, "_run_task", stop_after_four)
    result = keybench("run", path, "--out", out, "--quiet", "--jobs", "1")
    assert result.exit_code == 130
    assert "--resume" in result.stderr
    parts = {part: part.stat().st_mtime_ns for part in (out / "parts").glob("*.parquet")}
    assert len(parts) == 4
    assert keybench("report", out).exit_code == 2  # unfinished: no half report

    resumed = []
    monkeypatch.setattr(runner, "_run_task", lambda *a: (resumed.append(a), real(*a))[1])
    kept = [pd.read_parquet(part) for part in parts]
    result = keybench("run", path, "--out", out, "--quiet", "--jobs", "1", "--resume")
    assert result.exit_code == 0, result.output
    assert len(resumed) == 9 - 4
    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    assert len(rows) == 24 * 3
    for part in kept:  # the finished parts went in as they were, their times included
        same = rows.merge(part[["estimator", "piece", "seconds"]], on=["estimator", "piece", "seconds"])
        assert len(same) == len(part)

    whole = tmp_path / "whole"
    keybench("run", path, "--out", whole, "--quiet")
    other = pq.read_table(whole / "predictions.parquet").drop_columns(["seconds"])
    assert pq.read_table(out / "predictions.parquet").drop_columns(["seconds"]).equals(other)


def test_a_killed_run_resumes(tmp_path, write_experiment):
    path = write_experiment(estimators='["opening-note", "hmm", "logistic", "last-note", "krumhansl-kessler"]')
    out = tmp_path / "run"
    called = [sys.executable, "-c", "from keybench.cli import main; main()"]  # as the installed command does
    command = [*called, "run", str(path), "--out", str(out), "--quiet", "--jobs", "1"]
    process = subprocess.Popen(command, env=os.environ, stdout=subprocess.DEVNULL)
    deadline = time.time() + 60
    while time.time() < deadline and process.poll() is None and len(list((out / "parts").glob("[!.]*.parquet"))) < 2:
        time.sleep(0.01)
    process.send_signal(signal.SIGKILL)
    process.wait()
    result = subprocess.run([*command, "--resume"], env=os.environ, capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
    assert len(pq.read_table(out / "predictions.parquet")) == 24 * 5


def test_resume_refuses_another_experiment(keybench, write_experiment, tmp_path):
    out = tmp_path / "run"
    keybench("run", write_experiment(), "--out", out, "--quiet")
    other = write_experiment(estimators='["last-note"]')
    result = keybench("run", other, "--out", out, "--quiet", "--resume")
    assert result.exit_code == 2
    assert "cannot resume" in result.stderr


def test_a_damaged_part_is_made_again(keybench, write_experiment, monkeypatch, tmp_path):
    from keybench.runs import runner

    path, out, real = write_experiment(), tmp_path / "run", runner._run_task
    monkeypatch.setattr(runner.store, "merge_parts", lambda *a: (_ for _ in ()).throw(KeyboardInterrupt))
    assert keybench("run", path, "--out", out, "--quiet").exit_code == 130
    monkeypatch.undo()
    part = next((out / "parts").glob("*.parquet"))
    part.write_bytes(part.read_bytes()[:100])
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(runner, "_run_task", real)
    assert keybench("run", path, "--out", out, "--quiet", "--resume").exit_code == 0
    assert len(pq.read_table(out / "predictions.parquet")) == 24 * 2
