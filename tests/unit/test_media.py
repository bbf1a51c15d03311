"""Which medium a view shows, and hearing notes or recordings through it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench import views
from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.errors import ExperimentError, NotesError
from keybench.estimators.checks import small_corpus
from keybench.notes import NoteTable, Piece
from keybench.views.media import CHROMA_VIEWS, hear, medium

NO_NOTES = NoteTable.from_pieces([])


def frames(time, seed=0):
    rng = np.random.default_rng(seed)
    return np.array(time, float), 0.1 + rng.random((len(time), 12)), 0.1 + rng.random((len(time), 12))


def three():
    """A piece that begins late, one without frames, one that begins at zero; a frame every two and a half seconds."""
    return ChromaTable.from_frames([frames(10 + 2.5 * np.arange(6), 1), frames([], 2), frames(2.5 * np.arange(5), 3)])


# --- Names -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CHROMA_VIEWS)
@pytest.mark.parametrize("opening", ["", " + opening-1-seconds", " + opening-15-seconds", " + opening-999999-seconds"])
def test_views_of_chroma(name, opening):
    assert medium(name + opening) == "chroma"


@pytest.mark.parametrize(
    "name",
    ["whole", "lowest-line", "opening-8-notes", "opening-5-seconds", "lowest-line + opening-8-notes + transposed"],
)
def test_all_others_are_views_of_notes(name):
    assert medium(name) == "notes"


@pytest.mark.parametrize(
    "name",
    [
        "chroma + whole",
        "chroma + opening-8-notes",
        "chroma + opening-4-beats",
        "chroma + transposed",
        "chroma + chroma-bass",
        "chroma + opening-5-seconds + opening-3-seconds",
        "chroma + opening-0-seconds",
        "chroma + opening-05-seconds",
        "chroma + opening-1000000-seconds",
        "chroma + opening--5-seconds",
        "chroma + opening-2.5-seconds",
        "chroma + opening-٥-seconds",
        "chroma + ",
        "chroma-bass + x",
    ],
)
def test_what_may_not_follow_a_view_of_chroma(name):
    with pytest.raises(ExperimentError) as caught:
        medium(name)
    assert str(caught.value) == f"unknown view {name!r}; accepted after a view of chroma: opening-N-seconds"
    with pytest.raises(ExperimentError):
        hear(name, NO_NOTES, three(), 0)


@pytest.mark.parametrize(
    "name",
    ["", "chroma-", "Chroma", "chroma ", " chroma", "chroma+opening-5-seconds", "bass", "chroma-alto", "whole + chroma",
     "opening-5-seconds + chroma", "sideways", "None", "7"],
)  # fmt: skip
def test_an_unknown_name_is_answered_with_both_lists(name):
    with pytest.raises(ExperimentError) as caught:
        medium(name)
    text = str(caught.value)
    assert "\n" not in text
    assert "opening-N-notes" in text
    assert "of chroma: chroma, chroma-bass, chroma-treble" in text
    with pytest.raises(ExperimentError):
        hear(name, NO_NOTES, three(), 0)


# --- Notes -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["whole", "lowest-line", "wrong-notes-20 + transposed", "late-start + transposed"])
@pytest.mark.parametrize("chroma", [None, three()], ids=["without chroma", "with chroma"])
def test_a_view_of_notes_is_that_of_the_views(name, chroma):
    notes = small_corpus(12)[0]
    expected, heard = views.view(name, notes, 7), hear(name, notes, chroma, 7)
    assert isinstance(heard.music, NoteTable)
    for column in (*NoteTable.COLUMNS, "offsets"):
        np.testing.assert_array_equal(getattr(heard.music, column), getattr(expected.notes, column))
    np.testing.assert_array_equal(heard.shift, expected.shift)
    assert heard.shift.any() == ("transposed" in name)


def test_the_seed_matters_where_a_view_draws():
    notes = small_corpus(12)[0]
    shifts = [hear("transposed", notes, None, seed).shift.tolist() for seed in (0, 0, 1)]
    assert shifts[0] == shifts[1]
    assert shifts[0] != shifts[2]


# --- Recordings ------------------------------------------------------------------------------------------------------


def same(table, other):
    for column in (*ChromaTable.COLUMNS, "offsets"):
        np.testing.assert_array_equal(getattr(table, column), getattr(other, column))


def test_bass_and_treble():
    chroma = three()
    heard = {name: hear(name, NO_NOTES, chroma, 0) for name in CHROMA_VIEWS}
    same(heard["chroma"].music, chroma)
    for silent, name in (("treble", "chroma-bass"), ("bass", "chroma-treble")):
        music = heard[name].music
        assert not getattr(music, silent).any()
        assert getattr(music, silent).shape == chroma.bass.shape
        kept = "bass" if silent == "treble" else "treble"
        np.testing.assert_array_equal(getattr(music, kept), getattr(chroma, kept))
    for seen in heard.values():
        assert seen.music.bass.dtype == seen.music.time.dtype == np.float32
        assert seen.shift.tolist() == [0, 0, 0]
    same(chroma, three())  # the original is as it was


def test_an_opening_counts_from_each_piece_s_own_first_frame():
    for name, silent in (("chroma", ""), ("chroma-bass", "treble"), ("chroma-treble", "bass")):
        music = hear(f"{name} + opening-5-seconds", NO_NOTES, three(), 0).music
        assert music.n_rows.tolist() == [2, 0, 2]  # a frame that begins after just five seconds is too late
        assert music.time.tolist() == [10.0, 12.5, 0.0, 2.5]
        if silent:
            assert not getattr(music, silent).any()
    assert hear("chroma + opening-6-seconds", NO_NOTES, three(), 0).music.n_rows.tolist() == [3, 0, 3]
    same(hear("chroma + opening-999-seconds", NO_NOTES, three(), 0).music, three())


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 8), st.sampled_from([-1.0, 0.0, 0.25, 300.0])), max_size=5), st.integers(1, 6))
def test_openings_are_those_of_a_plain_loop(pieces, seconds):
    lists = [frames(start + 0.5 * np.arange(n), n) for n, start in pieces]
    music = hear(f"chroma + opening-{seconds}-seconds", NO_NOTES, ChromaTable.from_frames(lists), 0).music
    expected = []
    for time, bass, treble in lists:
        keep = [i for i, t in enumerate(time) if t - time[0] < seconds]
        expected.append((time[keep], bass[keep], treble[keep]))
    same(music, ChromaTable.from_frames(expected))


def test_what_is_heard_does_not_depend_on_the_company():
    chroma = three()
    for name in ("chroma-bass", "chroma + opening-5-seconds"):
        together = hear(name, NO_NOTES, chroma, 0).music
        for i in range(len(chroma)):
            same(hear(name, NO_NOTES, chroma[i].detach(), 0).music, together[i].detach())


@pytest.mark.parametrize("name", ["chroma", "chroma-bass + opening-5-seconds"])
@pytest.mark.parametrize("table", [ChromaTable.from_frames([]), ChromaTable.from_frames([frames([]), frames([])])])
def test_pieces_without_frames(name, table):
    heard = hear(name, NO_NOTES, table, 0)
    assert heard.music.n_rows.tolist() == [0] * len(table)
    assert heard.shift.tolist() == [0] * len(table)


def test_what_was_computed_of_the_whole_is_not_taken_for_what_is_heard():
    def first_energy(table):
        return np.array([table.bass[a:b].sum() for a, b in zip(table.offsets[:-1], table.offsets[1:], strict=True)])

    chroma = three()[[0, 2]]  # a selection, which remembers the table that it came from
    chroma.feature(first_energy)
    music = hear("chroma-treble", NO_NOTES, chroma, 0).music
    assert music.feature(first_energy).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("name", ["chroma", "chroma-bass + opening-5-seconds"])
def test_corpora_without_recordings(name):
    with pytest.raises(ExperimentError) as caught:
        hear(name, small_corpus(3)[0], None, 0)
    text = str(caught.value)
    assert "\n" not in text
    assert repr(name) in text
    assert "not all of these corpora have" in text


def test_notes_and_recordings_together():
    notes = NoteTable.from_pieces([Piece(np.arange(4.0), np.ones(4), np.array([48.0, 60, 62, 64]))] * 3)
    assert medium("lowest-line with chroma-bass + opening-1-seconds") == "both"
    heard = hear("opening-2-notes with chroma-bass + opening-1-seconds", notes, three(), seed=0)
    assert len(heard.music) == 3
    assert heard.music.notes.n_notes.tolist() == [2, 2, 2]
    alone = hear("chroma-bass + opening-1-seconds", notes, three(), seed=0).music
    same(heard.music.chroma, alone)
    assert [n.tolist() for n in heard.sizes] == [[2, 2, 2], [1, 1, 1]]  # an octave
    picked = heard.music[[2, 0]]
    same(picked.chroma, alone[[2, 0]])
    assert picked.n_rows.tolist() == (picked.notes.n_rows + picked.chroma.n_rows).tolist()
    moved = heard.music.transpose(3)
    assert moved.notes.pitch.tolist() == (heard.music.notes.pitch + 3).tolist()
    same(moved.chroma, alone.transpose(3))


@pytest.mark.parametrize(
    "name", ["chroma with chroma", "whole with whole", "whole with chroma with chroma", "with chroma"]
)
def test_what_may_not_stand_around_with(name):
    with pytest.raises(ExperimentError, match="accepted"):
        medium(name)


def test_a_recording_cannot_be_moved_with_the_notes():
    notes = NoteTable.from_pieces([Piece(np.arange(4.0), np.ones(4), np.array([48.0, 60, 62, 64]))] * 3)
    with pytest.raises(ExperimentError, match="moves the notes and not the recording"):
        hear("transposed with chroma", notes, three(), seed=0)


def test_notes_and_recordings_of_other_pieces():
    with pytest.raises(NotesError, match="accepted: of the same pieces"):
        BothTable(NoteTable.from_pieces([]), three())


def test_sizes_are_those_of_a_plain_loop():
    lines = [[60, 62, 72], [], [61.4, 60.6, 61.5]]
    notes = NoteTable.from_pieces(
        [Piece(np.arange(len(p)) * 1.0, np.ones(len(p)), np.array(p, dtype=float)) for p in lines]
    )
    assert [n.tolist() for n in hear("whole", notes, None, 0).sizes] == [[3, 0, 3], [2, 0, 2]]
    assert [n.tolist() for n in hear("chroma", notes, three(), 0).sizes] == [[0, 0, 0], [0, 0, 0]]
