"""Disturbances: what each may do to a note, how often, and where the draws come from. Worked by hand or counted.

Shares are compared with their sampling error: four standard deviations of a binomial share.
"""

import numpy as np
import pytest

from keybench.notes import DOWNBEAT, STRONG, WEAK, NoteTable, Piece
from keybench.views import view
from keybench.views.draws import draw_for_notes, draw_for_pieces, split_mix


def tune(pitches, durations=1.0):
    return NoteTable.from_notes(pitches, durations)


def random_tunes(n_pieces, n_notes, seed=0):
    """Notes one after the other, so that every note can be found again by its onset."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(n_pieces):
        duration = rng.choice([0.5, 1.0, 2.0], n_notes)
        pitch = 60.0 + rng.integers(-12, 13, n_notes)
        accent = rng.integers(0, 3, n_notes)
        out.append(Piece(np.cumsum(duration) - duration, duration, pitch, rng.integers(0, 3, n_notes), accent))
    return NoteTable.from_pieces(out)


def rows(table, piece=0):
    p = table.pieces()[piece]
    return list(zip(p.onset.tolist(), p.duration.tolist(), p.pitch.tolist(), strict=True))


def is_share(count, n, share):
    return abs(count / n - share) <= 4 * np.sqrt(share * (1 - share) / n)


class TestDraws:
    @pytest.mark.parametrize(
        ("state", "numbers"),
        [
            (  # Rosetta Code, "Pseudo-random numbers/Splitmix64"
                1234567,
                [
                    6457827717110365317,
                    3203168211198807973,
                    9817491932198370423,
                    4593380528125082431,
                    16408922859458223821,
                ],
            ),
            (0, [0xE220A8397B1DCDAF]),  # the first number of Java's SplittableRandom(0)
        ],
    )
    def test_the_generator_gives_its_published_numbers(self, state, numbers):
        states = np.full(len(numbers), state, dtype=np.uint64)
        assert split_mix(states, np.arange(len(numbers))).tolist() == numbers

    def test_numbers_are_uniform_and_unrelated(self):
        table = random_tunes(200, 250)
        draws = draw_for_notes(table, "one", runs=2)
        assert draws.min() >= 0
        assert draws.max() < 1
        for draw in draws:
            counts = np.bincount((10 * draw).astype(int), minlength=10)
            assert all(is_share(count, len(draw), 0.1) for count in counts)
        one, two = draws
        pairs = [(one, two), (one[1:], two[:-1]), (one[:-1], one[1:]), (one, draw_for_notes(table, "other")[0])]
        for a, b in pairs:
            assert abs(np.corrcoef(a, b)[0, 1]) < 4 / np.sqrt(len(a))

    def test_they_belong_to_the_notes_of_the_piece(self):
        def draw(pitches, durations=1.0, onset=None):
            return float(draw_for_pieces(NoteTable.from_notes(pitches, durations, onset), "a label")[0])

        usual = draw([60, 64, 67], [1, 1, 2])
        assert draw([63, 67, 70], [1, 1, 2]) == usual  # in another key
        assert draw([60, 64, 67], [1, 1, 2], [8, 9, 10]) == usual  # later
        assert draw([60, 64, 68], [1, 1, 2]) != usual
        assert draw([60, 64, 67], [1, 1, 1]) != usual
        assert draw([60, 64, 67], [1, 1, 0.0]) == draw([60, 64, 67], [1, 1, -0.0])
        assert draw([60, 64, 67], [1, 1, 2], [0, 1, 3]) != usual
        assert draw([60, 67, 64], [1, 1, 2]) != usual

    def test_quarter_tones_draw_alike_in_every_key(self):
        rng = np.random.default_rng(1)
        table = tune(60 + np.round(rng.uniform(0, 24, 400), 2))
        by = np.array([0.01, 3.0, 7.37, -11.0])
        states = [draw_for_pieces(table.transpose(shift), "label")[0] for shift in by]
        assert set(states) == {draw_for_pieces(table, "label")[0]}

    def test_other_seeds_and_views_draw_otherwise(self):
        table = random_tunes(50, 20)
        assert np.mean(view("transposed", table, 0).shift != view("transposed", table, 1).shift) > 0.5
        wrong = [view("wrong-notes-50", table, seed).notes.pitch != table.pitch for seed in (0, 1)]
        jumped = view("octave-jumps-50", table).notes.pitch != table.pitch
        for one, other in ((wrong[0], wrong[1]), (wrong[0], jumped)):
            assert is_share(np.count_nonzero(one == other), len(one), 0.5)

    def test_seeds_of_any_size(self):
        table = random_tunes(5, 5)
        for seed in (-1, 2**63, 10**30):
            np.testing.assert_array_equal(view("transposed", table, seed).shift, view("transposed", table, seed).shift)

    def test_a_view_applied_twice_draws_anew(self):
        table = random_tunes(400, 5)
        once, twice = view("transposed", table).shift, view("transposed + transposed", table).shift
        second = twice - once
        assert abs(np.corrcoef(once, second)[0, 1]) < 4 / np.sqrt(len(once))

    def test_a_larger_share_disturbs_the_same_notes_and_more(self):
        table = random_tunes(40, 50)
        for kind in ("dropped-notes", "wrong-notes", "octave-jumps"):
            hit = []
            for percent in (10, 30, 60):
                shown = view(f"{kind}-{percent}", table).notes
                kept = set(zip(shown.piece.tolist(), shown.onset.tolist(), shown.pitch.tolist(), strict=True))
                every = zip(table.piece.tolist(), table.onset.tolist(), table.pitch.tolist(), strict=True)
                hit.append({i for i, note in enumerate(every) if note not in kept})
            assert hit[0] < hit[1] < hit[2]


class TestTransposed:
    def test_the_shift_is_what_the_notes_moved_by(self):
        table = random_tunes(60, 8)
        seen = view("transposed + lowest-line + transposed", table, seed=4)
        plain = view("lowest-line", table).notes
        np.testing.assert_array_equal(seen.notes.pitch - plain.pitch, seen.shift[plain.piece])
        assert seen.shift.dtype == np.int64

    def test_every_shift_is_as_likely(self):
        shift = view("transposed", random_tunes(6000, 6)).shift
        assert set(shift) == set(range(-5, 7))
        assert all(is_share(np.sum(shift == by), 6000, 1 / 12) for by in range(-5, 7))

    def test_other_views_move_nothing(self):
        table = random_tunes(5, 8)
        for name in ("wrong-notes-100", "octave-jumps-100", "late-start", "passing-notes-100"):
            assert not view(name, table).shift.any()


class TestPassingNotes:
    def test_whole_tones_are_filled(self):
        shown = view("passing-notes-100", tune([60, 62, 64, 65, 63, 63, 67], [1, 2, 1, 1, 1, 1, 1])).notes
        assert rows(shown) == [
            (0, 0.5, 60), (0.5, 0.5, 61),
            (1, 1, 62), (2, 1, 63),
            (3, 1, 64),  # a semitone
            (4, 0.5, 65), (4.5, 0.5, 64),  # downwards
            (5, 1, 63),  # a repeated note
            (6, 1, 63),  # a leap
            (7, 1, 67),
        ]  # fmt: skip

    def test_part_and_accent(self):
        piece = Piece(
            np.array([0.0, 1.0]), np.array([1.0, 1.0]), np.array([60.0, 62.0]), np.array([-1, -1]), np.array([2, 1])
        )
        shown = view("passing-notes-100", NoteTable.from_pieces([piece], "second")).notes
        assert shown.part.tolist() == [-1, -1, -1]
        assert shown.accent.tolist() == [DOWNBEAT, WEAK, STRONG]
        assert shown.unit == "second"

    def test_steps_are_those_of_a_part(self):
        def added(onset, pitch, parts):
            piece = Piece(np.array(onset, float), np.ones(len(onset)), np.array(pitch, float), np.array(parts))
            return len(view("passing-notes-100", NoteTable.from_pieces([piece])).notes.pitch) - len(onset)

        assert added([0, 0, 1, 1], [48, 72, 50, 71], [0, 1, 0, 1]) == 1
        assert added([0, 0, 1, 1], [48, 72, 50, 71], [0, 1, 1, 0]) == 0
        assert added([0, 0, 1], [48, 72, 74], [0, 0, 0]) == 0  # chords have no steps
        assert added([0, 1, 1], [48, 50, 90], [0, 0, 0]) == 0

    @pytest.mark.parametrize(
        ("onset", "duration", "fits"),
        [
            ([0, 1], [1, 1], True),
            ([0, 1], [1 + 1e-9, 1], True),  # rounding
            ([0, 1], [0.5, 1], True),  # staccato
            ([0, 1], [0.4, 1], False),  # a rest longer than the note
            ([0, 1], [1.5, 1], False),  # still sounds
            ([0, 1], [0, 1], False),  # nothing to take half of
        ],
    )
    def test_where_a_passing_note_fits(self, onset, duration, fits):
        table = NoteTable.from_notes([60, 62], duration, onset)
        assert len(view("passing-notes-100", table).notes.pitch) == 2 + fits

    def test_not_from_one_piece_to_the_next(self):
        table = NoteTable.concatenate([tune([60]), NoteTable.from_notes([62], 1.0, [1.0])])
        assert view("passing-notes-100", table).notes.n_notes.tolist() == [1, 1]

    def test_share_and_sum_of_lengths(self):
        rng = np.random.default_rng(2)
        table = NoteTable.concatenate([tune(60 + 2 * (np.arange(101) % 2), rng.choice([1, 2], 101)) for _ in range(60)])
        for percent in (5, 50, 95):
            shown = view(f"passing-notes-{percent}", table).notes
            assert is_share(len(shown.pitch) - len(table.pitch), 6000, percent / 100)
            assert shown.duration.sum() == pytest.approx(table.duration.sum())


class TestDroppedNotes:
    def test_share(self):
        table = random_tunes(40, 250)
        for percent in (1, 20, 80):
            n = len(view(f"dropped-notes-{percent}", table).notes.pitch)
            assert is_share(n, 10_000, 1 - percent / 100)

    def test_what_stays_is_unchanged_and_in_order(self):
        table = random_tunes(3, 30)
        shown = view("dropped-notes-50", table).notes
        every = [tuple(row) for row in np.column_stack(list(table.columns().values())).tolist()]
        left = iter(every)
        assert all(tuple(row) in left for row in np.column_stack(list(shown.columns().values())).tolist())

    def test_a_piece_vanishes_only_at_a_hundred_percent(self):
        table = random_tunes(500, 2)
        assert view("dropped-notes-99", table).notes.n_notes.min() == 1
        assert view("dropped-notes-100", table).notes.n_notes.max() == 0


class TestWrongNotes:
    def test_share_and_distances(self):
        table = random_tunes(40, 250)
        for percent in (1, 20, 100):
            shown = view(f"wrong-notes-{percent}", table).notes
            off = shown.pitch - table.pitch  # one note at a time: the order stays
            wrong = np.count_nonzero(off)
            assert is_share(wrong, 10_000, percent / 100)
            assert set(off) - {0} == {-2, -1, 1, 2}
            assert all(is_share(np.sum(off == by), wrong, 0.25) for by in (-2, -1, 1, 2))
            for name in ("onset", "duration", "part", "accent", "offsets"):
                np.testing.assert_array_equal(getattr(shown, name), getattr(table, name))

    def test_columns_stay_together_when_the_order_changes(self):
        n = 40
        pitch = 60.0 + np.arange(n)
        piece = Piece(np.zeros(n), 1.0 + np.arange(n), pitch, np.arange(n))
        shown = view("wrong-notes-100", NoteTable.from_pieces([piece])).notes
        assert (np.diff(shown.pitch) >= 0).all()
        assert (np.diff(shown.part) < 0).any()
        np.testing.assert_array_equal(shown.duration, 1.0 + shown.part)
        assert np.abs(shown.pitch - pitch[shown.part]).max() == 2


class TestOctaveJumps:
    def test_share_and_direction(self):
        table = random_tunes(40, 250)
        for percent in (1, 20, 100):
            off = view(f"octave-jumps-{percent}", table).notes.pitch - table.pitch
            jumps = np.count_nonzero(off)
            assert is_share(jumps, 10_000, percent / 100)
            assert set(off) - {0} == {-12, 12}
            assert is_share(np.sum(off > 0), jumps, 0.5)

    def test_the_keyboard_is_not_left(self):
        low, high = np.arange(21.0, 33.0), np.arange(97.0, 109.0)
        table = tune(np.concatenate([low, high]))
        moved = view("octave-jumps-100", table).notes.pitch
        np.testing.assert_array_equal(moved, np.concatenate([low + 12, high - 12]))

    def test_edges_may_still_jump_both_ways(self):
        moved = view("octave-jumps-100", tune([33, 96] * 40)).notes.pitch
        assert set(moved) == {21, 45, 84, 108}

    def test_pitch_classes_never_change(self):
        table = tune(np.arange(128))
        np.testing.assert_array_equal(view("octave-jumps-60", table).notes.pitch % 12, table.pitch % 12)


class TestLateStart:
    def test_from_a_quarter_to_three_quarters_of_the_way(self):
        table = NoteTable.concatenate([tune(np.random.default_rng(i).integers(48, 72, 401)) for i in range(500)])
        shown = view("late-start", table).notes
        begin = shown.onset[shown.offsets[:-1]] / 400
        assert begin.min() >= 0.25
        assert begin.max() <= 0.75 + 1 / 400
        assert abs(begin.mean() - 0.5) < 4 * 0.5 / np.sqrt(12 * 500) + 1 / 400
        assert begin.std() == pytest.approx(0.5 / np.sqrt(12), rel=0.1)
        np.testing.assert_array_equal(shown.onset[shown.offsets[1:] - 1], 400)  # times and ends stay as they were

    def test_all_that_begins_later_is_kept(self):
        table = random_tunes(30, 40)
        for before, after in zip(table.pieces(), view("late-start", table).notes.pieces(), strict=True):
            n = len(after.onset)
            assert 0 < n < 40
            for name in ("onset", "duration", "pitch", "part", "accent"):
                np.testing.assert_array_equal(getattr(after, name), getattr(before, name)[-n:])

    def test_one_chord_stays(self):
        table = NoteTable.from_notes([48, 60, 64], 2.0, [3, 3, 3])
        assert len(view("late-start", table).notes.pitch) == 3
