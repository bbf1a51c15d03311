"""Methods, files and directories that could spoil more than their own results."""

import json

import numpy as np
import pyarrow.parquet as pq
import pytest

from keybench import estimators
from keybench.corpora.assemble import read_files
from keybench.corpora.manifest import read_manifest
from keybench.errors import EstimatorError, KeyNameError, ManifestError
from keybench.estimators.opening_note import OpeningNote
from keybench.key import NO_MODE, parse_abc_key
from keybench.notes import NoteTable
from keybench.resources import shipped

DEMO = shipped("experiments") / "demo"


def one_line(result, *parts):
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    for part in parts:
        assert part in lines[0], lines[0]


@pytest.fixture
def plug_in(monkeypatch):
    """Register a class under a name for one test."""
    monkeypatch.setattr(estimators, "_REGISTRY", dict(estimators._REGISTRY))

    def add(name, made):
        estimators.register(estimators.Entry(name, made, "Of this test.", "this test", 2))

    return add


class Mutator(OpeningNote):
    def predict_log_proba(self, X):
        X.pitch[:] = 60.0
        return super().predict_log_proba(X)


class Leaver(OpeningNote):
    def predict_log_proba(self, X):
        raise SystemExit(3)


def test_a_method_cannot_change_the_notes_of_others(keybench, write_experiment, plug_in, tmp_path):
    plug_in("mutator", Mutator)
    path = write_experiment(estimators='["mutator", "last-note"]')
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet", "--jobs", "1").exit_code == 0
    rows = pq.read_table(tmp_path / "run" / "predictions.parquet").to_pandas()
    by_name = dict(list(rows.groupby("estimator")))
    assert by_name["mutator"]["error"].str.contains("read-only").all()
    assert (by_name["last-note"]["predicted"] == by_name["last-note"]["label"]).mean() > 0.9
    with pytest.raises(ValueError, match="read-only"):
        NoteTable.from_notes([60, 62]).pitch[0] = 61


def test_a_method_that_leaves_costs_only_its_own_results(keybench, write_experiment, plug_in, tmp_path):
    plug_in("leaver", Leaver)
    result = keybench("run", write_experiment(estimators='["leaver", "last-note"]'), "--out", tmp_path / "r", "--quiet")
    assert result.exit_code == 0
    rows = pq.read_table(tmp_path / "r" / "predictions.parquet").to_pandas()
    assert (rows.loc[rows["estimator"] == "leaver", "error"] == "SystemExit: 3").all()
    assert (rows.loc[rows["estimator"] == "last-note", "error"] == "").all()


def test_something_that_is_no_estimator_is_refused(plug_in):
    plug_in("thing", object)
    with pytest.raises(EstimatorError, match="accepted: a KeyEstimator"):
        estimators.make("thing")


def test_names_that_differ_only_in_signs_do_not_share_a_file(keybench, write_experiment, tmp_path):
    path = write_experiment(estimators='[{name = "a b", use = "last-note"}, {name = "a_b", use = "most-common-key"}]')
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet").exit_code == 0
    rows = pq.read_table(tmp_path / "run" / "predictions.parquet").to_pandas()
    assert rows.groupby("estimator").size().to_dict() == {"a b": 24, "a_b": 24}


def test_a_run_directory_may_have_the_experiments_name(keybench):
    for _ in range(2):
        assert keybench("run", "demo", "--out", "demo", "--quiet").exit_code == 0


def test_all_kinds_of_failure_are_shown(keybench, write_experiment, plug_in, tmp_path):
    plug_in("leaver", Leaver)
    plug_in("mutator", Mutator)
    keybench("run", write_experiment(estimators='["leaver", "mutator"]'), "--out", tmp_path / "run", "--quiet")
    for name in ("index.html", "report.md"):
        text = (tmp_path / "run" / name).read_text()
        assert "SystemExit: 3" in text
        assert "read-only" in text


def test_times_of_a_method_that_never_answered_are_not_measured(keybench, write_experiment, plug_in, tmp_path):
    class CannotFit(OpeningNote):
        def fit(self, X, y=None, groups=None):
            raise ValueError("no")

    plug_in("no-fit", CannotFit)
    keybench("run", write_experiment(estimators='["no-fit", "last-note"]'), "--out", tmp_path / "run", "--quiet")
    rows = json.loads((tmp_path / "run" / "scores.json").read_text())["scores"]
    ms = {r["estimator"]: r for r in rows if r["metric"] == "ms_per_piece" and r["corpus"] == "all"}
    assert (ms["no-fit"]["value"], ms["no-fit"]["n"]) == (None, 0)
    assert ms["last-note"]["low"] <= ms["last-note"]["value"] <= ms["last-note"]["high"]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("[split]\nseed = -1\n", "'seed' is -1"),
        ("[needs]\nmin_exact = nan\n", "accepted: a finite number"),
        ("[needs]\nmin_exact = 50\n", "'min_exact' is 50; accepted: from 0 to 1"),
        ("[needs]\nmodes = []\n", "'modes' is empty"),
    ],
)
def test_values_that_cannot_be_meant(keybench, write_experiment, tmp_path, more, says):
    path = write_experiment()
    path.write_text(path.read_text().replace("[split]\nfolds = 3\n", more))
    one_line(keybench("run", path, "--quiet", "--out", tmp_path / "run"), says)


def test_the_same_corpus_by_two_paths_is_one_too_many(keybench, write_experiment, tmp_path):
    path = write_experiment(corpora=f'["{DEMO}/lantern-bay.toml", "{DEMO}/./lantern-bay.toml"]')
    one_line(keybench("run", path, "--quiet", "--out", tmp_path / "run"), "'lantern-bay' twice")


@pytest.mark.parametrize("name", ["../../evil", "all", "", "<b>"])
def test_corpus_ids_are_plain(tmp_path, name):
    path = tmp_path / "mine.toml"
    path.write_text((DEMO / "lantern-bay.toml").read_text().replace('"lantern-bay"', f'"{name}"'))
    with pytest.raises(ManifestError, match="accepted: small letters"):
        read_manifest(str(path))


def test_a_tonic_only_label_accepts_every_mode(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text((DEMO / "lantern-bay.toml").read_text().replace('space = "modes"', 'space = "tonic"'))
    manifest = read_manifest(str(path))
    corpus = read_files(manifest, {"a.abc": b"X:1\nL:1/4\nK:Dmin\nDEFG|\n"})
    assert (corpus.tonic.tolist(), corpus.mode.tolist()) == ([2], [NO_MODE])
    assert np.flatnonzero(corpus.truth[0]).tolist() == [12 * mode + 2 for mode in range(7)]


def test_a_byte_order_mark_loses_no_tune():
    manifest = read_manifest(str(DEMO / "lantern-bay.toml"))
    text = b"\xef\xbb\xbfX:1\nL:1/4\nK:D\nDEFG|\n\nX:2\nL:1/4\nK:G\nGABc|\n"
    corpus = read_files(manifest, {"a.abc": text})
    assert [str(piece) for piece in corpus.pieces] == ["lantern-bay:a/1", "lantern-bay:a/2"]


def test_a_folder_named_like_a_file_is_reported_and_the_rest_goes_on(keybench, write_experiment, tmp_path):
    (tmp_path / "mine.toml").write_text((DEMO / "lantern-bay.toml").read_text())
    (tmp_path / "a.abc").write_text((DEMO / "lantern-bay.abc").read_text())
    (tmp_path / "folder.abc").mkdir()
    result = keybench("run", write_experiment(corpora='["mine.toml"]'), "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 0, result.output
    assert "24 pieces" in result.stdout
    assert "folder.abc: cannot be read" in (tmp_path / "run" / "report.md").read_text()


@pytest.mark.parametrize("value", ["Em7", "E none", "D exp ^f _b", "Gsus"])
def test_abc_keys_that_name_no_mode(value):
    with pytest.raises(KeyNameError, match="accepted"):
        parse_abc_key(value)


def test_a_transposed_key_line_moves_neither_label_nor_notes():
    manifest = read_manifest(str(DEMO / "lantern-bay.toml"))
    body = b"\nL:1/4\nK:Emin%s\nEFGA|\n"
    plain, moved = (read_files(manifest, {"a.abc": b"X:1" + body % more}) for more in (b"", b" transpose=2"))
    assert np.array_equal(plain.notes.pitch, moved.notes.pitch)
    assert (plain.tonic.tolist(), plain.mode.tolist()) == (moved.tonic.tolist(), moved.mode.tolist())


def test_a_foreign_run_json_is_left_alone(keybench, write_experiment, tmp_path):
    out = tmp_path / "other"
    out.mkdir()
    (out / "run.json").write_text("[]")
    (out / "index.html").write_text("mine")
    one_line(keybench("run", write_experiment(), "--out", out, "--quiet"), "not written by keybench")
    assert (out / "index.html").read_text() == "mine"


def test_a_candidate_that_lost_methods_is_not_no_worse(keybench, write_experiment, tmp_path):
    both = write_experiment("both", '["last-note", "opening-note"]')
    one = write_experiment("one", '["last-note"]')
    for path in (both, one):
        keybench("run", path, "--out", tmp_path / path.stem, "--quiet")
    result = keybench("check", "--baseline", tmp_path / "both", "--candidate", tmp_path / "one")
    assert result.exit_code == 2
    assert "opening-note: not in the candidate" in result.stdout


def test_a_run_killed_before_its_last_line_keeps_its_parts(keybench, write_experiment, monkeypatch, tmp_path):
    from keybench.runs import runner

    path, out, real = write_experiment(), tmp_path / "run", runner.store.merge_parts

    def merge_and_die(*arguments):
        real(*arguments)
        raise KeyboardInterrupt

    monkeypatch.setattr(runner.store, "merge_parts", merge_and_die)
    assert keybench("run", path, "--out", out, "--quiet").exit_code == 130
    monkeypatch.setattr(runner.store, "merge_parts", real)
    monkeypatch.setattr(runner, "_run_task", lambda *a: pytest.fail("nothing was left to do"))
    assert keybench("run", path, "--out", out, "--quiet", "--resume").exit_code == 0
    assert not (out / "parts").exists()
