"""What answers may claim: music unlike the training pieces, and labels without modes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import NotesError
from keybench.estimators import make
from keybench.estimators.base import log_softmax
from keybench.estimators.checks import SUREST_OF_NONSENSE, check_nonsense_gets_a_flat_answer, recording, small_corpus
from keybench.estimators.profiles import ProfileMatch
from keybench.estimators.taught import (
    answer_probability,
    as_far_as_labels_go,
    as_home_notes,
    claim,
    content,
    home_notes_only,
    learn_taught,
    names_home_notes_only,
    novelty,
    spread_over_modes,
)
from keybench.key import DORIAN, MAJOR, MINOR, N_KEYS, N_MODES, Key, key_at
from keybench.notes import NoteTable


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(140)


def home_truth(truth):
    """The same truths, with home notes only."""
    return np.tile(truth.reshape(-1, N_MODES, 12).any(axis=1), N_MODES)


def test_content_by_hand():
    """One pitch class has components of length 1; all twelve alike none; a tritone only even ones; fifths, the fifth.

    The fifth component of a major scale is 2 + sqrt(3) over 7 long (Amiot 2016, table of diatonic coefficients).
    """
    tritone, scale = np.zeros(12), np.zeros(12)
    tritone[[0, 6]] = 3.0
    scale[[0, 2, 4, 5, 7, 9, 11]] = 1.0
    one, even, two, major = content(np.stack([np.eye(12)[4], np.full(12, 5.0), tritone, scale]))
    np.testing.assert_allclose(one[:6], 1.0)
    np.testing.assert_allclose(even[:6], 0.0, atol=1e-12)
    np.testing.assert_allclose(two[:6], [0, 1, 0, 1, 0, 1], atol=1e-12)
    assert major[4] == pytest.approx((2 + np.sqrt(3)) / 7)
    assert one[6] == pytest.approx(0.0)
    assert even[6] == pytest.approx(np.log(1e-4))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=12, max_size=12), st.integers(0, 11), st.floats(0.1, 50.0))
def test_content_is_the_same_in_all_keys_and_at_all_lengths(weights, k, factor):
    weights = np.array([weights], dtype=float)
    np.testing.assert_allclose(content(np.roll(weights, k, axis=1) * factor), content(weights), atol=1e-9)


def test_music_like_what_taught_is_not_novel_and_nonsense_is(corpus):
    notes, truth, _ = corpus
    taught = learn_taught(notes, truth)
    assert (novelty(notes, taught) == 0).mean() > 0.98
    assert (novelty(small_corpus(60, seed=8)[0], taught) == 0).mean() > 0.95
    rng = np.random.default_rng(0)
    nonsense = [np.full(9, 60.0), np.arange(60.0, 72.0), rng.integers(40, 90, 5000).astype(float)]
    strange = NoteTable.concatenate([NoteTable.from_notes(pitch) for pitch in nonsense])
    assert (novelty(strange, taught) > 0.8).all()
    assert novelty(NoteTable.from_pieces([]), taught).shape == (0,)
    assert novelty(NoteTable.from_notes([]), taught).tolist() == [0.0]


def test_novelty_grows_as_chromatic_notes_replace_those_of_the_scale(corpus):
    notes, truth, _ = corpus
    taught = learn_taught(notes, truth)
    tune = np.tile([60.0, 62, 64, 65, 67, 69, 71, 60], 12)
    rng = np.random.default_rng(2)
    strange = 60.0 + rng.permutation(np.tile(np.arange(12), 8))
    tables = [NoteTable.from_notes(np.concatenate([tune[k:], strange[:k]])) for k in range(0, 97, 24)]
    found = np.concatenate([novelty(table, taught) for table in tables])
    assert found[0] == 0 < found[-1]
    assert (np.diff(found) >= -1e-9).all()


def test_a_claim_keeps_the_order_and_mixes_with_an_even_answer(corpus):
    """The lapse written out: (1 - v) p + v / 84."""
    notes, truth, _ = corpus
    taught = learn_taught(notes, truth)
    pieces = NoteTable.concatenate([notes[:2].detach(), NoteTable.from_notes(np.full(9, 60.0))])
    log_p = log_softmax(np.random.default_rng(0).normal(size=(3, N_KEYS)))
    before = log_p.copy()
    found = claim(log_p, pieces, taught)
    np.testing.assert_array_equal(log_p, before)
    np.testing.assert_array_equal(found[:2], log_p[:2])
    v = novelty(pieces, taught)[2]
    np.testing.assert_allclose(np.exp(found[2]), (1 - v) * np.exp(log_p[2]) + v / N_KEYS)
    np.testing.assert_array_equal(np.argsort(found[2]), np.argsort(log_p[2]))
    assert claim(log_p, pieces, None) is log_p


def test_of_notes_and_recording_the_stranger_counts(corpus):
    notes, truth, _ = corpus
    both = BothTable(notes, recording(notes))
    taught = learn_taught(both, truth)
    assert (novelty(both, taught) == 0).mean() > 0.97
    hiss = ChromaTable.from_frames([(np.arange(4.0), np.ones((4, 12)), np.ones((4, 12)))])
    assert novelty(BothTable(notes[0].detach(), hiss), taught)[0] > 0.8


def test_home_notes_are_told_from_modes(corpus):
    _, truth, _ = corpus
    home = home_truth(truth)
    assert names_home_notes_only(home)
    assert not names_home_notes_only(truth)
    assert not names_home_notes_only(np.vstack([home[:5], truth[:1]]))  # one label with a mode teaches modes
    assert not names_home_notes_only(home[:0])


def test_spreading_keeps_home_notes():
    log_p = log_softmax(np.random.default_rng(3).normal(size=(4, N_KEYS)))
    home = np.exp(log_p).reshape(4, N_MODES, 12).sum(axis=1)
    spread = np.exp(spread_over_modes(log_p)).reshape(4, N_MODES, 12)
    np.testing.assert_allclose(spread, np.repeat(home[:, None] / N_MODES, N_MODES, axis=1))
    together, named = as_home_notes(log_p)
    np.testing.assert_allclose(np.exp(together[:, :12]), home)
    assert named[:, :12].all()
    assert not named[:, 12:].any()
    np.testing.assert_allclose(answer_probability(log_p, home_only=True), home.max(axis=1))
    np.testing.assert_allclose(answer_probability(log_p, home_only=False), np.exp(log_p).max(axis=1))


def test_labels_of_major_and_minor_do_not_tell_modes_wrong():
    keys = np.array([Key(2, MAJOR).index, Key(9, MINOR).index])
    truth = np.zeros((120, N_KEYS), dtype=bool)
    truth[np.arange(120), np.tile(keys, 60)] = True
    told = as_far_as_labels_go(truth)
    assert [str(key_at(int(i))) for i in np.flatnonzero(told[0])] == ["D major", "D Lydian", "D Mixolydian"]
    assert [key_at(int(i)).tonic for i in np.flatnonzero(told[1])] == [9] * 4
    np.testing.assert_array_equal(as_far_as_labels_go(truth[:50]), truth[:50])  # too few to say what they cannot name
    truth[7] = np.arange(N_KEYS) == Key(2, DORIAN).index
    np.testing.assert_array_equal(as_far_as_labels_go(truth), truth)


LEARNERS = ["logistic", "learnt-profile", "home-and-scale-learnt", "calibrated", "tuned", "trees", "hmm", "structured"]


@pytest.mark.parametrize("name", LEARNERS)
def test_methods_taught_home_notes_say_nothing_of_modes(corpus, name):
    notes, truth, groups = corpus
    parameters = {"calibrated": {"base": "logistic"}, "trees": {"rounds": 20, "mode_rounds": 20}}.get(name, {})
    model = make(name, **parameters).fit(notes, home_truth(truth), groups=groups)
    assert model.home_notes_only
    test, answers, _ = small_corpus(24, seed=6)
    p = np.exp(model.predict_log_proba(test)).reshape(len(test), N_MODES, 12)
    np.testing.assert_allclose(p, np.broadcast_to(p[:, :1], p.shape), rtol=1e-9)
    np.testing.assert_array_equal(model.predict(test) % 12, p[:, 0].argmax(axis=1))
    assert home_truth(answers)[np.arange(24), model.predict(test)].mean() > 0.5  # of twelve home notes
    evidence = model.explain(test[0])[0]
    best = evidence.ranked[0][0]
    assert evidence.home_only
    assert evidence.ranked[0][1] == pytest.approx(p[0, :, best.tonic].sum())
    assert f"Most probable home note: {best.tonic_name} (" in " ".join(evidence.words)
    spoken = " ".join(evidence.words).replace("correlate", "")
    assert not any(mode in spoken for mode in ("major", "minor", "Dorian", "Mixolydian", "Locrian")), spoken
    assert evidence.to_dict()["ranked"][0]["key"] == best.tonic_name


def test_methods_that_know_modes_from_elsewhere_keep_them(corpus):
    notes, truth, groups = corpus
    model = ProfileMatch("krumhansl-kessler").fit(notes, home_truth(truth), groups=groups)
    assert not model.home_notes_only
    p = np.exp(model.predict_log_proba(notes[:5])).reshape(5, N_MODES, 12)
    assert (np.ptp(p[:, [MAJOR, DORIAN]], axis=1).max(axis=1) > 1e-3).all()


def test_calibrated_home_notes_are_as_sure_as_they_are_right(corpus):
    """Probabilities of home notes, not of one of seven keys on each, are what is held against the labels."""
    notes, truth, groups = small_corpus(400, seed=3)
    home = home_truth(truth)
    half = np.arange(400) < 200
    model = make("calibrated", base="learnt-profile").fit(notes[half], home[half], groups=groups[half])
    log_p = model.predict_log_proba(notes[~half])
    sure = answer_probability(log_p, home_only=True)
    right = home[~half][np.arange(200), log_p.argmax(axis=1)]
    assert sure.mean() == pytest.approx(right.mean(), abs=0.08)


def test_what_was_noted_before_these_notes_is_nothing():
    assert not home_notes_only(None)


class _Certain(ProfileMatch):
    """A method that does not hold its answers against what taught it."""

    def _claim(self, log_proba, X):
        return log_softmax(40 * log_proba)


def test_the_check_finds_a_method_that_is_sure_of_nonsense():
    with pytest.raises(AssertionError, match="gives one key"):
        check_nonsense_gets_a_flat_answer(_Certain())
    check_nonsense_gets_a_flat_answer(ProfileMatch())
    assert 1 / 84 < SUREST_OF_NONSENSE < 0.5


@pytest.mark.parametrize(("column", "value"), [(0, np.nan), (1, np.inf), (2, -1.0)])
def test_energies_that_are_none_are_named(column, value):
    parts = [np.arange(2.0), np.ones((2, 12)), np.ones((2, 12))]
    parts[column] = np.full_like(parts[column], value)
    with pytest.raises(NotesError, match="accepted"):
        ChromaTable.from_frames([tuple(parts)])
