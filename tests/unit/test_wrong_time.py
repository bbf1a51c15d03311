"""What wrong time is made of: fixture triples worked by hand, and the share of the time that is right."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.key import N_KEYS, RELATIONS, parse_key, parse_keys
from keybench.report.wrong_time import count_wrong_time, wrong_times
from keybench.scores.sections import Stretch, shares
from keybench.scores.table import ALL, Answers
from keybench.scores.wrong_time import LENGTHS, SITUATIONS, wrong_time

EARLY, LATE, MISSED, STRAYED, THIRD, SILENT = SITUATIONS
SHORT, MIDDLE, LONG = LENGTHS


def stretches(*parts):
    """Stretches from (start, end, keys in words)."""
    return [Stretch(a, b, tuple(sorted(key.index for key in parse_keys(keys)))) for a, b, keys in parts]


def named(found):
    """Wrong time as {(situation, relation, length): time}."""
    return {(SITUATIONS[i], RELATIONS[j], LENGTHS[k]): found.wrong[i, j, k] for i, j, k in np.argwhere(found.wrong > 0)}


HOME_AWAY_HOME = stretches((0, 20, "C major"), (20, 30, "G major"), (30, 50, "C major"))


@pytest.mark.parametrize(
    ("truth", "answer", "labels", "expected"),
    [
        (HOME_AWAY_HOME, HOME_AWAY_HOME, "modes", {}),
        # The passing key is not heard at all.
        (HOME_AWAY_HOME, stretches((0, 50, "C major")), "modes", {(MISSED, "fifth below", MIDDLE): 10}),
        # Its beginning is named 3 late, its end 4 late: the tolerance is 4.
        (HOME_AWAY_HOME, stretches((0, 23, "C major"), (23, 34, "G major"), (34, 50, "C major")), "modes",
         {(LATE, "fifth below", MIDDLE): 3, (LATE, "fifth above", LONG): 4}),
        # 5 late is more than late; the end, 2 early, is near.
        (HOME_AWAY_HOME, stretches((0, 25, "C major"), (25, 28, "G major"), (28, 50, "C major")), "modes",
         {(MISSED, "fifth below", MIDDLE): 5, (EARLY, "fifth below", MIDDLE): 2}),
        # Another key across a change, right before and after: partly early, partly late.
        (HOME_AWAY_HOME, stretches((0, 19, "C major"), (19, 22, "A minor"), (22, 30, "G major"), (30, 50, "C major")),
         "modes", {(EARLY, "same scale notes", LONG): 1, (LATE, "one scale note apart", MIDDLE): 2}),
        # A key that the label does not have, not at a change: the label stays home.
        (HOME_AWAY_HOME, stretches((0, 5, "C major"), (5, 7, "A minor"), (7, 9, "C minor"), (9, 20, "C major"),
                                   (20, 30, "G major"), (30, 50, "C major")), "modes",
         {(STRAYED, "same scale notes", LONG): 2, (STRAYED, "parallel", LONG): 2}),
        # In the passing key neither home nor the right one.
        (HOME_AWAY_HOME, stretches((0, 20, "C major"), (20, 30, "D major"), (30, 50, "C major")), "modes",
         {(THIRD, "fifth above", MIDDLE): 10}),
        # A short passing key that is passed over touches two changes: missed, not late.
        (stretches((0, 20, "C major"), (20, 23, "G major"), (23, 43, "C major")), stretches((0, 43, "C major")),
         "modes", {(MISSED, "fifth below", SHORT): 3}),
        # At the end of the piece nothing right follows, so it is no late change.
        (stretches((0, 20, "C major"), (20, 23, "A minor")), stretches((0, 23, "C major")), "modes",
         {(MISSED, "same scale notes", SHORT): 3}),
        # Nothing said, and nothing that the label space tells apart.
        (HOME_AWAY_HOME, stretches((0, 20, "C major"), (30, 50, "C Lydian")), "major-minor",
         {(SILENT, "other", MIDDLE): 10}),
        (HOME_AWAY_HOME, [], "modes", {(SILENT, "other", LONG): 40, (SILENT, "other", MIDDLE): 10}),
        # Neighbours with one label are one stretch; those without length are none.
        (stretches((0, 10, "D Dorian"), (10, 10, "A major"), (10, 18, "D minor")), stretches((0, 18, "D major")),
         "major-minor", {(STRAYED, "parallel", LONG): 18}),
        # Lengths: exactly 4 and exactly 16 are in the middle class.
        (stretches((0, 16, "C major"), (16, 20, "G minor"), (20, 50, "F major")), stretches((0, 50, "F major")),
         "modes", {(MISSED, "fifth below", MIDDLE): 16, (MISSED, "one scale note apart", MIDDLE): 4}),
        # Of a set of keys the one in the mode that was answered is held against it.
        (stretches((0, 8, "G Dorian or G minor")), stretches((0, 8, "D minor")), "modes",
         {(STRAYED, "fifth above", MIDDLE): 8}),
        ([], stretches((0, 8, "D minor")), "modes", {}),
    ],
)  # fmt: skip
def test_wrong_time_of_a_piece(truth, answer, labels, expected):
    found = wrong_time(truth, answer, labels)
    assert named(found) == pytest.approx(expected)
    assert found.labelled.sum() == pytest.approx(sum(stretch.end - stretch.start for stretch in truth))


@st.composite
def some_stretches(draw):
    edges = draw(st.lists(st.integers(0, 60), min_size=0, max_size=9, unique=True).map(sorted))
    keys = st.sampled_from([parse_key(name).index for name in ("C major", "G major", "A minor", "C minor", "D Dorian")])
    return [Stretch(float(a), float(b), (draw(keys),)) for a, b in pairwise(edges) if draw(st.booleans())]


@settings(max_examples=150, deadline=None)
@given(some_stretches(), some_stretches(), st.sampled_from(["modes", "major-minor", "tonic"]), st.integers(0, 11))
def test_all_wrong_time_is_sorted_whatever_the_key(truth, answer, labels, up):
    found = wrong_time(truth, answer, labels)
    total = found.labelled.sum()
    right = shares(truth, answer, labels)[0]
    assert found.wrong.sum() == pytest.approx((1 - right) * total, abs=1e-9)
    assert (found.wrong.sum(axis=(0, 1)) <= found.labelled + 1e-9).all()

    def moved(parts):
        return [Stretch(s.start, s.end, tuple(12 * (k // 12) + (k + up) % 12 for k in s.keys)) for s in parts]

    assert np.allclose(wrong_time(moved(truth), moved(answer), labels).wrong, found.wrong)


def answers(*pairs, corpora):
    n = len(pairs)
    held = np.empty(n, dtype=object)
    held[:] = pairs
    right = [shares(truth, answer)[0] for truth, answer in pairs]
    none = np.zeros(n, dtype=np.int64)
    return Answers(
        piece=np.arange(n).astype(str), corpus=np.array(corpora), fold=none, group=none, tonic=none, mode=none,
        predicted=none, truth=np.zeros((n, N_KEYS), dtype=bool), log_proba=np.zeros((n, N_KEYS)), seconds=np.zeros(n),
        error=np.full(n, ""), headline=np.ones(n, dtype=bool), strata=np.full(n, None), n_notes=none,
        n_pitch_classes=none, n_keys=none, over_time=np.column_stack([right, np.zeros((n, 5))]), stretches=held,
    )  # fmt: skip


def test_the_table_of_a_method():
    found = answers(
        (HOME_AWAY_HOME, stretches((0, 50, "C major"))),
        (HOME_AWAY_HOME, HOME_AWAY_HOME),
        (stretches((0, 30, "C major")), stretches((0, 30, "C minor"))),
        corpora=["a", "a", "b"],
    )
    of_all, of_b = wrong_times([("m", ALL), ("m", "b"), ("m", ALL)], {"m": found}, {"m": found}, "modes")
    assert (of_all.about, of_all.n_pieces, of_all.n_failing, of_all.n_half) == ("all pieces", 3, 2, 1)
    assert of_all.share == pytest.approx(40 / 130)
    parts = {name: share for name, share, _ in of_all.situations}
    assert parts == pytest.approx(dict.fromkeys(SITUATIONS, 0.0) | {MISSED: 10 / 40, STRAYED: 30 / 40})
    assert sum(sum(kinds) for _, _, kinds in of_all.situations) == pytest.approx(1)
    lengths = {name: (labelled, wrong, share) for name, labelled, wrong, share, _ in of_all.lengths}
    assert lengths[MIDDLE] == pytest.approx((20 / 130, 10 / 20, 10 / 40))
    assert lengths[LONG] == pytest.approx((110 / 130, 30 / 110, 30 / 40))
    assert (of_b.about, of_b.n_pieces, of_b.share) == ("b", 1, pytest.approx(1.0))


def test_a_method_without_faults_has_no_shares():
    found = count_wrong_time("m", "all pieces", answers((HOME_AWAY_HOME, HOME_AWAY_HOME), corpora=["a"]), "modes")
    assert (found.n_failing, found.share) == (0, 0)
    assert all(share == 0 for _, share, _ in found.situations)
