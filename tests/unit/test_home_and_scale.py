"""The practitioner's way: each rule by hand, the whole against a slow reading of its description, learnt weights."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.errors import EstimatorError
from keybench.estimators import make
from keybench.estimators.base import PREFERENCE, log_softmax
from keybench.estimators.checks import run_checks, small_corpus
from keybench.estimators.home_and_scale import (
    FIVE_NOTES,
    HOME_RULES,
    RARER_MODE,
    TRUST,
    HomeAndScale,
    home_and_scale_channels,
    passing_notes,
)
from keybench.key import (
    HAS_MINOR_THIRD,
    MAJOR,
    MINOR,
    MIXOLYDIAN,
    N_KEYS,
    SCALES,
    Key,
    parse_key,
    transpose_keys,
    truth_mask,
)
from keybench.notes import DOWNBEAT, STRONG, NoteTable, Piece

OFF = dict.fromkeys(HOME_RULES, False)


@pytest.fixture(scope="module")
def corpus():
    return small_corpus(84)


def tune(pitch, duration=1.0, accent=None, part=None, onset=None):
    pitch = np.asarray(pitch, dtype=float)
    duration = np.broadcast_to(np.asarray(duration, dtype=float), pitch.shape)
    onset = np.cumsum(duration) - duration if onset is None else np.asarray(onset, dtype=float)
    return NoteTable.from_pieces([Piece(onset, duration, pitch, part, accent)])


def proposals(table):
    channels = home_and_scale_channels(table)[0]
    return {rule: np.flatnonzero(channels[i]).tolist() for i, rule in enumerate(HOME_RULES)}


def test_what_each_rule_proposes():
    # D (pickup), then G opening the bar, a low E, A twice, B long, C last.
    table = tune([62, 67, 52, 69, 69, 71, 60], [1, 1, 1, 1, 1, 4, 1], [0, DOWNBEAT, 0, STRONG, 0, DOWNBEAT, 0])
    assert proposals(table) == {
        "last": [0], "first_strong": [7], "first": [2], "lowest": [4], "held": [11], "repeated": [9],
    }  # fmt: skip
    channels = home_and_scale_channels(table)[0]
    assert channels[: len(HOME_RULES)].sum(axis=1).tolist() == [1.0] * 6
    assert channels[-2].tolist() == [1, 0, 1, 0, 1, 0, 0, 1, 0, 2, 0, 1]


def test_the_first_strong_note_where_less_is_known():
    pitch = [62, 67, 64]
    assert proposals(tune(pitch, accent=[0, STRONG, 0]))["first_strong"] == [7]  # no bar lines
    assert proposals(tune(pitch, accent=[0, STRONG, DOWNBEAT]))["first_strong"] == [4]
    assert proposals(tune(pitch))["first_strong"] == [2]  # no metre


def test_of_notes_together_the_lowest_and_ties_share():
    table = tune([48, 64, 55, 59, 65], onset=[0, 0, 1, 2, 2])
    found = proposals(table)
    assert (found["first"], found["last"], found["lowest"]) == ([0], [11], [0])
    assert found["held"] == found["repeated"] == [0, 4, 5, 7, 11]
    np.testing.assert_allclose(home_and_scale_channels(table)[0, 4, [0, 4, 5, 7, 11]], 0.2)


def test_an_empty_piece_among_others_proposes_nothing():
    empty = Piece(np.zeros(0), np.zeros(0), np.zeros(0))
    table = NoteTable.from_pieces([empty, *tune([62, 64]).pieces(), empty])
    channels = home_and_scale_channels(table)
    assert not channels[[0, 2]].any()
    np.testing.assert_array_equal(channels[1], home_and_scale_channels(tune([62, 64]))[0])


@pytest.mark.parametrize(
    ("pitch", "duration", "expected"),
    [
        ([60, 61, 62], 1.0, [1]),  # passes up
        ([62, 61, 60], 1.0, [1]),  # and down
        ([67, 66, 67], 1.0, [1]),  # turns below
        ([67, 68, 67], 1.0, [1]),  # and above
        ([60, 61, 61, 62], 1.0, []),  # stays
        ([60, 61, 63], 1.0, []),  # leaves by a whole tone
        ([71, 72, 74], 1.0, []),
        ([60, 61, 62], [1, 2, 1], []),  # is longer than its neighbours
        ([60, 61, 62], [1, 2, 2], []),  # than one of them
        ([60, 61, 62], [2, 2, 2], [1]),
        ([60, 61, 62, 63, 64], 1.0, [1, 2, 3]),
        ([61, 62], 1.0, []),  # has no note before
        ([60], 1.0, []),
        ([], 1.0, []),
    ],
)
def test_passing_notes_by_hand(pitch, duration, expected):
    assert passing_notes(tune(pitch, duration)).tolist() == expected


def test_passing_notes_of_parts_and_chords():
    # Two parts a bar apart in pitch; sorted by time their notes alternate.
    high, low = [72, 73, 74], [48, 50, 52]
    table = tune(high + low, part=[0, 0, 0, 1, 1, 1], onset=[0, 1, 2, 0, 1, 2])
    (found,) = passing_notes(table)
    assert table.pitch[found] == 73
    chord = tune([60, 61, 62], onset=[0, 0, 0])
    assert passing_notes(chord).tolist() == []
    between = NoteTable.from_pieces([*tune([60, 61]).pieces(), *tune([62, 63]).pieces()])
    assert passing_notes(between).tolist() == []  # not across pieces


def slow_scores(model, piece):
    """Score of each key, note by note, from the description of the class."""
    n = len(piece.pitch)
    table = NoteTable.from_pieces([piece])
    passing = set(passing_notes(table).tolist()) if model.passing else set()
    pc = [int(p) % 12 for p in piece.pitch]
    length, count = [0.0] * 12, [0] * 12
    for p, d in zip(pc, piece.duration, strict=True):
        length[p] += d
        count[p] += 1
    opening = [i for level in (STRONG, DOWNBEAT) for i in np.flatnonzero(piece.accent == level)[:1]]
    home = {
        "last": {pc[min(i for i in range(n) if piece.onset[i] == piece.onset[-1])]: 1.0},
        "first_strong": {pc[opening[-1] if opening else 0]: 1.0},
        "first": {pc[0]: 1.0},
        "lowest": {int(min(piece.pitch)) % 12: 1.0},
        "held": {p: 1 / length.count(max(length)) for p in range(12) if length[p] == max(length)},
        "repeated": {p: 1 / count.count(max(count)) for p in range(12) if count[p] == max(count)},
    }
    rules = [rule for rule in HOME_RULES if getattr(model, rule)]
    scores = np.zeros(N_KEYS)
    for key in range(N_KEYS):
        mode, tonic = divmod(key, 12)
        for rule in rules:
            vote = 1 + TRUST * (len(HOME_RULES) - list(HOME_RULES).index(rule))
            scores[key] += vote / len(rules) * home[rule].get(tonic, 0.0)
        for i in range(n):
            degree = (pc[i] - tonic) % 12
            if not SCALES[mode][degree]:
                scores[key] -= model.outside_cost * (model.passing_cost if i in passing else 1.0) / n
            five = (0, 3, 5, 7, 10) if SCALES[mode][3] else (0, 2, 4, 7, 9)
            if model.pentatonic and degree in five:
                scores[key] += FIVE_NOTES / n
        if model.commoner:
            scores[key] -= RARER_MODE * PREFERENCE.index(mode)
    return scores


@pytest.mark.parametrize(
    "switched",
    [{}, *({rule: False} for rule in (*HOME_RULES, "passing", "pentatonic", "commoner")), {"outside_cost": 0.0}, OFF],
    ids=lambda switched: ", ".join(switched) or "all",
)
def test_scores_note_by_note(corpus, switched):
    model = HomeAndScale(**switched).fit(*corpus[:2])
    rng = np.random.default_rng(8)
    pieces = []
    for n in (1, 2, 9, 40):
        duration = rng.choice([0.5, 1.0, 2.0], size=n)
        onset = np.cumsum(rng.choice([0.0, 0.5, 1.0], size=n))
        accent = rng.choice([0, 0, STRONG, DOWNBEAT], size=n)
        pitch = np.cumsum(rng.choice([-2, -1, -1, 1, 1, 2], size=n)) + 60.0
        pieces.append(Piece(onset, duration, pitch, None, accent))
    table = NoteTable.from_pieces(pieces)
    expected = [slow_scores(model, piece) for piece in table.pieces()]
    np.testing.assert_allclose(model._scores(table), expected, atol=1e-9)


def answer(table, **parameters):
    notes, truth, _ = small_corpus(28)
    return str(Key(*divmod(int(HomeAndScale(**parameters).fit(notes, truth).predict(table)[0]), 12)[::-1]))


@pytest.mark.parametrize(
    ("rule", "home"),
    [("last", "C"), ("first_strong", "G"), ("first", "D"), ("lowest", "E"), ("held", "B"), ("repeated", "A")],
)
def test_a_rule_alone_names_its_note(rule, home):
    # The seven white notes: every rule proposes another one, and some mode on each fits.
    table = tune([62, 67, 52, 69, 69, 71, 65, 60], [1, 1, 1, 1, 1, 4, 1, 1], [0, DOWNBEAT, 0, 0, 0, 0, 0, 0])
    named = answer(table, **{**OFF, rule: True}, commoner=False, pentatonic=False)
    assert named.split()[0] == home


def test_forgiving_passing_notes_keeps_the_scale():
    # G major whose seventh F-sharp comes once and whose F naturals all pass between E and F-sharp.
    turn = [64, 65, 66, 67]
    table = tune([67, 69, 71, 72, 74, 71, *turn, 64, 65, 66, 67, 64, 65, 66, 67, 71, 67])
    no_commoner = {"commoner": False, "pentatonic": False}
    forgiven, charged = (
        HomeAndScale(passing=passing, passing_cost=0.0, **no_commoner).fit(*small_corpus(28)[:2])._scores(table)[0]
        for passing in (True, False)
    )
    major, mixolydian = Key(7, MAJOR).index, Key(7, MIXOLYDIAN).index
    # Three Fs outside major, three F-sharps outside Mixolydian; both kinds lie between semitones, and all are forgiven.
    assert charged[major] == pytest.approx(forgiven[major] - 4.0 * 3 / 20)
    assert charged[mixolydian] == pytest.approx(forgiven[mixolydian] - 4.0 * 3 / 20)
    # The chromatic scale's other notes are charged either way: C minor lacks six of these twenty.
    assert charged[parse_key("G minor").index] < forgiven[parse_key("G minor").index]


def test_the_pentatonic_check_settles_a_gapped_scale():
    # D, G, A: major and minor fit alike, and so do the pentatonic scales: the commoner mode.
    assert answer(tune([62, 67, 69, 62])) == "D major"
    # With one C the minor pentatonic holds one note more; a seven-note scale with a C fits either third.
    leaning = tune([62, 67, 69, 72, 69, 67, 62])
    without = HomeAndScale(pentatonic=False, commoner=False).fit(*small_corpus(28)[:2])._scores(leaning)[0]
    assert without[Key(2, MIXOLYDIAN).index] == pytest.approx(without[Key(2, MINOR).index])
    with_it = HomeAndScale(commoner=False).fit(*small_corpus(28)[:2])._scores(leaning)[0]
    assert with_it[Key(2, MINOR).index] - with_it[Key(2, MIXOLYDIAN).index] == pytest.approx(FIVE_NOTES * 3 / 7)


LAST_ONLY = OFF | {"last": True, "passing": False, "pentatonic": False, "commoner": False, "outside_cost": 0.0}


@pytest.mark.parametrize(
    ("pitch", "third", "pentatonic"),
    [
        # Home D. F twice and F-sharp once, but B and E, which the minor pentatonic lacks: the two rules differ.
        ([65, 66, 65, 71, 64, 71, 62], "minor", "major"),
        ([66, 65, 66, 67, 72, 67, 62], "major", "minor"),
        ([69, 67, 67, 72, 62], "major", "minor"),  # no third at all: the commoner
        ([62, 69, 62], "major", "major"),  # neither says anything
    ],
)
def test_the_third_or_the_pentatonic_scale_decides(pitch, third, pentatonic):
    table = tune(pitch)
    assert answer(table, **LAST_ONLY, mode_by="third") == f"D {third}"
    assert answer(table, **LAST_ONLY, mode_by="pentatonic") == f"D {pentatonic}"


@given(pitch=st.lists(st.integers(48, 72), min_size=1, max_size=16))
@settings(max_examples=40, deadline=None)
@pytest.mark.parametrize("weights", ["equal", "learnt"])
def test_the_third_outweighs_whatever_else_speaks(weights, pitch):
    model = fitted_by_third(weights)
    table = tune(pitch)
    tonic, mode = int(model.predict(table)[0]) % 12, int(model.predict(table)[0]) // 12
    major, minor = (sum((p - tonic) % 12 == third for p in pitch) for third in (4, 3))
    if major != minor:
        assert bool(HAS_MINOR_THIRD[mode]) == (minor > major)


@cache
def fitted_by_third(weights):
    return HomeAndScale(mode_by="third", weights=weights).fit(*small_corpus(84)[:2])


def test_within_the_family_the_scale_decides():
    # Home D, minor third, B natural and never B-flat: Dorian; with the third the other way, major or Mixolydian by C.
    assert answer(tune([62, 65, 69, 71, 72, 71, 62]), mode_by="third") == "D Dorian"
    assert answer(tune([62, 66, 69, 72, 72, 71, 72, 62]), mode_by="third") == "D Mixolydian"


@settings(max_examples=20, deadline=None)
@given(pitch=st.lists(st.integers(40, 80), min_size=1, max_size=12), k=st.integers(-11, 11))
def test_moved_music_moves_the_scores(corpus, pitch, k):
    for weights in ("equal", "learnt"):
        model = HomeAndScale(weights=weights)
        model.weights_ = np.linspace(-1, 1, 16)
        table = tune(pitch)
        moved = model._scores(table.transpose(k))
        np.testing.assert_allclose(moved, transpose_keys(model._scores(table), k), atol=1e-9)


def test_learnt_weights_balance_what_is_expected_and_what_is_seen(corpus):
    # At the optimum of a penalised multinomial logistic fit, the terms of the true keys exceed their expectation by the
    # penalty's slope (McFadden 1974; the score equations of any exponential family). The penalty is half the square.
    notes, truth, _ = corpus
    model = HomeAndScale(weights="learnt").fit(notes, truth)
    design = model._design(notes)
    p = np.exp(log_softmax(design @ model.weights_))
    seen = design[truth].sum(axis=0)
    expected = np.einsum("nk,nkj->j", p, design)
    np.testing.assert_allclose(seen - expected, model.weights_, atol=0.05)
    np.testing.assert_allclose((design @ model.weights_), model._scores(notes), atol=1e-9)


def test_a_rule_that_is_right_gets_the_weight():
    # Tunes over one scale that always end at home, and begin anywhere.
    rng = np.random.default_rng(0)
    pieces, keys = [], []
    for _ in range(120):
        tonic = int(rng.integers(12))
        degrees = rng.choice([0, 2, 4, 5, 7, 9, 11], size=20)
        degrees[-1] = 0
        pieces += tune(60 + tonic + degrees).pieces()
        keys.append([Key(tonic, MAJOR)])
    model = HomeAndScale(weights="learnt").fit(NoteTable.from_pieces(pieces), truth_mask(keys))
    rules = dict(zip(HOME_RULES, model.weights_, strict=False))
    assert rules["last"] == max(rules.values())
    assert rules["last"] > 3 * rules["first"]
    assert model.tags.learns
    assert not HomeAndScale().tags.learns


def test_weights_of_terms_that_are_off_stay_nothing(corpus):
    model = HomeAndScale(weights="learnt", outside_cost=0, passing=False, pentatonic=False, commoner=False, last=False)
    model.fit(*corpus[:2])
    assert len(model.weights_) == 5 + 3 + 7
    np.testing.assert_allclose(model.weights_[5:], 0, atol=1e-12)
    assert np.abs(model.weights_[:5]).max() > 0.1


@pytest.mark.parametrize(
    "parameters",
    [
        {"weights": "learnt"}, OFF, {"outside_cost": 0.0, "commoner": False},
        {"mode_by": "third"}, {"mode_by": "pentatonic", "weights": "learnt"},
    ],
)  # fmt: skip
def test_contract_of_the_variants(parameters):
    outcome = run_checks(HomeAndScale(**parameters))
    assert not outcome.failed, str(outcome)


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"last": "yes"}, "last is 'yes'; accepted: true, false"),
        ({"weights": "mine"}, "unknown weights 'mine'; accepted: equal, learnt"),
        ({"outside_cost": -1.0}, "outside_cost is -1.0; accepted: a finite number, 0 or more"),
        ({"outside_cost": float("inf")}, "outside_cost is inf"),
        ({"mode_by": "ear"}, "unknown mode_by 'ear'; accepted: scale, third, pentatonic"),
        ({"passing_cost": 1.5}, "passing_cost is 1.5; accepted: from 0 to 1"),
        ({"passing_cost": float("nan")}, "passing_cost is nan"),
    ],
)
def test_what_is_not_accepted_is_named(corpus, parameters, message):
    with pytest.raises(EstimatorError, match=message):
        make("home-and-scale", **parameters).check_parameters()
    with pytest.raises(EstimatorError, match=message):
        HomeAndScale(**parameters).fit(*corpus[:2])


def test_reasons_in_plain_words(corpus):
    # D minor, ends and begins on D, with one C-sharp that turns.
    table = tune([62, 65, 64, 62, 69, 70, 69, 67, 65, 62, 61, 62], [1] * 11 + [2])
    (found,) = HomeAndScale().fit(*corpus[:2]).explain(table)
    assert str(found.ranked[0][0]) == "D minor"
    assert found.words[:4] == [
        "5 of 6 rules would take D for home: the last note, the first note on a strong beat, the first note, "
        "the note held longest in all, the note heard most often.",
        "On D, minor holds 11 of 12 notes, Dorian 10, Phrygian 10.",
        "Forgiven as passing: C-sharp at 10 (onsets in quarters).",
        "The major pentatonic scale on D holds 7 notes, the minor one 9: it sounds minor.",
    ]


def test_reasons_without_rules_and_without_notes(corpus):
    model = HomeAndScale(**OFF, passing=False, pentatonic=False).fit(*corpus[:2])
    (found,) = model.explain(tune([60, 62, 64, 65, 67, 69, 71]))
    assert found.words[0] == "On C, major holds 7 of 7 notes, Mixolydian 6, Lydian 6."
    (silent,) = model.explain(NoteTable.from_pieces([Piece(np.zeros(0), np.zeros(0), np.zeros(0))]))
    assert silent.words[0] == "There are no notes to go by."
