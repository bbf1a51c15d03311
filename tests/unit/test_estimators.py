"""The plain methods on lines worked by hand, the registry, the fitted sharpness, scikit-learn's tools on note tables.

The rule of the opening note is common practice and has no source. The lines are made up.
"""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import log_softmax as scipy_log_softmax
from scipy.special import logsumexp
from sklearn.base import clone
from sklearn.exceptions import NotFittedError
from sklearn.model_selection import GridSearchCV, GroupKFold, KFold, cross_val_score

from keybench import estimators
from keybench.errors import EstimatorError, KeybenchError, NotesError
from keybench.estimators import Entry, entry, make, names, register
from keybench.estimators.base import FLOOR, ScoringEstimator, as_truth, fit_sharpness, log_softmax
from keybench.estimators.baselines import BestFittingScale, MostCommonKey
from keybench.estimators.checks import small_corpus
from keybench.estimators.opening_note import OpeningNote, scale_fit
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.profiles import ProfileMatch
from keybench.key import DORIAN, MINOR, N_KEYS, Key, key_at, parse_key, truth_mask
from keybench.notes import NoteTable, Piece

PITCH = {
    "C": 60,
    "C#": 61,
    "D": 62,
    "Eb": 63,
    "E": 64,
    "F": 65,
    "F#": 66,
    "G": 67,
    "Ab": 68,
    "A": 69,
    "Bb": 70,
    "B": 71,
}


def line(text):
    return NoteTable.from_notes([PITCH[name] for name in text.split()])


def silence():
    return NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))])


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(84)


@pytest.fixture(scope="module")
def opening(corpus):
    return make("opening-note").fit(*corpus[:2])


@pytest.fixture(scope="module")
def closing(corpus):
    return make("last-note").fit(*corpus[:2])


@pytest.fixture(scope="module")
def best_scale(corpus):
    return make("best-fitting-scale").fit(*corpus[:2])


LINES = [  # line, key by the first note, key by the last note, key by the scale alone
    ("D E F G A B C D", "D Dorian", "D Dorian", "C major"),
    ("D E F G A B C A", "D Dorian", "A minor", "C major"),
    ("G A B C D E F G", "G Mixolydian", "G Mixolydian", "C major"),
    ("E F G A B C D C", "E Phrygian", "C major", "C major"),
    ("F G A B C D E B", "F Lydian", "B Locrian", "C major"),
    ("G A B C D E F# D", "G major", "D Mixolydian", "G major"),
    ("C D Eb F G Ab Bb C", "C minor", "C minor", "E-flat major"),
    ("C D E G A C", "C major", "C major", "C major"),  # a gapped line: major, Mixolydian, Lydian fit alike on C
    ("A C D E G A", "A minor", "A minor", "C major"),  # and minor, Dorian, Phrygian on A
    ("C D E F F# G B C", "C major", "C major", "C major"),  # F and F-sharp: Lydian fits as well
]


@pytest.mark.parametrize(("notes", "first", "last", "scale"), LINES)
def test_lines_by_hand(opening, closing, best_scale, notes, first, last, scale):
    table = line(notes)
    for model, expected in ((opening, first), (closing, last), (best_scale, scale)):
        assert str(key_at(int(model.predict(table)[0]))) == expected
        assert str(key_at(int(model.predict_log_proba(table)[0].argmax()))) == expected


def test_lines_together_and_moved(opening, closing):
    tables = NoteTable.concatenate([line(notes) for notes, *_ in LINES])
    for model, column in ((opening, 1), (closing, 2)):
        for k in (0, 3, -4):
            expected = [parse_key(case[column]).transpose(k).index for case in LINES]
            assert model.predict(tables.transpose(k)).tolist() == expected


def test_the_lowest_of_a_chord_is_the_edge(opening, closing):
    chord = NoteTable.from_notes([67, 72, 76, 74, 71, 60, 67, 64], 1, [0, 0, 0, 1, 2, 3, 3, 3])
    assert opening.predict(chord)[0] % 12 == 7
    assert closing.predict(chord)[0] % 12 == 0


def test_keys_on_the_chosen_note_rank_above_all_others(opening):
    ranked = np.argsort(-opening._scores(line("D E F G A B C G"))[0])
    assert {int(k) % 12 for k in ranked[:7]} == {2}


def test_best_fitting_scale_puts_the_modes_of_the_scale_next(best_scale):
    ranked = np.argsort(-best_scale.predict_log_proba(line("D E F G A B C D"))[0])
    modes = {"C major", "D Dorian", "E Phrygian", "F Lydian", "G Mixolydian", "A minor", "B Locrian"}
    assert {str(key_at(int(k))) for k in ranked[:7]} == modes
    assert str(key_at(int(ranked[0]))) == "C major"


def test_best_fitting_scale_breaks_ties_by_the_tonic_chord(best_scale):
    # The five notes lie in C, F and G major alike; the chord heard most decides.
    assert best_scale.predict(line("C D E G A C E G")).tolist() == [parse_key("C major").index]
    assert best_scale.predict(line("C D E G A A C A C A")).tolist() == [parse_key("F major").index]
    assert best_scale.predict(line("C D E G A G D G D D")).tolist() == [parse_key("G major").index]


def test_scale_fit_by_hand():
    counts = np.zeros((2, 12))
    counts[0, [0, 4, 6, 7]] = [3, 1, 1, 1]  # C three times, E, F sharp, G
    fit = scale_fit(counts)
    assert fit.shape == (2, 7, 12)
    for name, share in (
        ("C major", 5 / 6),
        ("C Lydian", 1),
        ("G major", 1),
        ("C minor", 4 / 6),
        ("F-sharp major", 1 / 6),
    ):
        key = parse_key(name)
        assert fit[0, key.mode, key.tonic] == pytest.approx(share)
    assert not fit[1].any()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(48, 72), min_size=1, max_size=20))
def test_scale_fit_is_the_share_of_notes_inside(pitches):
    counts = np.bincount(np.array(pitches) % 12, minlength=12)[None, :].astype(float)
    fit = scale_fit(counts)[0]
    for index in range(0, N_KEYS, 5):
        key = key_at(index)
        inside = sum(p % 12 in key.scale().tolist() for p in pitches)
        assert fit[key.mode, key.tonic] == pytest.approx(inside / len(pitches))


def test_evidence_of_the_opening_note(opening):
    # On D: Dorian holds all eight; minor lacks B and Mixolydian F, so seven each.
    (found,) = opening.explain(line("D E F G A B C G"))
    assert found.words[0] == (
        "The first note is taken for home. On it, "
        "Dorian holds 8 of 8 notes, minor holds 7 of 8 notes, Mixolydian holds 7 of 8 notes."
    )
    assert found.words[1].startswith("Most probable: D Dorian (")
    assert (
        "8 of 8 notes lie in the scale of D Dorian; it opens on D (the home note) and ends on G (the fourth)."
        in found.words
    )
    assert (found.first_note, found.last_note, found.outside) == ("D", "G", [])
    assert found.scale_fit == {
        "major": (6, 8), "Dorian": (8, 8), "Phrygian": (6, 8), "Lydian": (4, 8), "Mixolydian": (7, 8), "minor": (7, 8),
        "Locrian": (5, 8),
    }  # fmt: skip
    keys, shares = zip(*found.ranked, strict=True)
    assert len(keys) == 5
    assert keys[0] == Key(2, DORIAN)
    assert list(shares) == sorted(shares, reverse=True)


def test_evidence_of_the_last_note_and_notes_outside(closing):
    (found,) = closing.explain(line("G C D E F F# G B C"))
    assert found.words[0].startswith("The last note is taken for home. On it, major holds 8 of 9 notes, ")
    assert (
        "8 of 9 notes lie in the scale of C major; it opens on G (the fifth) and ends on C (the home note)."
        in found.words
    )
    assert "Outside that scale: F-sharp at 5 (onsets in quarters)." in found.words
    assert found.outside == [(5.0, "F-sharp")]


def test_evidence_names_four_notes_outside_and_counts_the_rest(closing):
    (found,) = closing.explain(line("C E G C# Eb F# Ab Bb C# G E C G C E G A B E F F B E C"))
    assert str(found.ranked[0][0]) == "C major"
    assert (
        "Outside that scale: C-sharp at 3, E-flat at 4, F-sharp at 5, A-flat at 6 and 2 more (onsets in quarters)."
        in found.words
    )
    assert len(found.outside) == 6


def test_evidence_of_silence(opening):
    (found,) = opening.explain(silence())
    assert found.words[0] == "There are no notes to go by."
    assert (found.first_note, found.last_note, found.outside) == (None, None, [])


def test_evidence_of_a_profile(corpus):
    model = make("krumhansl-kessler").fit(*corpus[:2])
    major = PROFILES["krumhansl-kessler"].major
    (found,) = model.explain(NoteTable.from_notes(60 + np.arange(12), np.array(major)))
    assert found.words[0] == "Its note lengths correlate 1.00 with the krumhansl-kessler profile of the answer."


def test_silence_leaves_all_keys_alike(opening, closing, best_scale):
    for model in (opening, closing, best_scale):
        np.testing.assert_allclose(np.exp(model.predict_log_proba(silence())), 1 / N_KEYS)


def test_an_unknown_edge_is_named(corpus):
    with pytest.raises(EstimatorError, match="'middle'; accepted: first, last"):
        OpeningNote(edge="middle").fit(*corpus[:2])


def test_an_unknown_profile_is_named(corpus):
    with pytest.raises(
        EstimatorError, match=r"'krumhansl'; accepted: krumhansl-kessler, temperley-1999, .*sapp-simple"
    ):
        ProfileMatch("krumhansl").fit(*corpus[:2])


def test_most_common_key_by_hand():
    # Counts: G major 2, D Dorian 1 and a half, D minor a half; each of the 84 keys starts with a half.
    truth = truth_mask([[parse_key("G major")]] * 2 + [[Key(2, DORIAN)], [Key(2, DORIAN), Key(2, MINOR)]])
    pieces = NoteTable.concatenate([line("C")] * 4)
    model = MostCommonKey().fit(pieces, truth)
    expected = np.full(N_KEYS, 0.5 / 46)
    expected[parse_key("G major").index] = 2.5 / 46
    expected[Key(2, DORIAN).index] = 2.0 / 46
    expected[Key(2, MINOR).index] = 1.0 / 46
    np.testing.assert_allclose(np.exp(model.predict_log_proba(line("F# A C# E"))), [expected])
    assert model.predict(NoteTable.concatenate([line("F#"), silence()])).tolist() == [7, 7]
    assert model.score(pieces, truth) == 0.5
    assert MostCommonKey().fit(pieces, [3, 7, 3, 7]).predict(pieces).tolist() == [3] * 4


def test_registry_holds_the_plain_methods_and_all_profiles():
    found = names()
    assert len(set(found)) == len(found)
    plain = {
        "most-common-key",
        "best-fitting-scale",
        "opening-note",
        "last-note",
        "hmm",
        "logistic",
        "logistic-balanced",
        "learnt-profile",
        "home-and-scale",
    }
    assert plain <= set(found)
    for profile in PROFILES:
        usual = {"profile": profile, "match": "correlation", "weighting": "duration", "mode_shares": False}
        assert make(profile).get_params() == {**usual, "modes": False}
        assert make(f"{profile}-modes").get_params() == {**usual, "modes": True}
    assert make("opening-note").edge == "first"
    assert make("last-note").edge == "last"
    assert make("logistic-balanced").decision == "mode-balanced"


def test_every_entry_is_described_and_builds_a_fresh_estimator():
    assert names()
    for name in names():
        found = entry(name)
        assert found.name == name
        assert found.description.endswith(".")
        assert found.source
        assert found.simplicity >= 1
        assert make(name) is not make(name)
        with pytest.raises(NotFittedError, match="is not fitted; call fit"):
            make(name).predict_log_proba(line("C D E"))


def test_a_name_is_registered_once(monkeypatch):
    monkeypatch.setattr(estimators, "_REGISTRY", dict(estimators._REGISTRY))
    new = Entry("always-c", MostCommonKey, "For this test.", "made up", 1)
    assert register(new) is new
    assert names()[-1] == "always-c"
    assert isinstance(make("always-c"), MostCommonKey)
    with pytest.raises(EstimatorError, match="'always-c' is already registered"):
        register(Entry("always-c", BestFittingScale, "Another.", "made up", 1))
    with pytest.raises(EstimatorError, match="'opening-note' is already registered"):
        register(Entry("opening-note", MostCommonKey, "Another.", "made up", 1))
    assert isinstance(make("always-c"), MostCommonKey)
    assert isinstance(make("opening-note"), OpeningNote)


def test_an_unknown_name_is_answered_with_those_accepted():
    for ask in (make, entry):
        with pytest.raises(EstimatorError) as caught:
            ask("closing-note")
        before, accepted = str(caught.value).split("; accepted: ")
        assert "'closing-note'" in before
        assert accepted.split(", ") == names()
    assert issubclass(EstimatorError, KeybenchError)


def test_an_unknown_parameter_is_named():
    with pytest.raises(EstimatorError, match=r"'hmm'.*'speed'"):
        make("hmm", speed=3)
    assert make("hmm", stay=0.9).stay == 0.9


def smoothed_loss(b, scores, truth):
    """Mean negative log-likelihood of b, with one made-up piece that could be in any key beside the n real ones."""
    usable = truth.any(axis=1)
    log_p, truth = scipy_log_softmax(b * scores[usable], axis=1), truth[usable]
    real = -np.mean([logsumexp(row[keys]) for row, keys in zip(log_p, truth, strict=True)])
    any_key = -log_p.mean()
    n = len(truth)
    return (n * real + any_key) / (n + 1)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("size", [0.01, 1.0, 40.0])
@pytest.mark.parametrize("answers", [1, 3])
def test_fit_sharpness_against_scipy(seed, size, answers):
    # Reference library: scipy's bounded search over log b. Scores that help and are often wrong have an inner optimum.
    rng = np.random.default_rng(seed)
    n, k = 150, 24
    truth = np.zeros((n, k), dtype=bool)
    for row in truth:
        row[rng.choice(k, size=int(rng.integers(1, answers + 1)), replace=False)] = True
    scores = size * (rng.normal(size=(n, k)) + 1.5 * truth)
    truth[:5] = False  # rows without an acceptable key are left out
    found = fit_sharpness(scores, truth)
    best = minimize_scalar(
        lambda log_b: smoothed_loss(np.exp(log_b), scores, truth), bounds=(-10, 10), method="bounded",
        options={"xatol": 1e-7},
    )  # fmt: skip
    assert found == pytest.approx(np.exp(best.x), rel=2e-3)
    assert smoothed_loss(found, scores, truth) < smoothed_loss(0, scores, truth) - 0.01


def test_fit_sharpness_by_hand():
    # Two keys, scores 1 and 0. The higher is right in three of four pieces, and one more piece is half each: 3.5 of 5.
    scores = np.tile([1.0, 0.0], (4, 1))
    truth = np.array([[1, 0], [1, 0], [1, 0], [0, 1]], dtype=bool)
    assert fit_sharpness(scores, truth) == pytest.approx(np.log(3.5 / 1.5), rel=1e-3)
    assert fit_sharpness(10 * scores, truth) == pytest.approx(np.log(3.5 / 1.5) / 10, rel=1e-3)
    # Always right, 5 of 5 among five keys: the made-up piece adds a fifth, 5.2 of 6, so odds of 6.5 to 1 over 4 keys.
    assert fit_sharpness(np.eye(5), np.eye(5, dtype=bool)) == pytest.approx(np.log(4 * 6.5), rel=1e-3)


def test_fit_sharpness_without_anything_to_go_by():
    assert fit_sharpness(np.zeros((0, 5)), np.zeros((0, 5), bool)) == 1.0
    assert fit_sharpness(np.ones((3, 5)), np.eye(3, 5, dtype=bool)) == 1.0
    assert fit_sharpness(np.eye(3), np.zeros((3, 3), bool)) == 1.0


def test_fit_sharpness_is_surer_with_more_pieces_that_are_all_right():
    few, many = (fit_sharpness(np.tile(np.eye(5), (n, 1)), np.tile(np.eye(5, dtype=bool), (n, 1))) for n in (1, 50))
    assert few < many < 20


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=12))
def test_log_softmax_against_scipy(scores):
    np.testing.assert_allclose(log_softmax(np.array([scores])), scipy_log_softmax([scores], axis=1), atol=1e-9)


def test_before_they_are_held_against_what_was_right_probabilities_are_a_softmax_of_the_scores(corpus):
    model = make("temperley-2007").fit(*corpus[:2])
    table = NoteTable.concatenate([line(notes) for notes, *_ in LINES])
    found = np.exp(model._softmax(model._scores(table), table)[0])
    weights = np.exp(model.sharpness_ * model._matches(table))
    expected = (1 - 60 * FLOOR) * weights / weights.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(found[:, model.keys_], expected, rtol=1e-6)
    unnamed = np.setdiff1d(np.arange(N_KEYS), model.keys_)
    assert len(unnamed) == 60
    np.testing.assert_allclose(found[:, unnamed], FLOOR)


def test_the_sharpness_is_fitted_on_the_training_scores(corpus):
    notes, truth, _ = corpus
    for name in ("opening-note", "krumhansl-kessler", "krumhansl-kessler-modes"):
        model = make(name).fit(notes, truth)
        scores = model._scores(notes)
        named = np.isfinite(scores[0])
        best = minimize_scalar(
            lambda log_b, s=scores[:, named], t=truth[:, named]: smoothed_loss(np.exp(log_b), s, t),
            bounds=(-5, 8), method="bounded",
        )  # fmt: skip
        assert model.sharpness_ == pytest.approx(np.exp(best.x), rel=5e-3)


@pytest.mark.parametrize(
    ("y", "message"),
    [
        (np.zeros((3, 84), bool), "piece 0 has no acceptable key"),
        (np.eye(3, 84) * [[1], [1], [0]], "piece 2 has no acceptable key"),
        (np.zeros((2, 84), bool), r"shape \(2, 84\); accepted: \(3, 84\) truth sets or \(3,\) key indices"),
        (np.zeros((3, 24), bool), r"shape \(3, 24\)"),
        ([0, 1, 84], "accepted"),
        ([0, -1, 3], "accepted"),
        ([0, 1], r"shape \(2,\)"),
    ],
)
def test_truths_that_fit_no_form_are_refused(y, message):
    with pytest.raises(EstimatorError, match=message):
        as_truth(y, 3)


def test_truths_as_indices_or_sets():
    expected = np.zeros((2, N_KEYS), bool)
    expected[[0, 1], [5, 83]] = True
    np.testing.assert_array_equal(as_truth([5, 83], 2), expected)
    np.testing.assert_array_equal(as_truth(expected.astype(int), 2), expected)
    with pytest.raises(EstimatorError, match="no pieces"):
        as_truth([], 0)


def test_fit_needs_truths_and_notes(corpus):
    with pytest.raises(EstimatorError, match="needs the truths y"):
        make("opening-note").fit(corpus[0])
    with pytest.raises(NotesError, match=r"X is a list; accepted: a keybench\.notes\.NoteTable"):
        make("opening-note").fit([60, 62], [0, 0])


def test_score_counts_any_acceptable_key(opening):
    table = NoteTable.concatenate([line("D E F G A B C D"), line("G A B C D E F G"), line("C D E F G A B C")])
    truth = truth_mask([[Key(2, MINOR), Key(2, DORIAN)], [Key(7, MINOR)], [Key(0, 0)]])
    assert opening.score(table, truth) == pytest.approx(2 / 3)
    assert opening.score(table, [14, 0, 0]) == pytest.approx(2 / 3)


def test_clone_and_parameters():
    model = ProfileMatch("sapp-simple", modes=True)
    copy = clone(model)
    assert copy is not model
    assert copy.get_params() == {
        "profile": "sapp-simple", "modes": True, "match": "correlation", "weighting": "duration", "mode_shares": False,
    }  # fmt: skip
    assert copy.set_params(profile="bellman-budge") is copy
    assert (copy.profile, model.profile) == ("bellman-budge", "sapp-simple")
    with pytest.raises(ValueError, match="sharpness"):
        copy.set_params(sharpness=3)
    for name in names():
        made = make(name)
        assert clone(made).get_params() == made.get_params()


def test_clone_forgets_what_was_learnt(corpus):
    model = make("krumhansl-kessler").fit(*corpus[:2])
    with pytest.raises(NotFittedError):
        clone(model).predict(corpus[0])


def scores_by_hand(profile, notes, truth, folds):
    found = []
    for train, test in folds:
        model = ProfileMatch(profile).fit(notes[train].detach(), truth[train])
        answers = model.predict(notes[test].detach())
        found.append(np.mean([truth[i, answer] for i, answer in zip(test, answers, strict=True)]))
    return found


@pytest.mark.parametrize("as_indices", [False, True])
def test_grid_search_over_profiles(corpus, as_indices):
    notes, truth, _ = corpus
    y = truth.argmax(axis=1) if as_indices else truth
    grid = {"profile": ["albrecht-shanahan", "krumhansl-kessler", "aarden-essen"]}
    search = GridSearchCV(ProfileMatch(), grid, cv=KFold(3), error_score="raise")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        search.fit(notes, y)
    folds = list(KFold(3).split(np.zeros(len(notes))))
    expected = [np.mean(scores_by_hand(profile, notes, truth, folds)) for profile in grid["profile"]]
    np.testing.assert_allclose(search.cv_results_["mean_test_score"], expected)
    assert len(set(expected)) > 1
    assert search.best_params_["profile"] == grid["profile"][int(np.argmax(expected))]
    again = ProfileMatch(**search.best_params_).fit(notes, truth)
    np.testing.assert_array_equal(search.predict(notes), again.predict(notes))
    np.testing.assert_allclose(search.predict_log_proba(notes), again.predict_log_proba(notes))


def test_grid_search_over_numbers(corpus):
    notes, truth, _ = corpus
    search = GridSearchCV(make("hmm"), {"stay": [0.5, 0.99], "edges": [True, False]}, cv=2, error_score="raise")
    search.fit(notes, truth.argmax(axis=1) // 12 * 0)  # the splitter sees one class: folds are plain
    assert len(search.cv_results_["params"]) == 4
    assert np.isfinite(search.cv_results_["mean_test_score"]).all()


def test_cross_validation_by_groups(corpus):
    notes, truth, groups = corpus
    folds = list(GroupKFold(4).split(np.zeros(len(notes)), groups=groups))
    found = cross_val_score(ProfileMatch("sapp-simple"), notes, truth, groups=groups, cv=GroupKFold(4))
    np.testing.assert_allclose(found, scores_by_hand("sapp-simple", notes, truth, folds))
    assert found.max() > 0


def test_a_method_of_ones_own_needs_only_scores(corpus):
    class HighestCount(ScoringEstimator):
        """Major key on the note heard most."""

        def _scores(self, X):
            scores = np.full((len(X), N_KEYS), -np.inf)
            for i, p in enumerate(X.pieces()):
                scores[i, :12] = np.bincount(p.pitch.astype(int) % 12, minlength=12)
            return scores

    model = HighestCount().fit(*corpus[:2])
    assert model.predict(line("C G G A G")).tolist() == [7]
    log_p = model.predict_log_proba(line("C G G A G"))
    np.testing.assert_allclose(np.exp(log_p).sum(), 1)
    # Six in seven of these tunes are in no major key: what it cannot name has a share, and none as large as its answer.
    assert 0.5 < np.exp(log_p[0, 12:]).sum() < 0.95
    assert log_p[0].argmax() == 7
    assert model.classes_.tolist() == list(range(N_KEYS))
