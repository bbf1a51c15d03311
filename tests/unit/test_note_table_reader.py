"""The note-table reader on small tables of our own, worked out by hand.

The columns and their meaning: the table of pitch arrays that comes with their origin (johentsch/dilemmadata,
`design/dlc_pitch_array_specs.csv`).
"""

import gzip
import io
import random
import time
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.readers import note_table
from keybench.corpora.readers.reading import LabelSpan
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR

COLUMNS = [
    "onset_div", "duration_div", "onset_beat", "quarterbeats_playthrough", "pitch", "tpc", "staff", "voice",
    "globalkey", "globalkey_mode", "localkey", "localkey_mode", "localkey_resolved", "globalkey_tpc", "localkey_tpc",
]  # fmt: skip
# Six divisions to the quarter: a pickup of a triplet eighth after a rest, a chord with a grace note, a dotted eighth,
# and a close in F; three notes in C major, then G minor, then a note without a label, then F major.
TABLE = """
4   2  0.667  2/3   67   1  1  1  C  major  I    major  I    0  0
6   0  1.0    1     74   2  1  1  C  major  I    major  I    0  0
6   6  1.0    1     48   0  2  1  C  major  I    major  I    0  0
6   6  1.0    1     72   0  1  1  C  major  I    major  I    0  0
12  3  2.0    2     58  -2  2  2  C  major  v    minor  v    0  1
15  9  2.5    5/2   79   1  1  1  C  major  v    minor  v    0  1
24  6  4.0    4     60   0  2  1  C  major  -    -      -    0  -
30  6  5.0    5     53  -1  2  1  C  major  IV   major  IV   0  -1
30  24 5.0    5     69   3  1  2  C  major  IV   major  IV   0  -1
"""


def rows():
    return [["" if word == "-" else word for word in line.split()] for line in TABLE.strip().split("\n")]


def table(lines=None, columns=COLUMNS, packed=False, line_end="\n"):
    lines = rows() if lines is None else lines
    text = line_end.join("\t".join(words) for words in [list(columns), *lines]) + line_end
    data = text.encode()
    return gzip.compress(data, mtime=0) if packed else data


def short_table(quarters, divisions):
    """Return a table with these onsets, all else as in the first row."""
    first = rows()[0]
    return table(
        [[place, *first[1:3], quarter, *first[4:]] for quarter, place in zip(quarters, divisions, strict=True)]
    )


def changed(column, value, row=None):
    """Return the table with one column, or one cell of it, replaced."""
    lines = rows()
    for i, line in enumerate(lines):
        if row is None or i == row:
            line[COLUMNS.index(column)] = value
    return table(lines)


def with_local_keys(fifths):
    """Return the table with these tonics of major keys, one to a note."""
    return table([[*line[:11], "major", *line[12:14], tonic] for line, tonic in zip(rows(), fifths, strict=True)])


def columns_of(data):
    notes = note_table.read_notes(data).notes
    return [getattr(notes, name) for name in ("onset", "duration", "pitch", "part")]


def same_notes(one, other):
    return all(np.array_equal(a, b) for a, b in zip(columns_of(one), columns_of(other), strict=True))


def test_notes_by_hand():
    reading = note_table.read_notes(table())
    notes = reading.notes
    assert notes.onset.tolist() == pytest.approx([2 / 3, 1, 1, 1, 2, 2.5, 4, 5, 5])
    assert notes.duration.tolist() == pytest.approx([1 / 3, 0, 1, 1, 0.5, 1.5, 1, 1, 4])
    assert notes.pitch.tolist() == [67, 74, 48, 72, 58, 79, 60, 53, 69]
    # Staff 1 voice 1, staff 1 voice 2, staff 2 voice 1, staff 2 voice 2.
    assert notes.part.tolist() == [0, 0, 2, 0, 3, 0, 2, 2, 1]
    assert notes.accent is None
    assert reading.bars is None
    assert reading.chroma is None


def test_local_keys_by_hand():
    # From C on the line of fifths: 0 is C, 1 is G, -1 is F. The note at 4 has no label; the last note ends at 9.
    assert note_table.read_local_keys(table()) == [
        LabelSpan(pytest.approx(2 / 3), 2, 0, MAJOR),
        LabelSpan(2, 4, 7, MINOR),
        LabelSpan(5, 9, 5, MAJOR),
    ]


def test_global_key_by_hand():
    assert note_table.read_global_key(table()) == (0, MAJOR)


# Common practice, no source: the line of fifths around C.
TONICS = {
    0: "C", 1: "G", 2: "D", 3: "A", 4: "E", 5: "B", 6: "F#", 7: "C#", 8: "G#", 9: "D#",
    -1: "F", -2: "Bb", -3: "Eb", -4: "Ab", -5: "Db", -6: "Gb", -7: "Cb", -8: "Fb", -11: "Abb",
}  # fmt: skip


@pytest.mark.parametrize(("fifths", "tonic"), TONICS.items())
def test_tonics_on_the_line_of_fifths(fifths, tonic):
    letter = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[tonic[0]]
    expected = (letter + tonic.count("#") - tonic.count("b")) % 12
    assert note_table.read_global_key(changed("globalkey_tpc", str(fifths))) == (expected, MAJOR)
    (span,) = note_table.read_local_keys(with_local_keys([str(fifths)] * 9))
    assert (span.start, span.end, span.tonic, span.mode) == (pytest.approx(2 / 3), 9, expected, MAJOR)


def test_pitch_classes_of_the_line_of_fifths_against_the_notes_own():
    # The origin gives each note's place on the line of fifths beside its MIDI number: they agree with the same sum.
    for line in rows():
        pitch, fifths = int(line[COLUMNS.index("pitch")]), line[COLUMNS.index("tpc")]
        assert note_table.read_global_key(changed("globalkey_tpc", fifths)) == (pitch % 12, MAJOR)


def test_global_keys_that_are_none_or_many():
    assert note_table.read_global_key(changed("globalkey_tpc", "")) is None
    assert note_table.read_global_key(changed("globalkey_mode", "")) is None
    assert note_table.read_global_key(changed("globalkey_tpc", "1", row=3)) is None
    assert note_table.read_global_key(changed("globalkey_tpc", "", row=8)) == (0, MAJOR)


def test_no_local_key_at_all():
    assert note_table.read_local_keys(changed("localkey_tpc", "")) == []
    assert note_table.read_local_keys(changed("localkey_mode", "")) == []


def test_a_key_that_returns_is_a_new_span():
    spans = note_table.read_local_keys(with_local_keys("000011000"))
    assert [(span.start, span.end, span.tonic) for span in spans] == [
        (pytest.approx(2 / 3), 2, 0), (2, 4, 7), (4, 9, 0),
    ]  # fmt: skip


def test_a_key_that_is_spelled_anew_goes_on():
    # C sharp is seven fifths above C, D flat five below (common practice, no source).
    spans = note_table.read_local_keys(with_local_keys(["7"] * 5 + ["-5"] * 4))
    assert [(span.start, span.end, span.tonic) for span in spans] == [(pytest.approx(2 / 3), 9, 1)]


def test_two_keys_at_once_are_refused():
    with pytest.raises(ReadError, match="two local keys at quarter 5; accepted: one at a time"):
        note_table.read_local_keys(with_local_keys("000011001"))


def test_one_of_two_notes_that_begin_together_may_lack_the_label():
    data = changed("localkey_tpc", "", row=7)
    assert note_table.read_local_keys(data) == note_table.read_local_keys(table())


def test_order_of_the_rows_does_not_matter():
    lines = rows()
    random.Random(1).shuffle(lines)
    assert note_table.read_local_keys(table(lines)) == note_table.read_local_keys(table())
    ours, theirs = (sorted(zip(*columns_of(data), strict=True)) for data in (table(lines), table()))
    assert ours == theirs


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_packed_and_plain_tables_read_alike(packed, line_end):
    data = table(packed=packed, line_end=line_end)
    assert same_notes(data, table())
    assert note_table.read_local_keys(data) == note_table.read_local_keys(table())
    assert note_table.read_global_key(data) == (0, MAJOR)


def test_a_table_with_all_columns_of_its_origin_reads_alike():
    # The origin's tables have some eighty columns in another order, among them words of any kind.
    frame = pd.DataFrame(rows(), columns=COLUMNS)
    more = {"step": "C", "mn_playthrough": "1a", "label": "I|é{", "chord_tones": "(0, 4, 1)", "cadence": "", "sic": "x"}
    frame = frame.assign(**more)[[*more, *reversed(COLUMNS)]]
    data = frame.to_csv(sep="\t", index=False).encode()
    assert same_notes(data, table())
    assert note_table.read_local_keys(data) == note_table.read_local_keys(table())


def test_a_table_of_megabytes_reads_like_its_parts():
    # The origin's tables take a kilobyte a row: more than the converter takes at a time.
    frame = pd.DataFrame(rows(), columns=COLUMNS).assign(label="x" * 1000)
    bars = []
    for bar in range(300):
        place = frame["quarterbeats_playthrough"].map(lambda text, bar=bar: str(Fraction(text) + 9 * bar))
        divisions = (frame["onset_div"].astype(int) + 54 * bar).astype(str)
        bars.append(frame.assign(quarterbeats_playthrough=place, onset_div=divisions))
    data = pd.concat(bars).to_csv(sep="\t", index=False).encode()
    assert len(data) > 2_000_000
    notes, one = note_table.read_notes(data).notes, note_table.read_notes(table()).notes
    assert notes.onset == pytest.approx(np.concatenate([one.onset + 9 * bar for bar in range(300)]))
    assert np.array_equal(notes.pitch, np.tile(one.pitch, 300))
    assert np.array_equal(notes.part, np.tile(one.part, 300))
    spans = note_table.read_local_keys(data)
    assert [span.tonic for span in spans] == [0, 7, 5] * 300
    assert spans[-1].end == pytest.approx(9 * 300)


LABELS = [name for name in COLUMNS if "key" in name] + ["tpc", "onset_beat"]


@pytest.mark.parametrize(
    "junk", ["", "17", "-3", "major", "minor", "locrian", "G dorian", "\x07", "7/8"], ids=["none", *"abcdefgh"]
)
def test_keys_and_spellings_do_not_reach_the_notes(junk):
    # What an estimator must not see.
    lines = [[junk if name in LABELS else word for name, word in zip(COLUMNS, line, strict=True)] for line in rows()]
    assert len(LABELS) == 9
    assert lines != rows()
    assert same_notes(table(lines), table())


def test_notes_need_no_label_columns():
    kept = [i for i, name in enumerate(COLUMNS) if name not in LABELS]
    data = table([[line[i] for i in kept] for line in rows()], [COLUMNS[i] for i in kept])
    assert same_notes(data, table())


def test_the_comparison_of_notes_can_fail():
    assert not same_notes(changed("pitch", "68", row=0), table())
    assert not same_notes(changed("staff", "3", row=0), table())
    assert not same_notes(changed("duration_div", "1", row=0), table())


@settings(deadline=None)
@given(
    st.integers(1, 960),
    st.lists(
        st.tuples(st.integers(0, 4000), st.integers(0, 500), st.integers(0, 127), st.integers(1, 4), st.integers(1, 4)),
        min_size=1,
        max_size=12,
    ),
)
def test_any_table_of_whole_divisions(divisions, notes):
    names = ["quarterbeats_playthrough", "onset_div", "duration_div", "pitch", "staff", "voice"]
    notes = [*notes, (divisions, 1, 60, 1, 1)]  # one note after 0
    lines = [[str(Fraction(n[0], divisions)), *map(str, n)] for n in notes]
    found = note_table.read_notes(table(lines, names)).notes
    assert found.onset.tolist() == pytest.approx([n[0] / divisions for n in notes])
    assert found.duration.tolist() == pytest.approx([n[1] / divisions for n in notes])
    assert found.pitch.tolist() == [n[2] for n in notes]
    voices = sorted({n[3:] for n in notes})
    assert found.part.tolist() == [voices.index(n[3:]) for n in notes]


BAD = [
    ("empty", b"", "no table of notes"),
    ("header only", table([]), "no notes"),
    ("words", b"This is a letter.\nDear all,\n", "no table of notes"),
    ("binary", bytes(range(256)) * 8, "no table of notes"),
    ("another coding", table().decode().encode("utf-16"), "no table of notes"),
    ("truncated gzip", table(packed=True)[:-20], "damaged gzip data"),
    ("gzip head only", table(packed=True)[:5], "damaged gzip data"),
    ("gzip with a wrong byte", table(packed=True)[:30] + b"\xff\xff" + table(packed=True)[32:], "damaged gzip data"),
    ("gzipped twice", gzip.compress(table(packed=True)), "no table of notes"),
    ("commas", table().replace(b"\t", b","), "no table of notes"),
    ("a short row", table([*rows(), ["30", "6"]]), "no table of notes"),
    ("words for pitch", changed("pitch", "C4", row=2), "no table of notes"),
    ("fractions for divisions", changed("onset_div", "1/2", row=2), "no table of notes"),
    ("bytes that are no text", table().replace(b"5/2", b"5\xff2"), "no table of notes"),
    ("no pitch", changed("pitch", "", row=2), "column pitch has an empty field"),
    ("no duration", changed("duration_div", "", row=2), "column duration_div has an empty field"),
    ("no onset", changed("quarterbeats_playthrough", "", row=2), "quarterbeats_playthrough ''"),
    ("a word for an onset", changed("quarterbeats_playthrough", "one", row=2), "quarterbeats_playthrough 'one'"),
    ("a decimal onset", changed("quarterbeats_playthrough", "1.0", row=2), "quarterbeats_playthrough '1.0'"),
    ("onset over nothing", changed("quarterbeats_playthrough", "1/0", row=2), "quarterbeats_playthrough '1/0'"),
    ("a huge onset", changed("quarterbeats_playthrough", "9" * 400, row=2), "quarterbeats_playthrough '999"),
    ("an endless onset", changed("quarterbeats_playthrough", "9" * 5000, row=2), "quarterbeats_playthrough '999"),
    ("negative onset", changed("quarterbeats_playthrough", "-1", row=2), "a time before the beginning"),
    ("negative duration", changed("duration_div", "-6", row=2), "a negative duration"),
    ("pitch too high", changed("pitch", "128", row=2), "pitch 128; accepted"),
    ("pitch too low", changed("pitch", "-1", row=2), "pitch -1; accepted"),
    ("divisions that differ", changed("onset_div", "13", row=4), "contradict each other"),
    ("all divisions 0", changed("onset_div", "0"), "contradict each other"),
    ("half a division to the quarter", short_table(["0", "2"], ["0", "1"]), "contradict each other"),
    ("two and a half divisions", short_table(["0", "2", "4"], ["0", "5", "10"]), "contradict each other"),
    ("endlessly many divisions", short_table(["0", "1/1" + "0" * 305], ["0", "9000000000"]), "contradict each other"),
    ("nothing after 0", short_table(["0", "0"], ["0", "0"]), "a later note"),
    ("an endless line", table() + b"1" * 5_000_000, "a line of over 65,536 bytes"),
    ("an endless header", b"onset_div\t" * 500_000, "a line of over 65,536 bytes"),
]


@pytest.mark.parametrize(("data", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_tables_say_what_is_accepted(data, words):
    start = time.process_time()
    with pytest.raises(ReadError) as caught:
        note_table.read_notes(data)
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert message.isprintable()
    assert len(message) < 400
    assert time.process_time() - start < 1


@pytest.mark.parametrize("column", ["quarterbeats_playthrough", "onset_div", "duration_div", "pitch", "staff", "voice"])
def test_a_missing_column_is_named(column):
    i = COLUMNS.index(column)
    data = table([line[:i] + line[i + 1 :] for line in rows()], COLUMNS[:i] + COLUMNS[i + 1 :])
    with pytest.raises(ReadError, match=f"no table of notes .*{column}.*; accepted: .*{column}"):
        note_table.read_notes(data)


@pytest.mark.parametrize("read", [note_table.read_local_keys, note_table.read_global_key])
def test_damaged_labels_say_what_is_accepted(read):
    for name, value in [("_mode", "dorian"), ("_mode", "Major"), ("_tpc", "C"), ("_tpc", "0.5")]:
        column = ("localkey" if read is note_table.read_local_keys else "globalkey") + name
        with pytest.raises(ReadError) as caught:
            read(changed(column, value, row=1))
        assert column in str(caught.value) or value in str(caught.value)
        assert "accepted:" in str(caught.value)
    with pytest.raises(ReadError, match="accepted:"):
        read(b"")
    with pytest.raises(ReadError, match="accepted:"):
        read(table([line[:9] for line in rows()], COLUMNS[:9]))


def test_a_packed_table_of_excessive_size_is_refused_quickly():
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=1) as file:
        for _ in range(100):
            file.write(b"\n" * 1_000_000)
    start = time.process_time()
    with pytest.raises(ReadError, match="a table of over 64,000,000 bytes; accepted: at most that"):
        note_table.read_notes(packed.getvalue())
    assert time.process_time() - start < 2


@given(st.binary(max_size=300))
def test_rubbish_of_every_kind_is_refused(junk):
    for read in (note_table.read_notes, note_table.read_local_keys, note_table.read_global_key):
        with pytest.raises(ReadError, match="accepted:"):
            read(junk)


@settings(deadline=None)
@given(st.integers(0, len(table()) - 1), st.binary(min_size=1, max_size=4))
def test_a_table_with_wrong_bytes_is_read_or_refused(place, junk):
    data = table()[:place] + junk + table()[place + len(junk) :]
    message = ""
    try:
        notes = note_table.read_notes(data).notes
    except ReadError as error:
        message = str(error)
    else:
        assert np.isfinite(notes.onset).all()
        assert (notes.duration >= 0).all()
    assert message == "" or "accepted:" in message
