"""Profiles: the four matches and three weightings against scipy and by hand, and profiles learnt from pieces."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import distance
from scipy.stats import multinomial

from keybench.chroma import ChromaTable
from keybench.corpora import read_manifest
from keybench.errors import EstimatorError, NotesError
from keybench.estimators import make
from keybench.estimators.checks import run_checks, small_corpus
from keybench.estimators.features import duration_weights, note_counts
from keybench.estimators.profile_data import PROFILES
from keybench.estimators.profiles import (
    MATCHES,
    METRE_FACTORS,
    SMALLEST_SHARE,
    WEIGHTINGS,
    ProfileMatch,
    extend_to_modes,
    learn_profiles,
    metre_weights,
    mode_profiles,
)
from keybench.key import DORIAN, LYDIAN, MAJOR, MINOR, N_KEYS, Key, transpose_keys, truth_mask
from keybench.notes import DOWNBEAT, STRONG, NoteTable, Piece


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(84)


def heard(weights):
    """One piece with the given lengths of the twelve pitch classes from C."""
    return NoteTable.from_notes(60 + np.arange(12), np.asarray(weights, dtype=float))


SCIPY = {  # Reference library: scipy's distances, turned into likenesses.
    "correlation": lambda w, p: 1 - distance.correlation(w, p),
    "cosine": lambda w, p: 1 - distance.cosine(w, p),
    "euclidean": lambda w, p: -distance.euclidean(w / w.sum(), p / p.sum()),
}


@pytest.mark.parametrize("match", SCIPY)
@pytest.mark.parametrize("name", ["krumhansl-kessler", "albrecht-shanahan", "sapp-simple"])
def test_matches_against_scipy(corpus, match, name):
    model = ProfileMatch(name, modes=True, match=match).fit(*corpus[:2])
    profiles = mode_profiles(PROFILES[name])
    rng = np.random.default_rng(3)
    for _ in range(4):
        weights = rng.exponential(size=12) * (rng.random(12) < 0.8)
        scores = model._scores(heard(weights))[0]
        for key in range(N_KEYS):
            expected = SCIPY[match](weights, np.roll(profiles[key // 12], key % 12))
            assert scores[key] == pytest.approx(expected, abs=1e-9)


def test_log_likelihood_against_scipy(corpus):
    # Between two keys, n times the mean log-likelihoods differ as scipy's multinomial log-probabilities of the counts.
    model = ProfileMatch("albrecht-shanahan", match="log-likelihood", weighting="count").fit(*corpus[:2])
    pair = PROFILES["albrecht-shanahan"]
    counts = np.random.default_rng(5).multinomial(50, np.full(12, 1 / 12))
    table = NoteTable.from_notes(60 + np.repeat(np.arange(12), counts))
    found = 50 * model._matches(table)[0]
    expected = []
    for profile in (pair.major, pair.minor):
        shares = np.array(profile) / sum(profile)
        expected += [multinomial.logpmf(counts, 50, np.roll(shares, tonic)) for tonic in range(12)]
    np.testing.assert_allclose(np.diff(found), np.diff(expected), atol=1e-9)


def test_a_note_that_a_profile_rules_out_is_unlikely_not_impossible(corpus):
    # Sapp's profile gives zero to notes outside the scale: their share becomes one in a thousand.
    model = ProfileMatch("sapp-simple", match="log-likelihood").fit(*corpus[:2])
    only_c_sharp = model._scores(heard(np.eye(12)[1]))[0]
    assert only_c_sharp[Key(0, MAJOR).index] == pytest.approx(np.log(SMALLEST_SHARE))
    assert only_c_sharp[Key(1, MAJOR).index] == pytest.approx(np.log(2 / 9))


@pytest.mark.parametrize("match", MATCHES)
def test_the_weights_of_a_profile_are_likest_to_its_own_key(corpus, match):
    for modes in (False, True):
        model = ProfileMatch("albrecht-shanahan", modes=modes, match=match).fit(*corpus[:2])
        for mode, profile in (
            (MAJOR, PROFILES["albrecht-shanahan"].major),
            (MINOR, PROFILES["albrecht-shanahan"].minor),
        ):
            assert model.predict(heard(np.roll(profile, 4))).tolist() == [12 * mode + 4]


@pytest.mark.parametrize("match", MATCHES)
@settings(max_examples=20, deadline=None)
@given(
    weights=st.lists(st.integers(0, 9), min_size=12, max_size=12),
    k=st.integers(1, 11),
    factor=st.sampled_from([0.25, 3.0]),
)
def test_moving_and_stretching(corpus, match, weights, k, factor):
    model = ProfileMatch("temperley-2007", modes=True, match=match).fit(*corpus[:2])
    scores = model._scores(heard(weights))
    moved = model._scores(heard(factor * np.roll(weights, k)))
    np.testing.assert_allclose(moved, transpose_keys(scores, k), atol=1e-7)  # a distance near 0 is a root of rounding


@pytest.mark.parametrize("match", MATCHES)
@pytest.mark.parametrize("weighting", WEIGHTINGS)
def test_silence_speaks_for_no_key(corpus, match, weighting):
    model = ProfileMatch("learnt", modes=True, match=match, weighting=weighting).fit(*corpus[:2])
    silence = NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))])
    np.testing.assert_allclose(np.exp(model.predict_log_proba(silence)), 1 / N_KEYS)


def test_metrical_weights_by_hand():
    onset, duration = np.array([0.0, 1, 2, 4, 5]), np.array([1.0, 1, 2, 1, 3])
    accent = np.array([DOWNBEAT, 0, STRONG, DOWNBEAT, 0])
    table = NoteTable.from_pieces([Piece(onset, duration, np.array([60.0, 62, 64, 60, 62]), None, accent)])
    plain, strong, bar = METRE_FACTORS
    expected = np.zeros(12)
    expected[[0, 2, 4]] = 2 * bar, 4 * plain, 2 * strong
    np.testing.assert_allclose(metre_weights(table), [expected])
    still = table.replace(duration=np.zeros(5))
    expected[[0, 2, 4]] = 2 * bar, 2 * plain, strong
    np.testing.assert_allclose(metre_weights(still), [expected])


def test_without_metre_lengths_count(corpus):
    table = corpus[0]
    flat = table.replace(accent=np.zeros_like(table.accent))
    np.testing.assert_allclose(metre_weights(flat), duration_weights(table))
    assert not np.allclose(metre_weights(table), duration_weights(table))


def test_weightings_reach_the_score():
    # One long C against four short Gs: by length it is C, by count it is G; two of the Gs open bars.
    pitch, duration = np.array([60.0, 67, 67, 67, 67]), np.array([5.0, 1, 1, 1, 1])
    accent = np.array([0, DOWNBEAT, 0, DOWNBEAT, 0])
    table = NoteTable.from_pieces([Piece(np.cumsum(duration) - duration, duration, pitch, None, accent)])
    expected = {"duration": [5.0, 4.0], "count": [1.0, 4.0], "metre": [5.0, 2 + 2 * METRE_FACTORS[2]]}
    for weighting, (c, g) in expected.items():
        model = ProfileMatch(match="cosine", weighting=weighting).fit(*small_corpus(14)[:2])
        np.testing.assert_allclose(model._weights(table)[0, [0, 7]], [c, g])
    np.testing.assert_array_equal(WEIGHTINGS["count"][0](table), note_counts(table))


def slow_profiles(weights, truth, prior):
    """`learn_profiles` piece by piece and key by key, from its description."""
    sums, pieces = np.zeros((7, 12)), np.zeros(7)
    for row, accepted in zip(weights, truth, strict=True):
        if row.sum() == 0:
            continue
        for key in np.flatnonzero(accepted):
            part = 1 / accepted.sum()
            pieces[key // 12] += part
            sums[key // 12] += part * np.roll(row, -(key % 12)) / row.sum()
    published = PROFILES["albrecht-shanahan"]
    out = np.zeros((7, 12))
    for mode, shape in ((MAJOR, np.array(published.major)), (MINOR, np.array(published.minor))):
        out[mode] = (sums[mode] + prior * shape / shape.sum()) / (pieces[mode] + prior)
    shapes = extend_to_modes(out[MAJOR], out[MINOR])
    for mode in set(range(7)) - {MAJOR, MINOR}:
        out[mode] = (sums[mode] + prior * shapes[mode]) / (pieces[mode] + prior)
    return out


@pytest.mark.parametrize("prior", [0.5, 10.0])
def test_learnt_profiles_piece_by_piece(prior):
    rng = np.random.default_rng(1)
    weights = rng.exponential(size=(40, 12))
    weights[7] = 0  # a piece without notes
    truth = rng.random((40, N_KEYS)) < 0.02
    truth[np.arange(40), rng.integers(N_KEYS, size=40)] = True
    found = learn_profiles(weights, truth, prior)
    np.testing.assert_allclose(found, slow_profiles(weights, truth, prior), atol=1e-12)
    np.testing.assert_allclose(found.sum(axis=1), 1)


def test_a_mode_without_pieces_gets_the_shape_of_the_others(corpus):
    notes, truth, _ = corpus
    plain = truth.reshape(-1, 7, 12)[:, [MAJOR, MINOR]].any(axis=(1, 2))
    profiles = learn_profiles(duration_weights(notes[plain]), truth[plain])
    np.testing.assert_allclose(profiles[LYDIAN], extend_to_modes(profiles[MAJOR], profiles[MINOR])[LYDIAN])


def test_learnt_profiles_find_the_shares_that_music_was_drawn_from():
    # Made-up shares for each mode; 300 pieces of 100 notes each: the mean is within a few thousandths.
    rng = np.random.default_rng(2)
    shares = rng.dirichlet(np.full(12, 2.0), size=7)
    keys = [Key(int(rng.integers(12)), m) for m in np.repeat(np.arange(7), 300)]
    weights = np.stack([rng.multinomial(100, np.roll(shares[k.mode], k.tonic)) for k in keys]).astype(float)
    found = learn_profiles(weights, truth_mask([[k] for k in keys]), prior_pieces=1e-6)
    np.testing.assert_allclose(found, shares, atol=0.012)  # five standard errors of the largest share


@settings(max_examples=15, deadline=None)
@given(shifts=st.lists(st.integers(0, 11), min_size=21, max_size=21))
def test_learnt_profiles_do_not_mind_where_pieces_lie(shifts):
    notes, truth, _ = small_corpus(21)
    moved_truth = np.stack([transpose_keys(row, k) for row, k in zip(truth, shifts, strict=True)])
    moved = learn_profiles(duration_weights(notes.transpose(shifts)), moved_truth)
    np.testing.assert_allclose(moved, learn_profiles(duration_weights(notes), truth), atol=1e-12)


def test_the_learnt_profile_needs_no_published_one_to_name_modes():
    notes, truth, _ = small_corpus(168)
    test, test_truth, _ = small_corpus(84, seed=9)
    learnt = make("learnt-profile").fit(notes, truth).score(test, test_truth)
    published = make("albrecht-shanahan-modes").fit(notes, truth).score(test, test_truth)
    assert learnt > published
    assert learnt > 0.6


def test_mode_shares_add_their_logarithms(corpus):
    notes, truth, _ = corpus
    kept = np.flatnonzero(truth.reshape(-1, 7, 12).any(axis=2).argmax(axis=1) != DORIAN)
    few = np.sort(np.concatenate([kept, np.setdiff1d(np.arange(len(notes)), kept)[:3]]))
    model = ProfileMatch("learnt", modes=True, match="euclidean", mode_shares=True).fit(notes[few], truth[few])
    pieces = np.array([12.0, 3, 12, 12, 12, 12, 12]) + 0.5
    share = np.repeat(np.log(pieces / pieces.sum()), 12)
    np.testing.assert_allclose(model.sharpness_ * model.mode_bonus_, share, rtol=1e-2)  # Newton stops at a thousandth
    test = small_corpus(20, seed=4)[0]
    found = model.sharpness_ * model._scores(test) - model.sharpness_ * model._matches(test)
    np.testing.assert_allclose(found, np.broadcast_to(share, found.shape), rtol=1e-2)


@pytest.mark.parametrize("match", MATCHES)
def test_contract_of_the_variants(match):
    for weighting in ("count", "metre"):
        outcome = run_checks(ProfileMatch("learnt", True, match, weighting, mode_shares=match == "cosine"))
        assert not outcome.failed, str(outcome)


def test_recordings_have_no_notes_to_count(corpus):
    chroma = ChromaTable.from_frames([(np.arange(3), np.ones((3, 12)), np.ones((3, 12)))])
    assert ProfileMatch().tags.takes == "either"
    assert ProfileMatch("learnt").tags.learns
    assert not ProfileMatch().tags.learns
    for weighting in ("count", "metre"):
        model = ProfileMatch(weighting=weighting).fit(*corpus[:2])
        assert model.tags.takes == "notes"
        with pytest.raises(NotesError, match="ChromaTable"):
            model.predict(chroma)


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"profile": "krumhansl"}, "unknown profile 'krumhansl'; accepted: krumhansl-kessler, .*sapp-simple, learnt"),
        ({"match": "angle"}, "unknown match 'angle'; accepted: correlation, cosine, euclidean, log-likelihood"),
        ({"weighting": "loudness"}, "unknown weighting 'loudness'; accepted: duration, count, metre"),
    ],
)
def test_what_is_not_accepted_is_named(corpus, parameters, message):
    with pytest.raises(EstimatorError, match=message):
        ProfileMatch(**parameters).check_parameters()
    with pytest.raises(EstimatorError, match=message):
        ProfileMatch(**parameters).fit(*corpus[:2])


def test_what_a_match_says_of_itself(corpus):
    piece = heard(PROFILES["sapp-simple"].major)
    shares = np.array(PROFILES["sapp-simple"].major) / 9
    likely = np.exp((shares * np.log(np.maximum(shares, SMALLEST_SHARE))).sum())
    expected = {
        "correlation": "Its note lengths correlate 1.00 with the sapp-simple profile of the answer.",
        "cosine": "Its note lengths and the sapp-simple profile of the answer have a cosine of 1.00.",
        "euclidean": "Its note lengths lie 0.00 from the sapp-simple profile of the answer, as shares.",
        "log-likelihood": "By the sapp-simple profile of the answer, its note lengths have a mean probability of "
        f"{likely:.2f}.",
    }
    for match, words in expected.items():
        (found,) = ProfileMatch("sapp-simple", match=match).fit(*corpus[:2]).explain(piece)
        assert found.words[0] == words


def test_overlaps_are_corpora_and_those_the_sources_name():
    # What each set of numbers was made from, by its own publication (see the comments beside the profiles).
    overlaps = {name: pair.overlaps for name, pair in PROFILES.items() if pair.overlaps}
    assert overlaps == {
        "temperley-2007": ("textbook",),
        "aarden-essen": ("essen",),
        "albrecht-shanahan": ("chorales", "dcml-baroque", "dcml-classical", "dcml-romantic"),
    }
    for corpora in overlaps.values():
        for corpus in corpora:
            assert read_manifest(corpus).id == corpus


def test_a_note_of_any_length_overflows_nothing():
    notes = NoteTable.from_pieces([Piece(np.arange(3.0), np.array([1.0, 1e300, 1.0]), np.array([60.0, 64.0, 67.0]))])
    taught, truth, _ = small_corpus(30)
    for match in ("correlation", "cosine", "euclidean", "log-likelihood"):
        model = make("krumhansl-kessler", match=match).fit(taught, truth)
        assert np.isfinite(model.predict_log_proba(notes)).all()
