"""What the tasks of a run share: splits that keep related pieces apart, views, and truths that move with them.

Corpora are made in memory, with what relates pieces given outright; properties are worked out from plain sets.
"""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.chroma import ChromaTable
from keybench.corpora.corpus import Corpus
from keybench.corpora.grouping import group
from keybench.errors import ExperimentError
from keybench.key import DORIAN, MAJOR, N_KEYS, NO_MODE, Key, transpose_keys, truth_mask
from keybench.notes import NoteTable, Piece
from keybench.runs import material
from keybench.runs.material import Steps, move_truth, prepare
from keybench.runs.spec import EstimatorSpec, Experiment, Needs
from keybench.spans import SpanTable

LINE = [60, 62, 64, 65, 67, 69, 71, 72]


def corpus_of(name, relations, spans=None, chroma=False, missing=()):
    """A corpus whose pieces are related where they share a key; all are in D Dorian and differ in their notes."""
    n = len(relations)
    lines = [np.array([*LINE[i % 3 :], 50 + i], dtype=float) for i in range(n)]
    frames = [([0.0], np.eye(12)[:1], np.eye(12)[2:3])] * n
    return Corpus(
        id=name,
        manifest_hash=name,
        content_hash=name,
        notes=NoteTable.from_pieces(Piece(np.arange(len(p)) * 1.0, np.ones(len(p)), p) for p in lines),
        pieces=np.array([f"{name}:{i}" for i in range(n)], dtype=np.str_),
        truth=truth_mask([[Key(2, DORIAN)]] * n),
        tonic=np.full(n, 2),
        mode=np.full(n, DORIAN),
        spans=SpanTable.from_spans(spans or [[]] * n),
        chroma=ChromaTable.from_frames(frames) if chroma else None,
        variant_keys=[tuple(keys) for keys in relations],
        strata=[()] * n,
        problems=[],
        missing=list(missing),
        corpus=np.full(n, name),
    )


def experiment(names, **changes):
    usual = {
        "name": "trial",
        "question": "Which?",
        "task": "key",
        "corpora": tuple(names),
        "views": ("whole",),
        "fit_view": "same",
        "view_seed": 0,
        "labels": "modes",
        "split_by": "group",
        "folds": 2,
        "seed": 0,
        "resamples": 100,
        "estimators": (EstimatorSpec("last-note", "last-note"),),
        "needs": Needs(),
        "also": (),
        "aims": (),
        "path": str(Path("here") / "trial.toml"),
    }
    return Experiment(**{**usual, **changes})


def prepared(corpora, limit=None, secondary=(), **changes):
    """Prepare an experiment on corpora from memory."""
    by_name = {corpus.id: corpus for corpus in corpora}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            material, "read_manifest", lambda name: SimpleNamespace(id=name, labelled=0, headline=name not in secondary)
        )
        patch.setattr(material, "load", lambda name, n_jobs, progress: by_name[name])
        return prepare(experiment(by_name, **changes), limit, 1, Steps())


# Pieces that share a letter are related; some letters occur in several corpora.
RELATIONS = st.lists(st.lists(st.sampled_from("abcdefghij"), max_size=2), min_size=1, max_size=10)
CORPORA = st.lists(RELATIONS, min_size=2, max_size=4)


def named(relations):
    return [corpus_of(name, part) for name, part in zip(("north", "south", "east", "west"), relations, strict=False)]


def never_shared(made):
    for split in made.splits:
        assert not set(made.groups[split.train]) & set(made.groups[split.test])
        assert len(set(split.train)) == len(split.train)
        assert len(set(split.test)) == len(split.test)


def test_corpora_only_learnt_from_are_in_no_test_set_and_leave_related_pieces_out():
    north = corpus_of("north", [["a"], ["b"], ["c"], []])
    south = corpus_of("south", [["a"], [], ["d"]])
    by_name = {"north": north, "south": south}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(material, "read_manifest", lambda name: SimpleNamespace(id=name, labelled=0, headline=True))
        patch.setattr(material, "load", lambda name, n_jobs, progress: by_name[name])
        made = prepare(experiment(["north"], also=("south",)), None, 1, Steps())
        plain = prepare(experiment(["north"]), None, 1, Steps())
    never_shared(made)
    assert made.answered.tolist() == [True] * 4 + [False] * 3
    for split, without in zip(made.splits, plain.splits, strict=True):
        assert split.test.tolist() == without.test.tolist(), "the folds do not depend on what else is learnt from"
        assert split.train[split.train < 4].tolist() == without.train.tolist()
        assert {5, 6} <= set(split.train.tolist())
        assert (4 in split.train) == (0 in split.train), "a variant goes with its relation"


@pytest.mark.parametrize("split_by", ["corpus", "corpus pairs"])
def test_corpora_only_learnt_from_teach_in_every_split_by_corpus(split_by):
    by_name = {"north": corpus_of("north", [["a"], []]), "south": corpus_of("south", [["b"], []]),
               "east": corpus_of("east", [["a"], []])}  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(material, "read_manifest", lambda name: SimpleNamespace(id=name, labelled=0, headline=True))
        patch.setattr(material, "load", lambda name, n_jobs, progress: by_name[name])
        made = prepare(experiment(["north", "south"], also=("east",), split_by=split_by), None, 1, Steps())
    never_shared(made)
    assert sorted((s.test.tolist(), s.train.tolist()) for s in made.splits) == [
        ([0, 1], [2, 3, 5]),
        ([2, 3], [0, 1, 4, 5]),
    ]


# --- Splits ----------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(CORPORA, st.integers(2, 4), st.integers(0, 2))
def test_by_group_every_piece_is_answered_for_once_by_unrelated_ones(relations, folds, seed):
    corpora = named(relations)
    n = sum(len(corpus) for corpus in corpora)
    n_groups = len(set(group([keys for corpus in corpora for keys in corpus.variant_keys]).tolist()))
    if n_groups < folds:
        words = f"{n} pieces in {n_groups} groups cannot be dealt into {folds} folds"
        with pytest.raises(ExperimentError, match=words):
            prepared(corpora, split_by="group", folds=folds, seed=seed)
        return
    made = prepared(corpora, split_by="group", folds=folds, seed=seed)
    never_shared(made)
    assert len(made.splits) == folds
    assert [split.number for split in made.splits] == list(range(folds))
    assert {split.fitted_on for split in made.splits} == {"other folds"}
    tested = np.concatenate([split.test for split in made.splits])
    assert sorted(tested.tolist()) == list(range(len(made.corpus)))
    for split in made.splits:
        assert sorted([*split.train.tolist(), *split.test.tolist()]) == list(range(len(made.corpus)))
    again = prepared(corpora, split_by="group", folds=folds, seed=seed)
    for one, other in zip(made.splits, again.splits, strict=True):
        np.testing.assert_array_equal(one.test, other.test)


@settings(max_examples=60, deadline=None)
@given(CORPORA)
def test_by_corpus_each_is_answered_for_by_all_that_is_unrelated(relations):
    made = prepared(named(relations), split_by="corpus")
    never_shared(made)
    names = list(dict.fromkeys(made.corpus.corpus.tolist()))
    assert [split.number for split in made.splits] == list(range(len(names)))
    for name, split in zip(names, made.splits, strict=True):
        assert split.fitted_on == "other corpora"
        assert split.test.tolist() == np.flatnonzero(made.corpus.corpus == name).tolist()
        related = set(made.groups[split.test].tolist())
        usable = [i for i, home in enumerate(made.corpus.corpus) if home != name and int(made.groups[i]) not in related]
        assert split.train.tolist() == usable


@settings(max_examples=60, deadline=None)
@given(CORPORA)
def test_by_pairs_each_is_answered_for_by_each_other_one(relations):
    made = prepared(named(relations), split_by="corpus pairs")
    never_shared(made)
    names = list(dict.fromkeys(made.corpus.corpus.tolist()))
    home = made.corpus.corpus
    pairs = [(split.fitted_on, home[split.test[0]]) for split in made.splits]
    # Conditions in the order of the corpora that are learnt from, and within one in the order of those tested.
    assert pairs == [(teacher, pupil) for teacher in names for pupil in names if pupil != teacher]
    assert sorted(split.number for split in made.splits) == list(range(len(pairs)))  # a part of the run each
    for (teacher, pupil), split in zip(pairs, made.splits, strict=True):
        assert split.test.tolist() == np.flatnonzero(home == pupil).tolist()
        related = set(made.groups[split.test].tolist())
        usable = [i for i, name in enumerate(home) if name == teacher and int(made.groups[i]) not in related]
        assert split.train.tolist() == usable


def test_splits_by_hand():
    # The second piece of north is the first of south; the third of south is the first of east.
    corpora = named([["a", "b"], ["b", "c", "d"], ["d"]])
    splits = {
        (split.fitted_on, tuple(split.test)): split.train.tolist()
        for split in prepared(corpora, split_by="corpus pairs").splits
    }
    assert splits == {
        ("north", (2, 3, 4)): [0],
        ("north", (5,)): [0, 1],
        ("south", (0, 1)): [3, 4],
        ("south", (5,)): [2, 3],
        ("east", (0, 1)): [5],
        ("east", (2, 3, 4)): [],
    }
    by_corpus = [split.train.tolist() for split in prepared(corpora, split_by="corpus").splits]
    assert by_corpus == [[3, 4, 5], [0], [0, 1, 2, 3]]


@pytest.mark.parametrize("split_by", ["corpus", "corpus pairs"])
def test_one_corpus_cannot_be_split_by_corpus(split_by):
    with pytest.raises(ExperimentError, match="1 corpus cannot be split by corpus; accepted: 2 or more"):
        prepared(named([["a", "b"]]), split_by=split_by)


@pytest.mark.parametrize("split_by", ["corpus", "corpus pairs"])
def test_a_limit_that_leaves_one_corpus_says_so(split_by):
    with pytest.raises(ExperimentError, match="cannot be split by corpus"):
        prepared(named([["a", "b"], ["c", "d"]]), limit=1, split_by=split_by)


# --- What else the tasks share ---------------------------------------------------------------------------------------


def test_pieces_know_whether_their_truth_may_enter_a_headline():
    corpora = named([["a", "b"], ["c"], ["d", "e"]])
    assert prepared(corpora).headline.tolist() == [True] * 5
    assert prepared(corpora, secondary=["north", "east"]).headline.tolist() == [False, False, True, False, False]
    assert prepared(corpora, secondary=["north", "south", "east"]).headline.tolist() == [False] * 5


def test_labelled_and_missing_are_counted_before_the_limit():
    corpora = [corpus_of("north", "abcd"), corpus_of("south", "efg", missing=["x.abc", "y.abc"])]
    made = prepared(corpora, limit=4)
    assert len(made.corpus) == 4
    assert made.labelled == {"north": 4, "south": 3}
    assert made.missing == {"north": 0, "south": 2}
    assert len(made.groups) == len(made.headline) == len(made.heard["whole"].music) == 4


def test_sections_take_the_pieces_with_local_keys():
    spans = [[(0, 4, 2, DORIAN)], [], [(0, 2, 2, DORIAN), (2, 5, 0, NO_MODE)], []]
    corpora = [corpus_of("north", "abcd", spans), corpus_of("south", "ef")]
    made = prepared(corpora, task="sections")
    assert made.corpus.pieces.tolist() == ["north:0", "north:2"]
    assert made.corpus.spans.n_rows.tolist() == [1, 2]
    assert made.labelled == {"north": 4, "south": 2}


# --- Views -----------------------------------------------------------------------------------------------------------


def test_every_view_is_heard_once_and_the_one_to_learn_from_too():
    corpora = named([list("abcdef")])
    assert set(prepared(corpora, views=("whole", "opening-3-notes")).heard) == {"whole", "opening-3-notes"}
    made = prepared(corpora, views=("opening-3-notes",), fit_view="whole")
    assert set(made.heard) == set(made.truth) == {"whole", "opening-3-notes"}
    assert set(made.heard["opening-3-notes"].music.n_notes.tolist()) == {3}
    assert made.heard["whole"].music.n_notes.tolist() == made.corpus.notes.n_notes.tolist()
    assert set(prepared(corpora, views=("whole",), fit_view="whole").heard) == {"whole"}


def test_a_view_that_moves_pieces_moves_their_truth():
    corpora = named([[[f"{i}"] for i in range(40)]])
    made = prepared(corpora, views=("whole", "transposed"), view_seed=3)
    shift = made.heard["transposed"].shift
    assert len(set(shift.tolist())) > 6
    np.testing.assert_array_equal(made.truth["whole"], made.corpus.truth)
    for row, by in zip(made.truth["transposed"], shift.tolist(), strict=True):
        assert np.flatnonzero(row).tolist() == [Key(2, DORIAN).transpose(by).index]
    notes = made.heard["transposed"].music
    np.testing.assert_array_equal(notes.pitch, made.corpus.notes.transpose(shift).pitch)
    assert made.corpus.tonic.tolist() == [2] * 40  # the corpus itself stays where it is


def test_the_seed_of_the_views_decides_what_they_draw():
    corpora = named([[[f"{i}"] for i in range(40)]])
    one, same, other = (prepared(corpora, views=("transposed",), view_seed=seed).heard for seed in (1, 1, 2))
    assert one["transposed"].shift.tolist() == same["transposed"].shift.tolist()
    assert one["transposed"].shift.tolist() != other["transposed"].shift.tolist()


def test_a_limit_does_not_change_how_a_piece_is_disturbed():
    corpora = named([[[f"{i}"] for i in range(40)]])
    views = {"views": ("transposed", "wrong-notes-30"), "view_seed": 5}
    whole, few = prepared(corpora, **views), prepared(corpora, limit=10, **views)
    rows = [whole.corpus.pieces.tolist().index(piece) for piece in few.corpus.pieces]
    assert few.heard["transposed"].shift.tolist() == whole.heard["transposed"].shift[rows].tolist()
    for name in few.heard:
        np.testing.assert_array_equal(few.heard[name].music.pitch, whole.heard[name].music[rows].pitch)


def test_views_of_recordings_need_them_everywhere():
    corpora = [corpus_of("north", "abc", chroma=True), corpus_of("south", "def", chroma=True)]
    made = prepared(corpora, views=("chroma-bass",))
    assert isinstance(made.heard["chroma-bass"].music, ChromaTable)
    assert len(made.heard["chroma-bass"].music) == 6
    np.testing.assert_array_equal(made.truth["chroma-bass"], made.corpus.truth)
    with pytest.raises(ExperimentError, match="shows chroma, which not all of these corpora have; accepted: "):
        prepared([*corpora, corpus_of("east", "g")], views=("chroma-bass",))


# --- Moving truths ---------------------------------------------------------------------------------------------------

KEY_SETS = st.lists(st.sets(st.integers(0, N_KEYS - 1), max_size=5), max_size=8)


def as_truth(sets):
    truth = np.zeros((len(sets), N_KEYS), dtype=bool)
    for row, keys in zip(truth, sets, strict=True):
        row[list(keys)] = True
    return truth


def shifts_for(n):
    return st.lists(st.integers(-30, 30), min_size=n, max_size=n).map(lambda by: np.array(by, dtype=np.int64))


@settings(deadline=None)
@given(st.data(), KEY_SETS)
def test_moving_truths_agrees_with_moving_each_key(data, sets):
    shift = data.draw(shifts_for(len(sets)))
    moved = move_truth(as_truth(sets), shift)
    assert moved.shape == (len(sets), N_KEYS)
    assert moved.dtype == bool
    for row, keys, by in zip(moved, sets, shift.tolist(), strict=True):
        expected = {Key(index % 12, index // 12).transpose(by).index for index in keys}
        assert set(np.flatnonzero(row).tolist()) == expected


@settings(deadline=None)
@given(st.data(), KEY_SETS, st.integers(-30, 30))
def test_moving_truths_all_alike_and_back(data, sets, by):
    truth = as_truth(sets)
    np.testing.assert_array_equal(move_truth(truth, np.full(len(sets), by)), transpose_keys(truth, by))
    shift = data.draw(shifts_for(len(sets)))
    np.testing.assert_array_equal(move_truth(move_truth(truth, shift), -shift), truth)
    np.testing.assert_array_equal(move_truth(truth, np.full(len(sets), 12)), truth)


def test_moving_truths_leaves_the_original_alone():
    truth = as_truth([{0, 85 - 12}, {12 * MAJOR + 11}])
    before = truth.copy()
    move_truth(truth, np.array([1, -1]))
    np.testing.assert_array_equal(truth, before)
