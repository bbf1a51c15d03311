"""Views, what methods learn from, and pairs of corpora, as a run stores and shows them; on tunes of our own."""

import numpy as np
import pyarrow.parquet as pq
import pytest

from keybench import estimators
from keybench.estimators.opening_note import OpeningNote
from keybench.key import NO_MODE, parse_key, parse_keys, parse_label
from keybench.resources import shipped
from keybench.runs.material import Steps, prepare
from keybench.runs.spec import read_experiment

DEMO = shipped("experiments") / "demo"


def rows_of(out):
    return pq.read_table(out / "predictions.parquet").to_pandas()


@pytest.fixture
def heard(monkeypatch):
    """Register the method "recorder" for one test; the list tells what each of its fits and answers was given."""
    calls = []

    class Recorder(OpeningNote):
        def fit(self, X, y=None, groups=None):
            calls.append(("fit", int(X.n_notes.max()), np.array(y), np.array(X.pitch)))
            return super().fit(X, y, groups)

        def predict_log_proba(self, X):
            calls.append(("answer", int(X.n_notes.max()), None, np.array(X.pitch)))
            return super().predict_log_proba(X)

    monkeypatch.setattr(estimators, "_REGISTRY", dict(estimators._REGISTRY))
    estimators.register(estimators.Entry("recorder", Recorder, "Of this test.", "this test", 2))
    return calls


# --- What methods learn from -----------------------------------------------------------------------------------------


def run_recorder(keybench, write_experiment, tmp_path, more):
    path = write_experiment(estimators='["recorder"]', more=more)
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet", "--jobs", "1")
    assert result.exit_code == 0, result.output
    return rows_of(tmp_path / "run")


def sizes(calls, what):
    """Whether each fit or answer had whole tunes ("whole") or openings of four notes ("opening")."""
    return sorted("opening" if n <= 4 else "whole" for kind, n, *_ in calls if kind == what)


def test_methods_learn_from_what_they_are_tested_on_if_nothing_else_is_said(
    keybench, write_experiment, tmp_path, heard
):
    rows = run_recorder(keybench, write_experiment, tmp_path, 'views = ["whole", "opening-4-notes"]')
    assert sizes(heard, "fit") == ["opening"] * 3 + ["whole"] * 3
    assert sizes(heard, "answer") == ["opening"] * 3 + ["whole"] * 3
    last_fit = None
    for kind, n, *_ in heard:
        last_fit = n <= 4 if kind == "fit" else last_fit
        assert (n <= 4) == last_fit
    assert rows.groupby("view").size().to_dict() == {"whole": 24, "opening-4-notes": 24}


@pytest.mark.parametrize(("fit_view", "size"), [("whole", "whole"), ("opening-4-notes", "opening")])
def test_methods_learn_once_from_the_view_that_is_named(keybench, write_experiment, tmp_path, heard, fit_view, size):
    more = f'views = ["whole", "opening-4-notes"]\nfit_view = "{fit_view}"'
    rows = run_recorder(keybench, write_experiment, tmp_path, more)
    assert sizes(heard, "fit") == [size] * 3
    assert sizes(heard, "answer") == ["opening"] * 3 + ["whole"] * 3
    assert rows.groupby("view").size().to_dict() == {"whole": 24, "opening-4-notes": 24}


def test_the_view_to_learn_from_need_not_be_tested(keybench, write_experiment, tmp_path, heard):
    rows = run_recorder(keybench, write_experiment, tmp_path, 'view = "opening-4-notes"\nfit_view = "whole"')
    assert sizes(heard, "fit") == ["whole"] * 3
    assert sizes(heard, "answer") == ["opening"] * 3
    assert set(rows["view"]) == {"opening-4-notes"}


def test_who_learns_from_moved_pieces_is_told_their_moved_keys(keybench, write_experiment, tmp_path, heard):
    path = write_experiment(estimators='["recorder"]', more='view = "whole"\nfit_view = "transposed"\nview_seed = 7')
    material = prepare(read_experiment(path), None, 1, Steps())
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet", "--jobs", "1").exit_code == 0
    fits = [call for call in heard if call[0] == "fit"]
    assert len(fits) == 3
    for split, (_, _, truth, pitch) in zip(material.splits, fits, strict=True):
        np.testing.assert_array_equal(truth, material.truth["transposed"][split.train])
        np.testing.assert_array_equal(pitch, material.heard["transposed"].music[split.train].pitch)
        assert (truth != material.corpus.truth[split.train]).any()


# --- Views that move the pieces --------------------------------------------------------------------------------------


def test_truth_label_and_answer_move_with_the_piece(keybench, write_experiment, tmp_path):
    path = write_experiment(
        estimators='["last-note", "krumhansl-kessler-modes"]',
        more='views = ["whole", "transposed"]\nfit_view = "whole"\nview_seed = 3',
    )
    shift = prepare(read_experiment(path), None, 1, Steps()).heard["transposed"].shift
    assert len(set(shift.tolist())) > 4
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 0, result.output
    rows = rows_of(tmp_path / "run")
    pieces = list(dict.fromkeys(prepare(read_experiment(path), None, 1, Steps()).corpus.pieces.tolist()))
    by = dict(zip(pieces, shift.tolist(), strict=True))
    wide = rows.set_index(["estimator", "piece", "view"])
    compared = 0
    for method in ("last-note", "krumhansl-kessler-modes"):
        for piece, k in by.items():
            plain, moved = wide.loc[(method, piece, "whole")], wide.loc[(method, piece, "transposed")]
            assert parse_key(moved["label"]) == parse_key(plain["label"]).transpose(k)
            assert {key.index for key in parse_keys(moved["truth"])} == {
                key.transpose(k).index for key in parse_keys(plain["truth"])
            }
            assert parse_key(moved["predicted"]) == parse_key(plain["predicted"]).transpose(k)
            compared += k != 0
    assert compared > 30


def test_moved_labels_without_a_mode_stay_without(keybench, write_experiment, tmp_path):
    (tmp_path / "tunes").mkdir()
    (tmp_path / "tunes" / "a.abc").write_text((DEMO / "lantern-bay.abc").read_text())
    (tmp_path / "home.toml").write_text(
        '[origin]\nfolder = "tunes"\n[reader]\nformat = "abc"\n[labels]\nspace = "tonic"\n'
    )
    path = write_experiment(
        estimators='["last-note"]',
        corpora='["home.toml"]',
        more='views = ["whole", "transposed"]\nlabels = "tonic"',
    )
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 0, result.output
    rows = rows_of(tmp_path / "run")
    written = [parse_label(text) for text in rows["label"]]
    assert {mode for _, mode in written} == {NO_MODE}
    for (tonic, _), truth in zip(written, rows["truth"], strict=True):
        assert [(key.tonic, key.mode) for key in parse_keys(truth)] == [(tonic, mode) for mode in range(7)]
    plain, moved = (rows[rows["view"] == view].set_index("piece")["label"] for view in ("whole", "transposed"))
    assert (plain != moved[plain.index]).any()
    report = (tmp_path / "run" / "report.md").read_text()
    assert "| 24 | 0 | 0 | 0 | 0 | 0 | 0 | 0 | 0 | 0 | 0 | 0 |" in report, "all on the home note"


# --- Pairs of corpora ------------------------------------------------------------------------------------------------


@pytest.fixture
def three_corpora(tmp_path):
    """Three corpora of eight unrelated tunes each; returns what an experiment names them by."""
    tunes = (DEMO / "lantern-bay.abc").read_text().split("X:")[1:]
    for i, name in enumerate(("north", "south", "east")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "tunes.abc").write_text("".join(f"X:{tune}" for tune in tunes[i::3]))
        (tmp_path / f"{name}.toml").write_text(f'[origin]\nfolder = "{name}"\n[reader]\nformat = "abc"\n')
    return '["north.toml", "south.toml", "east.toml"]'


def test_pairs_of_corpora_are_conditions(keybench, write_experiment, tmp_path, three_corpora):
    path = write_experiment(corpora=three_corpora)
    path.write_text(path.read_text().replace("folds = 3", 'by = "corpus pairs"'))
    result = keybench("run", path, "--out", tmp_path / "run", "--quiet")
    assert result.exit_code == 0, result.output
    assert "each corpus by methods fitted on another one" in result.stdout
    rows = rows_of(tmp_path / "run")
    found = rows.groupby(["fitted_on", "corpus"]).size().to_dict()
    names = ("north", "south", "east")
    assert found == {(teacher, pupil): 8 * 2 for teacher in names for pupil in names if pupil != teacher}
    assert rows["fold"].nunique() == 6
    report = (tmp_path / "run" / "report.md").read_text()
    assert "Everything above is about whole, learnt from north." in report
    page = (tmp_path / "run" / "index.html").read_text()
    assert "each corpus by methods fitted on another one" in page
    assert "no group in two of them" not in page  # that is said of folds
    for name in names:
        assert f"whole, learnt from {name} (n = 16)" in report


def test_views_and_pairs_multiply(keybench, write_experiment, tmp_path, three_corpora):
    path = write_experiment(
        corpora=three_corpora, estimators='["last-note"]', more='views = ["whole", "opening-4-notes"]'
    )
    path.write_text(path.read_text().replace("folds = 3", 'by = "corpus pairs"'))
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet").exit_code == 0
    conditions = rows_of(tmp_path / "run")[["view", "fitted_on"]].drop_duplicates()
    assert list(conditions.itertuples(index=False, name=None)) == [
        (view, name) for view in ("whole", "opening-4-notes") for name in ("north", "south", "east")
    ]


def test_a_resumed_run_of_several_views_is_the_run_itself(keybench, write_experiment, monkeypatch, tmp_path):
    from keybench.runs import runner

    path = write_experiment(more='views = ["whole", "transposed"]\nfit_view = "whole"')
    real, calls = runner._run_task, []

    def stop_after_two(*arguments):
        if len(calls) == 2:
            raise KeyboardInterrupt
        calls.append(arguments)
        return real(*arguments)

    monkeypatch.setattr(runner, "_run_task", stop_after_two)
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet", "--jobs", "1").exit_code == 130
    assert len(list((tmp_path / "run" / "parts").glob("*.parquet"))) == 4  # a part for each view
    monkeypatch.setattr(runner, "_run_task", real)
    assert keybench("run", path, "--out", tmp_path / "run", "--quiet", "--resume").exit_code == 0
    assert keybench("run", path, "--out", tmp_path / "whole", "--quiet").exit_code == 0
    one, two = (pq.read_table(tmp_path / n / "predictions.parquet").drop_columns(["seconds"]) for n in ("run", "whole"))
    assert one.equals(two)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ('view = "whole"\nviews = ["whole"]', "'view' and 'views' are both given"),
        ('views = ["whole", "whole"]', "'whole' twice"),
        ('views = ["sideways"]', "unknown view 'sideways'"),
        ('views = "whole"', "'views' is 'whole'; accepted: a list"),
        ("views = [3]", "unknown view '3'"),
        ('fit_view = "sideways"', "unknown view 'sideways'"),
        ("view_seed = -1", "'view_seed' is -1; accepted: 0 or more"),
        ("view_seed = true", "'view_seed' is True"),
        ('views = ["whole", "chroma"]', "show different media"),
        ('task = "chords"', "'task' holds 'chords'; accepted: key, sections"),
    ],
)
def test_views_that_cannot_be_meant(keybench, write_experiment, tmp_path, more, says):
    result = keybench(
        "run", write_experiment(estimators='["last-note"]', more=more), "--out", tmp_path / "run", "--quiet"
    )
    assert result.exit_code == 2, result.output
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert says in lines[0]
