"""Secondary truth: labels not sure enough for a headline are reported apart and never pooled with sure ones."""

import json
import re

import pyarrow.parquet as pq
import pytest

from keybench.report.build import derive
from keybench.resources import shipped

DEMO = shipped("experiments") / "demo"
TUNES = [f"X:{tune}" for tune in (DEMO / "lantern-bay.abc").read_text().split("X:")[1:]]


def write_corpus(tmp_path, name, tunes, headline):
    (tmp_path / name).mkdir(exist_ok=True)
    (tmp_path / name / "tunes.abc").write_text("".join(tunes))
    (tmp_path / f"{name}.toml").write_text(
        f'headline = {str(headline).lower()}\n[origin]\nfolder = "{name}"\n[reader]\nformat = "abc"\n'
    )


@pytest.fixture
def run(keybench, write_experiment, tmp_path):
    """Run two methods on corpora given as name=(tunes, headline); returns the run directory and what was printed."""

    def call(out, split="folds = 3", **corpora):
        for name, (tunes, headline) in corpora.items():
            write_corpus(tmp_path, name, tunes, headline)
        path = write_experiment(
            corpora=json.dumps([f"{name}.toml" for name in corpora]), estimators='["last-note", "most-common-key"]'
        )
        path.write_text(path.read_text().replace("folds = 3", split))
        result = keybench("run", path, "--out", tmp_path / out, "--quiet")
        assert result.exit_code == 0, result.output
        return tmp_path / out, result.stdout

    return call


def scores(out, corpus):
    """Rows of scores.json of one corpus, without times, which are never the same."""
    rows = json.loads((out / "scores.json").read_text())["scores"]
    return [row for row in rows if row["corpus"] == corpus and row["metric"] != "ms_per_piece"]


def value(rows, estimator, metric):
    (row,) = [row for row in rows if (row["estimator"], row["metric"]) == (estimator, metric)]
    return row["value"], row["n"]


def relabelled(tunes):
    """The same tunes with keys that nobody hears in them."""
    return [re.sub(r"(?m)^K:.*$", "K:F#loc", tune) for tune in tunes]


def test_the_pooled_rows_count_headline_pieces_only(run):
    out, printed = run("run", sure=(TUNES[:14], True), unsure=(TUNES[14:], False))
    rows = pq.read_table(out / "predictions.parquet").to_pandas()
    assert rows.groupby(["corpus", "headline"]).size().to_dict() == {("sure", True): 28, ("unsure", False): 20}
    pooled, sure, unsure = (scores(out, name) for name in ("all", "sure", "unsure"))
    assert len(pooled) > 20
    for row in pooled:
        assert row["n"] <= 14
    for method in ("last-note", "most-common-key"):
        for metric in ("exact", "tonic", "mir_eval_weighted", "weighted_both_fifths", "log_loss", "failures"):
            assert value(pooled, method, metric) == value(sure, method, metric)
            assert value(pooled, method, metric)[1] == 14
            assert value(unsure, method, metric)[1] == 10
    assert "14 pieces" in printed
    assert "24 pieces" not in printed


def test_the_report_counts_headline_pieces_only(run):
    out, _ = run("run", sure=(TUNES[:14], True), unsure=(TUNES[14:], False))
    report = derive(out)
    assert not report.secondary
    for by_metric in report.scores["all"].values():
        assert by_metric["exact"].n == 14
    assert report.scores["unsure"]["last-note"]["exact"].n == 10
    assert sum(row["n"] for row in report.confusion) == 14
    for _, points in report.reliability:
        assert sum(n for *_, n in points) == 14
    page, text = (out / "index.html").read_text(), (out / "report.md").read_text()
    assert "14 pieces from" in page
    assert "24 pieces" not in page
    assert "All 14 pieces in" in text
    assert "unsure (n = 10)" in text
    for shown in (page, text):
        assert shown.count("Secondary truth: never part of a headline number") == 1  # said of the one corpus


def test_the_report_counts_the_groups_of_what_it_pools(run):
    out, printed = run("run", sure=(TUNES[:14], True), unsure=(TUNES[14:], False))
    groups = pq.read_table(out / "predictions.parquet").to_pandas().groupby("headline")["group"].nunique()[True]
    assert groups <= 14
    assert f"All 14 pieces in {groups} groups" in (out / "report.md").read_text()
    assert f"{groups} groups of related pieces" in (out / "index.html").read_text()
    assert f"14 pieces in {groups} groups" in printed


def test_labels_that_are_wrong_throughout_change_no_pooled_number(run):
    # By pairs, so that nothing is learnt from the unsure labels where the sure ones are answered for.
    good, _ = run("good", split='by = "corpus pairs"', sure=(TUNES[:8], True), other=(TUNES[8:14], True),
                  unsure=(TUNES[14:], False))  # fmt: skip
    bad, _ = run("bad", split='by = "corpus pairs"', sure=(TUNES[:8], True), other=(TUNES[8:14], True),
                 unsure=(relabelled(TUNES[14:]), False))  # fmt: skip

    def of(out, corpus):
        return [row for row in scores(out, corpus) if row["fitted_on"] != "unsure"]

    assert of(good, "all") == of(bad, "all")
    assert of(good, "unsure") != of(bad, "unsure")
    assert all(row["value"] == 0 for row in of(bad, "unsure") if row["metric"] == "exact")


def test_an_experiment_on_secondary_truth_alone_says_so(run):
    out, printed = run("run", unsure=(TUNES[:14], False), vague=(TUNES[14:], False))
    report = derive(out)
    assert report.secondary
    assert report.scores["all"]["last-note"]["exact"].n == 24
    assert "24 pieces" in printed
    page, text = (out / "index.html").read_text(), (out / "report.md").read_text()
    # Said before any figure, not only among the facts about the data.
    assert "Secondary truth" in text[: text.index("## What to ship")]
    assert "Secondary truth" in page[: page.index("What to ship")]
    for shown in (printed, page, text):
        assert "No recommendation: the truth here is secondary." in shown
        assert "Ship " not in shown


def test_an_experiment_on_sure_truth_does_not_say_so(run):
    out, _ = run("run", sure=(TUNES[:14], True), other=(TUNES[14:], True))
    assert not derive(out).secondary
    assert derive(out).recommendation.words[0].startswith("Ship last-note.")
    assert value(scores(out, "all"), "last-note", "exact")[1] == 24
    for name in ("index.html", "report.md"):
        assert "Secondary truth" not in (out / name).read_text()


def test_nothing_is_learnt_from_an_unsure_corpus(run):
    out, _ = run("run", split='by = "corpus pairs"', sure=(TUNES[:14], True), unsure=(TUNES[14:], False))
    assert [condition.fitted_on for condition in derive(out).conditions] == ["sure"]
    assert {row["n"] for row in scores(out, "unsure") if row["metric"] == "exact"} == {10}
    assert derive(out).secondary, "no sure piece was answered for"


def test_own_files_without_stated_counts_are_not_called_other_data(run):
    out, _ = run("run", mine=(TUNES, True))
    for name in ("index.html", "report.md"):
        assert "The manifest states" not in (out / name).read_text()


def test_a_manifest_that_states_the_right_counts_is_not_called_short(keybench, tmp_path):
    # Two tunes whose key names no mode are left out, as the manifest states: the copy is whole all the same.
    (tmp_path / "tunes.abc").write_text("".join(TUNES) + "X:90\nL:1/4\nK:Hp\nABcd|\n\nX:91\nL:1/4\nK:Hp\nABcd|\n")
    text = (DEMO / "lantern-bay.toml").read_text().replace("pieces = 24", "pieces = 26")
    (tmp_path / "mine.toml").write_text(text)
    (tmp_path / "trial.toml").write_text(
        'schema = 1\nname = "trial"\nquestion = "Which?"\ncorpora = ["mine.toml"]\nestimators = ["last-note"]\n'
    )
    assert keybench("run", tmp_path / "trial.toml", "--out", tmp_path / "run", "--quiet").exit_code == 0
    for name in ("index.html", "report.md"):
        text = (tmp_path / "run" / name).read_text()
        assert "not the data it was checked against" not in text
        assert "The origin has" not in text
