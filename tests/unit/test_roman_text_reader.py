"""The romanText reader on small analyses of our own, worked out by hand.

Unless a line says otherwise the source is Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText format" (ISMIR 2019).
"""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keybench.corpora.readers import kern, roman_text
from keybench.corpora.readers.reading import Bars, LabelSpan
from keybench.errors import ReadError
from keybench.key import MAJOR, MINOR, Key
from keybench.notes import Piece

C, G, F, B_FLAT = (Key(tonic, MAJOR) for tonic in (0, 7, 5, 10))
C_MINOR, D_MINOR, A_MINOR = (Key(tonic, MINOR) for tonic in (0, 2, 9))


def keys(text):
    return [(found.measure, found.beat, found.key) for found in roman_text.read_keys(text)]


KEYS = [
    ("major and minor", "m1 C: I b3 V\nm2 a: i", [(1, 1, C), (2, 1, A_MINOR)]),
    ("with a flat", "m1 Bb: I", [(1, 1, B_FLAT)]),
    ("with a minus sign", "m1 B-: I", [(1, 1, B_FLAT)]),
    ("a small b is a note", "m1 b: i\nm2 bb: i", [(1, 1, Key(11, MINOR)), (2, 1, Key(10, MINOR))]),
    ("with sharps", "m1 F#: I b2 f##: i", [(1, 1, Key(6, MAJOR)), (1, 2, Key(7, MINOR))]),
    ("with a new key signature", "m1 d;: i", [(1, 1, D_MINOR)]),
    ("on a beat", "m1 C: I b2.5 G: IV b4 I", [(1, 1, C), (1, 2.5, G)]),
    ("before the beat of its first chord", "m1 C: I G: b3 IV", [(1, 1, C), (1, 3, G)]),
    ("at the end of a line", "m1 C: I G:\nm2 b2 V", [(1, 1, C), (2, 2, G)]),
    ("pivot chord", "m1 C: I b3 vi a: i b4 V", [(1, 1, C), (1, 3, A_MINOR)]),
    ("pickup", "m0 b4 C: V\nm1 I", [(0, 4, C)]),
    ("thirds of a beat", "m1 C: I b1.33 G: I b2.67 F: I", [(1, 1, C), (1, 4 / 3, G), (1, 8 / 3, F)]),
    ("half of a third", "m1 C: I b1.66.5 G: I", [(1, 1, C), (1, 11 / 6, G)]),  # the format's own example
    ("repeat and phrase marks", "m1 ||: C: I b2 V :|| b3 G: I ||\nm2 I :||:", [(1, 1, C), (1, 3, G)]),
    ("said again", "m1 C: I\nm2 C: I", [(1, 1, C), (2, 1, C)]),
    ("header and notes are no music",
     "Title: m1 D: I\nPiece: G: x\nNote: m3 F: IV\nm1 C: I\n\nNote: m9 G: I\nE pedal: m 2 b1", [(1, 1, C)]),
    ("variants are left out",
     "m1 C: I\nm1var1 G: IV\nm2varA F: V\nm3var D: I\nm4 var2 a: i\nm5var1: e: i\nm2 I b2 F: V",
     [(1, 1, C), (2, 2, F)]),
    ("optional keys are left out", "m1 C: I ?(G: b2 IV\nm2 ?)C: I b3 ?(a: i ?)a", [(1, 1, C)]),
    ("a bar number apart", "m 1 C: I", [(1, 1, C)]),
    ("no space before the chord", "m1 C: I\nm2I b2 G: V", [(1, 1, C), (2, 2, G)]),
    ("first and second ending", "m1 C: I\nm2a G: I\nm2b F: I\nm3 V", [(1, 1, C), (2, 1, G)]),
    ("a copied bar", "m1 C: I b3 G: I\nm2 = m1\nm3 F: I", [(1, 1, C), (1, 3, G), (2, 1, C), (2, 3, G), (3, 1, F)]),
    ("copied bars", "m1 C: I\nm2 I b3 G: I\nm5-6 = m1-2", [(1, 1, C), (2, 3, G), (5, 1, C), (6, 3, G)]),
    ("a copied bar without a key", "m1 C: I b3 V\nm2 G: I b3 IV\nm3 = m1", [(1, 1, C), (2, 1, G), (3, 1, C)]),
    ("a copy reads on in the key before it",
     "m1 C: I\nm2 V\nm3 G: I\nm4 = m2\nm5 F: I", [(1, 1, C), (3, 1, G), (5, 1, F)]),
    ("a copy of nothing", "m1 C: I\nm2 = m9\nm3-4 = m7-8", [(1, 1, C)]),
    ("a rest", "m1 C: I\nm2 G: NC b3 V", [(1, 1, C), (2, 3, G)]),
    ("old line ends", "Composer: X\rTitle: Y\rm1 C: I\rm2 G: I", [(1, 1, C), (2, 1, G)]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), [row[1:] for row in KEYS], ids=[row[0] for row in KEYS])
def test_keys(text, expected):
    found = keys(text)
    assert [(measure, key) for measure, _, key in found] == [(measure, key) for measure, _, key in expected]
    assert [beat for _, beat, _ in found] == pytest.approx([beat for _, beat, _ in expected])


# Quarters from the beginning of the bar. In compound metres beats are dotted, as in the analyses of sonatas in the
# corpus that the chorales' are from; the values are those that music21 10.5 gives.
@pytest.mark.parametrize(
    ("metre", "beat", "offset"),
    [
        ("4/4", "b3", 2), ("3/4", "b1.5", 0.5), ("2/2", "b2", 2), ("2/2", "b1.5", 1), ("3/2", "b3", 4),
        ("4/2", "b2", 2), ("6/8", "b2", 1.5), ("6/8", "b1.5", 0.75), ("6/8", "b1.66", 1), ("6/8", "b1.66.5", 1.25),
        ("9/8", "b3", 3),
        ("12/8", "b4", 4.5), ("6/4", "b2", 3), ("5/4", "b5", 4), ("7/8", "b2", 0.5), ("4/8", "b2", 0.5),
        ("2/4", "b2.75", 1.75), ("4/4?", "b2", 1),
    ],
)  # fmt: skip
def test_beats_in_a_metre(metre, beat, offset):
    (found,) = roman_text.read_keys(f"Time Signature: {metre}\nm1 {beat} C: I")
    assert found.offset == pytest.approx(offset)


def test_the_metre_may_change():
    text = "m1 b3 C: I\nTime signature: 6/8\nm2 b2 G: I\nTimeSignature: 2/2\nm3 b2 F: I\nm4 = m2"
    found = [(key.offset, (key.metre.numerator, key.metre.denominator)) for key in roman_text.read_keys(text)]
    assert found == [(2, (4, 4)), (1.5, (6, 8)), (2, (2, 2)), (1.5, (6, 8))]


# Root and third (common practice; the accidentals of the sixth and seventh degrees in minor are music21's default).
CHORDS = [
    ("C: I", 0, 4), ("C: ii6/5", 2, 5), ("C: iii", 4, 7), ("C: IV6", 5, 9), ("C: V7", 7, 11), ("C: vi", 9, 0),
    ("C: viio6", 11, 2), ("C: vii/o7", 11, 2), ("C: bVI", 8, 0), ("C: bIII+", 3, 7), ("C: #ivo7", 6, 9),
    ("C: V7/V", 2, 6), ("C: viio7/ii", 1, 4), ("C: V6/5/V", 2, 6), ("C: ii/o6/5/iii", 6, 9), ("C: IV/bVII", 3, 7),
    ("C: N6", 1, 5), ("C: Ger6/5", 8, 0), ("C: Cad64", 0, 4), ("c: Cad64", 0, 3), ("C: V/vi", 4, 8),
    ("C: V6/5/V/ii", 4, 8),
    ("c: i", 0, 3), ("c: iv", 5, 8), ("c: V", 7, 11), ("c: v", 7, 10), ("c: III", 3, 7), ("c: VI", 8, 0),
    ("c: VII", 10, 2), ("c: vi", 9, 0), ("c: vii", 11, 2), ("c: viio7", 11, 2), ("c: #viio7", 11, 2), ("c: bVI", 8, 0),
    ("c: bVII6/5", 10, 2), ("c: bvi", 8, 11), ("c: #VI", 9, 1), ("c: V/III", 10, 2), ("c: viio/VII", 9, 0),
    ("c: VI/III", 0, 4), ("c: viio6/iv", 4, 7), ("Bb: V", 5, 9),
]  # fmt: skip


@pytest.mark.parametrize(("figure", "root", "third"), CHORDS, ids=[row[0] for row in CHORDS])
def test_roots_and_thirds(figure, root, third):
    (found,) = roman_text.read_chords(f"m1 {figure}")
    assert (found.root, found.third) == (root, third)


def test_chords_that_lack_root_or_third_are_left_out():
    found = roman_text.read_chords("m1 C: I b2 V[no3] b3 viio6[no1] b4 ii6[no5]\nm2 xyz b2 NC b3 IV")
    assert [(chord.measure, chord.beat, chord.root) for chord in found] == [(1, 1, 0), (1, 4, 2), (2, 3, 5)]


PICKUP = Bars(np.array([0, 1, 2, 3]), np.array([0.0, 1.0, 5.0, 9.0]), 12.0)
PLAIN = Bars(np.array([1, 2, 3]), np.array([0.0, 4.0, 8.0]), 12.0)

PLACES = [
    ("bars", PLAIN, "m1 C: I\nm2 b3 G: I", [(0, 6, 0), (6, 12, 7)]),
    ("pickup", PICKUP, "m0 b4 C: I\nm1 b2 G: I", [(0, 2, 0), (2, 12, 7)]),
    ("middle of a pickup", PICKUP, "m0 b4.5 C: I", [(0.5, 12, 0)]),
    ("before the pickup", PICKUP, "m0 b2 C: I", [(0, 12, 0)]),
    ("full first bar", PLAIN, "m1 b3 C: I", [(2, 12, 0)]),
    ("the same key again", PLAIN, "m1 C: I\nm2 C: V\nm3 G: I", [(0, 8, 0), (8, 12, 7)]),
    ("two keys at one place", PLAIN, "m1 C: I G: IV\nm2 F: I", [(0, 4, 7), (4, 12, 5)]),
    ("back to the key before", PLAIN, "m1 C: I b2 G: I C: IV b3 F: I", [(0, 2, 0), (2, 12, 5)]),
    ("a bar that is not in the score", PLAIN, "m1 C: I\nm9 G: I", [(0, 12, 0)]),
    ("a beat behind the end", PLAIN, "m1 C: I\nTime Signature: 8/4\nm3 b6 G: I", [(0, 12, 0)]),
    ("a longer bar in the analysis", PLAIN, "Time Signature: 5/4\nm1 C: I\nm2 b5 G: I", [(0, 8, 0), (8, 12, 7)]),
]


@pytest.mark.parametrize(("bars", "text", "expected"), [row[1:] for row in PLACES], ids=[row[0] for row in PLACES])
def test_places_in_the_score(bars, text, expected):
    spans = roman_text.place(roman_text.read_keys(text), bars, bars.end)
    assert spans == [LabelSpan(start, end, tonic, MAJOR) for start, end, tonic in expected]


def test_places_moved_and_transposed():
    found = roman_text.place(roman_text.read_keys("m1 C: I\nm2 b3 a: i"), PLAIN, 12.0, offset=1, transposition=-2)
    assert found == [LabelSpan(4, 10, 10, MAJOR), LabelSpan(10, 12, 7, MINOR)]


def test_a_repeated_bar_number_means_the_first():
    bars = Bars(np.array([1, 2, 2, 3]), np.array([0.0, 4.0, 8.0, 12.0]), 16.0)
    assert [span.start for span in roman_text.place(roman_text.read_keys("m1 C: I\nm2 G: I"), bars, 16.0)] == [0, 4]


# A progression of our own, four chords a bar: 12 bars, so that every quarter of it has 12 chords.
BAR_CHORDS = [
    ("I", "vi", "ii", "V"), ("I", "IV", "viio", "iii"), ("vi", "V/V", "V", "I"), ("IV", "I", "ii", "V/vi"),
    ("vi", "ii", "V", "vi"), ("IV", "ii", "V/V", "V"), ("I", "V", "vi", "iii"), ("IV", "I", "IV", "V"),
    ("V/ii", "ii", "V", "I"), ("iii", "vi", "ii", "V"), ("I", "V/IV", "IV", "iv"), ("I", "V", "V", "I"),
]  # fmt: skip


def analysis(first=1, key="C", order=None):
    chosen = BAR_CHORDS if order is None else [BAR_CHORDS[i] for i in order]
    lines = [f"m{first + n} " + " ".join(f"b{b} {c}" for b, c in enumerate(bar, 1)) for n, bar in enumerate(chosen)]
    return lines[0].replace("b1", f"{key}: b1") + "\n" + "\n".join(lines[1:])


def sounding(shift=0):
    """Return the progression as notes, its bars, and beats of one quarter each."""
    chords = roman_text.read_chords(analysis())
    onset = np.repeat(np.arange(48.0), 3)
    pitch = np.array(
        [p + shift for c in chords for p in (48 + c.root, 60 + c.third, 60 + (c.root + 7) % 12)], dtype=float
    )
    return Piece(onset, np.ones(144), pitch), Bars(np.arange(1, 13), np.arange(0.0, 48, 4), 48.0)


def test_an_analysis_of_the_score_fits():
    assert roman_text.alignment(roman_text.read_chords(analysis()), *sounding()) == roman_text.Alignment(
        True, 0, 0, 1.0
    )


@pytest.mark.parametrize("first", [-2 % 5, 4, 8, 12])
def test_a_number_of_bars_is_found(first):
    found = roman_text.alignment(roman_text.read_chords(analysis(first)), *sounding())
    assert (found.fits, found.offset, found.transposition) == (True, 1 - first, 0)


@pytest.mark.parametrize("shift", [-5, -3, 1, 2, 5, 6, 7])
def test_a_transposition_is_found(shift):
    found = roman_text.alignment(roman_text.read_chords(analysis()), *sounding(shift))
    assert (found.fits, found.offset, found.transposition) == (True, 0, (shift + 5) % 12 - 5)


def test_chords_may_begin_before_their_notes():
    # A suspension: the third is there for the second half of each chord only.
    notes, bars = sounding()
    onset, duration = notes.onset.copy(), notes.duration.copy()
    onset[1::3] += 0.5
    duration[1::3] = 0.5
    late = Piece(onset, duration, notes.pitch)
    assert roman_text.alignment(roman_text.read_chords(analysis()), late, bars).share == 1


WRONG = [
    ("another order", analysis(order=[5, 2, 9, 0, 7, 11, 3, 10, 1, 8, 4, 6])),
    ("a bar too many in the middle", analysis(order=[0, 1, 2, 3, 4, 5, 5, 6, 7, 8, 9, 10, 11])),
    ("a bar left out", analysis(order=[0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11])),
    ("the last bars moved", analysis(order=[0, 1, 2, 3, 4, 5, 6, 7, 7, 8, 9, 10])),
    ("one long chord, which fits in many keys", "m1 a: i\nm2 i\nm3 i\nm4 i\nm5 i\nm6 i\nm7 i\nm8 i\nm9 i"),
    ("beyond the score", analysis(first=500)),
]


@pytest.mark.parametrize("text", [row[1] for row in WRONG], ids=[row[0] for row in WRONG])
def test_an_analysis_of_something_else_does_not_fit(text):
    found = roman_text.alignment(roman_text.read_chords(text), *sounding())
    assert not found.fits
    assert "accepted: at least 80%, at least 60%, and 40% less" in found.reason
    assert "\n" not in found.reason


def test_the_reason_tells_where_the_bars_part():
    text = analysis(order=[0, 1, 2, 3, 4, 5, 5, 6, 7, 8, 9, 10, 11])
    assert (
        "fits best moved by 0, 0, -1, -1 bars" in roman_text.alignment(roman_text.read_chords(text), *sounding()).reason
    )


def test_no_chords_do_not_fit():
    found = roman_text.alignment([], *sounding())
    assert (found.fits, found.reason) == (False, "the analysis has no chords")


def test_from_the_score_to_the_spans():
    # A small score with its analysis: a pickup, a modulation on a pivot chord.
    tokens = "4c~4e~4g =1 4G~4B~4g 4c~4e~4g 4A~4c~4e 4D~4f#~4a =2 2.G~2.B~2.g =="
    text = "\n".join(["**kern", "*M4/4", *tokens.split(), "*-"]).replace("~", " ")
    reading = kern.read_notes(text.encode())
    written = "Time Signature: 4/4\nm0 b4 C: I\nm1 V b2 I b3 vi G: ii b4 V\nm2 I"
    assert roman_text.alignment(roman_text.read_chords(written), reading.notes, reading.bars).fits
    spans = roman_text.place(roman_text.read_keys(written), reading.bars, reading.bars.end)
    assert spans == [LabelSpan(0, 3, 0, MAJOR), LabelSpan(3, 8, 7, MAJOR)]


BAD = [
    ("empty", "", "no key"),
    ("header only", "Composer: X\nTime Signature: 4/4\n", "no key"),
    ("figures without a key", "m1 I b2 V", "no key"),
    ("a key without a chord", "m1 C:", "no key"),
    ("another format", "**kern\n4c\n*-", "no key"),
    ("binary rubbish", "\x00\x01m1\xff", "no key"),
    ("gigantic", "m1 C: I\n" * 200_000, "1,600,000 characters"),
    ("gigantic line", "m1 C: I" + " I" * 20_000, "a line of 40,007 characters"),
    ("chords without end", "m1 C: I\n" * 5001, "more than 5,000 chords"),
    ("copies without end", "m1 C: I\nm1-20001 = m1-20001", "copies of 20,001 measures"),
    ("copies of copies", "m1 C: I\n" + "m1-9999 = m1-9999\n" * 3, "copies of 29,997 measures"),
]


@pytest.mark.parametrize(("text", "words"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_damaged_texts_say_what_is_accepted(text, words):
    with pytest.raises(ReadError) as caught:
        roman_text.read_keys(text)
    message = str(caught.value)
    assert words in message
    assert "accepted:" in message
    assert "\n" not in message


@given(st.text(alphabet="mb0123456789.-=:|?()#CcGgIiVv/ \nvarTimeSgntu", max_size=200))
@settings(max_examples=200, deadline=None)
def test_rubbish_is_read_or_refused(text):
    # No source: whatever the text, keys come in places that can be placed, or a ReadError.
    try:
        found = roman_text.read_keys(text)
    except ReadError:
        return
    spans = roman_text.place(found, PLAIN, 12.0)
    assert all(0 <= span.start < span.end <= 12 for span in spans)
    assert all(one.end == other.start for one, other in itertools.pairwise(spans))
    roman_text.alignment(roman_text.read_chords(text), *sounding())
