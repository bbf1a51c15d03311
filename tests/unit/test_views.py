"""Views: names, lines, openings. Cases worked by hand, laws that hold for any pieces, and two checks from outside."""

import os
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.errors import ExperimentError
from keybench.estimators.features import edge_index
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK, NoteTable, Piece
from keybench.views import ACCEPTED, read_name, view

COLUMNS = NoteTable.COLUMNS
DATA = Path(os.environ.get("KEYBENCH_DATA", Path(__file__).resolve().parents[2] / ".." / "shared" / "data"))

EVERY_VIEW = [
    "whole",
    "lowest-line",
    "top-line",
    "opening-3-notes",
    "opening-2-beats",
    "without-last-note",
    "late-start",
    "transposed",
    "passing-notes-60",
    "dropped-notes-50",
    "dropped-notes-100",
    "wrong-notes-50",
    "octave-jumps-50",
    "lowest-line + opening-3-notes + transposed",
    "late-start + dropped-notes-30 + top-line + wrong-notes-30",
    "passing-notes-60 + passing-notes-60 + opening-2-beats",
    "transposed + transposed",
]


def table_of(*pieces, unit="quarter"):
    """Pack pieces given as lists of (onset, duration, pitch[, part[, accent]])."""
    packed = []
    for notes in pieces:
        rows = [(*note, *(0, 0)[len(note) - 3 :]) for note in notes]
        columns = np.array(rows, dtype=float).reshape(-1, 5).T
        packed.append(Piece(*columns[:3], columns[3].astype(int), columns[4].astype(int)))
    return NoteTable.from_pieces(packed, unit)


def rows(table, piece=0):
    """Return (onset, duration, pitch) of a piece."""
    p = table.pieces()[piece]
    return list(zip(p.onset.tolist(), p.duration.tolist(), p.pitch.tolist(), strict=True))


def line(name, *notes):
    return rows(view(name, table_of(list(notes))).notes)


def assert_same(one, other):
    assert one.unit == other.unit
    for name in (*COLUMNS, "offsets"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


times = st.integers(0, 24).map(lambda n: n / 4) | st.integers(0, 18).map(lambda n: n / 3)
lengths = st.sampled_from([0.0, 0.25, 1 / 3, 0.5, 1.0, 1.5, 4.0])
notes = st.tuples(times, lengths, st.integers(48, 60), st.sampled_from([0, 0, 1, 2]), st.integers(0, 2))
pieces = st.lists(notes, max_size=24)
corpora = st.lists(pieces, max_size=5).map(lambda corpus: table_of(*corpus))


class TestNames:
    def test_whole_shows_everything_and_moves_nothing(self):
        table = table_of([(0, 1, 60), (1, 2, 64, 1, STRONG)], [], unit="second")
        seen = view("whole", table)
        assert_same(seen.notes, table)
        assert seen.shift.tolist() == [0, 0]
        assert seen.shift.dtype == np.int64

    def test_a_view_of_a_selection_is_cut_off_from_its_table(self):
        table = table_of([(0, 1, 60)], [(0, 1, 62)])
        asked = []

        def first_pitch(notes):
            asked.append(len(notes))
            return notes.pitch[notes.offsets[:-1]]

        assert view("whole", table[1:]).notes.feature(first_pitch).tolist() == [62]
        assert asked == [1]

    def test_steps_and_their_numbers(self):
        assert read_name("lowest-line") == [("lowest-line", 0)]
        assert read_name("opening-8-notes + transposed") == [("opening-N-notes", 8), ("transposed", 0)]
        assert read_name("dropped-notes-100") == [("dropped-notes-P", 100)]
        assert read_name("opening-999999-seconds") == [("opening-N-seconds", 999_999)]

    @pytest.mark.parametrize(
        ("name", "says"),
        [
            ("sideways", "unknown view 'sideways'"),
            ("", "view '' has an empty part"),
            (" ", "view ' ' has an empty part"),
            ("+", "has an empty part"),
            ("whole + ", "has an empty part"),
            ("whole +  + transposed", "has an empty part"),
            ("whole + + transposed", "has an empty part"),
            ("whole+transposed", "unknown view 'whole+transposed'"),
            ("whole  + transposed", "unknown view 'whole '"),
            ("lowest-line + magic", "unknown view 'magic'"),
            ("Whole", "unknown view 'Whole'"),
            ("whole\n", r"unknown view 'whole\n'"),
            ("opening-0-notes", "unknown view 'opening-0-notes'"),
            ("opening--1-notes", "unknown view 'opening--1-notes'"),
            ("opening-08-notes", "unknown view 'opening-08-notes'"),
            ("opening-1.5-beats", "unknown view 'opening-1.5-beats'"),
            ("opening-N-notes", "unknown view 'opening-N-notes'"),
            ("opening-٣-notes", "unknown view"),
            ("opening-1000000-beats", "unknown view 'opening-1000000-beats'"),
            ("opening-8", "unknown view 'opening-8'"),
            ("dropped-notes-0", "unknown view 'dropped-notes-0'"),
            ("dropped-notes-101", "unknown view 'dropped-notes-101'"),
            ("wrong-notes-5%", "unknown view 'wrong-notes-5%'"),
            ("transposed-3", "unknown view 'transposed-3'"),
        ],
    )
    def test_what_is_no_view_is_one_line(self, name, says):
        with pytest.raises(ExperimentError) as caught:
            view(name, table_of([(0, 1, 60)]))
        message = str(caught.value)
        assert says in message
        assert message.endswith(f"accepted: {ACCEPTED}")
        assert "\n" not in message

    def test_the_message_names_every_view(self):
        for name in EVERY_VIEW:
            for kind, _ in read_name(name):
                assert kind in ACCEPTED.split(" (")[0].split(", ")

    @pytest.mark.parametrize(
        ("name", "unit", "says"),
        [
            (
                "opening-4-beats",
                "second",
                "'opening-4-beats' needs notes timed in quarters, and the unit of",
            ),
            ("opening-4-beats", "mixed", "the unit of these is mixed; accepted: opening-N-notes"),
            ("whole + opening-4-seconds", "quarter", "'opening-4-seconds' needs notes timed in seconds"),
        ],
    )
    def test_openings_in_the_wrong_unit(self, name, unit, says):
        with pytest.raises(ExperimentError, match="accepted: opening-N-") as caught:
            view(name, table_of([(0, 1, 60)], unit=unit))
        assert says in str(caught.value)

    def test_steps_are_applied_from_left_to_right(self):
        chords = [(0, 1, 48), (0, 1, 60), (1, 1, 50), (1, 1, 62)]
        assert line("lowest-line + opening-2-notes", *chords) == [(0, 1, 48), (1, 1, 50)]
        assert line("opening-2-notes + lowest-line", *chords) == [(0, 1, 48)]


def sounding_bass(piece):
    """Follow the definition note by note: (onset, duration, pitch) of the sounding bass of one piece."""
    notes = sorted(zip(piece.onset, piece.duration, piece.pitch, piece.part, strict=True), key=lambda n: (n[0], n[2]))
    if any(part == BASS for *_, part in notes):
        notes = [note for note in notes if note[3] == BASS]
    heard = []  # (when, note)
    for now in sorted({note[0] for note in notes}):
        sounding = [n for n in notes if n[0] == now or (n[0] < now and n[0] + n[1] > now + 1e-3)]
        note = min(sounding, key=lambda n: (n[2], n[0], -n[1]))
        if not heard or heard[-1][1] is not note:
            heard.append((now, note))
    ends = [when for when, _ in heard] + [np.inf]
    return [(when, min(n[0] + n[1], end) - when, n[2]) for (when, n), end in zip(heard, ends[1:], strict=True)]


LOWEST = {
    "chords": ([(0, 1, 48), (0, 1, 60), (1, 1, 50), (1, 1, 43)], [(0, 1, 48), (1, 1, 43)]),
    "a held bass is one note": ([(0, 4, 48), (0, 1, 60), (1, 1, 62), (2, 2, 64)], [(0, 4, 48)]),
    "a lower note cuts it, and it comes back": (
        [(0, 4, 48), (1, 1, 43), (2, 1, 60), (3, 1, 62)],
        [(0, 1, 48), (1, 1, 43), (2, 2, 48)],
    ),
    "a held tenor enters at the next onset": ([(0, 4, 55), (0, 1, 48), (2, 2, 60)], [(0, 1, 48), (2, 2, 55)]),
    "and not at all if nothing begins": ([(0, 4, 55), (0, 1, 48)], [(0, 1, 48)]),
    "rests stay": ([(0, 1, 48), (3, 1, 50)], [(0, 1, 48), (3, 1, 50)]),
    "a unison does not cut": ([(0, 4, 48), (1, 1, 48), (2, 1, 60)], [(0, 4, 48)]),
    "unisons together are the longest": ([(0, 1, 48), (0, 4, 48), (2, 1, 60)], [(0, 4, 48)]),
    "a repeated note is two": ([(0, 1, 48), (1, 1, 48)], [(0, 1, 48), (1, 1, 48)]),
    "a note without length sounds where it is": (
        [(0, 2, 60), (1, 0, 48), (2, 1, 62)],
        [(0, 1, 60), (1, 0, 48), (2, 1, 62)],
    ),
    "the part of the bass, where there is one": (
        [(0, 2, 48, BASS), (0, 1, 40), (1, 1, 41), (2, 1, 50, BASS), (2, 1, 45, BASS), (3, 1, 40)],
        [(0, 2, 48), (2, 1, 45)],
    ),
}


class TestLowestLine:
    @pytest.mark.parametrize("case", LOWEST)
    def test_by_hand(self, case):
        given_notes, expected = LOWEST[case]
        assert line("lowest-line", *given_notes) == expected

    @settings(deadline=None, max_examples=300)
    @given(st.lists(st.tuples(pieces, st.booleans()), max_size=4))
    def test_against_the_definition(self, corpus):
        bass_of = [[(*note[:3], BASS if with_bass and note[3] else 0) for note in piece] for piece, with_bass in corpus]
        table = table_of(*bass_of)
        shown = view("lowest-line", table).notes
        assert len(shown) == len(table)
        for i, piece in enumerate(table.pieces()):
            expected = np.array(sounding_bass(piece)).reshape(-1, 3)
            np.testing.assert_allclose(np.array(rows(shown, i)).reshape(-1, 3), expected, atol=1e-12)

    def test_long_pedals_against_the_definition(self):
        rng = np.random.default_rng(5)
        corpus = []
        for n in (1, 40, 300):
            length = np.where(rng.random(n) < 0.1, rng.choice([30.0, 200.0], n), rng.choice([0.25, 0.5, 1.0], n))
            corpus.append(np.column_stack([rng.integers(0, 200, n) / 4, length, rng.integers(40, 80, n)]).tolist())
        table = table_of(*corpus)
        shown = view("lowest-line", table).notes
        for i, piece in enumerate(table.pieces()):
            np.testing.assert_allclose(rows(shown, i), sounding_bass(piece), atol=1e-12)

    def test_part_and_accent(self):
        table = table_of([(0, 4, 55, 1, DOWNBEAT), (0, 1, 48, 2, WEAK), (2, 1, 60, 3, STRONG), (2, 2, 72, 4, WEAK)])
        shown = view("lowest-line", table).notes
        assert shown.part.tolist() == [2, 1]
        assert shown.accent.tolist() == [WEAK, STRONG]  # the tenor enters on the strong beat of the third row

    @settings(deadline=None)
    @given(st.lists(st.tuples(lengths, st.integers(0, 2), st.floats(20, 90)), max_size=30), st.floats(-2, 500))
    def test_one_note_at_a_time_stays_as_it_is(self, tune, start):
        spaced = [(max(length, 0.25), length, pitch, 7, accent) for length, accent, pitch in tune]
        onset = start + np.cumsum([0.0] + [step for step, *_ in spaced])  # rounds: ends miss onsets by a little
        table = table_of([(when, *rest) for when, (_, *rest) in zip(onset[:-1], spaced, strict=True)])
        assert_same(view("lowest-line", table).notes, table)
        assert_same(view("top-line", table).notes, table)

    def test_rounding_at_any_later_onset_holds_no_note(self):
        assert line("lowest-line", (0, 2 + 1e-9, 48), (1, 1, 60), (2, 1, 62)) == [(0, 2 + 1e-9, 48), (2, 1, 62)]
        assert line("lowest-line", (0, 2.25, 48), (1, 1, 60), (2, 1, 62)) == [(0, 2.25, 48)]

    def test_against_music21(self):
        """`chordify` slices a score wherever a note begins or ends: the bass of each slice is an independent answer."""
        music21 = pytest.importorskip("music21")
        voices = [
            [(72, 1), (74, 1), (71, 2), (72, 1.5), (69, 0.5), (67, 2)],
            [(64, 2), (55, 1), (52, 1), (57, 3), (59, 1)],
            [(48, 3), (60, 0.5), (62, 0.5), (53, 1), (65, 1), (50, 2)],
        ]
        score, all_notes = music21.stream.Score(), []
        for voice in voices:
            part, now = music21.stream.Part(), 0.0
            for pitch, length in voice:
                part.insert(now, music21.note.Note(pitch, quarterLength=length))
                all_notes.append((now, length, pitch))
                now += length
            score.insert(0, part)
        onsets = {note[0] for note in all_notes}
        chords = score.chordify().flatten().getElementsByClass("Chord")
        expected = [(float(c.offset), c.bass().midi) for c in chords if c.offset in onsets]
        shown = rows(view("lowest-line", table_of(all_notes)).notes)
        bass_at = [(now, [p for begin, _, p in shown if begin <= now][-1]) for now, _ in expected]
        assert len(expected) == len(onsets)
        assert bass_at == expected

    @pytest.mark.corpus
    def test_on_chorales_with_a_known_bass(self):
        """The lowest spine of a chorale is its bass; the tenor crosses below it now and then (measured: 1 %)."""
        partitura = pytest.importorskip("partitura")
        files = sorted((DATA / "chorales-370" / "kern").glob("*.krn"))[:8]
        if not files:
            pytest.skip(f"no chorales in {DATA}")
        found = wanted = common = 0
        for file in files:
            columns = []
            for part in partitura.load_kern(str(file)).parts:
                array = part.note_array()
                which = BASS if part.id == "P0" else 1  # the first spine
                fields = ("onset_quarter", "duration_quarter", "pitch")
                columns.append([*(array[f].astype(float) for f in fields), np.full(len(array), which)])
            table = NoteTable.from_pieces([Piece(*(np.concatenate(c) for c in zip(*columns, strict=True)))])
            bass = table.keep(table.part == BASS)
            assert_same(view("lowest-line", table).notes, bass)
            sounding = view("lowest-line", table.replace(part=np.zeros_like(table.part))).notes
            one, other = (set(zip(t.onset.tolist(), t.pitch.tolist(), strict=True)) for t in (sounding, bass))
            found, wanted, common = found + len(one), wanted + len(other), common + len(one & other)
        assert common / found > 0.97
        assert common / wanted > 0.97

    @pytest.mark.slow
    def test_two_million_notes_in_two_seconds(self):
        rng = np.random.default_rng(0)
        n, per_piece = 2_000_000, 1000
        columns = {
            "onset": np.sort(rng.integers(0, 1000, (n // per_piece, per_piece)) / 4, axis=1).ravel(),
            "duration": np.where(rng.random(n) < 0.02, 50.0, 0.5),
            "pitch": rng.integers(36, 84, n).astype(float),
            "part": np.zeros(n, dtype=np.int64),
            "accent": np.zeros(n, dtype=np.int64),
        }
        table = NoteTable(**columns, offsets=np.arange(0, n + 1, per_piece))
        begin = time.process_time()
        view("lowest-line", table)
        assert time.process_time() - begin < 2.0


TOP = {
    "chords": ([(0, 1, 48), (0, 1, 60), (1, 1, 50), (1, 1, 43)], [(0, 1, 60), (1, 1, 50)]),
    "a held note is cut by what begins below it": ([(0, 4, 72), (1, 1, 60)], [(0, 1, 72), (1, 1, 60)]),
    "rests stay": ([(0, 1, 48), (3, 1, 50)], [(0, 1, 48), (3, 1, 50)]),
    "unisons together are the longest": (
        [(0, 1, 60), (0, 3, 60), (4, 2, 62), (4, 0, 62)],
        [(0, 3, 60), (4, 2, 62)],
    ),
}


class TestTopLine:
    @pytest.mark.parametrize("case", TOP)
    def test_by_hand(self, case):
        given_notes, expected = TOP[case]
        assert line("top-line", *given_notes) == expected

    @settings(deadline=None)
    @given(corpora)
    def test_one_highest_note_at_each_onset(self, table):
        shown = view("top-line", table).notes
        for i, piece in enumerate(table.pieces()):
            expected = {now: piece.pitch[piece.onset == now].max() for now in piece.onset}
            assert {onset: pitch for onset, _, pitch in rows(shown, i)} == expected


class TestOpenings:
    def test_notes(self):
        chords = [(0, 4, 48), (0, 1, 60), (1, 1, 62)]
        assert line("opening-1-notes", *chords) == [(0, 4, 48)]
        assert line("opening-2-notes", *chords) == [(0, 4, 48), (0, 1, 60)]
        assert line("opening-9-notes", *chords) == chords

    def test_time_counts_from_the_first_onset_and_cuts_at_the_end(self):
        tune = [(-0.5, 0.5, 60), (0, 3, 48), (0, 1, 62), (1.5 - 1e-9, 1, 64), (1.5, 1, 65)]
        assert line("opening-2-beats", *tune) == [(-0.5, 0.5, 60), (0, 1.5, 48), (0, 1, 62)]
        assert line("opening-999999-beats", *tune) == tune

    def test_seconds(self):
        table = table_of([(10, 3, 60), (11, 1, 62), (12, 1, 64)], unit="second")
        shown = view("opening-2-seconds", table).notes
        assert rows(shown) == [(10, 2, 60), (11, 1, 62)]
        assert shown.unit == "second"

    def test_without_last_note(self):
        assert line("without-last-note", (0, 9, 48), (1, 1, 60), (2, 1, 48), (2, 1, 64)) == [(0, 9, 48), (1, 1, 60)]
        assert line("without-last-note", (0, 1, 48), (0, 2, 60)) == []

    @settings(deadline=None)
    @given(corpora)
    def test_without_last_note_takes_what_features_call_last(self, table):
        shown = view("without-last-note", table).notes
        filled = table.n_notes > 0
        if filled.any():
            last = np.full(len(table), -np.inf)
            last[filled] = table.onset[edge_index(table, last=True)]
            assert_same(shown, table.keep(table.onset != last[table.piece]))


@pytest.mark.parametrize("name", EVERY_VIEW)
class TestLaws:
    @settings(deadline=None, max_examples=40)
    @given(table=corpora)
    def test_the_outcome_is_a_table(self, name, table):
        before = {column: getattr(table, column).copy() for column in COLUMNS}
        seen = view(name, table, seed=3)
        shown = seen.notes
        assert len(shown) == len(table)
        assert seen.shift.shape == (len(table),)
        assert shown.unit == table.unit
        assert shown.part.dtype == shown.accent.dtype == np.int64
        assert (shown.duration >= 0).all()
        assert_same(NoteTable.from_pieces(shown.pieces(), shown.unit), shown)  # finite, and in order
        for column in COLUMNS:
            np.testing.assert_array_equal(getattr(table, column), before[column])

    @settings(deadline=None, max_examples=40)
    @given(table=corpora, data=st.data())
    def test_moving_the_music_before_is_moving_it_after(self, name, table, data):
        by = np.array(data.draw(st.lists(st.integers(-12, 12), min_size=len(table), max_size=len(table))), dtype=int)
        one, other = view(name, table.transpose(by), seed=3), view(name, table, seed=3)
        assert_same(one.notes, other.notes.transpose(by))
        np.testing.assert_array_equal(one.shift, other.shift)

    @settings(deadline=None, max_examples=40)
    @given(table=corpora, data=st.data())
    def test_each_piece_is_seen_by_itself(self, name, table, data):
        picked = np.array(
            data.draw(st.lists(st.integers(0, len(table) - 1), max_size=6) if len(table) else st.just([]))
        )
        picked = picked.astype(int)
        whole, some = view(name, table, seed=3), view(name, table[picked], seed=3)
        assert_same(some.notes, whole.notes[picked])
        np.testing.assert_array_equal(some.shift, whole.shift[picked])

    @settings(deadline=None, max_examples=20)
    @given(one=corpora, other=corpora)
    def test_of_a_concatenation(self, name, one, other):
        parts = [view(name, table, seed=3) for table in (one, other)]
        joined = view(name, NoteTable.concatenate([one, other]), seed=3)
        assert_same(joined.notes, NoteTable.concatenate([part.notes for part in parts]))
        np.testing.assert_array_equal(joined.shift, np.concatenate([part.shift for part in parts]))

    def test_nothing_and_empty_pieces(self, name):
        for table in (table_of(), table_of([]), table_of([], [])):
            seen = view(name, table)
            assert_same(seen.notes, table)
            assert len(seen.shift) == len(table)

    def test_in_seconds(self, name):
        name = name.replace("beats", "seconds")
        tune = [(i / 2, 0.5, 60 + 2 * (i % 2)) for i in range(20)]
        in_seconds, in_quarters = table_of(tune, unit="second"), table_of(tune)
        one, other = view(name, in_seconds), view(name.replace("seconds", "beats"), in_quarters)
        assert one.notes.unit == "second"
        assert rows(one.notes) == rows(other.notes)
