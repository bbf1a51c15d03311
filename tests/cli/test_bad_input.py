"""Everything a person can get wrong is one clear line that names it and says what is accepted."""

import json

import pytest

from keybench.corpora import manifest_names

GOOD = """schema = 1
name = "trial"
question = "Which?"
corpora = ["aird"]
estimators = ["opening-note"]
"""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", ["empty"]),
        ("name = [", ["not valid TOML"]),
        ("\x00\xff", ["not valid TOML"]),
        (GOOD.replace('name = "trial"\n', ""), ["'name' is missing"]),
        (GOOD.replace('"trial"', "7"), ["'name' is 7", "accepted: text"]),
        (GOOD.replace('"trial"', '"../evil"'), ["'../evil'", "accepted: small letters"]),
        (GOOD.replace("schema = 1", "schema = 2"), ["'schema' holds 2", "accepted: 1"]),
        (
            GOOD.replace('["aird"]', '["nowhere"]'),
            ["unknown corpus 'nowhere'", f"accepted: {', '.join(manifest_names())}"],
        ),
        (GOOD.replace('["aird"]', "[]"), ["'corpora' is empty"]),
        (GOOD.replace('["aird"]', '["aird", "aird"]'), ["'aird' twice"]),
        (GOOD.replace('["opening-note"]', '["magic"]'), ["unknown estimator 'magic'", "opening-note"]),
        (GOOD.replace('["opening-note"]', "[3]"), ["holds 3"]),
        (
            GOOD.replace('["opening-note"]', '[{name = "x", use = "hmm", params = {stays = 1}}]'),
            ["estimator 'hmm'", "stays"],
        ),
        (GOOD + 'view = "sideways"\n', ["unknown view 'sideways'", "opening-N-notes"]),
        (GOOD + 'labels = "chords"\n', ["'chords'", "accepted: tonic, major-minor, modes"]),
        (GOOD + "colour = 1\n", ["unknown field 'colour'"]),
        (GOOD + "[split]\nfolds = 1\n", ["'folds' is 1", "accepted: 2 or more"]),
        (GOOD + '[split]\nby = "composer"\n', ["'composer'", "accepted: group, corpus"]),
        (GOOD + "[split]\nfolds = true\n", ["'folds' is True", "whole number"]),
        (GOOD + "[bootstrap]\nresamples = 3\n", ["'resamples' is 3"]),
        (GOOD + '[needs]\nmodes = ["blue"]\n', ["'blue'", "accepted: major, dorian"]),
    ],
)
def test_broken_experiment_files(keybench, tmp_path, text, says):
    path = tmp_path / "broken.toml"
    path.write_bytes(text.encode("latin-1"))
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 2
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "broken.toml" in lines[0]
    for part in says:
        assert part in lines[0]
    assert not (tmp_path / "run").exists()


def one_line(result, *parts):
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    for part in parts:
        assert part in lines[0], lines[0]


def test_no_such_experiment(keybench):
    one_line(keybench("run", "nothing-here"), "nothing-here: no such experiment file", "folk-tunes")


def test_missing_wheel_names_the_install_command(keybench, monkeypatch, tmp_path):
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *a: None if name == "music21" else real(name, *a))
    result = keybench("run", "folk-tunes", "--out", tmp_path / "run", "--quiet")
    one_line(result, "corpus 'aird' is not on this machine", "pip install 'keybench[corpora]'")


def test_missing_folder_of_a_corpus(keybench, write_experiment, tmp_path):
    from keybench.resources import shipped

    manifest = (shipped("experiments") / "demo" / "lantern-bay.toml").read_text()
    (tmp_path / "mine.toml").write_text(manifest)
    result = keybench("run", write_experiment(corpora='["mine.toml"]'), "--out", tmp_path / "run", "--quiet")
    one_line(result, "corpus 'lantern-bay'", "holds no *.abc")


def test_a_directory_with_other_files_is_not_overwritten(keybench, write_experiment, tmp_path):
    out = tmp_path / "photos"
    out.mkdir()
    (out / "boat.jpg").write_text("x")
    one_line(keybench("run", write_experiment(), "--out", out, "--quiet"), "holds other files and no run")
    assert [p.name for p in out.iterdir()] == ["boat.jpg"]


def test_out_is_a_file(keybench, write_experiment, tmp_path):
    (tmp_path / "file").write_text("x")
    one_line(keybench("run", write_experiment(), "--out", tmp_path / "file", "--quiet"), "is a file")


def test_too_few_pieces_for_the_folds(keybench, write_experiment, tmp_path):
    result = keybench("run", write_experiment(), "--out", tmp_path / "run", "--quiet", "--limit", "2")
    one_line(result, "cannot be dealt into 3 folds", "--limit")


def test_one_corpus_cannot_be_split_by_corpus(keybench, write_experiment, tmp_path):
    path = write_experiment()
    path.write_text(path.read_text().replace("folds = 3", 'by = "corpus"'))
    one_line(keybench("run", path, "--out", tmp_path / "run", "--quiet"), "cannot be split by corpus")


def test_report_on_something_else(keybench, tmp_path):
    one_line(keybench("report", tmp_path), "not a run directory")


@pytest.mark.parametrize(
    ("damage", "says"),
    [("truncate", "cannot be read"), ("remove", "cannot be read"), ("json", "cannot be read"), ("field", "incomplete")],
)
def test_report_on_a_damaged_run(keybench, write_experiment, tmp_path, damage, says):
    out = tmp_path / "run"
    keybench("run", write_experiment(), "--out", out, "--quiet")
    predictions = out / "predictions.parquet"
    if damage == "truncate":
        predictions.write_bytes(predictions.read_bytes()[:-50])
    elif damage == "remove":
        predictions.unlink()
    elif damage == "json":
        (out / "run.json").write_text("{")
    else:
        run = json.loads((out / "run.json").read_text())
        del run["corpora"][0]["title"]
        (out / "run.json").write_text(json.dumps(run))
    one_line(keybench("report", out), says)


def test_malformed_tunes_are_named_and_the_rest_goes_on(keybench, write_experiment, tmp_path):
    from keybench.resources import shipped

    demo = shipped("experiments") / "demo"
    (tmp_path / "mine.toml").write_text((demo / "lantern-bay.toml").read_text())
    tunes = (demo / "lantern-bay.abc").read_text()
    (tmp_path / "a.abc").write_text(tunes)
    bad = "X:1\nT:No mode\nL:1/8\nK:Gfoo\nABc|\n\nX:2\nT:Silent\nL:1/8\nK:G\n\nX:3\nT:No key\nABc|\n"
    (tmp_path / "b.abc").write_text(bad)
    (tmp_path / "c.abc").write_bytes(b"")
    out = tmp_path / "run"
    result = keybench("run", write_experiment(corpora='["mine.toml"]'), "--out", out, "--quiet")
    assert result.exit_code == 0, result.output
    assert "25 pieces" in result.stdout  # 24, and the silent one, which counts as wrong
    report = (out / "report.md").read_text()
    expected = (
        "lantern-bay:b/1 (b.abc): cannot read the ABC key 'Gfoo': unknown mode 'foo'; accepted",
        "lantern-bay:b/2 (b.abc): no notes",
        "lantern-bay:b/3 (b.abc): no K: field",
        "lantern-bay:c.abc: no tune in it",
    )
    for part in expected:
        assert part in report, part
    import pyarrow.parquet as pq

    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    silent = rows[rows["piece"] == "lantern-bay:b/2"]
    assert len(silent) == 2
    assert silent["predicted"].isna().all()
    assert silent["error"].str.contains("no notes").all()


def test_check_tells_worse_from_nothing_measured(keybench, write_experiment, tmp_path):
    good = write_experiment("good", '[{name = "m", use = "last-note"}]')
    bad = write_experiment("bad", '[{name = "m", use = "most-common-key"}]')
    other = write_experiment("other", '["opening-note"]')
    for path in (good, bad, other):
        assert keybench("run", path, "--out", tmp_path / path.stem, "--quiet").exit_code == 0

    def check(a, b):
        return keybench("check", "--baseline", tmp_path / a, "--candidate", tmp_path / b).exit_code

    assert check("good", "good") == 0
    assert check("good", "bad") == 1
    assert check("bad", "good") == 0
    assert check("good", "other") == 3
    assert check("good", "nowhere") == 2


def test_methods_are_listed_with_their_sources(keybench):
    result = keybench("methods")
    assert result.exit_code == 0
    assert result.stdout.count("Source: ") >= 21
