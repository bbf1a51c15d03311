"""Scores on fixture triples (reference, estimate, expected), and against mir_eval and brute force."""

from dataclasses import replace

import mir_eval
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.key import (
    MAJOR,
    MINOR,
    N_KEYS,
    NO_MODE,
    Key,
    format_keys,
    keys_on,
    parse_key,
    parse_keys,
    parse_label,
    transpose_keys,
    truth_mask,
)
from keybench.scores import calibration, global_key, table
from keybench.stats.intervals import GroupBootstrap

MAJOR_MINOR = [Key(t, m) for m in (MAJOR, MINOR) for t in range(12)]


def one(score, truth, predicted, **options):
    mask = truth_mask([parse_keys(truth)])
    index = -1 if predicted is None else parse_key(predicted).index
    return float(score(np.array([index]), mask, **options)[0])


@pytest.mark.parametrize(
    ("truth", "predicted", "exact", "tonic", "weighted", "both_fifths"),
    [  # weighted column: the table in mir_eval's documentation of key.weighted_score
        ("C major", "C major", 1, 1, 1.0, 1.0),
        ("C major", "G major", 0, 0, 0.5, 0.5),
        ("C major", "F major", 0, 0, 0.0, 0.5),
        ("C major", "A minor", 0, 0, 0.3, 0.3),
        ("A minor", "C major", 0, 0, 0.3, 0.3),
        ("C major", "C minor", 0, 1, 0.2, 0.2),
        ("C major", "F-sharp major", 0, 0, 0.0, 0.0),
        ("G Dorian", "G minor", 0, 1, 1.0, 1.0),  # both project to G minor
        ("G Dorian or G minor", "G minor", 1, 1, 1.0, 1.0),
        ("G Dorian or G minor", "G Dorian", 1, 1, 1.0, 1.0),
        ("D Mixolydian", "D major", 0, 1, 1.0, 1.0),
        ("D Mixolydian", "G major", 0, 0, 0.0, 0.5),
        ("C major", None, 0, 0, 0.0, 0.0),  # a failure is wrong everywhere
    ],
)
def test_fixture_triples(truth, predicted, exact, tonic, weighted, both_fifths):
    assert one(global_key.exact, truth, predicted) == exact
    assert one(global_key.tonic, truth, predicted) == tonic
    assert one(global_key.mir_eval_weighted, truth, predicted) == pytest.approx(weighted)
    assert one(global_key.mir_eval_weighted, truth, predicted, both_fifths=True) == pytest.approx(both_fifths)


def test_weighted_equals_mir_eval_on_all_24_by_24_pairs():
    pairs = 0
    for reference in MAJOR_MINOR:
        for estimate in MAJOR_MINOR:
            expected = mir_eval.key.weighted_score(reference.to_mir_eval(), estimate.to_mir_eval())
            got = global_key.mir_eval_weighted(np.array([estimate.index]), truth_mask([[reference]]))[0]
            assert got == pytest.approx(expected), (reference, estimate)
            pairs += 1
    assert pairs == 576


def test_both_fifths_differs_from_mir_eval_only_a_fifth_below():
    below = 0
    for reference in MAJOR_MINOR:
        for estimate in MAJOR_MINOR:
            args = np.array([estimate.index]), truth_mask([[reference]])
            plain = global_key.mir_eval_weighted(*args)[0]
            both = global_key.mir_eval_weighted(*args, both_fifths=True)[0]
            if estimate == reference.transpose(-7):
                assert (plain, both) == (0.0, 0.5)
                below += 1
            else:
                assert plain == both
    assert below == 24


@settings(max_examples=60, deadline=None)
@given(st.integers(0, N_KEYS - 1), st.sets(st.integers(0, N_KEYS - 1), min_size=1, max_size=4), st.integers(-12, 12))
def test_scores_do_not_change_when_both_sides_are_transposed(predicted, accepted, k):
    truth = np.zeros((1, N_KEYS), dtype=bool)
    truth[0, list(accepted)] = True
    guess = np.zeros((1, N_KEYS), dtype=bool)
    guess[0, predicted] = True
    moved_truth, moved = transpose_keys(truth, k), transpose_keys(guess, k).argmax(axis=1)
    for score in (global_key.exact, global_key.tonic, global_key.mir_eval_weighted):
        assert score(np.array([predicted]), truth)[0] == score(moved, moved_truth)[0]


@pytest.mark.parametrize(
    ("predicted", "truth", "word"),
    [
        ([0, 1], np.ones((1, N_KEYS)), "shapes"),
        ([N_KEYS], np.ones((1, N_KEYS)), "run from"),
        ([0], np.zeros((1, N_KEYS)), "no acceptable key"),
    ],
)
def test_bad_arrays_are_refused_by_name(predicted, truth, word):
    with pytest.raises(ValueError, match=word):
        global_key.exact(np.array(predicted), truth)


def test_log_loss_by_hand():
    p = np.full((3, N_KEYS), 0.5 / 82)
    p[:, 0], p[:, 1] = 0.3, 0.2
    truth = np.zeros((3, N_KEYS), dtype=bool)
    truth[0, 0] = truth[1, [0, 1]] = truth[2, 0] = True
    log_p = np.log(p)
    log_p[2] = np.nan
    # Worked by hand: -ln .3, -ln(.3 + .2), and a failure counts as one in a million.
    assert calibration.log_loss(log_p, truth) == pytest.approx([-np.log(0.3), -np.log(0.5), np.log(1e6)])


def test_calibration_error_by_hand():
    # Two bins of two: mean confidence .55 with none right, mean confidence .95 with one of two right.
    confidence = np.array([0.9, 0.5, 1.0, 0.6])
    right = np.array([1.0, 0.0, 0.0, 0.0])
    assert calibration.calibration_error(confidence, right, n_bins=2) == pytest.approx((0.55 + 0.45) / 2)


@pytest.mark.parametrize(
    ("n", "low", "high"), [(4000, 0.5, 1.0), (500, 0.2, 0.99), (300, 0.99, 0.999), (60, 0.3, 0.9), (1000, 0.0, 0.05)]
)
def test_calibration_floor_is_what_simulation_gives(n, low, high):
    rng = np.random.default_rng(n)
    confidence = rng.uniform(low, high, n)
    errors = [calibration.calibration_error(confidence, (rng.random(n) < confidence).astype(float)) for _ in range(400)]
    assert calibration.calibration_floor(confidence) == pytest.approx(np.mean(errors), rel=0.15)


def test_calibration_floor_of_certainty_and_of_nothing_is_zero():
    assert calibration.calibration_floor(np.ones(40)) == 0.0
    assert calibration.calibration_floor(np.zeros(0)) == 0.0


@settings(max_examples=40, deadline=None)
@given(st.integers(15, 400), st.integers(0, 1000))
def test_equal_mass_bins_hold_equal_numbers(n, seed):
    bins = calibration.equal_mass_bins(np.random.default_rng(seed).random(n))
    sizes = np.bincount(bins, minlength=calibration.N_BINS)
    assert len(sizes) == calibration.N_BINS
    assert sizes.max() - sizes.min() <= 1


def answers(labels, predicted, accepted=None, p=0.9, corpus=None, headline=None, strata=None):
    written = np.array([parse_label(text) for text in labels])
    guess = np.array([-1 if text is None else parse_key(text).index for text in predicted])
    n = len(written)
    log_proba = np.log(np.full((n, N_KEYS), (1 - p) / (N_KEYS - 1)))
    log_proba[np.arange(n), np.maximum(guess, 0)] = np.log(p)
    log_proba[guess < 0] = np.nan
    usual = [[Key(t, m)] if m != NO_MODE else keys_on(t) for t, m in written.tolist()]
    return table.Answers(
        piece=np.array([f"x:{i}" for i in range(n)]),
        corpus=np.full(n, "x") if corpus is None else np.array(corpus),
        fold=np.arange(n) % 2,
        group=np.arange(n),
        tonic=written[:, 0],
        mode=written[:, 1],
        predicted=guess,
        truth=truth_mask(usual if accepted is None else accepted),
        log_proba=log_proba,
        seconds=np.full(n, 0.002),
        error=np.where(guess < 0, "boom", ""),
        headline=np.ones(n, dtype=bool) if headline is None else np.array(headline),
        strata=objects([()] * n if strata is None else strata),
        n_notes=np.full(n, 40),
        n_pitch_classes=np.full(n, 7),
        n_keys=np.zeros(n, dtype=int),
    )


def objects(tuples):
    """An object array of tuples."""
    array = np.empty(len(tuples), dtype=object)
    array[:] = tuples
    return array


def test_measures_by_hand():
    labels = ["C major"] * 20 + ["D Dorian"] * 20 + ["E minor"] * 3
    predicted = ["C major"] * 15 + ["A minor"] * 4 + [None] + ["D Dorian"] * 8 + ["D minor"] * 12 + ["E minor"] * 3
    a = answers(labels, predicted)
    m = table.measure(a, GroupBootstrap(a.group, 200))
    assert m["exact"].value == pytest.approx(26 / 43)
    assert m["tonic"].value == pytest.approx(38 / 43)
    assert (m["mode_given_tonic"].value, m["mode_given_tonic"].n) == (pytest.approx(26 / 38), 38)
    assert m["recall_major"].value == pytest.approx(15 / 20)
    assert m["recall_dorian"].value == pytest.approx(8 / 20)
    assert (m["recall_minor"].value, m["recall_minor"].n) == (1.0, 3)
    assert "recall_locrian" not in m
    # Minor has fewer than 20 pieces and stays out of the mean.
    assert (m["mean_mode_recall"].value, m["mean_mode_recall"].n) == (pytest.approx((15 / 20 + 8 / 20) / 2), 40)
    assert m["failures"].value == 1
    assert m["ms_per_piece"].value == pytest.approx(2.0)
    assert m["calibration_error"].n == 42
    for name, e in m.items():
        assert e.low <= e.value <= e.high or name == "calibration_error", name


def test_mean_over_modes_without_enough_pieces_is_not_measured():
    a = answers(["C major"] * 3, ["C major"] * 3)
    e = table.measure(a, GroupBootstrap(a.group, 200))["mean_mode_recall"]
    assert e.n == 0
    assert np.isnan(e.value)


# --- Home notes without a mode ---------------------------------------------------------------------------------------


def test_a_home_note_alone_is_not_held_against_the_mode():
    a = answers(["G", "G", "G", "G"], ["G major", "G Dorian", "D major", None])
    m = table.measure(a, GroupBootstrap(a.group, 200))
    assert (m["exact"].value, m["tonic"].value) == (0.5, 0.5)
    assert (m["mode_given_tonic"].value, m["mode_given_tonic"].n) == (1.0, 2)
    assert not [name for name in m if name.startswith("recall_")]
    assert m["mean_mode_recall"].n == 0
    # The answered key is compared with the key of its own mode on the labelled note.
    written = [parse_key(text).index for text in ("G major", "G Dorian", "G major", "G major")]
    assert a.reference().tolist() == written


def test_pieces_with_and_without_a_mode_mix():
    a = answers(["G", "G minor", "G minor"], ["G minor", "G minor", "G major"])
    m = table.measure(a, GroupBootstrap(a.group, 200))
    assert (m["recall_minor"].value, m["recall_minor"].n) == (0.5, 2)
    assert m["exact"].value == pytest.approx(2 / 3)
    assert a.reference().tolist() == [parse_key("G minor").index] * 3


# --- Which pieces a row counts ---------------------------------------------------------------------------------------


def counted(answers, secondary=False):
    return {(corpus, stratum): int(mask.sum()) for corpus, stratum, mask in table.subsets(answers, secondary)}


def two_corpora(headline, strata=None):
    corpus = ["sure"] * 30 + ["unsure"] * 25
    return answers(["C major"] * 55, ["C major"] * 55, corpus=corpus, headline=headline, strata=strata)


def test_the_pool_counts_headline_pieces_only():
    a = two_corpora([True] * 30 + [False] * 25)
    assert counted(a) == {("all", "all"): 30, ("sure", "all"): 30, ("unsure", "all"): 25}
    (_, _, pooled), *_ = table.subsets(a)
    assert set(a.corpus[pooled]) == {"sure"}


def test_the_pool_counts_all_where_none_may_enter_a_headline():
    assert counted(two_corpora([False] * 55), secondary=True)["all", "all"] == 55
    assert ("all", "all") not in counted(two_corpora([False] * 55))
    assert counted(two_corpora([True] * 55))["all", "all"] == 55


def test_strata_are_of_the_headline_and_need_pieces_enough():
    strata = [("early",)] * 19 + [("late", "loud")] * 11 + [("early", "unsure")] * 25
    assert counted(two_corpora([True] * 30 + [False] * 25, strata)) == {
        ("all", "all"): 30, ("sure", "all"): 30, ("unsure", "all"): 25,
    }  # fmt: skip
    strata[19] = ("early", "late")
    found = counted(two_corpora([True] * 30 + [False] * 25, strata))
    assert found["all", "early"] == table.MIN_PIECES_PER_STRATUM == 20
    assert set(found) == {("all", "all"), ("sure", "all"), ("unsure", "all"), ("all", "early")}
    # All pieces count where no truth is sure, and so do their strata.
    found = counted(two_corpora([False] * 55, strata), secondary=True)
    assert (found["all", "early"], found["all", "unsure"]) == (45, 25)


def test_a_stratum_of_all_pieces_says_nothing_new():
    assert ("all", "loud") not in counted(two_corpora([True] * 55, [("loud",)] * 55))
    assert counted(two_corpora([True] * 55, [("loud",)] * 54 + [()]))["all", "loud"] == 54


# --- From stored rows to scores --------------------------------------------------------------------------------------


def stored(*conditions):
    """Rows as a run stores them: (view, fitted_on, method, pieces) by condition, and their log-probabilities."""
    rows, log_proba = [], []
    for view, fitted_on, method, pieces in conditions:
        for piece, corpus, label, truth, predicted, headline, strata in pieces:
            log_p = np.full(N_KEYS, np.nan)
            if predicted is not None:
                log_p = np.log(np.full(N_KEYS, 0.1 / (N_KEYS - 1)))
                log_p[parse_key(predicted).index] = np.log(0.9)
            log_proba.append(log_p)
            rows.append(
                {"experiment": "trial", "corpus": corpus, "headline": headline, "view": view, "fitted_on": fitted_on,
                 "labels": "modes", "fold": 0, "estimator": method, "piece": piece, "group": ord(piece[-1]),
                 "strata": np.array(strata, dtype=object), "label": label, "truth": truth, "predicted": predicted,
                 "n_notes": 40, "n_pitch_classes": 7, "n_keys": 0, "truth_sections": None, "sections": None,
                 "seconds": 0.001, "error": "" if predicted else "boom"}
            )  # fmt: skip
    return pd.DataFrame(rows), np.array(log_proba)


SURE = [
    ("sure:b", "sure", "B-flat", format_keys(keys_on(10)), "B-flat minor", True, ["loud"]),
    ("sure:a", "sure", "G minor", "G Dorian or G minor", "G Dorian", True, ["loud", "early"]),
]
UNSURE = [("unsure:c", "unsure", "C major", "C major", None, False, [])]


def test_stored_rows_come_back_as_answers():
    by_condition = table.answers_by_condition(
        *stored(
            ("whole", "other folds", "m", SURE + UNSURE),
            ("opening-4-notes", "other folds", "m", UNSURE + SURE),
            ("whole", "other folds", "k", UNSURE + SURE[::-1]),
        )
    )
    assert list(by_condition) == [
        table.Condition("whole", "other folds"), table.Condition("opening-4-notes", "other folds"),
    ]  # fmt: skip
    assert list(by_condition[table.Condition("whole", "other folds")]) == ["m", "k"]
    for by_method in by_condition.values():
        for a in by_method.values():
            assert a.piece.tolist() == ["sure:a", "sure:b", "unsure:c"]  # one order for all methods
            assert a.corpus.tolist() == ["sure", "sure", "unsure"]
            assert a.headline.tolist() == [True, True, False]
            assert (a.tonic.tolist(), a.mode.tolist()) == ([7, 10, 0], [MINOR, NO_MODE, MAJOR])
            assert a.predicted.tolist() == [parse_key("G Dorian").index, parse_key("B-flat minor").index, -1]
            assert a.strata.tolist() == [("loud", "early"), ("loud",), ()]
            assert a.truth.sum(axis=1).tolist() == [2, 7, 1]
            assert a.log_proba[:2].argmax(axis=1).tolist() == a.predicted[:2].tolist()
            assert np.isnan(a.log_proba[2]).all()
            assert a.error.tolist() == ["", "", "boom"]
            assert a.over_time is None


def rows_of(*conditions):
    return table.score_rows(table.answers_by_condition(*stored(*conditions)), "trial", "modes", 100, 0)


def many(corpus, predicted, headline):
    return [(f"{corpus}:{i:02}", corpus, "C major", "C major", p, headline, []) for i, p in enumerate(predicted)]


def test_every_condition_has_rows_of_its_own():
    right, wrong = many("sure", ["C major"] * 4, True), many("sure", ["G major"] * 4, True)
    rows = rows_of(("whole", "a", "m", right), ("whole", "b", "m", wrong), ("late-start", "a", "m", wrong))
    exact = {(r["view"], r["fitted_on"], r["corpus"]): r["value"] for r in rows if r["metric"] == "exact"}
    assert exact == {
        (view, fitted_on, corpus): value
        for view, fitted_on, value in (("whole", "a", 1.0), ("whole", "b", 0.0), ("late-start", "a", 0.0))
        for corpus in ("all", "sure")
    }
    assert {r["stratum"] for r in rows} == {"all"}


def test_secondary_answers_do_not_touch_the_pooled_rows():
    sure = many("sure", ["C major", "G major", "C major"], True)
    for_better = rows_of(("whole", "a", "m", sure + many("unsure", ["C major"] * 5, False)))
    for_worse = rows_of(("whole", "a", "m", sure + many("unsure", ["G major"] * 4 + [None], False)))

    def of(rows, corpus):
        return [r for r in rows if r["corpus"] == corpus]

    assert of(for_better, "all") == of(for_worse, "all")
    assert {r["n"] for r in of(for_better, "all") if r["metric"] in ("exact", "tonic", "failures")} == {3}
    assert of(for_better, "unsure") != of(for_worse, "unsure")
    assert {r["n"] for r in of(for_better, "unsure") if r["metric"] == "exact"} == {5}


def test_no_condition_pools_secondary_pieces_beside_headline_ones():
    # Corpus pairs of one sure and one unsure corpus: what is learnt from the sure one is tested on the unsure one only.
    rows = rows_of(
        ("whole", "sure", "m", many("unsure", ["C major"] * 5, False)),
        ("whole", "unsure", "m", many("sure", ["C major"] * 3, True)),
    )
    assert {r["n"] for r in rows if r["corpus"] == "all" and r["metric"] == "exact"} == {3}


def test_stated_constants():
    # As the report and the README state them.
    from keybench.corpora.grouping import OPENING_NOTES

    assert calibration.N_BINS == 15
    assert table.MIN_PIECES_PER_MODE == 20
    assert OPENING_NOTES == 24


def test_a_stratum_of_a_few_groups_gets_no_scores():
    # An interval from resampling one composer's pieces as a whole would have no width and say nothing.
    a = two_corpora([True] * 55, [("loud",)] * 30 + [()] * 25)
    assert ("all", "loud") in counted(a)
    few = replace(a, group=np.minimum(a.group, 3))
    assert ("all", "loud") not in counted(few)


def test_the_headline_is_about_the_first_condition_that_has_pieces_of_it():
    # Report and gate both ask here: a condition that tests only doubtful truth is passed over.
    sure, unsure = two_corpora([True] * 55), two_corpora([False] * 55)
    first, second = table.Condition("whole", "sure"), table.Condition("whole", "unsure")
    assert table.main_condition({first: {"m": unsure}, second: {"m": sure}}) == second
    assert table.main_condition({first: {"m": unsure}, second: {"m": unsure}}) == first, "all of it is secondary"
