"""Decision curves, disturbance curves and transposition consistency on fixtures worked by hand."""

import numpy as np
import pandas as pd
import pytest

from keybench.key import N_KEYS, key_at, parse_key
from keybench.scores.consistency import moved_pairs, moves_along, transposition_consistency
from keybench.scores.disturbance import KINDS, disturbance_curve, shares
from keybench.scores.early import WHOLE, decision_curve, openings, settled_after
from keybench.scores.table import Condition, answers_by_condition
from keybench.scores.variants import variants
from keybench.stats.intervals import GroupBootstrap
from keybench.views import read_name


def answers(view, labels, said, sure=0.7, pieces=None):
    """Answers of one method in one view; `said` holds key names, None for failures."""
    n = len(labels)
    log_proba = np.full((n, N_KEYS), np.nan)
    for i, name in enumerate(said):
        if name is not None:
            log_proba[i] = np.log((1 - sure) / (N_KEYS - 1))
            log_proba[i, parse_key(name).index] = np.log(sure)
    rows = pd.DataFrame(
        {
            "view": view, "fitted_on": "other folds", "estimator": "some", "corpus": "c", "labels": "modes",
            "piece": pieces or [f"p{i}" for i in range(n)], "group": np.arange(n), "fold": 0, "headline": True,
            "strata": [[]] * n, "n_notes": 9, "n_pitch_classes": 5, "n_keys": 0, "label": labels, "truth": labels,
            "predicted": said, "truth_sections": [None] * n, "sections": [None] * n, "seconds": 0.1, "error": "",
        }
    )  # fmt: skip
    return answers_by_condition(rows, log_proba)[Condition(view, "other folds")]["some"]


def conditions(*views, fitted_on="other folds"):
    return [Condition(view, fitted_on) for view in views]


def test_openings_are_found_and_sorted():
    given = conditions(
        "opening-8-notes", "whole", "opening-16-notes", "opening-1-notes", "opening-8-beats", "late-start"
    )
    given += conditions("lowest-line + opening-4-notes", "lowest-line") + conditions("opening-2-notes", fitted_on="x")
    given += conditions("chroma", "chroma + opening-5-seconds", "whole with chroma")
    found = openings(given)
    assert set(found) == {*conditions("whole", "lowest-line"), *conditions("whole", fitted_on="x")}
    curve = found[Condition("whole", "other folds")]
    assert list(curve) == [1, 8, 16, WHOLE]
    assert [c.view for c in curve.values()] == ["opening-1-notes", "opening-8-notes", "opening-16-notes", "whole"]
    assert list(found[Condition("lowest-line", "other folds")]) == [4, WHOLE]
    assert list(found[Condition("whole", "x")]) == [2]  # what was heard whole is not there


@pytest.mark.parametrize(
    ("said", "settled"),
    [
        ([5, 5, 5, 5], 1), ([3, 5, 5, 5], 2), ([5, 3, 5, 5], 4), ([5, 5, 5, 3], WHOLE), ([1, 2, 3, 3], 4),
        ([-1, -1, 7, 7], 4), ([7, 7, 7, -1], WHOLE),
    ],
)  # fmt: skip
def test_from_when_an_answer_stands(said, settled):
    assert settled_after(np.array([said]), [1, 2, 4, WHOLE]).tolist() == [settled]


def test_decision_curve_by_hand():
    labels = ["C major", "G Dorian", "D minor", "A major"]
    curve = decision_curve(
        {
            1: answers("opening-1-notes", labels, ["G major", "G minor", "A minor", None], 0.2),
            8: answers("opening-8-notes", labels, ["C major", "G minor", "A minor", "A major"], 0.6),
            WHOLE: answers("whole", labels, ["C major", "G Dorian", "A minor", "A major"], 0.9),
        },
        GroupBootstrap(np.arange(4), 200),
    )
    assert [point.notes for point in curve] == [1, 8, WHOLE]
    assert [point.accuracy.value for point in curve] == [0.0, 0.5, 0.75]
    assert [point.confidence.value for point in curve] == pytest.approx([0.2, 0.6, 0.9])
    assert [point.confidence.n for point in curve] == [3, 4, 4]  # a failure states no probability
    assert [point.settled.value for point in curve] == [0.25, 0.75, 1.0]
    assert all(point.accuracy.low <= point.accuracy.value <= point.accuracy.high for point in curve)


def test_every_disturbance_with_a_share_has_a_curve():
    for kind in KINDS:
        view = kind.replace("P", "20")
        assert read_name(view) == [(kind, 20)]
        found = shares(conditions(view, "whole", kind.replace("P", "5")), kind)
        assert list(found[Condition("whole", "other folds")]) == [0.0, 0.05, 0.2]
    assert shares(conditions("whole", "late-start"), "wrong-notes-P") == {}


def test_disturbance_curve_by_hand():
    labels = ["C major", "G Dorian", "D minor", "A major"]
    curve = disturbance_curve(
        {
            0.0: answers("whole", labels, labels),
            0.2: answers("wrong-notes-20", labels, ["C major", "G Dorian", "D minor", None]),
            0.5: answers("wrong-notes-50", labels, ["C major", "E Dorian", "E minor", None]),
        },
        GroupBootstrap(np.arange(4), 200),
    )
    assert [(point.share, point.accuracy.value) for point in curve] == [(0.0, 1.0), (0.2, 0.75), (0.5, 0.25)]
    assert curve[0].lost is None
    assert [point.lost.value for point in curve[1:]] == [0.25, 0.75]
    assert (curve[2].lost.only_a, curve[2].lost.only_b) == (3, 0)


def test_a_curve_through_different_pieces_is_refused():
    labels = ["C major", "G Dorian"]
    one, other = answers("whole", labels, labels), answers("wrong-notes-5", labels, labels, pieces=["p0", "p7"])
    with pytest.raises(ValueError, match="different pieces"):
        disturbance_curve({0.0: one, 0.05: other}, GroupBootstrap(np.arange(2), 100))
    with pytest.raises(ValueError, match="different pieces"):
        transposition_consistency(one, other, GroupBootstrap(np.arange(2), 100))


@pytest.mark.parametrize(
    ("said", "shift", "said_moved", "expected"),
    [
        ("C major", 2, "D major", 1), ("C major", 2, "C major", 0), ("B minor", 1, "C minor", 1),
        ("B minor", 1, "C Dorian", 0), ("G Dorian", 0, "G Dorian", 1), ("D Mixolydian", 11, "C-sharp Mixolydian", 1),
        (None, 2, None, 0), ("C major", 2, None, 0),
    ],
)  # fmt: skip
def test_moving_along(said, shift, said_moved, expected):
    first, second = (np.array([-1 if name is None else parse_key(name).index]) for name in (said, said_moved))
    assert moves_along(first, second, np.array([shift])).tolist() == [expected]


def test_moving_along_is_transposition_of_every_key():
    said = np.arange(N_KEYS)
    for shift in range(12):
        moved = np.array([key_at(i).transpose(shift).index for i in said])
        assert moves_along(said, moved, np.full(N_KEYS, shift)).all()
        assert not moves_along(said, np.roll(moved, 1), np.full(N_KEYS, shift)).any()


def test_consistency_goes_by_the_labels_interval():
    plain = answers("whole", ["C major", "G Dorian", "D minor"], ["C major", "D Dorian", "D minor"])
    moved = answers("transposed", ["D major", "F Dorian", "D minor"], ["D major", "C Dorian", "E minor"])
    e = transposition_consistency(plain, moved, GroupBootstrap(np.arange(3), 200))
    assert (e.value, e.n) == (pytest.approx(2 / 3), 3)


def test_pairs_of_music_and_moved_music():
    given = conditions("transposed", "whole", "lowest-line + transposed", "opening-8-notes")
    assert moved_pairs(given) == [tuple(conditions("whole", "transposed"))]


def test_a_step_that_stands_twice_is_no_variant():
    assert variants(conditions("wrong-notes-5 + wrong-notes-5"), "wrong-notes-P") == {}
