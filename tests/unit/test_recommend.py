"""The recommendation on made-up answers, each case worked by hand from the rule stated in its module."""

import numpy as np
import pytest

from keybench.key import N_KEYS, parse_key, truth_mask
from keybench.report.recommend import recommend
from keybench.runs.spec import Needs
from keybench.scores import table
from keybench.stats.intervals import GroupBootstrap

N = 200
LABELS = ["C major"] * 140 + ["D Dorian"] * 60


def answers(right, wrong="F-sharp major", seconds=0.001, failed=False):
    """A method that is right where `right` is true, and says `wrong` elsewhere."""
    label = np.array([parse_key(text).index for text in LABELS])
    predicted = np.where(right, label, parse_key(wrong).index)
    log_proba = np.log(np.full((N, N_KEYS), 0.1 / (N_KEYS - 1)))
    log_proba[np.arange(N), predicted] = np.log(0.9)
    if failed:
        predicted, log_proba = np.full(N, -1), np.full((N, N_KEYS), np.nan)
    return table.Answers(
        piece=np.array([f"x:{i}" for i in range(N)]),
        corpus=np.full(N, "x"),
        fold=np.arange(N) % 2,
        group=np.arange(N),
        tonic=label % 12,
        mode=label // 12,
        predicted=predicted,
        truth=truth_mask([[parse_key(text)] for text in LABELS]),
        log_proba=log_proba,
        seconds=np.full(N, seconds),
        error=np.full(N, "boom" if failed else ""),
        headline=np.ones(N, dtype=bool),
        strata=no_strata(N),
        n_notes=np.full(N, 40),
        n_pitch_classes=np.full(N, 7),
        n_keys=np.zeros(N, dtype=int),
    )


def no_strata(n):
    strata = np.empty(n, dtype=object)
    strata.fill(())
    return strata


def first(n):
    return np.arange(N) < n


def judge(methods, simplicity=None, secondary=False, labels="modes", **needs):
    bootstrap = GroupBootstrap(np.arange(N), 400)
    measures = {name: table.measure(a, bootstrap) for name, a in methods.items()}
    ranks = simplicity or dict.fromkeys(methods, 1)
    return recommend(methods, measures, ranks, Needs(**needs), bootstrap, labels, secondary=secondary)


def test_the_clear_leader_is_recommended():
    r = judge({"good": answers(first(190)), "poor": answers(first(120))})
    assert (r.name, r.as_good) == ("good", [])
    assert any("No other method" in sentence for sentence in r.words)


def test_of_those_not_told_apart_the_simplest_is_recommended():
    methods = {"clever": answers(first(181)), "plain": answers(first(180)), "poor": answers(first(80))}
    r = judge(methods, {"clever": 5, "plain": 2, "poor": 1})
    assert r.name == "plain"
    assert r.as_good == ["clever"]
    assert r.simpler == "poor"
    assert r.margin.value == pytest.approx(0.5)


def test_of_equally_simple_ones_the_faster():
    r = judge({"slow": answers(first(180), seconds=0.01), "fast": answers(first(180), seconds=0.001)})
    assert r.name == "fast"


def test_needs_decide_before_accuracy():
    # "major" is right more often, but names no Dorian piece.
    methods = {"major": answers(first(140)), "even": answers(np.arange(N) % 3 != 0)}
    r = judge(methods, modes=("major", "dorian"), min_mode_recall=0.6)
    assert r.name == "even"
    assert r.most_often_right == "major"
    assert any("right most often" in sentence for sentence in r.words)


def test_nothing_meets_the_needs():
    r = judge({"a": answers(first(100)), "b": answers(first(90))}, min_exact=0.9)
    assert (r.name, r.nearest) == (None, "a")
    assert "No method here meets every stated need" in r.words[0]
    assert [check.met for check in r.needs] == [False]


def test_a_mode_that_never_occurs_is_neither_met_nor_missed():
    r = judge({"a": answers(first(200))}, modes=("major", "locrian"), min_mode_recall=0.5)
    assert r.name == "a"
    assert [(check.met, check.judged) for check in r.needs] == [(False, False)]
    assert "not measured, too few pieces: Locrian (0 pieces)" in r.needs[0].measured
    assert r.words[0] == "Ship a.", "it does not claim to meet what nobody measured"
    assert r.words[1].startswith("Not judged, for lack of pieces: ")
    r = judge({"a": answers(first(200))}, modes=("major", "locrian"), min_mode_recall=0.5, min_exact=0.1)
    assert r.words[0] == "Ship a. It meets every stated need that these pieces can judge."


def test_one_method_that_failed_everywhere_still_makes_sense():
    r = judge({"broken": answers(first(0), failed=True)}, min_exact=0.1)
    assert (r.name, r.nearest, r.margin) == (None, "broken", None)
    assert r.words
    assert r.cautions


def test_nothing_is_recommended_by_secondary_truth():
    methods = {"good": answers(first(190)), "poor": answers(first(120))}
    r = judge(methods, secondary=True)
    assert r.words[0] == "No recommendation: the truth here is secondary. Of these methods good does best by the rule."
    assert not any(sentence.startswith("Ship") for sentence in r.words)
    assert judge(methods).words[0].startswith("Ship good.")


def test_cautions_speak_of_the_labels_that_are_asked_for():
    methods = {"major": answers(first(140), wrong="C major")}
    assert not any("Locrian" in sentence for sentence in judge(methods, labels="major-minor").cautions)
    tonic = judge(methods, labels="tonic").cautions
    assert tonic[0] == "The mode: these labels name home notes only, so nothing was measured."
    assert not any("Dorian" in sentence for sentence in tonic)


def test_cautions_name_weak_modes_and_missing_ones():
    r = judge({"major": answers(first(140), wrong="C major")})
    text = "\n".join(r.cautions)
    assert "Dorian: right in 0 of 100" in text
    assert "most often says major" in text
    assert "Locrian: nothing measured" in text
