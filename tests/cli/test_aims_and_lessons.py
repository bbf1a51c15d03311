"""Aims, corpora that are only learnt from, and causes, through the real command line."""

import json

import pyarrow.parquet as pq
import pytest

from keybench.resources import shipped

DEMO = shipped("experiments") / "demo"
TUNES = [f"X:{tune}" for tune in (DEMO / "lantern-bay.abc").read_text().split("X:")[1:]]


@pytest.fixture
def corpora(tmp_path):
    """The tunes of Lantern Bay in two corpora of our own."""
    for name, tunes, headline in (("harbour", TUNES[:16], True), ("hill", TUNES[16:], True), ("fog", TUNES[:4], False)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "tunes.abc").write_text("".join(tunes))
        (tmp_path / f"{name}.toml").write_text(
            f'headline = {str(headline).lower()}\n[origin]\nfolder = "{name}"\n[reader]\nformat = "abc"\n'
        )


def test_a_corpus_only_learnt_from_is_not_answered_for(keybench, write_experiment, corpora, tmp_path):
    path = write_experiment(corpora='["harbour.toml"]', estimators='["most-common-key", "last-note"]',
                            more='[fit]\nalso = ["hill.toml"]\n')  # fmt: skip
    assert keybench("run", path, "--out", tmp_path / "out", "--quiet").exit_code == 0
    rows = pq.read_table(tmp_path / "out" / "predictions.parquet").to_pandas()
    assert set(rows["corpus"]) == {"harbour"}
    assert len(rows) == 2 * 16
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    assert [(c["id"], c["answered"]) for c in run["corpora"]] == [("harbour", True), ("hill", False)]
    assert "Learnt from and not answered for" in (tmp_path / "out" / "report.md").read_text()
    plain = write_experiment(name="plain", corpora='["harbour.toml"]', estimators='["most-common-key", "last-note"]')
    assert keybench("run", plain, "--out", tmp_path / "plain", "--quiet").exit_code == 0
    without = pq.read_table(tmp_path / "plain" / "predictions.parquet").to_pandas()
    assert without["fold"].tolist() == rows["fold"].tolist()
    assert without["log_proba"].map(tuple).tolist() != rows["log_proba"].map(tuple).tolist(), "nothing more was learnt"


@pytest.mark.parametrize(
    ("also", "says"),
    [
        ('["harbour.toml"]', "'harbour.toml', which is there already"),
        ('["hill.toml", "hill.toml"]', "'hill.toml', which is there already"),
        ('["fog.toml"]', "whose truth is secondary and teaches nothing; accepted: corpora with headline = true"),
        ('["nowhere"]', "field 'also'"),
        ('"hill.toml"', "accepted: a list"),
    ],
)
def test_what_cannot_be_learnt_from_besides(keybench, write_experiment, corpora, also, says):
    path = write_experiment(corpora='["harbour.toml"]', more=f"[fit]\nalso = {also}\n")
    result = keybench("run", path, "--quiet")
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_aims_are_held_against_the_figures(keybench, write_experiment, tmp_path):
    aims = """
[[aims]]
measure = "tonic"
value = 0.0

[[aims]]
measure = "exact"
value = 1.0
of = ["opening-note", "krumhansl-kessler-modes"]
idea = "listen to the <last> note"
"""
    path = write_experiment(more=aims)
    assert keybench("run", path, "--out", tmp_path / "out", "--quiet").exit_code == 0
    text = (tmp_path / "out" / "report.md").read_text()
    assert "home note right at least 0 |" in text
    assert "no: short by 0." in text
    assert "Next idea: listen to the <last> note" in text
    page = (tmp_path / "out" / "index.html").read_text()
    assert "How near the aims are" in page
    assert "listen to the &lt;last&gt; note" in page


@pytest.mark.parametrize(
    ("aims", "says"),
    [
        ('[[aims]]\nmeasure = "loudness"\nvalue = 1\n', "'loudness', which is no measure; accepted: "),
        ('[[aims]]\nmeasure = "exact"\nvalue = 1\ncorpus = "nowhere"\n', "of which nothing was measured"),
        ('[[aims]]\nmeasure = "exact"\n', "field 'value' is missing"),
        ('[[aims]]\nmeasure = "exact"\nvalue = 1\nof = ["nobody"]\n', "'of' holds 'nobody'"),
        ('[[aims]]\nmeasure = "exact"\nvalue = 1\ngiven = {tonic = "high"}\n', "accepted: a number"),
        ('[[aims]]\nmeasure = "exact"\nvalue = 1\nview = "top-line"\n', "'view' holds 'top-line'"),
        ("aims = [3]\n", "accepted: tables with measure and value"),
    ],
)
def test_aims_that_cannot_be_judged(keybench, write_experiment, aims, says):
    result = keybench("run", write_experiment(more=aims), "--quiet")
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_the_causes_add_up(keybench, write_experiment, tmp_path):
    assert keybench("run", write_experiment(), "--out", tmp_path / "out", "--quiet").exit_code == 0
    rows = pq.read_table(tmp_path / "out" / "predictions.parquet").to_pandas()
    assert (rows["n_notes"] > 0).all()
    assert rows["n_pitch_classes"].between(1, 12).all()
    scores = json.loads((tmp_path / "out" / "scores.json").read_text())["scores"]
    exact = {r["estimator"]: r["value"] for r in scores if r["metric"] == "exact" and r["corpus"] == "all"}
    best = max(exact, key=exact.get)
    n = len(rows) // 2
    wrong = round(n * (1 - exact[best]))
    assert f"Of its {wrong} wrong answers" in (tmp_path / "out" / "report.md").read_text()


def test_a_method_made_from_the_music_is_marked(keybench, write_experiment, tmp_path, monkeypatch):
    from dataclasses import replace

    from keybench.estimators import profile_data

    pair = replace(profile_data.PROFILES["krumhansl-kessler"], overlaps=("lantern-bay",))
    monkeypatch.setitem(profile_data.PROFILES, "krumhansl-kessler", pair)
    path = write_experiment(estimators='["krumhansl-kessler-modes", "last-note"]')
    assert keybench("run", path, "--out", tmp_path / "out", "--quiet").exit_code == 0
    text = (tmp_path / "out" / "report.md").read_text()
    assert "| krumhansl-kessler-modes (contaminated) |" in text
    assert "**krumhansl-kessler-modes** was made from music of lantern-bay" in text
    assert "last-note (contaminated)" not in text
    assert ">contaminated</span>" in (tmp_path / "out" / "index.html").read_text()
