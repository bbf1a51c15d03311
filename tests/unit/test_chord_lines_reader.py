"""The reader of timed chord lines on small songs of our own, worked out by hand.

The format was read from the files themselves; where a rule was measured there, `tests/published/test_billboard.py`
measures it again. Pitches are MIDI numbers, times seconds.
"""

import time

import mir_eval.chord
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.assemble import read_files
from keybench.corpora.manifest import read_manifest
from keybench.corpora.readers import chord_lines
from keybench.errors import ReadError
from keybench.key import MODES
from keybench.notes import BASS, DOWNBEAT, STRONG, WEAK

W, S, D = WEAK, STRONG, DOWNBEAT

SONG = """# title: Lantern on the pier
# artist: The Imagined Quartet
# metre: 4/4
# tonic: D

0.0\tsilence
1.0\tA, intro, | D:maj | G:maj/5 A:7 |, (guitar)
5.0\tB, verse, | D:min7 . . G:7/b7 | N | x2, guitar)
13.0\t| D:maj | ->
15.5\tZ', talking
20.0\tend
"""


def song(*lines, metre="4/4", tonic="C", end=8.0):
    """Return a file of timed lines, (seconds, text) each, in one metre and home note."""
    head = f"# title: Lantern on the pier\n# artist: The Imagined Quartet\n# metre: {metre}\n# tonic: {tonic}\n\n"
    return (head + "".join(f"{start}\t{text}\n" for start, text in lines) + f"{end}\tend\n").encode()


def rows(data, line="bass"):
    """Return (onset, duration, pitch) of the notes."""
    notes = chord_lines.read_notes(data, line).notes
    assert len(notes.pitch) > 0
    table = zip(notes.onset, notes.duration, notes.pitch, strict=True)
    return [tuple(round(float(value), 4) for value in row) for row in table]


def one_line(text, **options):
    return rows(song((0.0, text), **options))


def test_a_song_worked_by_hand():
    reading = chord_lines.read_notes(SONG.encode())
    assert rows(SONG.encode()) == [
        (1.0, 2.0, 38),  # D
        (3.0, 1.0, 38),  # G over its fifth, D
        (4.0, 1.0, 33),  # A
        (5.0, 1.5, 38),  # the line of two bars is played twice in 8 seconds
        (6.5, 0.5, 29),  # G over its flat seventh, F
        (9.0, 1.5, 38),
        (10.5, 0.5, 29),
        (13.0, 2.5, 38),
    ]
    assert reading.notes.accent.tolist() == [D, D, S, D, W, D, W, D]
    assert set(reading.notes.part.tolist()) == {BASS}
    assert reading.bars is None
    assert reading.chroma is None


def test_roots_instead_of_the_bass():
    assert [pitch for _, _, pitch in rows(SONG.encode(), "root")] == [38, 31, 33, 38, 31, 38, 31, 38]


# One line of four seconds before the end at 8, unless said otherwise.
TIMES = [
    ("one chord fills the bar", "| C:maj |", [(0, 8, 36)]),
    ("two halve it", "| C:maj D:min |", [(0, 4, 36), (4, 4, 38)]),
    ("one to a beat", "| C:maj D:min E:min F:maj |", [(0, 2, 36), (2, 2, 38), (4, 2, 28), (6, 2, 29)]),
    ("a dot goes on", "| C:maj . . D:min |", [(0, 6, 36), (6, 2, 38)]),
    ("a dot in a halved bar", "| C:maj . |", [(0, 8, 36)]),
    ("a dot goes on over the bar line", "| C:maj | . D:min |", [(0, 6, 36), (6, 2, 38)]),
    ("equal chords are struck anew", "| C:maj | C:maj C:maj |", [(0, 4, 36), (4, 2, 36), (6, 2, 36)]),
    ("no chord is silent", "| C:maj N . . |", [(0, 2, 36)]),
    ("no chord, then a chord", "| N . . C:maj |", [(6, 2, 36)]),
    ("an involved rhythm is silent", "| C:maj | * |", [(0, 4, 36)]),
    ("a pause lasts a bar", "| C:maj | &pause |", [(0, 4, 36)]),
    ("the whole line is played again", "| C:maj | D:min | x2", [(0, 2, 36), (2, 2, 38), (4, 2, 36), (6, 2, 38)]),
    ("an elision takes no time", "| C:maj | D:min | ->, voice)", [(0, 4, 36), (4, 4, 38)]),
    ("a bar of half the length", "| C:maj | (2/4) D:min | C:maj . |", [(0, 3.2, 36), (3.2, 1.6, 38), (4.8, 3.2, 36)]),
    ("a metre of eighths", "| C:maj | (6/8) D:min | (2/8) E:1 |", [(0, 4, 36), (4, 3, 38), (7, 1, 28)]),
    ("labels on both sides", "A', pre-chorus, | C:maj |, (flute), x3, voice)", [(0, 8, 36)]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), [row[1:] for row in TIMES], ids=[row[0] for row in TIMES])
def test_times(text, expected):
    assert one_line(text) == expected


def test_a_line_lasts_until_the_next():
    data = song((0.0, "| C:maj | D:min |"), (3.0, "silence"), (5.5, "| E:min |"), (6.0, "Z"))
    assert rows(data) == [(0, 1.5, 36), (1.5, 1.5, 38), (5.5, 0.5, 28)]


def test_a_metre_changes_in_mid_file():
    data = (
        b"# metre: 3/4\n0.0\t| C:maj . D:min |\n3.0\t| E:1 |\n# metre: 4/4\n6.0\t| F:maj G:maj | (3/4) C:1 |\n13\tend\n"
    )
    assert rows(data) == [(0, 2, 36), (2, 1, 38), (3, 3, 28), (6, 2, 29), (8, 2, 31), (10, 3, 36)]


def test_times_in_powers_of_ten():
    assert rows(song(("5.0e-1", "| C:maj |"), end="1.25e+1")) == [(0.5, 12, 36)]


def test_lines_of_no_length_give_notes_of_no_length():
    assert rows(song((2.0, "| C:maj |"), (2.0, "| D:maj |"))) == [(2, 0, 36), (2, 6, 38)]


# Degrees count up the major scale on the root, flats and sharps before them (Harte et al. 2005, ISMIR, section 3).
INTERVALS = [
    ("1", 0), ("b9", 1), ("9", 2), ("b3", 3), ("3", 4), ("b11", 4), ("11", 5), ("#11", 6), ("b5", 6), ("5", 7),
    ("#5", 8), ("b13", 8), ("13", 9), ("bb7", 9), ("b7", 10), ("7", 11), ("2", 2), ("4", 5), ("6", 9), ("bb13", 7),
]  # fmt: skip


@pytest.mark.parametrize(("degree", "semitones"), INTERVALS)
def test_the_bass_is_an_interval_above_the_root(degree, semitones):
    for root, pitch_class in (("C", 0), ("F#", 6), ("Bb", 10), ("Cb", 11)):
        ((_, _, pitch),) = one_line(f"| {root}:maj/{degree} |")
        assert 28 <= pitch <= 39
        assert pitch % 12 == (pitch_class + semitones) % 12


QUALITIES = [
    "1", "1(b3,b7)", "5", "5(b7)", "maj", "maj(9,#11)", "maj6(b7)", "maj7", "maj9", "maj13", "7", "7(#9)", "9",
    "11", "13", "min", "min(b13)", "min7", "min9", "min11", "minmaj7", "dim", "dim7", "hdim7", "aug", "aug(b7)", "sus2",
    "sus4(b7,9,13)",
]  # fmt: skip
CHORDS = st.tuples(
    st.sampled_from("CDEFGAB"),
    st.sampled_from(["", "b", "#", "bb", "##"]),
    st.sampled_from(QUALITIES),
    st.sampled_from([""] + [f"/{degree}" for degree, _ in INTERVALS]),
).map(lambda parts: f"{parts[0]}{parts[1]}:{parts[2]}{parts[3]}")


@given(CHORDS)
@settings(deadline=None)
def test_roots_and_basses_are_those_of_mir_eval(symbol):
    # Reference: mir_eval.chord, which reads the notation that these symbols extend.
    root, _, bass = mir_eval.chord.encode(symbol)
    data = song((0.0, f"| {symbol} |"))
    assert [pitch % 12 for _, _, pitch in rows(data, "root")] == [root]
    assert [pitch % 12 for _, _, pitch in rows(data, "bass")] == [(root + bass) % 12]


# Common practice, no source: the first beat is the strongest, and the middle of an even bar is strong.
ACCENTS = [
    ("common time", "4/4", "| C:1 D:1 E:1 F:1 | C:1 D:1 |", [D, W, S, W, D, S]),
    ("three-four", "3/4", "| C:1 D:1 E:1 |", [D, W, W]),
    ("six-eight", "6/8", "| C:1 D:1 |", [D, S]),
    ("twelve-eight", "12/8", "| C:1 D:1 E:1 F:1 |", [D, W, S, W]),
    ("five-four", "5/4", "| C:1 . . D:1 E:1 |", [D, W, W]),
    ("a short bar", "4/4", "| (2/4) C:1 D:1 | E:1 |", [D, W, D]),
    ("a bar that begins late", "4/4", "| N . C:1 D:1 | N E:1 |", [S, W, S]),
    ("a pause", "4/4", "| &pause | C:1 |", [D]),
]


@pytest.mark.parametrize(("metre", "text", "expected"), [row[1:] for row in ACCENTS], ids=[row[0] for row in ACCENTS])
def test_accents(metre, text, expected):
    assert chord_lines.read_notes(song((0.0, text), metre=metre)).notes.accent.tolist() == expected


BARS = st.lists(st.lists(st.sampled_from(["C:maj", "Eb:min/5", ".", "N", "*"]), min_size=1, max_size=6), min_size=1)


@given(BARS, st.integers(1, 4), st.floats(0, 500), st.floats(0.01, 100))
@settings(deadline=None)
def test_notes_fill_the_line_and_never_overlap(bars, repeats, start, length):
    text = "| " + " | ".join(" ".join(bar) for bar in bars) + f" | x{repeats}"
    data = song((start, text), end=start + length)
    written = [symbol for bar in bars for symbol in bar]
    if not any(":" in symbol for symbol in written):
        with pytest.raises(ReadError, match="no notes"):
            chord_lines.read_notes(data)
        return
    notes = chord_lines.read_notes(data).notes
    assert len(notes.pitch) == repeats * sum(":" in symbol for symbol in written)
    ends = notes.onset + notes.duration
    assert (notes.duration >= 0).all()
    assert notes.onset[0] >= start
    assert (notes.onset[1:] >= ends[:-1] - 1e-9).all()
    assert ends[-1] <= start + length + 1e-9
    if not {"N", "*"} & set(written) and written[0] != ".":
        assert notes.duration.sum() == pytest.approx(length)


def spans(data):
    return [(span.start, span.end, span.tonic, span.mode) for span in chord_lines.read_tonics(data)]


def test_home_notes_hold_from_the_line_below_to_the_next():
    data = (
        b"# metre: 4/4\n# tonic: Eb\n0.0\tsilence\n1.5\t| C:1 |\n# tonic: F#\n\n4.0\t| D:1 |\n# tonic: Gb\n"
        b"6.0\t| E:1 |\n# tonic: Cb\n# tonic: A\n7.0\t| D:1 |\n9.0\tsilence\n10.0\tend\n# tonic: D\n"
    )
    assert spans(data) == [(0.0, 4.0, 3, None), (4.0, 7.0, 6, None), (7.0, 10.0, 9, None)]


def test_home_note_named_late_or_at_the_end():
    data = b"# metre: 4/4\n0.0\t| C:1 |\n# tonic: B#\n2.0\t| C:1 |\n# tonic: D\n4.0\tend\n"
    assert spans(data) == [(2.0, 4.0, 0, None)]


@pytest.mark.parametrize("line", ["# tonic: H", "# tonic:", "# tonic: c", "# tonic: C minor", "# title: Lantern"])
def test_home_notes_that_are_none(line):
    with pytest.raises(ReadError) as caught:
        chord_lines.read_tonics(f"{line}\n# metre: 4/4\n0.0\t| C:1 |\n2.0\tend\n".encode())
    check_message(caught, "home note")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("| C:maj | F:min |", "major"),  # other chords do not count
        ("| C:min7 | F:maj | G:7 |", "minor"),
        ("| C:maj | C:min C:min | C:min |", "minor"),  # by length, not by the first
        ("| C:min | C:min C:maj | C:7 C:maj |", ""),  # equal lengths
        ("| C:5 | C:sus4 | C:1 C:min/b3 |", "minor"),  # no third, no weight
        ("| C:1(3) | C:5 |", "major"),
        ("| C:1(b3,b7) |", "minor"),
        ("| C:7(#9) |", "major"),
        ("| C:hdim7 | G:7 |", "minor"),
        ("| C:aug |", "major"),
        ("| F:maj/5 | G:7 |", ""),  # a bass on the home note is no chord on it
        ("| B#:min |", "minor"),
    ],
)
def test_family_by_the_chords_on_the_home_note(text, expected):
    assert chord_lines.read_family(song((0.0, text))) == expected


def test_family_follows_the_home_note():
    home_c = "# metre: 4/4\n# tonic: C\n0.0\t| C:min D:maj |\n2.0\t| D:maj C:min |\n"
    data = (home_c + "# tonic: D\n4.0\t| D:maj C:min |\n9.0\tend\n").encode()
    assert chord_lines.read_family(data) == "major"  # 2 seconds of C minor against 2.5 of D major


@pytest.mark.parametrize(("least", "expected"), [(0.5, "major"), (0.66, "major"), (0.67, ""), (0.9, "")])
def test_family_only_where_one_third_has_so_large_a_part(least, expected):
    # Two bars of C major, one of C minor, and one without a third, which does not count.
    assert chord_lines.read_family(song((0.0, "| C:maj | C:min | C:5 | C:7 |")), least) == expected


def test_a_source_derives_the_family_only_if_its_manifest_asks_for_it():
    text = "# metre: 4/4\n# tonic: {}\n0.0\t| {} |\n4.0\tend\n"
    files = {
        "1/salami_chords.txt": text.format("C", "C:maj | C:7").encode(),
        "2/salami_chords.txt": text.format("A", "A:min | F:maj").encode(),
        "3/salami_chords.txt": text.format("D", "D:maj | D:min").encode(),
    }
    plain, derived = read_manifest("billboard"), read_manifest("billboard-family")
    assert read_files(plain, files).truth.sum(axis=1).tolist() == [7, 7, 7]
    corpus = read_files(derived, files)
    for tonic, mode, accepted in zip(corpus.tonic, corpus.mode, corpus.truth, strict=True):
        expected = derived.accepted_keys(int(tonic), int(mode))
        assert np.flatnonzero(accepted).tolist() == sorted(key.index for key in expected)
    assert [(int(t), MODES[m]) for t, m in zip(corpus.tonic, corpus.mode, strict=True)] == [(0, "major"), (9, "minor")]
    assert [problem.piece for problem in corpus.problems if problem.kind == "left out"] == ["billboard-family:3"]
    assert not derived.headline
    assert derived.trust == "derived"


def test_artist_and_title_are_read_for_grouping_only():
    assert chord_lines.read_artist_title(SONG.encode()) == ("The Imagined Quartet", "Lantern on the pier")
    assert chord_lines.read_artist_title(b"0.0\tend\n") == ("", "")


LEAKY = (
    "# title: {t}\n# artist: {t}\n# metre: 4/4\n# tonic: {k}\n\n0.0\t{s}silence\n"
    "1.0\t{s}, {s}, | D:{q} | G:{q}/5 A:{q} |, ({s}, {s})\n# tonic: {k}\n4.0\t{s}| D:{q} . . G:{q}/b7 | N | x2, {s})\n"
    "# {t}\n6.5\tZ, {s}\n7.0\tend\n"
)


@pytest.mark.parametrize("title", ["In A minor", "# tonic: C", "C:maj | D:min", "x4", "&pause N *", "12.5"])
@pytest.mark.parametrize("section", ["B, chorus", "x3, (voice", "C:maj", "-> solo in A", "(3/4)", "."])
@pytest.mark.parametrize(("tonic", "quality"), [("D", "min7"), ("Bb", "sus4(b7,9)"), ("?", "1")])
def test_words_and_labels_do_not_reach_the_notes(title, section, tonic, quality):
    # What an estimator must not see. Reference: the same song with nothing in it but chords.
    bare = "# metre: 4/4\n1.0\t| D:maj | G:maj/5 A:maj |\n4.0\t| D:maj . . G:maj/b7 | N | x2\n6.5\tZ\n7.0\tend\n"
    for line in ("bass", "root"):
        scrambled = chord_lines.read_notes(LEAKY.format(t=title, k=tonic, s=section, q=quality).encode(), line).notes
        expected = chord_lines.read_notes(bare.encode(), line).notes
        for name in ("onset", "duration", "pitch", "part", "accent"):
            assert np.array_equal(getattr(scrambled, name), getattr(expected, name)), name


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_line_ends_of_other_systems(ending):
    data = SONG.replace("\n", ending).encode()
    assert rows(data) == rows(SONG.encode())
    assert spans(data) == spans(SONG.encode())
    assert chord_lines.read_artist_title(data) == chord_lines.read_artist_title(SONG.encode())


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "mac-roman"])
def test_titles_beyond_ascii_do_no_harm(encoding):
    data = SONG.replace("pier", "quai d\xe9sert").encode(encoding)
    assert rows(data) == rows(SONG.encode())
    assert spans(data) == spans(SONG.encode())


def check_message(caught, words):
    check_line(str(caught.value), words)


def check_line(message, words):
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message
    assert len(message) < 250
    assert "Lantern" not in message


BAD = [
    ("empty", b"", "no timed lines"),
    ("blank", b"\n \n", "no timed lines"),
    ("header only", b"# title: Lantern\n# metre: 4/4\n", "no timed lines"),
    ("binary rubbish", b"\x00\x01\xff\x02\x80\x7f", "line 1 has no time"),
    ("another encoding", SONG.encode("utf-16"), "line 1 has no time"),
    ("no chords", song((0.0, "silence"), (1.0, "| N | * |")), "no notes"),
    ("no tab", b"0.0 silence\n", "line 1 has no time"),
    ("words", b"# metre: 4/4\nLantern on the pier\n", "line 2 has no time"),
    ("a negative time", song((-1.0, "| C:maj |")), "line 6 has no time"),
    ("an endless time", song(("1e999", "| C:maj |")), "line 6 has no time"),
    ("time goes back", song((3.0, "| C:maj |"), (2.0, "| C:maj |")), "line 7 goes back"),
    ("cut short", SONG.encode()[: SONG.index("13.0")], "line 8 has bars but no end"),
    ("cut in a bar", SONG.encode()[: SONG.index("7/b7")] + b"\n9.0\tend\n", "line 8 does not end as a line of bars"),
    ("cut in a chord", song((0.0, "| C:maj | G: |")), "cannot read 'G:' on line 6"),
    ("no bar line at the end", song((0.0, "| C:maj")), "does not end as a line of bars"),
    ("an unknown sign at the end", song((0.0, "| C:maj | y2")), "does not end as a line of bars"),
    ("played no times", song((0.0, "| C:maj | x0")), "does not end as a line of bars"),
    ("an empty bar", song((0.0, "| C:maj | |")), "an empty bar on line 6"),
    ("an unknown chord", song((0.0, "| H:maj |")), "cannot read 'H:maj'"),
    ("an unknown sign", song((0.0, "| % |")), "cannot read '%'"),
    ("a bass that is a note", song((0.0, "| C:maj/E |")), "cannot read 'C:maj/E'"),
    ("a bass too high", song((0.0, "| C:maj/14 |")), "cannot read 'C:maj/14'"),
    ("a long symbol", song((0.0, f"| {'C' * 5000} |")), "cannot read 'CCC"),
    ("an unknown metre", song((0.0, "| C:maj |"), metre="common"), "metre 'common'"),
    ("a metre of nothing", song((0.0, "| C:maj |"), metre="0/4"), "metre '0/4'"),
    ("an unknown metre of a bar", song((0.0, "| (x) C:maj |")), "metre 'x'"),
    ("half a metre of a bar", song((0.0, "| (2/4 C:maj |")), "metre '2/'"),
    ("no metre", b"0.0\t| C:maj |\n1.0\tend\n", "metre ''"),
    ("too large", song((0.0, "| C:maj " * 50_000 + "|")), "accepted: at most 200,000"),
    ("too many bars", song((0.0, "| C:maj " * 500 + "| x900")), "more than 20,000 bars"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_files_say_what_is_accepted(data, words):
    with pytest.raises(ReadError) as caught:
        chord_lines.read_notes(data)
    check_message(caught, words)


def test_an_unknown_line_says_what_is_accepted():
    with pytest.raises(ReadError) as caught:
        chord_lines.read_notes(SONG.encode(), "melody")
    check_message(caught, "accepted: bass, root")


@pytest.mark.parametrize(
    "reader",
    [chord_lines.read_notes, chord_lines.read_tonics, chord_lines.read_family, chord_lines.read_artist_title],
)
def test_a_gigantic_line_is_refused_at_once(reader):
    data = song((0.0, "| C:maj " + "." * 10_000_000))
    begin = time.process_time()
    with pytest.raises(ReadError) as caught:
        reader(data)
    assert time.process_time() - begin < 0.1
    check_message(caught, "at most 200,000")


@pytest.mark.parametrize(
    "text", ["| C" + "#" * 150_000 + " |", "|" * 150_000, "| C:maj |" + " " * 150_000 + "x", "| C:1(" + "b," * 70_000]
)
def test_long_lines_of_the_accepted_size_are_read_in_linear_time(text):
    begin = time.process_time()
    with pytest.raises(ReadError):
        chord_lines.read_notes(song((0.0, text)))
    assert time.process_time() - begin < 1.0


def test_damage_of_every_kind_is_read_or_refused():
    # No source: whatever the bytes, there are finite notes or a ReadError of one line.
    rng = np.random.default_rng(0)
    signs = np.frombuffer(b"|:/. x1(\n\t#bN\xff\x00", np.uint8)
    whole = np.frombuffer(SONG.encode(), np.uint8)
    refused = 0
    for _ in range(400):
        damaged = whole.copy()
        places = rng.integers(0, len(whole), rng.integers(1, 4))
        damaged[places] = rng.choice(signs, len(places))
        data = damaged[: rng.integers(len(whole) // 2, len(whole) + 1)].tobytes()
        try:
            notes = chord_lines.read_notes(data).notes
            chord_lines.read_family(data)
        except ReadError as error:
            refused += 1
            check_line(str(error), "line")
        else:
            assert len(notes.pitch) > 0
            assert np.isfinite(notes.onset).all()
            assert (notes.duration >= 0).all()
    assert 0 < refused < 400
