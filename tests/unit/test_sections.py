"""Keys over time: fixture triples worked by hand, a sampled clock, mir_eval, and the table of scores made of them."""

from itertools import pairwise

import mir_eval
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from keybench.errors import KeyNameError
from keybench.key import LABEL_SPACES, N_KEYS, format_keys, key_at, keys_on, parse_key, parse_keys, project
from keybench.runs import store
from keybench.scores import table
from keybench.scores.sections import BOUNDARY_TOLERANCE, Stretch, boundary_counts, changes, shares
from keybench.stats.intervals import GroupBootstrap

ANY_ON_C = format_keys(keys_on(0))


def stretch(start, end, keys):
    return Stretch(start, end, tuple(sorted(key.index for key in parse_keys(keys))))


def stretches(*parts):
    """Stretches from (start, end, keys in words)."""
    return [stretch(*part) for part in parts]


# --- The share of the time -------------------------------------------------------------------------------------------

C_8 = stretches((0, 8, "C major"))


@pytest.mark.parametrize(
    ("truth", "answer", "labels", "right", "home"),
    [
        (C_8, C_8, "modes", 1, 1),
        (C_8, stretches((0, 4, "C major"), (4, 8, "G major")), "modes", 1 / 2, 1 / 2),
        (C_8, stretches((0, 8, "C minor")), "modes", 0, 1),
        (C_8, stretches((0, 8, "A minor")), "modes", 0, 0),
        # A change that comes late, or early, costs the time in between.
        (stretches((0, 4, "C major"), (4, 8, "G major")), stretches((0, 5, "C major"), (5, 8, "G major")), "modes",
         7 / 8, 7 / 8),
        (stretches((0, 4, "C major"), (4, 8, "G minor")), stretches((0, 1, "C major"), (1, 8, "G major")), "modes",
         1 / 8, 5 / 8),
        # Time without a label does not count, whatever is said of it.
        (stretches((0, 2, "C major"), (6, 8, "G major")), C_8, "modes", 2 / 4, 2 / 4),
        (stretches((4, 8, "C major")), stretches((4, 8, "C major")), "modes", 1, 1),
        # Time without an answer is wrong where there is a label, and nothing where there is none.
        (C_8, stretches((0, 2, "C major"), (6, 8, "C major")), "modes", 4 / 8, 4 / 8),
        (stretches((0, 2, "C major"), (6, 8, "C major")), stretches((0, 2, "C major"), (6, 8, "C major")), "modes",
         1, 1),
        # What is said beyond the labels does not count either way.
        (stretches((4, 8, "C major")), stretches((0, 100, "C major")), "modes", 1, 1),
        (stretches((4, 8, "C major")), stretches((0, 4, "C major"), (8, 9, "C major")), "modes", 0, 0),
        # Any key of the set will do.
        (stretches((0, 4, "G Dorian or G minor")),
         stretches((0, 1, "G minor"), (1, 2, "G Dorian"), (2, 3, "G major"), (3, 4, "D minor")), "modes", 2 / 4, 3 / 4),
        (stretches((0, 4, ANY_ON_C)), stretches((0, 1, "C Lydian"), (1, 4, "F major")), "modes", 1 / 4, 1 / 4),
        # Label spaces: modes with one third are one label, or all on one note are.
        (stretches((0, 4, "D Dorian")), stretches((0, 4, "D minor")), "modes", 0, 1),
        (stretches((0, 4, "D Dorian")), stretches((0, 4, "D minor")), "major-minor", 1, 1),
        (stretches((0, 4, "D Dorian")), stretches((0, 4, "D major")), "major-minor", 0, 1),
        (stretches((0, 4, "C minor")), stretches((0, 4, "C Lydian")), "tonic", 1, 1),
        # Stretches without length weigh nothing, wherever they stand.
        (stretches((0, 0, "G major"), (0, 4, "C major"), (4, 4, "G major"), (4, 8, "C major"), (8, 8, "G major")), C_8,
         "modes", 1, 1),
        (C_8, stretches((0, 0, "G major"), (0, 4, "C major"), (4, 4, "G major"), (4, 8, "C major"), (8, 8, "G major")),
         "modes", 1, 1),
        (C_8, stretches((3, 3, "C major")), "modes", 0, 0),
        # Nothing to compare.
        ([], [], "modes", 0, 0),
        (C_8, [], "modes", 0, 0),
        ([], C_8, "modes", 0, 0),
        (stretches((3, 3, "C major")), C_8, "modes", 0, 0),
        # Times before zero, and halves.
        (stretches((-2, -0.5, "C major")), stretches((-1, 4, "C major")), "modes", 1 / 3, 1 / 3),
    ],
)  # fmt: skip
def test_shares_by_hand(truth, answer, labels, right, home):
    assert shares(truth, answer, labels) == pytest.approx((right, home))


def test_an_unknown_label_space_is_named():
    with pytest.raises(KeyNameError, match="chords"):
        shares(C_8, C_8, "chords")


TIMES = st.lists(st.integers(-3, 24), min_size=0, max_size=12)
FEW_KEYS = [parse_key(text).index for text in ("C major", "C minor", "C Lydian", "G major", "D Dorian", "D minor")]


@st.composite
def stretch_lists(draw, several):
    """Stretches on whole times, in order; some stand apart, some have no length."""
    times = sorted(draw(TIMES))
    out = []
    for start, end in pairwise(times):
        if draw(st.booleans()):
            keys = draw(st.sets(st.sampled_from(FEW_KEYS), min_size=1, max_size=3 if several else 1))
            out.append(Stretch(float(start), float(end), tuple(sorted(keys))))
    return out


def by_the_clock(truth, answer, labels):
    """Look once in every whole unit of time: stretches begin and end on whole times."""
    labelled = right = 0
    for moment in np.arange(-5, 30) + 0.5:
        true = [s for s in truth if s.start <= moment < s.end]
        said = [s for s in answer if s.start <= moment < s.end]
        if true:
            labelled += 1
            spaces = {int(project(key, labels)) for key in true[0].keys}
            right += bool(said) and int(project(said[0].keys[0], labels)) in spaces
    return right / labelled if labelled else 0.0


@settings(max_examples=150, deadline=None)
@given(stretch_lists(several=True), stretch_lists(several=False), st.sampled_from(sorted(LABEL_SPACES)))
def test_shares_are_what_a_clock_would_count(truth, answer, labels):
    expected = by_the_clock(truth, answer, labels), by_the_clock(truth, answer, "tonic")
    assert shares(truth, answer, labels) == pytest.approx(expected)


@settings(max_examples=60, deadline=None)
@given(
    stretch_lists(several=True), stretch_lists(several=False), st.integers(0, 11), st.sampled_from([0.25, 1.7, 60.0])
)
def test_moving_both_and_changing_the_unit_of_time_changes_nothing(truth, answer, k, unit):
    def other(parts):
        return [
            Stretch(unit * s.start, unit * s.end, tuple(12 * (key // 12) + (key + k) % 12 for key in s.keys))
            for s in parts
        ]

    right, home = shares(truth, answer)
    assert shares(other(truth), other(answer)) == pytest.approx((right, home))
    assert right <= home


@settings(max_examples=40, deadline=None)
@given(stretch_lists(several=True), stretch_lists(several=False), st.integers(-3, 24))
def test_where_an_answer_is_cut_in_two_makes_no_difference(truth, answer, cut):
    parts = []
    for s in answer:
        inside = s.start < cut < s.end
        parts += [Stretch(s.start, cut, s.keys), Stretch(cut, s.end, s.keys)] if inside else [s]
    assert shares(truth, parts) == shares(truth, answer)
    assert boundary_counts(truth, parts) == boundary_counts(truth, answer)


# --- Changes ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([], []),
        (stretches((0, 4, "C major")), []),
        (stretches((0, 4, "C major"), (4, 8, "G major")), [4]),
        (stretches((0, 4, "C major"), (4, 8, "C major")), []),  # the same key goes on
        (stretches((0, 4, "C major"), (6, 8, "C major")), []),  # also after a gap
        (stretches((0, 4, "C major"), (6, 8, "G major")), [6]),  # found where the new key begins
        (stretches((0, 4, "C major"), (4, 8, "C minor"), (8, 9, "C major")), [4, 8]),
        (stretches((0, 4, "C major or A minor"), (4, 8, "C major")), [4]),
    ],
)
def test_changes_by_hand(parts, expected):
    assert changes(parts).tolist() == expected


def at(*times):
    """Stretches that change between two keys at these times."""
    edges = [0.0, *times, 100.0]
    return [Stretch(a, b, (i % 2,)) for i, (a, b) in enumerate(pairwise(edges))]


def test_the_tolerance_is_as_documented():
    assert BOUNDARY_TOLERANCE == 4.0


@pytest.mark.parametrize(
    ("true", "said", "found"),
    [
        ([8], [8], 1),
        ([8], [12], 1),  # as far as the tolerance, and not further
        ([8], [4], 1),
        ([8], [12.01], 0),
        ([8], [3.99], 0),
        ([8], [7, 8, 9], 1),  # three said changes find one
        ([7, 8, 9], [8], 1),
        ([10, 14], [12, 16], 2),
        # The nearest first would pair 13.5 with 13 and leave 17 alone.
        ([10, 13], [13.5, 17], 2),
        ([], [5], 0),
        ([5], [], 0),
        ([], [], 0),
    ],
)
def test_found_changes_by_hand(true, said, found):
    assert boundary_counts(at(*true), at(*said)) == (found, len(said), len(true))


def test_no_answer_says_no_change():
    assert boundary_counts(at(5, 10), []) == (0, 0, 2)
    assert boundary_counts([], at(5, 10)) == (0, 2, 0)
    assert boundary_counts([], []) == (0, 0, 0)


MOMENTS = st.lists(st.integers(1, 240).map(lambda n: n / 4), max_size=15, unique=True).map(sorted)


@pytest.mark.filterwarnings("ignore:.*intervals are empty")
@settings(max_examples=100, deadline=None)
@given(MOMENTS, MOMENTS)
def test_counts_agree_with_mir_eval_and_with_a_matching_of_our_own(true, said):
    found, n_said, n_true = boundary_counts(at(*true), at(*said))
    assert (n_said, n_true) == (len(said), len(true))
    # mir_eval 0.8, segment.detection: the hit rate of boundaries (Turnbull et al. 2007), without the outermost two.
    intervals = [np.array([(s.start, s.end) for s in parts]) for parts in (at(*true), at(*said))]
    expected = mir_eval.segment.detection(*intervals, window=BOUNDARY_TOLERANCE, trim=True)
    measured = (found / max(n_said, 1), found / max(n_true, 1), 2 * found / max(n_said + n_true, 1))
    assert measured == pytest.approx(expected)
    # mir_eval 0.8, util.match_events.
    if true and said:
        assert found == len(mir_eval.util.match_events(np.array(true), np.array(said), BOUNDARY_TOLERANCE))
        # scipy's matching (Hopcroft & Karp 1973).
        near = np.abs(np.subtract.outer(true, said)) <= BOUNDARY_TOLERANCE
        assert found == (maximum_bipartite_matching(csr_array(near)) >= 0).sum()


# --- The table of scores ---------------------------------------------------------------------------------------------


def stored_spans(parts):
    return [{"start": s.start, "end": s.end, "keys": format_keys([key_at(k) for k in s.keys])} for s in parts]


def rows_of(pieces, labels="modes"):
    """Rows as a run stores them, of one method: (truth, answer or None where it failed) for each piece."""
    rows = []
    for i, (truth, answer) in enumerate(pieces):
        longest = None if not answer else format_keys([key_at(answer[0].keys[0])])
        rows.append(
            {"experiment": "trial", "corpus": "x", "headline": True, "view": "whole", "fitted_on": "other folds",
             "labels": labels, "fold": 0, "estimator": "m", "piece": f"x:{i:02}", "group": i,
             "strata": np.array([], dtype=object), "n_notes": 40, "n_pitch_classes": 7, "n_keys": 2,
             "label": "C major", "truth": "C major", "predicted": longest,
             "truth_sections": stored_spans(truth), "sections": None if answer is None else stored_spans(answer),
             "seconds": 0.001, "error": "boom" if answer is None else ""}
        )  # fmt: skip
    return pd.DataFrame(rows)


def answers_of(pieces, labels="modes"):
    frame = rows_of(pieces, labels)
    ((_, by_method),) = table.answers_by_condition(frame, np.full((len(frame), N_KEYS), np.nan)).items()
    return by_method["m"]


def measured(pieces, labels="modes"):
    answers = answers_of(pieces, labels)
    return table.measure(answers, GroupBootstrap(answers.group, 200), labels)


TWO = [
    # Three true changes, one of them found.
    (at(10, 30, 50), at(12)),
    # One true change, found; two more are said.
    (at(10), at(10, 40, 70)),
]


def test_over_time_is_kept_by_piece():
    over_time = answers_of([*TWO, (at(10), None)]).over_time
    assert over_time[:, 2:5].tolist() == [[1, 1, 3], [1, 3, 1], [0, 0, 1]]
    assert over_time[2].tolist()[:5] == [0, 0, 0, 0, 1]
    for row, (truth, answer) in zip(over_time, TWO, strict=False):
        assert row[:2].tolist() == list(shares(truth, answer))


def test_boundary_measures_are_of_all_changes_together():
    m = measured(TWO)
    assert m["boundary_precision"].value == pytest.approx(2 / 4)  # the mean over pieces would be (1 + 1/3) / 2
    assert m["boundary_recall"].value == pytest.approx(2 / 4)
    assert m["boundary_f"].value == pytest.approx(2 * 2 / (4 + 4))
    assert {m[name].n for name in ("boundary_precision", "boundary_recall", "boundary_f")} == {2}


def test_time_right_weighs_pieces_by_their_labelled_time():
    short, long = [Stretch(0.0, 2.0, (0,))], [Stretch(0.0, 8.0, (0,))]
    m = measured([(short, short), (long, [Stretch(0.0, 4.0, (0,)), Stretch(4.0, 8.0, (1,))])])
    assert m["exact"].value == pytest.approx((1.0 + 0.5) / 2)
    assert m["time_right"].value == pytest.approx((2.0 + 4.0) / (2.0 + 8.0))


def test_precision_recall_and_f_when_they_differ():
    m = measured([(at(10, 30, 50), at(12)), (at(20), at(20))])
    assert m["boundary_precision"].value == pytest.approx(2 / 2)
    assert m["boundary_recall"].value == pytest.approx(2 / 4)
    assert m["boundary_f"].value == pytest.approx(2 * 1.0 * 0.5 / 1.5)  # van Rijsbergen's F of the two above


def test_a_failure_finds_no_change_and_gets_no_time_right():
    m = measured([(at(10), at(10)), (at(10), None)])
    assert (m["exact"].value, m["tonic"].value) == (0.5, 0.5)
    assert m["boundary_recall"].value == pytest.approx(1 / 2)
    assert m["boundary_precision"].value == 1.0
    assert (m["failures"].value, m["failures"].n) == (1, 2)


def test_shares_are_averaged_over_pieces_whatever_their_length():
    m = measured([(C_8, stretches((0, 8, "C minor"))), (stretches((0, 1, "C major")), stretches((0, 1, "C major")))])
    assert (m["exact"].value, m["tonic"].value) == (0.5, 1.0)
    assert m["mode_given_tonic"].value == pytest.approx(0.5)
    assert m["recall_major"].value == 0.5


@pytest.mark.parametrize(
    "name", ["log_loss", "mir_eval_weighted", "weighted_both_fifths", "calibration_error", "mean_mode_recall"]
)
def test_what_is_not_measured_of_keys_over_time(name):
    found = measured(TWO)[name]
    assert found.n == 0
    assert np.isnan(found.value)


def test_nothing_is_measured_where_nothing_changes():
    m = measured([(C_8, C_8), (C_8, [])])
    for name in ("boundary_precision", "boundary_recall", "boundary_f"):
        assert m[name].n == 0
        assert np.isnan(m[name].value)
    assert m["exact"].value == 0.5


def test_one_key_a_piece_has_no_boundary_measures():
    frame = rows_of(TWO).assign(truth_sections=None, sections=None)
    log_proba = np.log(np.full((2, N_KEYS), 1 / N_KEYS))
    ((_, by_method),) = table.answers_by_condition(frame, log_proba).items()
    assert by_method["m"].over_time is None
    m = table.measure(by_method["m"], GroupBootstrap(np.arange(2), 100))
    assert not [name for name in m if name.startswith("boundary")]
    assert m["log_loss"].n == 2


def test_labels_of_the_experiment_decide_what_is_right():
    pieces = [(stretches((0, 4, "D Dorian")), stretches((0, 4, "D minor")))]
    assert measured(pieces, "modes")["exact"].value == 0.0
    assert measured(pieces, "major-minor")["exact"].value == 1.0


@pytest.mark.parametrize(
    ("labels", "parts"),
    [
        ("major-minor", stretches((0, 40, "D Dorian"), (40, 80, "D minor"))),
        ("tonic", stretches((0, 40, "D major"), (40, 80, "D minor"))),
    ],
)
def test_a_change_that_the_labels_do_not_know_is_no_change(labels, parts):
    one_label = stretches((0, 80, "D minor"))
    over_time = answers_of([(one_label, parts), (parts, one_label)], labels).over_time
    assert over_time[:, 0].tolist() == [1.0, 1.0]
    assert over_time[:, 2:5].tolist() == [[0, 0, 0], [0, 0, 0]]


def test_what_is_stored_comes_back_the_same(tmp_path):
    pieces = [*TWO, (at(10), None), (stretches((0, 4, ANY_ON_C), (6, 8, "B-flat minor")), [])]
    frame = rows_of(pieces)
    columns = {name: frame[name].tolist() for name in store.COLUMNS if name != "log_proba"}
    columns["predicted"] = [None if answer is None else "C major" for _, answer in pieces]
    log_proba = np.full((len(frame), N_KEYS), np.nan, dtype=np.float32)
    store.write_rows(tmp_path / store.PREDICTIONS, columns, log_proba)
    store.write_json(tmp_path / store.RUN, {"schema": store.SCHEMA, "fingerprint": "x", "state": "finished"})
    read = table.answers_by_condition(*store.read_predictions(tmp_path))
    ((_, by_method),) = read.items()
    np.testing.assert_array_equal(by_method["m"].over_time, answers_of(pieces).over_time)


def test_rows_of_scores_name_the_boundary_measures():
    frame = rows_of(TWO)
    by_condition = table.answers_by_condition(frame, np.full((len(frame), N_KEYS), np.nan))
    rows = table.score_rows(by_condition, "trial", "modes", 100, 0)
    found = {row["metric"]: row for row in rows if row["corpus"] == "all"}
    assert found["boundary_f"]["value"] == pytest.approx(0.5)
    assert found["boundary_f"]["low"] <= 0.5 <= found["boundary_f"]["high"]
    assert found["log_loss"]["n"] == 0


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(MOMENTS, MOMENTS), min_size=1, max_size=6))
def test_pooled_counts_are_sums(pairs):
    counts = np.array([boundary_counts(at(*true), at(*said)) for true, said in pairs]).sum(axis=0)
    m = measured([(at(*true), at(*said)) for true, said in pairs])
    found, said, true = counts.tolist()
    for name, above, below in (
        ("boundary_precision", found, said),
        ("boundary_recall", found, true),
        ("boundary_f", 2 * found, said + true),
    ):
        if below:
            assert m[name].value == pytest.approx(above / below)
        else:
            assert m[name].n == 0
