"""``keybench models`` from end to end, on the tunes of Lantern Bay and on what ships."""

import json

import pytest

from keybench import models
from keybench.resources import shipped

FILE = """schema = 1
licence = "MIT"

[[models]]
name = "bay"
what_for = "Tunes of the bay."
use = "last-note"
corpora = ["{demo}"]
folds = 3
limits = ["Only in the bay."]

[[models]]
name = "bay-bass"
what_for = "Basses of the bay."
use = "hmm"
params = {{ stay = 0.99 }}
corpora = ["{demo}"]
view = "lowest-line"
labels = "tonic"
folds = 3
"""


def demo():
    return shipped("experiments") / "demo" / "lantern-bay.toml"


@pytest.fixture
def write_models(tmp_path):
    """Write a file of models; texts given are exchanged in it."""

    def write(*changes, name="mine.toml"):
        text = FILE.format(demo=demo())
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def one_line(result, *parts):
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    for part in parts:
        assert part in lines[0], lines[0]


def test_list(keybench):
    result = keybench("models", "list")
    assert result.exit_code == 0
    for name in models.names():
        assert name in result.stdout
    assert f"{len(models.names())} models, " in result.stdout
    listed = json.loads(keybench("models", "list", "--json").stdout)
    assert [each["name"] for each in listed] == models.names()
    assert sum(each["bytes"] for each in listed) <= 2_000_000
    assert all(each["licence"] and each["trained_on"] for each in listed)


@pytest.mark.parametrize("name", models.names())
def test_describe(keybench, name):
    result = keybench("models", "describe", name)
    assert result.exit_code == 0
    facts = json.loads(keybench("models", "describe", name, "--json").stdout)
    assert result.stdout.startswith(f"{name}: {facts['what_for']}")
    assert facts["keybench"]
    for teacher in facts["trained_on"]:
        for field in ("title", "licence", "licence_note", "citation"):
            assert teacher[field] in result.stdout
    for part in (facts["licence"], f"{facts['bytes']:,} bytes", facts["reproduce"], *facts["limits"]):
        assert part in result.stdout, part


def test_measure_then_fit(keybench, write_models, tmp_path):
    """The figures of a card are those of the run, to the last digit."""
    path = write_models()
    result = keybench("models", "measure", path, "--out", tmp_path / "runs", "--quiet")
    assert result.exit_code == 0, result.output
    assert (tmp_path / "runs" / "bay" / "report.md").exists()
    result = keybench("models", "fit", path, "--out", tmp_path / "made", "--scores", tmp_path / "runs", "--quiet")
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert "24 pieces" in result.stdout
    run = json.loads((tmp_path / "runs" / "bay" / "run.json").read_text())
    (tmp_path / "runs" / "bay" / "run.json").write_text(json.dumps(run | {"fingerprint": "0" * 64}))
    result = keybench("models", "fit", path, "--out", tmp_path / "made", "--scores", tmp_path / "runs")
    assert result.exit_code == 0
    assert f"run {run['run']} measured bay with other code" in result.stderr
    assert "measured bay-bass with" not in result.stderr
    scores = json.loads((tmp_path / "runs" / "bay" / "scores.json").read_text())["scores"]
    run = json.loads((tmp_path / "runs" / "bay" / "run.json").read_text())
    card = models.describe(tmp_path / "made" / "bay.json")
    (exact,) = (s for s in card.scores if s.metric == "exact" and s.corpus == "all")
    (row,) = (r for r in scores if (r["metric"], r["corpus"], r["stratum"]) == ("exact", "all", "all"))
    assert (exact.value, exact.low, exact.high, exact.n) == (row["value"], row["low"], row["high"], row["n"])
    assert (exact.run, exact.experiment, exact.split) == (run["run"], "bay", "3 folds")
    assert "Only in the bay." in card.limits
    assert not any("Not measured" in limit for limit in card.limits)
    assert card.reproduce == "keybench models fit mine.toml --only bay --out DIR"
    bass = models.describe(tmp_path / "made" / "bay-bass.json")
    assert (bass.view, bass.labels, bass.params["stay"], bass.modes) == ("lowest-line", "tonic", 0.99, {})
    text = keybench("models", "describe", tmp_path / "made" / "bay.json").stdout
    assert f"home note and mode right {row['value']:.3f} ({row['low']:.3f} to {row['high']:.3f}, n = 24)" in text
    assert models.load(tmp_path / "made" / "bay.json").edge == "last"


def test_fit_without_scores_says_so(keybench, write_models, tmp_path):
    result = keybench("models", "fit", write_models(), "--only", "bay", "--out", tmp_path / "made")
    assert result.exit_code == 0
    assert "not measured" in result.stdout
    assert result.stderr.strip() == "keybench: fitting bay"
    assert sorted(path.name for path in (tmp_path / "made").iterdir()) == ["bay.json", "bay.npz"]
    assert any("Not measured" in limit for limit in models.describe(tmp_path / "made" / "bay.json").limits)


def test_a_run_of_an_experiment_counts_if_it_measured_the_same(keybench, write_models, write_experiment, tmp_path):
    path = write_models()
    runs = {
        "same": {"estimators": '[{name = "m", use = "last-note"}, "opening-note"]'},
        "other": {"estimators": '["opening-note"]'},
        "view": {"estimators": '["last-note"]', "more": 'view = "opening-8-notes"\n'},
        "labels": {"estimators": '["last-note"]', "more": 'labels = "tonic"\n'},
    }
    for name, settings in runs.items():
        assert keybench("run", write_experiment(name, **settings), "--out", tmp_path / name, "--quiet").exit_code == 0
    limited = write_experiment("limited", estimators='["last-note"]')
    assert keybench("run", limited, "--out", tmp_path / "limited", "--quiet", "--limit", 20).exit_code == 0

    def fit(run):
        return keybench(
            "models", "fit", path, "--only", "bay", "--out", tmp_path / "made", "--scores", tmp_path / run, "--quiet"
        )

    assert fit("same").exit_code == 0
    assert {score.experiment for score in models.describe(tmp_path / "made" / "bay.json").scores} == {"same"}
    for name in ("other", "view", "labels", "limited"):
        one_line(fit(name), "measured none of the models bay", "accepted: a whole run")
    run = json.loads((tmp_path / "same" / "run.json").read_text())
    (tmp_path / "same" / "run.json").write_text(json.dumps(run | {"content": "0" * 64}))
    one_line(fit("same"), "measured 'bay' on other files")
    (tmp_path / "same" / "scores.json").unlink()
    one_line(fit("same"), "scores.json: cannot be read", "keybench report")
    one_line(fit("nowhere"), "holds no run")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ([("schema = 1", "schema = 9")], ["'schema' holds 9", "accepted: 1"]),
        ([('licence = "MIT"\n', "")], ["'licence' is missing"]),
        ([('name = "bay"\n', "")], ["'name' is missing"]),
        ([('name = "bay"', 'name = "../bay"')], ["'../bay'", "accepted: small letters"]),
        ([('name = "bay-bass"', 'name = "bay"')], ["two models are named 'bay'"]),
        ([("Tunes of the bay.", " ")], ["'what_for' is empty"]),
        ([('"last-note"', '"magic"')], ["unknown estimator 'magic'"]),
        ([("stay = 0.99", "stays = 1")], ["estimator 'hmm'", "stays"]),
        ([('"lowest-line"', '"sideways"')], ["unknown view 'sideways'"]),
        ([('"tonic"', '"chords"')], ["'labels' holds 'chords'"]),
        ([("folds = 3\nlimits", "folds = 1\nlimits")], ["'folds' is 1"]),
        ([('["Only in the bay."]', "[3]")], ["'limits' holds something else"]),
        ([("folds = 3\nlimits", "colour = 3\nlimits")], ["unknown field 'colour'"]),
        ([("lantern-bay.toml", "nowhere.toml")], ["nowhere.toml", "no such file"]),
        ([("[[models]]", "[[tables]]")], ["'models' is missing"]),
    ],
)  # fmt: skip
def test_broken_files_of_models(keybench, write_models, tmp_path, changes, says):
    for command in ("fit", "measure"):
        result = keybench("models", command, write_models(*changes), "--out", tmp_path / "made")
        one_line(result, "mine.toml", *says)
    assert not (tmp_path / "made").exists()


@pytest.mark.parametrize(
    ("corpora", "says"),
    [
        ('["aird"]', ["corpus 'aird' may not teach", "'not stated'", "LicenseRef-music21-corpus", "accepted: allowed"]),
        ('["chorales", "nottingham"]', ["'nottingham' is secondary truth"]),
        ('["nowhere"]', ["unknown corpus 'nowhere'"]),
        ("[]", ["'corpora' is empty"]),
        ("7", ["'corpora' is 7"]),
    ],
)
def test_corpora_that_may_not_teach(keybench, write_models, tmp_path, corpora, says):
    path = write_models((f'["{demo()}"]\nfolds = 3\nlimits', f"{corpora}\nfolds = 3\nlimits"))
    one_line(keybench("models", "fit", path, "--out", tmp_path / "made"), "mine.toml", "bay", *says)
    assert not (tmp_path / "made").exists()


def test_music_of_ones_own_teaches_once_its_terms_are_stated(keybench, write_models, tmp_path):
    (tmp_path / "own.toml").write_text('[origin]\nfolder = "tunes"\n\n[reader]\nformat = "abc"\n')
    (tmp_path / "tunes").mkdir()
    (tmp_path / "tunes" / "a.abc").write_text((demo().parent / "lantern-bay.abc").read_text())
    path = write_models((str(demo()), "own.toml"))
    one_line(keybench("models", "fit", path, "--out", tmp_path / "made"), "corpus 'own' may not teach", "'not stated'")
    terms = 'derived_use = "allowed"\nlicence = "MIT"\n'
    (tmp_path / "own.toml").write_text(f'{terms}[origin]\nfolder = "tunes"\n\n[reader]\nformat = "abc"\n')
    assert keybench("models", "fit", path, "--out", tmp_path / "made").exit_code == 0


def test_names_and_places_that_are_wrong(keybench, write_models, tmp_path):
    path = write_models()
    one_line(keybench("models", "describe", "nothing"), "'nothing': no such model", *models.names())
    one_line(keybench("models", "describe", path), "no such model", "a .json file")
    (tmp_path / "x.json").write_text("{}")
    one_line(keybench("models", "describe", tmp_path / "x.json"), "x.json: no saved model")
    one_line(keybench("models", "fit", "nothing", "--out", tmp_path / "made"), "nothing: no such file")
    one_line(
        keybench("models", "fit", path, "--only", "sea", "--out", tmp_path / "m"), "no model 'sea'", "bay, bay-bass"
    )
    (tmp_path / "file").write_text("x")
    one_line(keybench("models", "fit", path, "--out", tmp_path / "file"), "is a file")
    (tmp_path / "made").mkdir()
    (tmp_path / "made" / "bay.json").write_text("[]")
    one_line(keybench("models", "fit", path, "--only", "bay", "--out", tmp_path / "made", "--quiet"), "no saved model")
    assert keybench("models", "fit", path).exit_code == 2  # --out is needed
