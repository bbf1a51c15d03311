"""Scores on fixture triples (reference, estimate, expected), and against mir_eval and brute force."""

import mir_eval
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.key import MAJOR, MINOR, N_KEYS, Key, parse_key, parse_keys, transpose_keys, truth_mask
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


@settings(max_examples=40, deadline=None)
@given(st.integers(15, 400), st.integers(0, 1000))
def test_equal_mass_bins_hold_equal_numbers(n, seed):
    bins = calibration.equal_mass_bins(np.random.default_rng(seed).random(n))
    sizes = np.bincount(bins, minlength=calibration.N_BINS)
    assert len(sizes) == calibration.N_BINS
    assert sizes.max() - sizes.min() <= 1


def answers(labels, predicted, accepted=None, p=0.9):
    label = np.array([parse_key(text).index for text in labels])
    guess = np.array([-1 if text is None else parse_key(text).index for text in predicted])
    log_proba = np.log(np.full((len(label), N_KEYS), (1 - p) / (N_KEYS - 1)))
    log_proba[np.arange(len(label)), np.maximum(guess, 0)] = np.log(p)
    log_proba[guess < 0] = np.nan
    return table.Answers(
        piece=np.array([f"x:{i}" for i in range(len(label))]),
        corpus=np.full(len(label), "x"),
        group=np.arange(len(label)),
        label=label,
        predicted=guess,
        truth=truth_mask([[parse_key(t)] for t in labels] if accepted is None else accepted),
        log_proba=log_proba,
        seconds=np.full(len(label), 0.002),
        error=np.where(guess < 0, "boom", ""),
    )


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


def test_stated_constants():
    # As the report and the README state them.
    from keybench.corpora.grouping import OPENING_NOTES

    assert calibration.N_BINS == 15
    assert table.MIN_PIECES_PER_MODE == 20
    assert OPENING_NOTES == 24
