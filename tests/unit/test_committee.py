"""Committees: the pool against its formula, weights against all that could be chosen, and what members get to see."""

from itertools import product

import numpy as np
import pytest
from scipy.special import log_softmax
from sklearn.exceptions import NotFittedError

from keybench.errors import EstimatorError
from keybench.estimators import committee, make
from keybench.estimators.base import KeyEstimator, Tags
from keybench.estimators.checks import run_checks, small_corpus
from keybench.estimators.committee import Committee, choose_weights, steps_truth
from keybench.estimators.follow import Followed, finest, resample, whole_as_step
from keybench.key import N_KEYS, NO_MODE, key_at, parse_key
from keybench.models.encode import decode, encode
from keybench.notes import NoteTable, Piece
from keybench.spans import SpanTable

QUICK = ("hmm", "sliding-window")


@pytest.fixture(scope="module")
def tunes():
    return small_corpus(42)


@pytest.fixture(scope="module")
def fitted(tunes):
    notes, truth, groups = tunes
    return Committee(QUICK, weights=(3, 1)).fit(notes, truth, groups=groups)


def moving_pieces(n=18):
    """Tunes joined in pairs, so that the key moves, with the labels of both halves."""
    notes, truth, _ = small_corpus(2 * n)
    pieces, spans = [], []
    for i in range(n):
        first, second = notes.pieces()[2 * i], notes.pieces()[2 * i + 1]
        middle = float((first.onset + first.duration).max())
        end = middle + float((second.onset + second.duration).max())
        pieces.append(
            Piece(
                np.concatenate([first.onset, second.onset + middle]),
                np.concatenate([first.duration, second.duration]),
                np.concatenate([first.pitch, second.pitch]),
            )
        )
        keys = [key_at(int(np.argmax(truth[k]))) for k in (2 * i, 2 * i + 1)]
        spans.append([(0.0, middle, keys[0].tonic, keys[0].mode), (middle, end, keys[1].tonic, keys[1].mode)])
    return NoteTable.from_pieces(pieces), SpanTable.from_spans(spans)


# --- The pool --------------------------------------------------------------------------------------------------------


def test_the_pool_is_the_weighted_mean_of_logarithms_renormalised(fitted):
    music = small_corpus(8, seed=1)[0]
    said = [member.predict_log_proba(music) for member in fitted.members_]
    expected = log_softmax(0.75 * said[0] + 0.25 * said[1], axis=1)
    assert np.abs(fitted.predict_log_proba(music) - expected).max() < 1e-3

    answers = [member.follow(music) for member in fitted.members_]
    offsets, begins = finest(answers)
    over_time = [resample(answer, offsets, begins) for answer in answers]
    found = fitted.follow(music)
    assert np.array_equal(found.begins, begins)
    pooled = log_softmax(0.75 * over_time[0] + 0.25 * over_time[1], axis=1)
    assert np.allclose(found.log_proba, pooled)  # none of the pieces is long


def test_in_long_pieces_keys_count_for_more_the_more_they_hold(fitted):
    music = small_corpus(8, seed=1)[0]
    plain = fitted.follow(music)
    method = Committee(QUICK, recurring=0.4, long=int(plain.n_steps[0]) - 1)
    method.members_, method.weights_ = fitted.members_, fitted.weights_
    found = method.follow(music)
    for a, b in zip(plain.offsets[:-1], plain.offsets[1:], strict=True):
        expected = plain.log_proba[a:b]
        if b - a >= plain.n_steps[0]:
            expected = log_softmax(expected + 0.4 * np.log(np.exp(expected).mean(axis=0) + 1e-3), axis=1)
        assert np.allclose(found.log_proba[a:b], expected)


def test_a_member_that_counts_for_all_speaks_alone(tunes):
    notes, truth, groups = tunes
    music = small_corpus(8, seed=1)[0]
    alone = make("hmm").fit(notes, truth, groups=groups)
    both = Committee(QUICK, weights=(2.0, 0.0)).fit(notes, truth, groups=groups)
    assert np.abs(both.predict_log_proba(music) - alone.predict_log_proba(music)).max() < 1e-3
    assert Committee(("hmm",)).fit(notes, truth).segment(music) == alone.segment(music)


def test_a_dear_change_keeps_one_key(fitted):
    music = moving_pieces(4)[0]
    free, dear = (fitted.__class__(QUICK, change=change) for change in (0.0, 1e9))
    for each in (free, dear):
        each.members_, each.weights_ = fitted.members_, fitted.weights_
    assert max(len(spans) for spans in free.segment(music)) > 1
    assert [len(spans) for spans in dear.segment(music)] == [1] * 4
    nothing = NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))])
    assert dear.segment(nothing) == free.segment(nothing) == [[]]
    assert dear.segment(NoteTable.from_pieces([])) == []


def test_keys_over_time_are_learnt_and_found():
    music, spans = moving_pieces()
    method = Committee(QUICK).fit_sections(music, spans, groups=np.arange(len(music)) // 2)
    right = 0.0
    for i, said in enumerate(method.segment(music)):
        for j in range(spans.offsets[i], spans.offsets[i + 1]):
            key = 12 * spans.mode[j] + spans.tonic[j]
            right += sum(
                max(min(s.end, spans.end[j]) - max(s.start, spans.start[j]), 0.0) for s in said if s.key == key
            )
    assert right / float((spans.end - spans.start).sum()) > 0.5  # one key for the whole gets half at most


# --- Weights ---------------------------------------------------------------------------------------------------------


def test_chosen_weights_are_right_most_often():
    rng = np.random.default_rng(3)
    for seed in range(4):
        truth = np.eye(N_KEYS, dtype=bool)[rng.integers(0, 24, 200)]
        truth[::9] = False  # steps without a label do not count
        piece = np.sort(rng.integers(0, 12, 200))
        noise = rng.normal(size=(3, 200, N_KEYS)) * np.array([1.0, 2.0, 4.0])[:, None, None]
        said = log_softmax(2.0 * truth + noise, axis=2)
        found = choose_weights(said, truth, piece)

        def share(weights, said=said, truth=truth, piece=piece):
            best = np.tensordot(weights, said, 1).argmax(axis=1)
            known = truth.any(axis=1)
            return np.mean([truth[k, best[k]].mean() for k in (np.flatnonzero(known & (piece == i)) for i in
                                                              np.unique(piece[known]))])  # fmt: skip

        every = [np.array(w) / 5 for w in product(range(6), repeat=3) if sum(w) == 5]
        assert share(found) >= max(share(w) for w in every) - 1e-9, seed
        assert found.sum() == pytest.approx(1)


def test_of_equal_merit_the_most_equal_weights_win():
    said = np.log(np.random.default_rng(0).dirichlet(np.ones(N_KEYS), size=30))
    assert choose_weights(np.stack([said, said]), said == said.max(axis=1, keepdims=True), np.arange(30)).tolist() == [
        0.5, 0.5,
    ]  # fmt: skip
    assert choose_weights(np.stack([said, said]), np.zeros(said.shape, dtype=bool), np.arange(30)).tolist() == [0.5] * 2


class Noting(KeyEstimator):
    """Says the same always, and notes what it was shown."""

    tags = Tags(learns=True)

    def __init__(self, key, seen):
        self.key = key
        self.seen = seen

    def fit(self, X, y=None, groups=None):
        self.seen.append(("taught", {float(p) for p in X.pitch}, set(groups)))
        self.fitted_ = 1
        return self

    def fit_sections(self, X, spans, groups=None):
        return self.fit(X, None, groups)

    def predict_log_proba(self, X):
        self.seen.append(("asked", {float(p) for p in X.pitch}, set()))
        return log_softmax(np.tile(5.0 * (np.arange(N_KEYS) == self.key), (len(X), 1)), axis=1)

    def follow(self, X):
        return whole_as_step(np.zeros(len(X)), self.predict_log_proba(X))


@pytest.mark.parametrize("over_time", [True, False])
def test_weights_are_learnt_on_groups_that_no_member_saw(monkeypatch, over_time):
    # Piece i is one note of pitch 40 + i; pieces 2j and 2j + 1 are related. All are in the second member's key.
    n = 24
    music = NoteTable.from_pieces([Piece(np.zeros(1), np.ones(1), np.array([40.0 + i])) for i in range(n)])
    groups = np.arange(n) // 2
    seen = []
    monkeypatch.setattr(Committee, "_made", lambda self: [Noting(3, seen), Noting(7, seen)])
    method = Committee(("a", "b"), weights="learnt")
    if over_time:
        method.fit_sections(music, SpanTable.from_spans([[(0.0, 1.0, 7, 0)]] * n), groups=groups)
    else:
        method.fit(music, np.full(n, 7), groups=groups)
    assert method.weights_.argmax() == 1
    (_, taught, in_groups), _, (_, asked, _), _, (_, all_taught, _), _ = seen
    assert len(seen) == 6
    assert len(all_taught) == n
    assert taught | asked == all_taught
    assert not in_groups & {int(pitch - 40) // 2 for pitch in asked}


def test_related_pieces_alone_leave_weights_equal(monkeypatch):
    music, truth, _ = small_corpus(6)
    monkeypatch.setattr(Committee, "_made", lambda self: [Noting(3, []), Noting(7, [])])
    assert Committee(("a", "b"), weights="learnt").fit(music, truth, groups=np.zeros(6)).weights_.tolist() == [0.5, 0.5]


def test_the_truth_of_steps_is_that_of_their_middle():
    spans = SpanTable.from_spans([[(0.0, 4.0, 0, 0), (4.0, 6.0, 7, NO_MODE)], []])
    found = steps_truth(spans, np.array([0, 3, 4]), np.array([0.0, 3.0, 4.8, 0.0]), np.array([8.0, 1.0]))
    assert found[0].nonzero()[0].tolist() == [parse_key("C major").index]
    assert found[1].nonzero()[0].tolist() == [parse_key("C major").index]  # from 3 to 4.8: the middle is 3.9
    assert not found[2:].any()  # from 4.8 to 8: the middle is 6.4


# --- The contract ----------------------------------------------------------------------------------------------------


def test_a_quick_committee_keeps_the_contract():
    outcome = run_checks(Committee(("krumhansl-kessler", "learnt-profile"), weights="learnt", change=1.0))
    assert not outcome.failed, str(outcome)


def test_a_saved_committee_answers_alike(fitted):
    music = small_corpus(8, seed=1)[0]
    again = decode(*encode(fitted))
    assert np.array_equal(again.predict_log_proba(music), fitted.predict_log_proba(music))
    assert again.segment(music) == fitted.segment(music)


@pytest.mark.parametrize(
    ("parameters", "complaint"),
    [
        ({"members": ()}, "members is"),
        ({"members": "hmm"}, "members is"),
        ({"members": ("hmm", 3)}, "members is"),
        ({"members": ("hmm",) * 6}, "members is"),
        ({"members": ("humming",)}, "unknown estimator"),
        ({"members": ("hmm", "committee")}, "member of a committee"),
        ({"members": ("hmm", "logistic-both")}, "takes both"),
        ({"weights": "loud"}, "weights is"),
        ({"weights": (1.0,)}, "weights is"),
        ({"weights": (1.0, -1.0)}, "weights is"),
        ({"weights": (0.0, 0.0)}, "weights is"),
        ({"weights": (1.0, float("nan"))}, "weights is"),
        ({"weights": ("a", "b")}, "weights is"),
        ({"weights": None}, "weights is"),
        ({"change": -1.0}, "change is"),
        ({"change": "dear"}, "change is"),
        ({"recurring": -0.1}, "recurring is"),
        ({"long": float("inf")}, "long is"),
    ],
)
def test_what_makes_no_committee_is_refused(parameters, complaint):
    with pytest.raises(EstimatorError, match=complaint):
        Committee(**parameters).check_parameters()


def test_asking_before_fitting_and_fitting_without_truth_are_refused(tunes):
    for ask in ("predict_log_proba", "follow", "segment"):
        with pytest.raises(NotFittedError):
            getattr(Committee(QUICK), ask)(tunes[0])
    with pytest.raises(EstimatorError, match="truths"):
        Committee(QUICK).fit(tunes[0])


def test_the_registered_committee_has_the_members_that_were_measured():
    method = make("committee")
    method.check_parameters()
    assert tuple(method.members) == committee.MEMBERS
    assert method.tags.segment


def test_each_member_has_its_say(fitted, tunes):
    words = fitted.explain(tunes[0][:1])[0].words
    assert any(word.startswith("hmm says ") and word.endswith("it counts 75%.") for word in words)
    assert isinstance(fitted.follow(tunes[0][:1]), Followed)
